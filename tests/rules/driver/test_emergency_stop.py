"""emergency-stop, worked by hand: limit 1 s (common practice, no source). The button is sampled
every 20 ms and pressed at 4.99 s, between the samples at 4.98 and 5.00 s; contactors and torque
are sampled every 20 ms."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run
from tests.rules.vehicle import clock, state

PRESSED_S = 4.99


def judge(
    *,
    opens_s=5.03,
    torque=None,
    presses=((PRESSED_S, 1), (8.0, 0)),
    poles=None,
    until_s=10.0,
    edit=None,
    stage="power-up",
    **more,
):
    """All poles closed from 1 s and opened at ``opens_s``; the front unit's torque as given."""
    times = clock(until_s, 0.02)
    changes = {"negative": [(1.0, 1), (opens_s, 0)], "positive": [(1.5, 1), (opens_s, 0)]}
    changes |= {"precharge": [(1.2, 1), (1.8, 0)]} | (poles or {})
    roles = {f"contactors.{p}": (times, state(times, *changes[p])) for p in changes}
    roles["driver.emergency_stop"] = (times, state(times, *presses))
    given = np.zeros(len(times)) if torque is None else torque(times)
    roles["units.front.torque"] = (times, given)
    if edit:
        edit(roles)
    return run("emergency-stop", roles, stage=stage, cycles_s=dict.fromkeys(roles, 0.02), **more)[
        "emergency stop"
    ]


def test_contactors_open_40_ms_later_pass():
    """Pressed in (4.98, 5.00], open in (5.02, 5.04]: 40 ms, give or take 20 ms."""
    finding = judge()
    assert finding.verdict is Verdict.PASS
    assert finding.measured == pytest.approx(0.04)
    assert finding.uncertainty == pytest.approx(0.02)
    assert (finding.limit, finding.unit, finding.required) == (1.0, "s", True)
    assert "no torque was given, so that cutting it was not shown" in finding.sentence


@pytest.mark.parametrize("pole", ["negative", "positive", "precharge"])
def test_one_contactor_that_stays_closed_fails_and_is_named(pole):
    finding = judge(poles={pole: [(1.0, 1)]})
    assert finding.verdict is Verdict.FAIL
    assert f"the {pole.replace('prech', 'pre-ch')} contactor was still closed" in finding.sentence
    # Seen closed 1.02 s after the sample that showed it pressed.
    assert finding.at_s == pytest.approx(6.02)


def test_opening_after_the_second_fails():
    assert judge(opens_s=6.2).verdict is Verdict.FAIL


def test_opening_after_just_one_second_is_too_close_to_call():
    """In (5.98, 6.00] after (4.98, 5.00]: 1.00 s, give or take 20 ms."""
    finding = judge(opens_s=5.99)
    assert finding.measured == pytest.approx(1.0)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "too-close-to-call")


def test_the_limit_is_the_plans():
    assert judge(opens_s=5.5, rules={"limit_s": 0.3}).verdict is Verdict.FAIL


def ramp(down_s):
    """20 Nm up to the pressing, then down to none within some seconds."""
    return lambda t: np.clip(20 * (1 - (t - 5.0) / down_s), 0, 20)


def test_torque_that_is_ramped_down_slowly_fails_though_the_contactors_opened():
    finding = judge(torque=ramp(2.0))
    assert finding.verdict is Verdict.FAIL
    assert "front torque was still there" in finding.sentence


def test_torque_cut_in_time_passes_and_is_shown():
    """20 Nm down to 2 Nm takes 0.9 of 0.5 s: 0.45 s."""
    finding = judge(torque=ramp(0.5))
    assert finding.verdict is Verdict.PASS
    assert finding.measured == pytest.approx(0.45, abs=finding.uncertainty)
    assert "front torque last" in finding.sentence
    assert "was not shown" not in finding.sentence


@pytest.mark.parametrize("sign", [1, -1])
def test_torque_that_comes_back_within_the_second_counts_from_its_end(sign):
    def again(t):
        return sign * np.where((t > 5.4) & (t < 5.9), 20.0, 0.0)

    assert judge(torque=again).measured == pytest.approx(0.9, abs=0.03)


def test_a_contactor_that_closes_again_within_the_second_fails():
    finding = judge(poles={"negative": [(1.0, 1), (5.03, 0), (5.5, 1)]})
    assert finding.verdict is Verdict.FAIL


def test_never_pressed_is_not_exercised():
    finding = judge(presses=())
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "it was never pressed" in finding.sentence


def test_a_stop_that_reads_pressed_all_the_time_is_ignored_by_the_contactors():
    """Read as pressed from the first frame; negative closes at 1.00 s, just too early to count,
    and is still closed at 1.02 s."""
    finding = judge(presses=((-1.0, 1),), opens_s=9.0)
    assert finding.verdict is Verdict.FAIL
    assert (finding.first_failed_s, finding.code) == (pytest.approx(1.02), "never-released")
    assert "although the button had read pressed all the while" in finding.sentence


def test_pressed_from_the_start_with_all_open_is_not_a_pressing_that_anybody_saw():
    opened = {pole: [] for pole in ("negative", "precharge", "positive")}
    finding = judge(presses=((-1.0, 1), (8.0, 0)), poles=opened)
    assert finding.reason == "not-exercised"
    assert judge(presses=((-1.0, 1),), poles=opened).reason == "not-exercised"


def test_a_contactor_that_closes_while_the_button_still_reads_pressed_fails():
    late = {"negative": [(1.0, 1), (5.03, 0), (7.0, 1)]}
    finding = judge(poles=late)
    assert finding.verdict is Verdict.FAIL
    assert finding.first_failed_s == pytest.approx(7.0)
    assert "the negative contactor was closed" in finding.sentence
    assert judge(poles=late, presses=((PRESSED_S, 1), (6.5, 0))).verdict is Verdict.PASS
    # A reset starts nothing by itself: a stop that ends just as a pole closes is made of its state.
    assert judge(poles=late, presses=((PRESSED_S, 1), (6.9, 0))).reason == "sensor-suspect"


def test_a_unit_that_begins_to_turn_while_the_button_reads_pressed_fails():
    def spins(at_s):
        def edit(roles):
            times = roles["units.front.torque"][0]
            roles["units.front.speed"] = (times, np.where(times > at_s, 200.0, 0.0))

        return edit

    # Pressed from the first frame on, and a pole closes for 0.4 s only as the unit turns already.
    pressed = {"presses": ((0.0, 1),), "opens_s": 1.4, "poles": {"precharge": [(1.2, 1), (1.4, 0)]}}
    finding = judge(edit=spins(1.1), **pressed)
    assert finding.verdict is Verdict.FAIL
    assert "the front unit began to turn" in finding.sentence
    assert judge(edit=spins(4.0)).verdict is not Verdict.FAIL  # it may coast
    # With all poles open since 5.03 s somebody turns the wheel by hand.
    assert judge(edit=spins(6.5)).verdict is Verdict.PASS


def test_a_press_of_60_ms_counts():
    assert judge(presses=((PRESSED_S, 1), (5.05, 0)), opens_s=99.0).verdict is Verdict.FAIL
    assert judge(presses=((PRESSED_S, 1), (5.05, 0))).verdict is Verdict.PASS


def test_pressed_with_all_open_exercises_nothing():
    finding = judge(opens_s=3.0)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "with all contactors open and no torque" in finding.sentence


def test_the_recording_that_ends_before_the_deadline_proves_nothing():
    finding = judge(opens_s=99.0, until_s=5.8)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "the recording ended" in finding.sentence


def test_a_box_that_falls_silent_before_it_reads_open_is_stale():
    def silent(roles):
        times, values = roles["contactors.positive"]
        roles["contactors.positive"] = (times[times < 5.01], values[times < 5.01])

    finding = judge(edit=silent)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_a_torque_without_value_is_not_available():
    finding = judge(torque=lambda t: np.where(t > 5.01, np.nan, 20.0))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-available")


def test_no_emergency_stop_bound_is_not_bound_and_required_in_power_up_alone():
    def unbound(roles):
        del roles["driver.emergency_stop"]

    assert judge(edit=unbound).reason == "not-bound"
    assert not judge(edit=unbound, stage="dry-spin").required


def test_pressed_twice_the_worse_one_counts():
    twice = ((PRESSED_S, 1), (6.5, 0), (8.0, 1))
    slow = {"negative": [(1.0, 1), (5.03, 0), (7.0, 1), (9.5, 0)]}
    assert judge(presses=twice, poles=slow).verdict is Verdict.FAIL
    bounce = ((PRESSED_S, 1), (5.2, 0), (5.3, 1), (8.0, 0))
    assert judge(presses=bounce).measured == pytest.approx(0.04)


def test_no_cut_changes_anything():
    short = {"until_s": 6.4}
    for more in ({}, {"opens_s": 5.99}, {"opens_s": 99.0}, {"torque": ramp(2.0)}):
        assert judge(cuts="each", **short, **more) == judge(**short, **more)


def test_pressed_half_way_through_closing_it_shows_nothing_of_the_positive_pole():
    """Negative closed at 1.0 s and pre-charge at 1.2 s; pressed at 1.3 s, positive still open."""
    opened = {"negative": [(1.0, 1), (1.5, 0)], "precharge": [(1.2, 1), (1.5, 0)], "positive": []}
    finding = judge(presses=((1.3, 1),), poles=opened)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "without both main contactors closed" in finding.sentence
    stays = opened | {"negative": [(1.0, 1)]}
    assert judge(presses=((1.3, 1),), poles=stays).verdict is Verdict.FAIL


def test_a_press_half_way_takes_nothing_from_a_whole_one():
    twice = {"negative": [(1.0, 1), (1.5, 0), (3.0, 1), (5.03, 0)]}
    twice |= {"precharge": [(1.2, 1), (1.5, 0), (3.2, 1), (3.8, 0)]}
    twice |= {"positive": [(3.5, 1), (5.03, 0)]}
    presses = ((1.3, 1), (2.0, 0), (PRESSED_S, 1))
    assert judge(presses=presses, poles=twice).verdict is Verdict.PASS


def test_noise_and_the_zero_of_an_estimate_are_no_torque():
    """Noise of 1.5 Nm reads more than 2 Nm once in eleven times on either side, and keeps no sign.

    What reads 2.5 Nm from before the first closing on is the zero; 5 Nm after the stop are torque.
    """
    noise = np.random.default_rng(8).normal(0, 1.5, 600)
    for reads in (lambda t: noise[: len(t)], lambda t: np.full(len(t), 2.5)):
        poles = {"negative": [(3.0, 1), (5.03, 0)], "precharge": [(3.2, 1), (3.8, 0)]}
        poles["positive"] = [(3.5, 1), (5.03, 0)]
        healthy = judge(torque=reads, poles=poles)
        assert healthy.verdict is Verdict.PASS
        assert "no torque was given" in healthy.sentence
        given = judge(torque=lambda t, own=reads: own(t) + 5.0 * ((t > 4) & (t < 7)), poles=poles)
        assert given.verdict is Verdict.FAIL
        assert "torque" in given.sentence
