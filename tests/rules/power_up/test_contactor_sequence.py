"""contactor-sequence, worked by hand. A change lies in the middle between two samples, give or take
half the interval: with 10 ms samples two changes d apart give d +- (5 + 5 + 1 ms of clock)."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run
from tests.rules.vehicle import clock, state

HEALTHY = {
    "negative": [(1.0, 1)],
    "precharge": [(1.2, 1), (1.8, 0)],
    "positive": [(1.6, 1)],
}


def judge(every_s=0.01, until_s=8.0, times=None, edit=None, cuts=None, cycle_s=None, **changes):
    """``changes``: pole -> [(at_s, value)], the healthy ones where not given."""
    times = clock(until_s, every_s) if times is None else times
    roles = {
        f"contactors.{pole}": (times, state(times, *(HEALTHY | changes)[pole])) for pole in HEALTHY
    }
    if edit:
        edit(roles)
    return run(
        "contactor-sequence",
        roles,
        stage="power-up",
        cycles_s=dict.fromkeys(roles, cycle_s or every_s),
        cuts=cuts,
    )["contactors"]


def test_the_right_order_passes_by_the_shortest_time_between():
    finding = judge()
    assert finding.verdict is Verdict.PASS
    assert finding.measured == pytest.approx(200.0)  # pre-charge opened 0.2 s after positive
    assert finding.uncertainty == pytest.approx(11.0)
    assert (finding.limit, finding.unit, finding.required) == (0.0, "ms", True)


@pytest.mark.parametrize(("bounces", "doubted"), [(1, False), (2, True)])
def test_a_contactor_that_closes_again_and_again_chatters(bounces, doubted):
    """Each closing under load is one without pre-charge; one bounce is an auxiliary contact's."""
    again = [(1.6 + 0.02 * n, 1 - n % 2) for n in range(2 * bounces + 1)]
    finding = judge(positive=again)
    assert finding.reason == ("sensor-suspect" if doubted else None)
    assert ("positive said closed 3 times within a second" in finding.sentence) is doubted


@pytest.mark.parametrize("jitter_ms", [0.0, 0.4])
@pytest.mark.parametrize("ahead_s", [0.3, 0.5])
def test_a_healthy_vehicle_with_states_every_100_ms_passes(jitter_ms, ahead_s):
    times = clock(8.0, 0.1)
    times = times + jitter_ms / 1e3 * np.sin(np.arange(len(times)) * 1.7)
    shifted = {
        "precharge": [(1.33, 1), (1.53 + ahead_s, 0)],
        "positive": [(1.33 + ahead_s, 1)],
    }
    finding = judge(every_s=0.1, times=times, **shifted)
    assert finding.verdict is Verdict.PASS
    assert finding.measured == pytest.approx(200, abs=2)


@pytest.mark.parametrize(
    ("changes", "words", "short_ms"),
    [
        ({"positive": [(0.9, 1)]}, "pre-charge closed only after positive", -300),
        ({"precharge": [(1.7, 1), (1.9, 0)]}, "pre-charge closed only after positive", -100),
        ({"precharge": [(1.2, 1), (1.5, 0)]}, "pre-charge opened before positive closed", -100),
        ({"negative": [(1.0, 1), (1.4, 0)]}, "negative had opened again", -200),
        ({"negative": [(1.7, 1)]}, "negative closed only after positive", -100),
    ],
)
def test_a_wrong_order_fails_by_the_time_between(changes, words, short_ms):
    finding = judge(**changes)
    assert finding.verdict is Verdict.FAIL
    assert words in finding.sentence
    assert finding.margin == pytest.approx(short_ms)


@pytest.mark.parametrize("late_s", [0.0, 0.1])
def test_an_order_within_sampling_is_too_close_to_call(late_s):
    changes = {"positive": [(1.6, 1)], "precharge": [(1.2, 1), (1.6 + late_s, 0)]}
    finding = judge(every_s=0.1, **changes)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "too-close-to-call")


def test_a_slow_state_is_placed_in_the_middle_of_its_interval():
    """Positive every 10 ms: 1.595 +- 0.005 s; pre-charge every 100 ms: opened at 1.85 +- 0.05 s."""

    def slow(roles):
        roles["contactors.precharge"] = tuple(part[::10] for part in roles["contactors.precharge"])

    finding = judge(edit=slow, cycle_s=0.1, precharge=[(0.8, 1), (1.88, 0)], negative=[(0.5, 1)])
    assert finding.measured == pytest.approx(255.0)
    assert finding.uncertainty == pytest.approx(50 + 5 + 1)


def test_pre_charge_that_stays_closed_fails_by_the_five_seconds_waited_for_it():
    finding = judge(precharge=[(1.2, 1)])
    assert finding.verdict is Verdict.FAIL
    assert "pre-charge stayed closed" in finding.sentence
    assert finding.margin == pytest.approx(-5000, abs=0.01)


def test_pre_charge_that_was_closed_from_the_first_frame_on_has_to_open_as_well():
    """A welded one, or a state that is stuck: 5 s after positive closed it is closed still."""
    finding = judge(precharge=[(-1.0, 1)])
    assert finding.verdict is Verdict.FAIL
    assert "pre-charge stayed closed" in finding.sentence
    assert finding.margin == pytest.approx(-5000, abs=0.01)


@pytest.mark.parametrize(
    ("opens_s", "verdict"),
    [(7.0, Verdict.FAIL), (5.6, Verdict.UNPROVEN), (3.2, Verdict.PASS)],
)
def test_pre_charge_that_opens_only_with_positive_stayed_closed_all_along(opens_s, verdict):
    """Positive closes at 1.6 s: of an attempt that ends before 6.6 s it is not known."""
    finding = judge(precharge=[(1.2, 1), (opens_s, 0)], positive=[(1.6, 1), (opens_s, 0)])
    assert finding.verdict is verdict
    assert ("pre-charge stayed closed" in finding.sentence) == (verdict is Verdict.FAIL)


def test_pre_charge_that_stays_closed_until_the_recording_ends_is_unproven():
    finding = judge(precharge=[(1.2, 1)], until_s=4.0)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "the recording ended before pre-charge opened" in finding.sentence


@pytest.mark.parametrize(("pole", "word"), [("precharge", "pre-charge"), ("negative", "negative")])
def test_positive_without_the_others_fails_with_a_number(pole, word):
    finding = judge(**{pole: []})
    assert finding.verdict is Verdict.FAIL
    assert f"positive closed and {word} never did" in finding.sentence
    assert finding.code == f"{word.replace('-', '')}-never-closed"
    assert finding.margin < -400  # the attempt lasts at least 0.5 s after the last closing


def test_an_attempt_that_never_reaches_positive_is_not_exercised():
    finding = judge(positive=[])
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_an_attempt_given_up_takes_nothing_from_one_that_passed():
    finding = judge(
        negative=[(1.0, 1), (1.5, 0), (3.0, 1)],
        precharge=[(1.2, 1), (1.4, 0), (3.2, 1), (3.9, 0)],
        positive=[(3.6, 1)],
    )
    assert finding.verdict is Verdict.PASS
    assert finding.measured == pytest.approx(300.0)


def test_positive_closing_again_without_pre_charge_fails_though_negative_stayed_closed():
    """The link has been bleeding since 3 s; positive closes onto it again at 5 s."""
    again = judge(positive=[(1.5, 1), (3.0, 0), (5.0, 1)], negative=[(1.0, 1)])
    assert again.verdict is Verdict.FAIL
    assert "positive closed and pre-charge never did" in again.sentence
    healthy = judge(
        positive=[(1.5, 1), (3.0, 0), (5.0, 1)],
        precharge=[(1.2, 1), (1.7, 0), (4.5, 1), (5.2, 0)],
        negative=[(1.0, 1)],
    )
    assert healthy.verdict is Verdict.PASS


@pytest.mark.parametrize("again_s", [2.6, 7.0])
def test_pre_charge_closing_again_with_both_main_contactors_closed_fails(again_s):
    """Positive has been closed since 1.6 s; nothing asks for the resistor after 1.8 s."""
    closed = [*HEALTHY["precharge"], (again_s, 1), (again_s + 0.1, 0)]
    finding = judge(until_s=9.0, precharge=closed)
    assert finding.verdict is Verdict.FAIL
    assert "pre-charge closed again with both main contactors closed" in finding.sentence
    assert finding.measured == pytest.approx((again_s - 1.6) * 1000)


def test_a_frame_out_of_order_as_pre_charge_opens_is_no_closing():
    """Stamps of an adapter that are late by up to 14 ms exchange frames that come every 10 ms."""
    swapped = [(1.2, 1), (2.3, 0), (2.31, 1), (2.32, 0)]
    assert judge(until_s=9.0, precharge=swapped).verdict is Verdict.PASS


@pytest.mark.parametrize(("open_s", "verdict"), [(0.2, "unproven"), (0.03, "pass")])
def test_a_positive_that_lets_go_for_a_moment_is_not_believed(open_s, verdict):
    """It closes at 1.5 s and lets go at 1.52 s, with negative and pre-charge closed."""
    changes = [(1.5, 1), (1.52, 0), (1.52 + open_s, 1)]
    finding = judge(until_s=9.0, positive=changes, precharge=[(1.2, 1), (2.3, 0)])
    assert str(finding.verdict) == verdict
    assert ("it let go, or its state is wrong" in finding.sentence) == (verdict == "unproven")


@pytest.mark.parametrize("again_s", [1.8, 5.0])
def test_negative_closing_again_while_positive_is_closed_fails(again_s):
    """Within the attempt, or long after it."""
    dropped = [(1.0, 1), (again_s - 0.1, 0), (again_s, 1)]
    finding = judge(positive=[(1.5, 1)], negative=dropped)
    assert finding.verdict is Verdict.FAIL
    assert "negative closed again while positive was closed" in finding.sentence
    assert finding.first_failed_s == pytest.approx(again_s)


def test_a_state_that_goes_silent_is_no_pass():
    def silent(roles):
        times, values = roles["contactors.precharge"]
        heard = (times < 1.3) | (times > 1.75)
        roles["contactors.precharge"] = (times[heard], values[heard])

    finding = judge(edit=silent)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_without_a_pre_charge_contactor_in_the_plan_it_is_not_bound():
    finding = judge(edit=lambda roles: roles.pop("contactors.precharge"))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-bound")


def test_no_cut_changes_anything():
    times = clock(4.0, 0.05)
    for changes in ({}, {"precharge": [(1.2, 1), (1.5, 0)]}):
        whole = judge(every_s=0.05, times=times, **changes)
        assert judge(every_s=0.05, times=times, cuts="each", **changes) == whole


@pytest.mark.parametrize("pole", ["negative", "positive"])
def test_a_recording_that_begins_with_a_pole_closed_is_not_mended_by_a_good_second_attempt(pole):
    first = {pole: [(-1.0, 1), (0.3, 0), *HEALTHY[pole]]}
    finding = judge(**first)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "capture-damaged")
    assert f"{pole} was already closed when it was first seen" in finding.sentence
    assert judge(**first, cuts="each") == finding


def test_positive_before_negative_has_a_word_of_its_own():
    assert judge(negative=[(1.7, 1)]).code == "positive-first"
