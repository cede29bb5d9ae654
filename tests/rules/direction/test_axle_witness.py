"""axle-witness, worked by hand: a burst from 2 s to 5 s, marks around it."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from canscope.rules import RULES
from tests.rules.harness import judge as run

TIMES = np.round(np.arange(0, 60, 0.05), 3)
FORWARD = np.round(np.interp(TIMES, [2, 2.5, 4.5, 5], [0, 400, 400, 0]), 6)

CYCLES = {"units.front.speed": 0.05, "contactors.negative": 0.05}


def mark(at_s, seen, axle="front"):
    return {"at_s": at_s, "axle": axle, "seen": seen, "text": "left wheel watched"}


def judge(*marks, speed=FORWARD, times=TIMES, **more):
    roles = {"units.front.speed": (times, speed)}
    return run("axle-witness", roles, marks=marks, cycles_s=CYCLES, **more)


def verdicts(*marks, **more):
    found = judge(*marks, **more)
    return [str(found[f"front {word}"].verdict) for word in ("forward", "reverse")]


def test_a_person_who_saw_what_can_says_proves_that_direction_alone():
    assert verdicts(mark(3, "forward")) == ["pass", "unproven"]
    assert verdicts(mark(3, "reverse"), speed=-FORWARD) == ["unproven", "pass"]
    sentence = judge(mark(3, "forward"))["front forward"].sentence
    assert "a person saw the front axle turn forward, as CAN says" in sentence


@pytest.mark.parametrize(
    ("seen", "code"), [("reverse", "wheel-turned-other-way"), ("still", "wheel-stood-still")]
)
def test_a_person_who_saw_something_else_fails_what_can_says(seen, code):
    found = judge(mark(3, seen))
    assert (found["front forward"].verdict, found["front forward"].margin) == (Verdict.FAIL, -1)
    assert found["front reverse"].verdict is Verdict.UNPROVEN
    assert "while CAN says forward" in found["front forward"].sentence
    assert found["front forward"].code == code


def test_how_long_after_the_wheel_stood_still_it_was_marked_is_told():
    """Below 30 rpm from 4.963 s on, first read so at 5.0 s: another wheel may be meant by 20 s."""
    late = judge(mark(20, "forward"))["front forward"].sentence
    assert "turn forward, as CAN says, marked 15.0 s after it stood still" in late
    assert "marked" not in judge(mark(6, "forward"))["front forward"].sentence


def test_a_wrong_sighting_is_not_made_up_for_by_a_right_one():
    assert verdicts(mark(3, "reverse"), mark(4, "forward"))[0] == "fail"


def test_one_wheel_still_while_the_other_turns_is_an_open_differential():
    assert verdicts(mark(3, "still"), mark(4, "forward"))[0] == "pass"
    assert verdicts(mark(3, "forward"), mark(4, "still"))[0] == "pass"
    assert verdicts(mark(3, "still"), mark(4, "reverse"))[0] == "fail"
    assert verdicts(mark(4, "still"), mark(3, "forward", axle="rear"))[0] == "fail"


def test_a_wheel_seen_still_waits_half_a_minute_for_the_other_one():
    """Still at 3 s; the other wheel at 32.9 s, or not at all until 33.2 s."""
    assert verdicts(mark(3, "still"), mark(32.9, "forward"))[0] == "pass"
    assert verdicts(mark(3, "still"), mark(33.1, "forward"))[0] == "fail"
    whole = judge(mark(3, "still"), mark(32.9, "forward"))
    assert judge(mark(3, "still"), mark(32.9, "forward"), cuts=[3.1, 20, 32.95, 33.1]) == whole
    whole = judge(mark(3, "still"), mark(33.1, "forward"))
    assert judge(mark(3, "still"), mark(33.1, "forward"), cuts=[3.1, 20, 33.05, 33.15]) == whole


def test_a_wheel_that_a_hand_turned_before_high_voltage_may_be_seen_still_later():
    """All poles are open until 7 s; with one closed since 1 s it drove."""
    for closed_s, verdict in ((7.0, "unproven"), (1.0, "fail")):
        pole = (TIMES, (closed_s <= TIMES).astype(float))
        roles = {"units.front.speed": (TIMES, FORWARD), "contactors.negative": pole}
        found = run("axle-witness", roles, marks=[mark(20, "still")], cycles_s=CYCLES)
        assert str(found["front forward"].verdict) == verdict


def test_missing_marks_are_unproven():
    found = judge()
    assert {finding.reason for finding in found.values()} == {"not-exercised"}
    assert "CAN cannot see a wheel" in found["front forward"].sentence


def test_a_mark_may_come_up_to_thirty_seconds_after_the_burst():
    """The burst ends below 30 rpm: 800 rpm/s down to 0 at 5 s, where it is first read so."""
    assert verdicts(mark(34.9, "forward"))[0] == "pass"
    assert judge(mark(35.2, "forward"))["front forward"].reason == "sensor-suspect"


def test_a_person_who_saw_motion_when_can_knows_of_none_casts_doubt_on_the_speed():
    found = judge(mark(1, "forward"))
    assert (found["front forward"].verdict, found["front forward"].reason) == (
        Verdict.UNPROVEN,
        "sensor-suspect",
    )
    # and takes the pass from a good mark of that direction, but never lifts a fail
    assert verdicts(mark(1, "forward"), mark(3, "forward"))[0] == "unproven"
    assert verdicts(mark(1, "forward"), mark(3, "reverse"))[0] == "fail"


def test_still_seen_at_a_standstill_proves_nothing_and_spoils_nothing():
    assert verdicts(mark(1, "still"), mark(3, "forward"))[0] == "pass"
    assert judge(mark(1, "still"))["front forward"].reason == "not-exercised"


def test_a_mark_belongs_to_the_last_sense_before_it():
    """Forward from 2 s to 4 s, at once reverse from 4 s to 7 s."""
    both = np.interp(TIMES, [2, 2.5, 3.5, 4, 4.5, 6.5, 7], [0, 400, 400, 0, -400, -400, 0])
    assert verdicts(mark(3.9, "forward"), mark(5, "reverse"), speed=both) == ["pass", "pass"]
    assert verdicts(mark(10, "forward"), speed=both)[1] == "fail"


def test_a_mark_made_as_the_burst_begins_belongs_to_it():
    """At 2.1 s the unit has turned at 80 rpm for one reading only."""
    assert verdicts(mark(2.1, "forward"))[0] == "pass"


def test_a_mark_of_another_axle_is_none_of_this_one():
    assert judge(mark(3, "forward", axle="rear"))["front forward"].reason == "not-exercised"


def test_a_mark_without_an_axle_or_a_sighting_is_no_witness():
    found = judge({"at_s": 3, "text": "coffee"}, {"at_s": 3, "axle": "front"})
    assert {finding.reason for finding in found.values()} == {"not-exercised"}


def test_a_mark_made_just_before_the_recording_ends_counts():
    short = TIMES < 3.05
    assert verdicts(mark(2.95, "forward"), speed=FORWARD[short], times=TIMES[short])[0] == "pass"


def test_a_speed_that_was_silent_when_somebody_looked_proves_nothing():
    late = TIMES[TIMES > 50]
    roles = {
        "units.front.speed": (late, late * 0),
        "units.rear.speed": (TIMES, FORWARD),
    }
    found = run("axle-witness", roles, marks=[mark(5, "forward")])
    assert (found["front forward"].verdict, found["front forward"].reason) == (
        Verdict.UNPROVEN,
        "stale",
    )


def test_a_speed_that_died_while_turning_says_nothing_about_a_later_sighting():
    """Last read at 2.95 s; what CAN would have said at 5 s nobody knows."""
    early = TIMES < 3.0
    found = judge(mark(5, "still"), times=TIMES[early], speed=FORWARD[early], end_s=60)
    assert {(str(f.verdict), f.reason) for f in found.values()} == {("unproven", "stale")}


def test_it_is_required_where_a_person_can_look():
    assert RULES["axle-witness"].required_in == {"dry-spin", "wet-spin"}
    assert judge(mark(3, "forward"), stage="power-up") == {}
    assert not judge(mark(3, "forward"), stage="rolling")["front forward"].required


@pytest.mark.parametrize("cuts", ["each", [3.0, 3.2], [2.95, 3.05, 20.0, 34.95]])
def test_cutting_does_not_matter(cuts):
    marks = (mark(3, "reverse"), mark(34.9, "forward"), mark(36, "reverse"), mark(1, "still"))
    run = {"times": TIMES[::3], "speed": FORWARD[::3]}
    whole = judge(*marks, **run)
    assert [str(finding.verdict) for finding in whole.values()] == ["fail", "unproven"]
    assert judge(*marks, **run, cuts=cuts) == whole


@pytest.mark.parametrize("cuts", [[], [15.3], [14.5, 15.0, 15.25, 15.9, 16.21], [16.1]])
def test_a_mark_just_before_a_burst_that_it_agrees_with_contradicts_no_earlier_one(cuts):
    """A second burst, in reverse, is at 50 rpm at 15.56 s by an adapter whose clock is late."""
    again = FORWARD - np.interp(TIMES, [15.5, 16, 17], [0, 400, 0])
    found = judge(mark(3, "forward"), mark(15, "reverse"), speed=again, cuts=cuts)
    assert {finding.reason for finding in found.values()} == {"capture-damaged"}
    assert "just before it did by CAN" in found["front reverse"].sentence
    early = judge(mark(3, "forward"), mark(14, "reverse"), speed=again, cuts=cuts)
    assert early["front forward"].verdict is Verdict.FAIL
    in_it = judge(mark(4.4, "reverse"), speed=again, cuts=cuts)
    assert in_it["front forward"].first_failed_s == pytest.approx(4.6)


def asked(at_s, what, axle=None, **more):
    return {"at_s": at_s, "asked": what, "axle": axle, **more}


def test_one_wheel_still_and_the_other_turning_is_an_open_differential():
    for first, second in (("still", "forward"), ("forward", "still")):
        found = judge(mark(3, first), mark(4, second))
        assert found["front forward"].verdict is Verdict.PASS


def test_a_wheel_seen_turning_in_another_burst_excuses_none_that_stood_still():
    two = np.interp(TIMES, [2, 2.5, 4.5, 5, 8, 8.5, 10.5, 11], [0, 400, 400, 0, 0, 400, 400, 0])
    found = judge(mark(3, "forward"), mark(9, "still"), speed=np.round(two, 6))
    assert found["front forward"].code == "wheel-stood-still"


def test_one_forward_and_one_reverse_is_a_contradiction():
    found = judge(mark(3, "forward"), mark(4, "reverse"))
    assert found["front forward"].verdict is Verdict.FAIL


@pytest.mark.parametrize("own", [True, False])
def test_a_wheel_that_turns_against_what_was_asked_fails_although_can_agrees_with_it(own):
    """Controller and plan turn the request round twice: CAN says forward, and forward it is."""
    seen = {**mark(4, "forward"), "asked": "reverse"} if own else mark(4, "forward")
    found = judge(*([] if own else [asked(1, "reverse")]), seen)
    assert found["front reverse"].code == "wheel-against-request"
    assert found["front reverse"].verdict is Verdict.FAIL
    assert found["front forward"].verdict is Verdict.PASS
    assert "while the request as marked says reverse" in found["front reverse"].sentence


@pytest.mark.parametrize(
    ("at_s", "closed", "is_told"), [(50, 1, True), (50, 0, False), (8, 1, False)]
)
def test_a_wheel_that_creeps_in_neutral_long_after_any_burst(at_s, closed, is_told):
    """CAN knows of no motion since 5 s: within 30 s after that it may have coasted."""
    pole = (TIMES, np.full(len(TIMES), closed))
    poles = dict.fromkeys(("contactors.negative", "contactors.positive"), pole)
    roles = {"units.front.speed": (TIMES, FORWARD), **poles}
    marks = [{**mark(at_s, "reverse"), "asked": "neutral"}]
    found = run("axle-witness", roles, marks=marks, cycles_s=CYCLES)["front reverse"]
    assert (found.code == "wheel-against-request") == is_told
    assert not is_told or "while the request as marked says neutral" in found.sentence


@pytest.mark.parametrize(
    ("at_s", "stage", "newton_m", "is_told"),
    [
        (3.8, "dry-spin", 0, True),  # it turns at 400 rpm from 2.5 to 4.5 s
        (4.4, "dry-spin", 0, False),  # it slows down soon after: the lever may be at neutral
        (2.9, "dry-spin", 0, False),  # it has only begun
        (3.8, "rolling", 0, False),  # it may coast on the road
        (3.8, "rolling", 12, True),
        (3.8, "rolling", -12, False),  # it brakes
    ],
)
def test_a_wheel_that_is_driven_in_neutral_is_against_the_request(at_s, stage, newton_m, is_told):
    pole = (TIMES, np.ones(len(TIMES)))
    roles = dict.fromkeys(("contactors.negative", "contactors.positive"), pole)
    roles |= {"units.front.speed": (TIMES, FORWARD)}
    roles |= {"units.front.torque": (TIMES, newton_m * (FORWARD > 0))}
    marks = [{**mark(at_s, "forward"), "asked": "neutral"}]
    for cuts in (None, [at_s - 0.03, at_s + 0.1]):
        found = run("axle-witness", roles, stage=stage, marks=marks, cycles_s=CYCLES, cuts=cuts)
        assert (found["front forward"].code == "wheel-against-request") == is_told


def test_what_is_asked_after_the_burst_is_no_request_of_it():
    found = judge(asked(1, "forward"), asked(7, "reverse"), mark(8, "forward"))
    assert found["front reverse"].verdict is Verdict.UNPROVEN
    assert found["front forward"].verdict is Verdict.PASS


@pytest.mark.parametrize("cuts", [[3.0, 4.2, 6.0], [33.0, 33.05], "each"])
def test_cutting_does_not_matter_to_wheels_seen_still_and_requests(cuts):
    marks = [asked(1, "reverse"), mark(3, "still"), mark(4, "forward"), mark(20, "still")]
    assert judge(*marks, cuts=cuts) == judge(*marks)
