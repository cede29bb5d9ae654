"""cold-soak: 5 K (common practice, no source), worked by hand. The front unit turns at 10 s; its
sensors are read every 0.5 s to +-0.5 K."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

FAST = np.round(np.arange(0, 20, 0.1), 3)
SLOW = np.round(np.arange(0.05, 20, 0.5), 3)
INVERTER, WINDING = "units.front.temperatures.inverter", "units.front.temperatures.winding"
SPEED = "units.front.speed"


def judge(inverter=17.0, winding=17.5, *, ambient=17.0, cold=True, edit=None, turn=True, **more):
    """The temperatures before the burst; each rises by 8 K once the unit turns."""
    heat = np.where(SLOW >= 10, 8.0, 0.0)
    rpm = np.where((FAST >= 10) & (FAST < 13), 800.0 if turn else 0.0, 0.0)
    roles = {
        INVERTER: (SLOW, inverter + heat),
        WINDING: (SLOW, winding + heat),
        SPEED: (FAST, rpm),
    }
    if edit:
        edit(roles)
    found = run(
        "cold-soak",
        roles,
        u={INVERTER: 0.5, WINDING: 0.5},
        cycles_s={INVERTER: 0.5, WINDING: 0.5, SPEED: 0.1},
        bench={"ambient_degC": ambient, "cold": cold},
        **more,
    )
    return found["temperatures"]


def test_a_vehicle_that_stood_overnight_passes_whatever_heat_comes_later():
    finding = judge()
    assert finding.verdict is Verdict.PASS
    assert (finding.measured, finding.limit, finding.unit) == (0.5, 5.0, "K")
    assert "inverter 17.0 degC to front winding 17.5 degC" in finding.sentence
    assert not finding.required


def test_a_winding_that_reads_eight_kelvin_more_fails_in_a_cold_vehicle():
    finding = judge(winding=25.0)
    assert finding.verdict is Verdict.FAIL
    assert (finding.measured, finding.margin) == (8.0, -3.0)
    assert finding.uncertainty == 1.0  # of two readings
    assert judge(17.5, 25.0).uncertainty == 0.5  # the ambient temperature has none of its own
    assert judge(winding=9.0).verdict is Verdict.FAIL


def test_the_same_is_advice_and_neither_a_fail_nor_a_pass_if_nobody_says_that_it_is_cold():
    finding = judge(winding=25.0, cold=False)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert finding.measured == 8.0
    assert "advice, no fault" in finding.sentence
    assert judge(cold=False).verdict is Verdict.PASS


def test_sensors_that_agree_with_each_other_but_not_with_the_air_fail():
    assert judge(30.0, 30.0).verdict is Verdict.FAIL
    alone = judge(30.0, 30.0, ambient=None)
    assert alone.verdict is Verdict.PASS
    assert "no ambient given" in alone.sentence


def test_two_sensors_just_five_kelvin_apart_are_too_close_to_call():
    finding = judge(17.0, 22.0)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "too-close-to-call")
    # Not cold, it is not even that.
    assert judge(17.0, 22.0, cold=False).reason == "not-exercised"


def test_the_limit_is_the_plans():
    assert judge(winding=25.0, rules={"limit_K": 10}).verdict is Verdict.PASS


def test_nothing_turned_is_not_exercised():
    finding = judge(turn=False)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_a_sensor_that_is_silent_before_the_burst_is_stale_but_lifts_no_fail():
    def silent(roles):
        times, values = roles[WINDING]
        heard = (times < 7) | (times > 10)
        roles[WINDING] = (times[heard], values[heard])

    assert judge(edit=silent).reason == "stale"
    assert judge(inverter=30.0, edit=silent).verdict is Verdict.FAIL


def test_a_sensor_without_value_is_not_available():
    def blank(roles):
        times, values = roles[WINDING]
        roles[WINDING] = (times, np.where(times < 10.2, np.nan, values))

    assert judge(edit=blank).reason == "not-available"


def test_a_broken_wire_reads_minus_forty_and_is_suspect_not_cold():
    finding = judge(winding=-40.0)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")


def test_one_sensor_without_ambient_has_nothing_to_be_compared_with():
    def alone(roles):
        del roles[WINDING]

    assert judge(edit=alone, ambient=None).reason == "no-limit"
    assert judge(edit=alone).verdict is Verdict.PASS


def test_no_sensor_bound_is_not_bound():
    def none(roles):
        del roles[WINDING], roles[INVERTER]

    assert judge(edit=none).reason == "not-bound"


@pytest.mark.parametrize("winding", [17.5, 25.0])
def test_no_cut_changes_anything(winding):
    assert judge(winding=winding, cuts="each") == judge(winding=winding)


@pytest.mark.parametrize(
    ("rise_K", "cold", "fails"), [(30, True, True), (30, False, True), (8, True, False)]
)
def test_a_part_that_warms_in_power_up_fails_though_nothing_turned(rise_K, cold, fails):
    """1.5 K/s from 6 s on, with a pole closed from 5 s on; 10 K, both readings to 0.5 K."""
    pole = (FAST, np.where(FAST >= 5, 1.0, 0.0))
    warms = np.minimum(np.interp(SLOW, [6, 26], [0, 30]), rise_K)

    def edit(roles):
        roles |= {WINDING: (SLOW, 17.5 + warms), INVERTER: (SLOW, np.full(len(SLOW), 17.0))}
        roles["contactors.negative"] = pole

    finding = judge(edit=edit, turn=False, stage="power-up", cold=cold)
    assert (finding.verdict is Verdict.FAIL) is fails
    assert (
        "front winding warmed in a stage in which nothing turns, by" in finding.sentence
    ) is fails


@pytest.mark.parametrize(("warms_K", "fails"), [(0.0, False), (30.0, True)])
def test_a_node_that_wakes_as_a_pole_closes_gives_no_base_to_warm_from(warms_K, fails):
    """An end of the range until 5.5 s; a pole closes at 5 s."""
    level = 17.5 + np.where(SLOW > 10, warms_K, 0.0)

    def edit(roles):
        roles |= {WINDING: (SLOW, np.where(SLOW < 5.5, -40.0, level))}
        roles |= {INVERTER: (SLOW, np.full(len(SLOW), 17.0))}
        roles["contactors.negative"] = (FAST, np.where(FAST >= 5, 1.0, 0.0))

    finding = judge(edit=edit, turn=False, stage="power-up", cuts="each")
    assert (finding.verdict is Verdict.FAIL) is fails


def test_what_reads_the_airs_degF_is_told_from_what_is_hot():
    """17 degC is 62.6 degF."""
    assert judge(62.6, 63.0).code == "as-fahrenheit"
    assert judge(45.0, 17.0).code == ""
