"""Which rule is required in which stage, as the product's stage table says.

R required, j judged if bound, - not applicable. Rules that the table does not name are judged if
bound in every stage. Common practice, no source: the table is the project's own.
"""

import pytest

from canscope.model.bench import STAGES, Bench, DriveUnit
from canscope.rules import RULES

TABLE = """
capture-integrity message-presence cycle-time                              | R R R R R
contactor-sequence precharge-level control-supply link-discharge           | j R R R R
precharge-curve contactor-weld insulation-resistance emergency-stop        | j R j j j
current-ceiling voltage-ceiling                                            | R R R R R
bus-sag speed-ceiling                                                      | R j R R R
brake-interlock change-at-standstill pedal-at-rest                         | j j R R R
axle-direction axle-agreement                                              | j - R R R
axle-witness                                                               | j - R R j
temperature-ceiling temperature-rate sensor-alive                          | R j R R R
temperature-rise                                                           | R - R - -
coolant-flow                                                               | - - - R R
unasked-motion                                                             | R R R R R
buses-distinct                                                             | R R R R R
nothing-turns                                                              | - j - - -
"""
ROWS = {
    rule: dict(zip(STAGES, cells.split(), strict=True))
    for line in TABLE.strip().splitlines()
    for rules, cells in [line.split("|")]
    for rule in rules.split()
}
NOT_IN_TABLE = {"dry-exposure"}  # see the test below


def bench(stage):
    """Two units; dry where the stage allows it, so that the dry rules apply."""
    dry = "empty" if stage in ("unit-alone", "dry-spin", "power-up") else "filled"
    units = (DriveUnit("front"), DriveUnit("rear"))
    return Bench(stage=stage, coolant=dry, oil=dry, units=units)


@pytest.mark.parametrize("stage", STAGES)
@pytest.mark.parametrize("name", [n for n in RULES if n not in NOT_IN_TABLE])
def test_a_rule_is_required_as_the_stage_table_says(name, stage):
    rule, here = RULES[name](), bench(stage)
    expected = ROWS.get(name, dict.fromkeys(STAGES, "j"))[stage]
    got = "-" if not rule.applies(here) else "R" if rule.required(here) else "j"
    assert got == expected


def test_dry_exposure_is_required_while_something_is_empty_and_turns():
    rule = RULES["dry-exposure"]()
    assert all(rule.required(bench(stage)) for stage in ("unit-alone", "dry-spin"))
    assert all(not rule.applies(bench(stage)) for stage in ("wet-spin", "rolling"))
    # In power-up it says nothing unless a unit turns; then it fails and is required.
    assert rule.silent(bench("power-up"))


def test_an_agreement_of_axles_needs_two():
    one = Bench(stage="dry-spin", units=(DriveUnit("front"),))
    assert not RULES["axle-agreement"]().applies(one)


def test_what_can_hurt_most_can_be_neither_waived_nor_switched_off():
    fixed = {name for name in RULES if not RULES[name].waivable}
    assert fixed == {
        "axle-direction",
        "temperature-ceiling",
        "message-presence",
        "capture-integrity",
    }
