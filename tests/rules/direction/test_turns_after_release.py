"""turns-after-release, worked by hand: at most 50 rpm the other way after the pedal's release."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

SPEED, PEDAL, REQUEST = "units.front.speed", "driver.pedal", "driver.direction"
TIMES = np.round(np.arange(0, 9, 0.01), 3)
CYCLES = dict.fromkeys((SPEED, PEDAL, REQUEST), 0.01)
PRESSED = np.where((TIMES >= 1) & (TIMES < 4), 20.0, 0.5)


def speed(back_rpm=0.0, sense=1.0):
    """Turns from 1 s, slows down from 4 s, stands at 5 s or runs back until 5.6 s."""
    at = [1, 2, 4, 5, 5.3, 5.6]
    return sense * np.interp(TIMES, at, [0, 800, 800, 0, -back_rpm, 0])


def judge(rpm, pedal=PRESSED, request=None, u=None, **more):
    roles = {SPEED: (TIMES, rpm), PEDAL: (TIMES, pedal)}
    if request is not None:
        roles[REQUEST] = (TIMES, request)
    return run("turns-after-release", roles, u=u, cycles_s=CYCLES, **more)["front"]


@pytest.mark.parametrize("sense", [1, -1])
def test_a_unit_that_slows_down_to_rest_passes(sense):
    finding = judge(speed(sense=sense))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.PASS, 0.0, 50.0)


@pytest.mark.parametrize("sense", [1, -1])
def test_a_unit_that_runs_back_fails_by_the_excess(sense):
    finding = judge(speed(120.0, sense))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 120.0, -70.0)
    assert finding.at_s == 5.3


def test_a_small_swing_back_is_allowed():
    assert judge(speed(40.0)).margin == pytest.approx(10.0)


def test_at_the_limit_it_is_too_close_to_call():
    finding = judge(speed(50.2), u={SPEED: 0.5})
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "too-close-to-call")


def test_turning_back_after_another_request_or_with_the_pedal_is_meant():
    reverse = np.where(TIMES < 4.96, 1.0, -1.0)
    assert judge(speed(300.0), request=reverse).verdict is Verdict.PASS
    again = np.where(TIMES >= 4.95, 20.0, PRESSED)
    assert judge(speed(300.0), again).verdict is Verdict.PASS


def test_turning_back_after_a_second_at_rest_is_another_matter():
    late = speed() - np.where(TIMES >= 6.5, 300.0, 0.0)
    assert judge(late).verdict is Verdict.PASS
    early = speed() - np.where(TIMES >= 5.5, 300.0, 0.0)
    assert judge(early).verdict is Verdict.FAIL


def test_a_pedal_that_is_never_released_while_it_turns_proves_nothing():
    for percent, reason in ((20.0, "not-exercised"), (0.5, "sensor-suspect")):
        pedal = np.where(TIMES < 0.1, percent + 0.1, percent)  # it moves, but never far
        finding = judge(speed(), pedal)
        assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, reason)


def test_after_a_silence_of_the_pedal_nobody_knows_whether_it_was_pressed():
    heard = (TIMES < 4.5) | (TIMES >= 5.05)
    roles = {SPEED: (TIMES, speed(120.0)), PEDAL: (TIMES[heard], PRESSED[heard])}
    finding = run("turns-after-release", roles, cycles_s=CYCLES)["front"]
    assert finding.verdict is Verdict.UNPROVEN


def test_a_unit_that_still_coasts_when_the_pedal_is_pressed_again_proves_nothing():
    finding = judge(speed(300.0), np.where(TIMES >= 4.5, 20.0, PRESSED))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


@pytest.mark.parametrize("rpm", [speed(), speed(120.0), speed(40.0, -1.0)])
@pytest.mark.parametrize("asked", [None, np.where(TIMES < 5.2, 1.0, -1.0)])
def test_cutting_changes_nothing(rpm, asked):
    assert judge(rpm, request=asked, cuts="each") == judge(rpm, request=asked)
    some = [3.99, 4.0, 4.01, 5.25]
    assert judge(rpm, request=asked, cuts=some) == judge(rpm, request=asked)


@pytest.mark.parametrize(("closed", "verdict"), [(1, Verdict.FAIL), (0, Verdict.UNPROVEN)])
def test_a_wheel_that_a_hand_turns_while_the_pedal_is_tried_has_no_release(closed, verdict):
    """Before high voltage somebody turns it to and fro, and somebody else tries the pedal."""
    roles = {SPEED: (TIMES, speed(120.0)), PEDAL: (TIMES, PRESSED)}
    poles = ("contactors.negative", "contactors.positive")
    roles |= {pole: (TIMES, np.full(len(TIMES), closed)) for pole in poles}
    cycles = CYCLES | dict.fromkeys(poles, 0.01)
    assert run("turns-after-release", roles, cycles_s=cycles)["front"].verdict is verdict
