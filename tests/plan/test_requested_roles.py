"""Which roles a plan requests, by the table of roles: free words in them are only words.

The expectations are those of design.md section 5.
"""

import pytest

from canscope.model.errors import PlanError
from canscope.model.roles import ROLES, role_of
from canscope.plan.load import read_plan
from tests.plan.example import FRONT, PLAN, REAR, changed, lay_out

INVERTER = 'inverter = "can1:UnitSlow.InverterTemp"'
REAR_INVERTER = INVERTER.replace("can1", "can2")
LIMIT = "temperature_ceiling_degC = { inverter = 75,"


def test_roles_come_in_the_order_of_the_table_and_units_one_after_the_other(tmp_path):
    bound = list(read_plan(lay_out(tmp_path)).bench.bindings)
    places = [ROLES.index(role_of(name)) for name in bound]
    of_units = [name.split(".")[1] for name in bound if name.startswith("units.")]
    whole = len(bound) - len(of_units)
    assert places[:whole] == sorted(places[:whole])
    assert of_units == sorted(of_units)
    assert bound[whole].endswith(".speed")


@pytest.mark.parametrize("word", ["speed", "torque", "fault"])
def test_a_temperature_may_bear_the_name_of_another_role(tmp_path, word):
    """The mounting's sign once turned a temperature that was called speed."""
    text = changed(
        (INVERTER, INVERTER.replace("inverter", word)),
        (REAR_INVERTER, REAR_INVERTER.replace("inverter", word)),
        (LIMIT, LIMIT.replace("inverter", word)),
        ("phases_swapped = true", "phases_swapped = false"),
    )
    plan = read_plan(lay_out(tmp_path, text))
    assert plan.bench.unit("front").sign == -1
    binding = plan.bench.bindings[f"units.front.temperatures.{word}"]
    assert (binding.factor, binding.unit) == (1.0, "degC")


def test_a_temperature_called_fault_may_not_share_a_signal_with_one(tmp_path):
    text = changed((INVERTER, 'fault = "can1:UnitSlow.Fault"'), ("{ inverter = 75,", "{"))
    with pytest.raises(PlanError, match=r"and so is units\.front\.fault; they must differ"):
        read_plan(lay_out(tmp_path, text))


def test_a_unit_called_by_a_star_is_one_unit(tmp_path):
    text = PLAN.replace(FRONT, FRONT.replace("units.front", 'units."*"')).replace(REAR, "")
    bound = read_plan(lay_out(tmp_path, text.replace('axle = "rear"', 'axle = "*"'))).bench.bindings
    assert [name for name in bound if name.endswith(".speed")] == ["units.*.speed"]


def test_keys_beside_the_state_of_a_pole_win_over_those_inside_it(tmp_path):
    pole = (
        '{ state = { signal = "ContactorBox.NegativeClosed", cycle_ms = 5, invert = true }, '
        "cycle_ms = 20 }"
    )
    text = changed(('"can0:ContactorBox.NegativeClosed"', pole))
    binding = read_plan(lay_out(tmp_path, text)).bench.bindings["contactors.negative"]
    assert binding.cycle_ns == 20_000_000
    assert binding.codes == {1: 0.0, 0: 1.0}
