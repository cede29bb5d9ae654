"""brake-interlock, worked by hand on readings 100 ms apart (direction) and as given (brake)."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

TIMES = np.round(np.arange(0, 4, 0.1), 3)


def judge(brake, direction=None, times=TIMES, **more):
    """Direction goes forward at 2.0 s unless given; brake is a function of time or values."""
    direction = (TIMES >= 2.0) * 1.0 if direction is None else direction
    brake = np.array([brake(t) for t in times], float) if callable(brake) else brake
    roles = {"driver.direction": (TIMES, direction), "driver.brake": (times, brake)}
    cycles = {"driver.direction": 0.1, "driver.brake": 0.1}
    return run("brake-interlock", roles, cycles_s=cycles, **more)["driver"]


def test_a_change_with_the_brake_pressed_passes_and_says_that_no_refusal_was_seen():
    finding = judge(lambda t: 1.5 <= t <= 2.5)
    assert finding.verdict is Verdict.PASS
    assert (finding.measured, finding.limit, finding.margin) == (1, 1, 1)
    assert "no change of direction happened without the brake" in finding.sentence
    assert "no refusal was tried" in finding.sentence


def test_a_change_without_the_brake_fails_and_names_the_direction():
    finding = judge(lambda t: t < 1.5)
    assert (finding.verdict, finding.margin, finding.measured) == (Verdict.FAIL, -1, 0)
    assert "forward was entered without the brake pressed" in finding.sentence
    assert finding.at_s == 2.0


def test_one_good_change_does_not_make_up_for_a_bad_one():
    there_and_back = np.select([TIMES < 1, TIMES < 2], [0.0, 1.0], -1.0)
    finding = judge(lambda t: t < 1.5, there_and_back)
    assert finding.verdict is Verdict.FAIL
    assert "reverse" in finding.sentence


def test_a_brake_that_changed_within_the_same_reading_is_too_close_to_call():
    assert judge(lambda t: t >= 2.0).reason == "too-close-to-call"
    assert judge(lambda t: t < 2.0).reason == "too-close-to-call"


def test_a_brake_read_between_two_readings_of_direction_settles_at_its_next_reading():
    """Brake read at 1.95 and 2.05 s: a change between the two may lie on either side of 2.0 s."""
    between = np.round(TIMES + 0.05, 3)
    assert judge(lambda t: t >= 2.0, times=between).reason == "too-close-to-call"
    pressed = judge(lambda t: t >= 1.8, times=between)
    assert (pressed.verdict, pressed.at_s) == (Verdict.PASS, 2.05)


def test_no_change_is_unproven():
    assert judge(lambda t: 1, TIMES * 0).reason == "not-exercised"


def test_the_direction_that_a_run_begins_with_was_not_entered_in_it():
    assert judge(lambda t: 0, TIMES * 0 + 1).reason == "not-exercised"


def test_going_to_neutral_needs_no_brake():
    assert judge(lambda t: 0, (TIMES < 2) * 1.0).reason == "not-exercised"


def test_a_brake_signal_that_died_before_the_change_proves_nothing():
    early = TIMES[TIMES < 1.0]
    finding = judge(np.ones(len(early)), times=early)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_a_brake_signal_that_dies_at_the_change_proves_nothing():
    """Last read 0.05 s before the change and never again: it may have been released."""
    early = np.round(np.arange(0.05, 1.96, 0.1), 3)
    finding = judge(np.ones(len(early)), times=early)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_a_brake_signal_that_comes_back_later_does_not_mend_the_change():
    """Silent from 1.95 s to 3.15 s, more than three readings, and pressed on both sides."""
    gap = np.round(TIMES[(TIMES < 1.95) | (TIMES > 3.0)] + 0.05, 3)
    finding = judge(np.ones(len(gap)), times=gap)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_a_brake_without_value_at_the_change_proves_nothing():
    finding = judge(np.where(abs(TIMES - 2.0) < 0.15, np.nan, 1))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-available")


def test_a_recording_that_ends_before_the_brake_is_read_again_proves_nothing():
    roles = {
        "driver.direction": (TIMES[:21], (TIMES[:21] >= 2.0) * 1.0),
        "driver.brake": (np.round(TIMES[:20] + 0.05, 3), np.ones(20)),
    }
    finding = run("brake-interlock", roles)["driver"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


@pytest.mark.parametrize("cuts", ["each", [2.0], [1.99, 2.01, 2.2]])
@pytest.mark.parametrize("pressed", [(1.5, 2.5), (0, 1.5), (2.0, 3.0)])
def test_cutting_does_not_matter(cuts, pressed):
    times = np.round(TIMES + 0.03, 3)

    def brake(t):
        return pressed[0] <= t < pressed[1]

    assert judge(brake, times=times, cuts=cuts) == judge(brake, times=times)


def test_an_unbound_brake_is_unproven():
    found = run("brake-interlock", {"driver.direction": (TIMES, (TIMES >= 2) * 1.0)})
    assert found["driver"].reason == "not-bound"


@pytest.mark.parametrize("cuts", [(), (2.05,), (2.95, 3.05, 3.45)])
@pytest.mark.parametrize(
    ("left_s", "pressed_s", "closes_s", "verdict"),
    [
        (2.5, 9.0, 3.0, "unproven"),  # tried with all poles open: it asks nobody
        (9.0, 9.0, 3.0, "fail"),  # high voltage comes with forward chosen
        (9.0, 2.5, 3.0, "pass"),  # the brake is pressed by then
        (9.0, 9.0, 1.0, "fail"),
    ],
)
def test_a_lever_that_is_tried_with_all_poles_open(cuts, left_s, pressed_s, closes_s, verdict):
    """Forward from 2 s on, without the brake."""
    roles = {
        "driver.direction": (TIMES, ((TIMES >= 2.0) & (left_s > TIMES)).astype(float)),
        "driver.brake": (TIMES, (pressed_s <= TIMES).astype(float)),
        "contactors.negative": (TIMES, (closes_s <= TIMES).astype(float)),
    }
    found = run("brake-interlock", roles, cycles_s=dict.fromkeys(roles, 0.1), cuts=cuts)["driver"]
    assert str(found.verdict) == verdict


@pytest.mark.parametrize("cuts", [(), (1.05,), (1.35,), "each"])
def test_a_later_lever_does_not_hide_the_one_under_which_a_pole_closed(cuts):
    """Forward at 0.5 s without the brake, closed from 1.0 to 1.3 s; again at 2.0 s, with it."""
    forward = ((TIMES >= 0.5) & (TIMES <= 1.6)) | (TIMES >= 2.0)
    roles = {
        "driver.direction": (TIMES, forward.astype(float)),
        "driver.brake": (TIMES, (TIMES >= 1.7).astype(float)),
        "contactors.negative": (
            TIMES,
            (((TIMES >= 1.0) & (TIMES <= 1.3)) | (TIMES >= 3.0)).astype(float),
        ),
    }
    found = run("brake-interlock", roles, cycles_s=dict.fromkeys(roles, 0.1), cuts=cuts)["driver"]
    assert found.verdict is Verdict.FAIL
