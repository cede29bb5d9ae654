"""brake-and-pedal, worked by hand: pedal above 25 % and brake pressed (Formula SAE, from memory);
driving torque of at most 5 Nm once both have been pressed for 0.5 s.
"""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

SPEED, TORQUE = "units.front.speed", "units.front.torque"
PEDAL, BRAKE = "driver.pedal", "driver.brake"
TIMES = np.round(np.arange(0, 5, 0.02), 3)
CYCLES = dict.fromkeys((SPEED, TORQUE, PEDAL, BRAKE), 0.02)


def inside(start_s, end_s):
    """Where a sample lies in [start, end)."""
    begin, end = np.searchsorted(TIMES, (start_s - 1e-9, end_s - 1e-9))
    return (np.arange(len(TIMES)) >= begin) & (np.arange(len(TIMES)) < end)


def during(start_s, end_s, value, other=0.0):
    return np.where(inside(start_s, end_s), value, other)


def judge(torque, speed=800.0, pedal=40.0, brake=None, u=None, **more):
    brake = during(2, 4, 1) if brake is None else brake
    columns = {SPEED: speed, TORQUE: torque, PEDAL: pedal, BRAKE: brake}
    moved = {r: np.array(np.broadcast_to(v, TIMES.shape), float) for r, v in columns.items()}
    for name in (SPEED, TORQUE, PEDAL):
        moved[name][0] += 1  # so that no sensor looks stuck
    roles = {role: (TIMES, values) for role, values in moved.items()}
    return run("brake-and-pedal", roles, u=u, cycles_s=CYCLES, **more)["front"]


def test_torque_that_is_cut_when_the_brake_is_pressed_passes():
    finding = judge(during(0, 2.3, 12.0))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.PASS, 0.0, 5.0)


@pytest.mark.parametrize("sense", [1, -1])
def test_torque_along_the_motion_fails_after_half_a_second(sense):
    finding = judge(sense * 12.0, speed=sense * 800.0)
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 12.0, -7.0)
    assert finding.first_failed_s == 2.5


def test_braking_torque_is_allowed():
    assert judge(-12.0).verdict is Verdict.PASS


def test_any_torque_at_standstill_drives():
    assert judge(-12.0, speed=0.0).verdict is Verdict.FAIL


def test_below_a_quarter_of_travel_nothing_is_judged():
    finding = judge(12.0, pedal=25.0, brake=during(2, 2.4, 1))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    longer = judge(12.0, pedal=25.0)  # a brake under which a unit is driven on is not believed
    assert (longer.verdict, longer.reason) == (Verdict.UNPROVEN, "sensor-suspect")


def test_both_pressed_for_less_than_half_a_second_are_not_judged():
    finding = judge(12.0, brake=during(2, 2.48, 1))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_at_the_limit_it_is_too_close_to_call():
    finding = judge(5.02, u={TORQUE: 0.05})
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "too-close-to-call")


def test_a_brake_without_value_is_not_judged():
    finding = judge(12.0, brake=np.full(len(TIMES), np.nan))
    assert finding.verdict is Verdict.UNPROVEN


def test_an_unbound_brake_is_said():
    found = run("brake-and-pedal", {SPEED: (TIMES, 0.0), TORQUE: (TIMES, 0.0)})["front"]
    assert found.reason == "not-bound"


@pytest.mark.parametrize("torque", [12.0, during(0, 2.3, 12.0), during(2.4, 3.2, 9.0)])
def test_cutting_changes_nothing(torque):
    assert judge(torque, cuts="each") == judge(torque)
