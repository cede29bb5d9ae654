"""rocking, worked by hand: at most 2 sign changes within 1 s, +-20 rpm of hysteresis."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

SPEED, REQUEST = "units.front.speed", "driver.direction"
TIMES = np.round(np.arange(0, 6, 0.01), 3)
CYCLES = {SPEED: 0.01, REQUEST: 0.01}


def inside(start_s, end_s):
    """Where a sample lies in [start, end)."""
    begin, end = np.searchsorted(TIMES, (start_s - 1e-9, end_s - 1e-9))
    return (np.arange(len(TIMES)) >= begin) & (np.arange(len(TIMES)) < end)


def shaking(hertz, rpm=60.0, start_s=2.0, end_s=5.0):
    """A square wave that begins at +rpm."""
    wave = np.where(((TIMES - start_s) * hertz * 2 + 1e-9) % 2 < 1, rpm, -rpm)
    return np.where(inside(start_s, end_s), wave, 0.0)


def judge(speed, request=1.0, **more):
    # The request moves once, in the first sample, so that it does not look stuck.
    columns = {SPEED: speed, REQUEST: np.where(TIMES > 0, request, 0.0)}
    roles = {role: (TIMES, np.broadcast_to(v, TIMES.shape)) for role, v in columns.items()}
    return run("rocking", roles, cycles_s=CYCLES, **more)["front"]


def test_a_unit_that_turns_one_way_passes():
    finding = judge(np.interp(TIMES, [2, 3, 4, 5], [0, 800, 800, 0]))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.PASS, 0.0, 2.0)


def test_three_changes_in_a_second_fail_at_the_third():
    finding = judge(shaking(1.7))  # half a period is 294 ms: changes at 2.29, 2.59 and 2.88 s
    assert (finding.verdict, finding.first_failed_s) == (Verdict.FAIL, 2.89)
    assert (finding.measured, finding.margin) == (4.0, -2.0)  # 3.4 a second, four in the worst


def test_two_changes_in_a_second_pass():
    assert judge(shaking(0.9)).verdict is Verdict.PASS


def test_noise_within_the_hysteresis_is_no_change():
    moved = np.where(TIMES > 5, 100.0, 0.0)
    finding = judge(shaking(5, rpm=15) + moved)
    assert (finding.verdict, finding.measured) == (Verdict.PASS, 0.0)


def test_a_wheel_rocked_by_hand_with_all_poles_open_is_no_fault():
    more = {SPEED: shaking(3), REQUEST: np.where(TIMES > 0, 1.0, 0.0)}
    for closed, verdict in ((0.0, Verdict.UNPROVEN), (1.0, Verdict.FAIL)):
        columns = more | {"contactors.positive": np.where(TIMES < 1, 1.0, closed)}
        roles = {role: (TIMES, column) for role, column in columns.items()}
        assert run("rocking", roles, cycles_s=CYCLES)["front"].verdict is verdict


def test_a_changed_request_explains_a_change():
    request = np.where((TIMES * 2).astype(int) % 2, 1.0, -1.0)  # every half second
    finding = judge(shaking(3), request)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_coasting_in_neutral_proves_nothing_but_shaking_in_neutral_fails():
    coasting = np.interp(TIMES, [0, 5], [800, 0])
    finding = judge(coasting, request=0.0)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert judge(shaking(3), request=0.0).verdict is Verdict.FAIL


def test_a_request_without_value_is_not_judged():
    assert judge(shaking(3), request=np.nan).verdict is Verdict.UNPROVEN


@pytest.mark.parametrize("speed", [shaking(1.7), shaking(0.9), shaking(5, rpm=15)])
def test_cutting_changes_nothing(speed):
    assert judge(speed, cuts="each") == judge(speed)
    assert judge(speed, cuts=[2.3, 2.6, 3.1]) == judge(speed)
