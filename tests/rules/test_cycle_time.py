"""cycle-time, worked by hand: cycle 100 ms, so at most 300 ms (ISO 11783-7 heartbeat, 3 x)."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

SPEED, VOLTAGE, IGNITION = "units.front.speed", "pack.voltage", "driver.ignition"
POLES = ("contactors.negative", "contactors.positive")
STATED = {SPEED: 0.1, VOLTAGE: 0.1, IGNITION: 0.1} | dict.fromkeys(POLES, 0.1)


def every_100_ms(start_s=0.0, end_s=20.0):
    return np.round(np.arange(round(start_s * 10), round(end_s * 10)) / 10, 3)


def judge(speed_s, others=None, poles_closed=None, cycles_s=STATED, **more):
    """The front unit's message at these instants; others keep their 100 ms."""
    roles = {SPEED: (speed_s, 0.0), VOLTAGE: (every_100_ms(), 400.0)}
    for pole in POLES if poles_closed is not None else ():
        roles[pole] = (every_100_ms(), float(poles_closed))
    roles |= others or {}
    return run("cycle-time", roles, cycles_s=cycles_s, **more)["can0:M0"]


def without(times_s, start_s, end_s):
    return times_s[(times_s <= start_s) | (times_s >= end_s)]


def test_a_message_that_keeps_its_cycle_passes_by_two_cycles():
    finding = judge(every_100_ms())
    assert (finding.verdict, finding.margin, finding.limit) == (Verdict.PASS, 200.0, 300.0)
    assert (finding.uncertainty, finding.facts["cycle_ms"]) == (0.0, 100.0)


def test_three_cycles_to_the_nanosecond_still_pass():
    finding = judge(without(every_100_ms(), 5.0, 5.3))
    assert (finding.verdict, finding.margin, finding.at_s) == (Verdict.PASS, 0.0, 5.3)


def test_a_longer_pause_fails_from_its_deadline_on():
    finding = judge(without(every_100_ms(), 5.0, 6.0))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 1000.0, -700.0)
    assert (finding.first_failed_s, finding.at_s) == (5.3, 6.0)


def test_a_node_that_dies_fails_though_it_sends_nothing_more():
    finding = judge(every_100_ms(end_s=5.1), end_s=20.0)
    assert finding.verdict is Verdict.FAIL
    assert finding.first_failed_s == 5.3
    assert finding.measured == pytest.approx(15_000, abs=0.01)  # from 5.0 s to the end at 20 s


def test_a_node_that_wakes_late_is_judged_from_its_first_frame():
    assert judge(every_100_ms(start_s=8.0)).verdict is Verdict.PASS


def test_a_cycle_that_nobody_states_is_learned_from_32_intervals():
    finding = judge(without(every_100_ms(), 5.0, 6.0), cycles_s={})
    assert (finding.verdict, finding.facts["cycle_ms"], finding.margin) == ("fail", 100.0, -700.0)


def test_a_pause_within_the_learned_intervals_is_found_once_the_cycle_is_known():
    finding = judge(without(every_100_ms(), 1.0, 2.0), cycles_s={})
    # The 33rd frame: 11 up to 1.0 s, then 22 more from 2.0 s, the last at 4.1 s.
    assert (finding.verdict, finding.margin, finding.first_failed_s) == (Verdict.FAIL, -700.0, 4.1)


def test_too_few_frames_to_learn_a_cycle_from_never_pass():
    finding = judge(every_100_ms(end_s=3.2), cycles_s={VOLTAGE: 0.1})  # 32 frames, 31 intervals
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_a_message_that_never_came_is_not_seen():
    assert judge([]).reason == "not-seen"


def test_silence_after_the_ignition_went_off_is_no_fault():
    off = {IGNITION: (every_100_ms(), np.where(every_100_ms() < 5.0, 1, 0))}
    assert judge(every_100_ms(end_s=5.1), others=off).verdict is Verdict.PASS


def test_silence_just_before_the_ignition_goes_off_is_a_fault():
    off = {IGNITION: (every_100_ms(), np.where(every_100_ms() < 5.0, 1, 0))}
    finding = judge(every_100_ms(end_s=4.1), others=off)
    assert (finding.verdict, finding.first_failed_s) == (Verdict.FAIL, 4.3)
    assert finding.measured == 1000.0  # from 4.0 s to the shutdown at 5.0 s


def test_a_node_that_stays_away_after_waking_is_judged_from_its_next_frame():
    second = every_100_ms()
    on = (second < 5.0) | (second >= 10.0)
    speed = np.concatenate((every_100_ms(end_s=5.1), every_100_ms(start_s=12.0)))
    assert judge(speed, others={IGNITION: (second, on)}).verdict is Verdict.PASS
    dead = np.concatenate((speed[speed < 15.05], speed[speed > 19.0]))
    assert judge(dead, others={IGNITION: (second, on)}).first_failed_s == 15.3


def test_all_nodes_falling_silent_together_with_open_poles_is_a_shutdown():
    quiet = every_100_ms(end_s=5.1)
    others = {VOLTAGE: (quiet, 400.0)} | dict.fromkeys(POLES, (quiet, 0.0))
    found = judge(quiet, others=others, end_s=20.0)
    assert found.verdict is Verdict.PASS


def test_with_open_poles_a_node_fails_once_another_speaks_ten_seconds_later():
    finding = judge(every_100_ms(end_s=5.1), poles_closed=False)
    assert (finding.verdict, finding.first_failed_s) == (Verdict.FAIL, 5.3)


def test_with_open_poles_a_silence_that_may_be_a_shutdown_is_left_open_at_the_end():
    finding = judge(every_100_ms(end_s=15.1), poles_closed=False)  # others end at 19.9 s
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_with_open_poles_a_node_that_comes_back_too_late_fails():
    finding = judge(without(every_100_ms(), 15.0, 16.0), poles_closed=False)
    assert (finding.verdict, finding.first_failed_s, finding.margin) == ("fail", 15.3, -700.0)


def test_a_pole_that_closes_ends_the_benefit_of_the_doubt():
    closes = {pole: (every_100_ms(), every_100_ms() >= 18.0) for pole in POLES}
    finding = judge(every_100_ms(end_s=15.1), others=closes)
    assert (finding.verdict, finding.first_failed_s) == (Verdict.FAIL, 15.3)


def test_with_closed_poles_silence_fails_at_once():
    finding = judge(every_100_ms(end_s=19.1), poles_closed=True)
    assert (finding.verdict, finding.first_failed_s) == (Verdict.FAIL, 19.3)


def test_today_s_stamps_keep_their_nanoseconds():
    # A float64 of stamps since 1970 resolves 256 ns only.
    times = every_100_ms() + np.where(every_100_ms() == 5.0, 1e-9 * 77, 0)
    finding = judge(times)
    assert finding.measured == pytest.approx(100.000077, abs=1e-9)


CASES = {
    "healthy": {"speed_s": every_100_ms()},
    "pause": {"speed_s": without(every_100_ms(), 5.0, 6.0)},
    "dead": {"speed_s": every_100_ms(end_s=5.1)},
    "learned": {"speed_s": without(every_100_ms(), 1.0, 2.0), "cycles_s": {}},
    "idle": {"speed_s": every_100_ms(end_s=5.1), "poles_closed": False},
    "open at the end": {"speed_s": every_100_ms(end_s=15.1), "poles_closed": False},
    "late": {"speed_s": without(every_100_ms(), 15.0, 16.0), "poles_closed": False},
}


@pytest.mark.parametrize("name", CASES)
def test_cutting_changes_nothing(name):
    assert judge(cuts="each", **CASES[name]) == judge(**CASES[name])
