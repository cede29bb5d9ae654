"""cycle-time, worked by hand: cycle 100 ms, so at most 300 ms (ISO 11783-7 heartbeat, 3 x)."""

from dataclasses import replace

import numpy as np
import pytest

from canscope.model.bench import Kind
from canscope.model.findings import Verdict
from tests.rules.frames import Row, bench_of, message
from tests.rules.frames import judge as judge_frames
from tests.rules.harness import bench_of as harness_bench
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


def with_another(start_s=0.0):
    """The same message from a second node, 30 ms after each of the first one's."""
    return np.sort(np.concatenate((every_100_ms(), every_100_ms(start_s) + 0.03)))


def test_a_second_sender_would_hide_one_that_dies():
    finding = judge(with_another())
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "inferred")
    assert "it came 2.0 times as often as its stated cycle of 100 ms" in finding.sentence
    assert judge(with_another(), cuts=[0.5, 3.0, 3.07, 11.0]) == finding


def test_some_frames_more_than_stated_are_sent_on_change_and_no_second_sender():
    some = np.sort(np.concatenate((every_100_ms(), every_100_ms(12.0)[::3] + 0.03)))
    assert judge(some).verdict is Verdict.PASS
    evenly = np.sort(np.concatenate((every_100_ms(), every_100_ms(12.0) + 0.05)))
    assert judge(evenly).verdict is Verdict.PASS  # it sends faster by itself


def test_a_second_sender_for_some_seconds_is_told_by_frames_in_pairs():
    finding = judge(with_another(start_s=12.0))  # 1.4 times as often on the whole
    assert (finding.verdict, finding.code) == (Verdict.UNPROVEN, "too-often")
    assert "its frames came in pairs for a second" in finding.sentence
    for cuts in ([12.5, 13.01, 14.0], "each"):
        assert judge(with_another(start_s=12.0), cuts=cuts) == finding


def test_a_cycle_that_nobody_states_is_the_messages_own_however_short():
    assert judge(with_another(), cycles_s={}).verdict is Verdict.PASS


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
    # The 33rd frame since the node has settled, at 1.0 s: 32 more from 2.0 s, the last at 5.1 s.
    assert (finding.verdict, finding.margin, finding.first_failed_s) == (Verdict.FAIL, -700.0, 5.1)


def test_a_pause_before_the_node_has_settled_is_found_once_the_cycle_is_known():
    finding = judge(without(every_100_ms(), 0.5, 1.5), cycles_s={})
    # The 33rd frame from 1.5 s on comes at 4.7 s.
    assert (finding.verdict, finding.margin, finding.first_failed_s) == (Verdict.FAIL, -700.0, 4.7)


def test_a_node_that_sends_five_times_as_often_at_first_keeps_its_cycle():
    often = np.round(np.arange(45) / 50, 3)  # every 20 ms, to 0.88 s
    finding = judge(np.concatenate((often, every_100_ms(0.9))), cycles_s={})
    assert (finding.verdict, finding.margin, finding.limit) == (Verdict.PASS, 200.0, 300.0)


def test_too_few_frames_to_learn_a_cycle_from_never_pass():
    # The first second teaches nothing; then 32 frames, 31 intervals.
    finding = judge(every_100_ms(end_s=4.2), cycles_s={VOLTAGE: 0.1})
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_a_message_that_never_came_is_not_seen():
    assert judge([]).reason == "not-seen"


def lacking(keep):
    """The frames of 20 s whose number is kept."""
    times = every_100_ms()
    return times[[n for n in range(len(times)) if keep(n)]]


@pytest.mark.parametrize(
    ("every", "cycles_s"), [*((n, STATED) for n in (3, 5, 10, 40)), *((n, {}) for n in (3, 5, 10))]
)
def test_frames_missing_one_by_one_fail_with_their_number(every, cycles_s):
    finding = judge(lacking(lambda n: n % every), cycles_s=cycles_s)
    assert (finding.verdict, finding.code) == (Verdict.FAIL, "frames-missing")
    assert "frames are missing: intervals of whole cycles of 100 ms" in finding.sentence
    lost = finding.facts["missing"]
    if cycles_s:
        # The first is lost before anything was heard, the last with nothing behind it.
        assert abs(lost - 200 / every) <= 2
        assert finding.measured == pytest.approx(100.0 * lost)


def test_a_message_that_always_comes_at_twice_its_stated_cycle_lacks_every_second_frame():
    finding = judge(lacking(lambda n: n % 2))
    assert (finding.verdict, finding.code) == (Verdict.FAIL, "frames-missing")
    assert "98 of 197 frames are missing" in finding.sentence  # the 99 intervals but the last
    assert judge(lacking(lambda n: n % 2), cycles_s={}).verdict is Verdict.PASS  # nobody knows


def test_three_frames_missing_may_be_the_nodes_own():
    assert judge(lacking(lambda n: n not in (40, 90, 140))).verdict is Verdict.PASS
    assert judge(lacking(lambda n: n not in (40, 90, 140, 170))).verdict is Verdict.FAIL


def test_late_frames_are_not_missing():
    times = every_100_ms()
    late = np.where(np.arange(len(times)) % 5 == 4, times + 0.09, times)  # 190 ms, then 10 ms
    assert judge(late).verdict is Verdict.PASS
    jittered = times + np.random.default_rng(1).uniform(-0.02, 0.02, len(times))
    assert judge(np.round(np.sort(jittered) - jittered.min(), 6)).verdict is Verdict.PASS


def test_frames_that_a_recorder_stamps_late_by_two_cycles_at_random_are_not_missing():
    """Frames of 100 ms handed over up to 200 ms late: one interval in seven is 175 to 225 ms."""
    times = every_100_ms(0.0, 200.0)
    late = np.maximum.accumulate(times + np.random.default_rng(1).uniform(0, 0.2, len(times)))
    others = {VOLTAGE: (times, 400.0)}
    assert judge(np.round(late, 6), others).verdict is Verdict.PASS


def test_a_node_that_sends_faster_at_first_loses_nothing():
    times = np.concatenate((np.arange(0, 5, 0.05), every_100_ms(5.0)))
    assert judge(np.round(times, 3), cycles_s={VOLTAGE: 0.1}).verdict is Verdict.PASS


@pytest.mark.parametrize("cycles_s", [STATED, {}])
@pytest.mark.parametrize("keep", [lambda n: n % 3, lambda n: n % 2, lambda n: n % 10])
def test_cutting_changes_nothing_about_missing_frames(keep, cycles_s):
    whole = judge(lacking(keep), cycles_s=cycles_s)
    assert judge(lacking(keep), cycles_s=cycles_s, cuts="each") == whole
    assert judge(lacking(keep), cycles_s=cycles_s, cuts=[0.55, 3.0, 3.41, 11.0]) == whole


def in_batches(sent_s, batch_s):
    """Stamped when its batch ends."""
    return np.round(np.ceil(np.round(sent_s / batch_s, 6)) * batch_s, 6)


def test_stamps_in_batches_as_long_as_an_unstated_cycle_leave_open_whether_frames_are_missing():
    """Every 20 ms in batches of 16 ms: 16, 16, 16, 32 ms. Its cycle stated, none is missing.

    Of a cycle of 16 ms that lacks a quarter of its frames at random, stamps leave any line.
    """
    others = {VOLTAGE: (every_100_ms(), 400.0)}
    times = np.arange(0, 20, 0.02)
    batches = in_batches(times, 0.016)
    found = judge(batches, others, cycles_s={})
    assert (found.verdict, found.reason, found.code) == ("unproven", "inferred", "frames-missing")
    assert judge(batches, others, cycles_s={}, cuts=np.arange(0.1, 20, 0.37).tolist()) == found
    assert judge(batches, others, cycles_s={SPEED: 0.02}).verdict is Verdict.PASS
    kept = np.random.default_rng(3).random(1250) < 0.75
    lacking = np.round(np.arange(0, 20, 0.016)[kept], 6)
    assert judge(lacking, others, cycles_s={}).code == "frames-missing"
    assert judge(lacking, others, cycles_s={}).verdict is Verdict.FAIL


def test_stamps_late_by_more_than_an_unstated_cycle_leave_open_whether_frames_are_missing():
    """Every 10 ms, up to 14 ms late and sorted: some intervals are whole cycles by chance."""
    times = np.arange(0, 200, 0.01)
    late = np.sort(times + np.random.default_rng(1).uniform(0, 0.014, len(times)))
    others = {VOLTAGE: (every_100_ms(0, 200), 400.0)}
    found = judge(np.round(late, 6), others, cycles_s={})
    assert (found.verdict, found.reason) == ("unproven", "inferred")


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


def closed(start_s, end_s):
    """Both main poles closed for that time, read every 100 ms."""
    times = every_100_ms()
    return dict.fromkeys(POLES, (times, (times >= start_s) & (times < end_s)))


def test_a_restart_before_high_voltage_is_no_silence_but_a_second_one_is():
    once = without(every_100_ms(), 15.0, 16.0)
    assert judge(once, poles_closed=False).verdict is Verdict.PASS
    assert judge(once, others=closed(17.0, 19.0)).verdict is Verdict.PASS
    finding = judge(without(once, 17.0, 18.0), poles_closed=False)
    assert (finding.verdict, finding.first_failed_s, finding.margin) == ("fail", 17.3, -700.0)
    # The pole is first seen closed at 15.9 s, before the node speaks again.
    finding = judge(once, others=closed(15.9, 19.0))
    assert (finding.verdict, finding.first_failed_s) == ("fail", 15.3)


def test_a_node_that_is_back_as_a_pole_closes_is_heard_a_cycle_later_at_most():
    times = every_100_ms() + 0.05
    late = dict.fromkeys(POLES, (times, (times > 15.9) & (times < 19)))
    assert judge(without(every_100_ms(), 15.0, 16.0), others=late).verdict is Verdict.PASS
    assert judge(without(every_100_ms(), 15.0, 16.1), others=late).verdict is Verdict.FAIL
    # It fell silent as the pole closed, or was heard until just before.
    assert judge(without(every_100_ms(), 15.9, 16.3), others=late).first_failed_s == 16.2


def test_a_restart_before_the_contactors_are_heard_or_without_any_is_no_silence_either():
    once, link = without(every_100_ms(), 15.0, 16.0), "units.front.link_voltage"
    heard = dict.fromkeys(POLES, (every_100_ms(15.5), 0.0))
    assert judge(once, others=heard).verdict is Verdict.PASS
    assert judge(once, others={link: (every_100_ms(), 0.0)}).verdict is Verdict.PASS
    assert judge(once, others={link: (every_100_ms(), 300.0)}).first_failed_s == 15.3


def test_after_high_voltage_a_node_that_comes_back_too_late_fails():
    others = closed(2.0, 4.0) | {IGNITION: (every_100_ms(), 1.0)}
    finding = judge(without(every_100_ms(), 15.0, 16.0), others=others)
    assert (finding.verdict, finding.first_failed_s, finding.margin) == ("fail", 15.3, -700.0)


@pytest.mark.parametrize("until_s", [9.0, 20.0])
def test_without_an_ignition_a_unit_may_sleep_after_high_voltage_while_others_talk(until_s):
    asleep = without(every_100_ms(), 6.0, until_s)  # for less and for more than 10 s
    assert judge(asleep, others=closed(2.0, 4.0)).verdict is Verdict.PASS


@pytest.mark.parametrize(("slow_s", "verdict"), [(18.15, "pass"), (18.9, "unproven")])
def test_a_unit_sleeps_if_its_slow_message_is_missing_once_by_the_end(slow_s, verdict):
    """Every second, last at 18.15 s: missing by 19.65 s. The recording ends at 19.9 s."""
    link = (np.append(np.arange(0.15, 18, 1), slow_s), 10.0)
    others = closed(2.0, 4.0) | {"units.front.link_voltage": link}
    cycles_s = STATED | {"units.front.link_voltage": 1.0}
    assert judge(every_100_ms(end_s=18.1), others, cycles_s=cycles_s).verdict == verdict


@pytest.mark.parametrize(("rest_V", "verdict"), [(20.0, "pass"), (80.0, "fail")])
def test_without_feedback_a_unit_may_sleep_once_its_link_was_full_and_is_below_60_V(
    rest_V, verdict
):
    times = every_100_ms(end_s=6.1)
    volts = np.select([times < 1, times < 3], [0.0, 400.0], rest_V)
    found = judge(times, others={"units.front.link_voltage": (times, volts)})
    assert found.verdict == verdict


def test_a_unit_that_still_sends_something_does_not_sleep():
    torque = {"units.front.torque": (every_100_ms(), 0.0)}  # another message of the same unit
    finding = judge(every_100_ms(end_s=6.1), others=closed(2.0, 4.0) | torque)
    assert (finding.verdict, finding.first_failed_s) == (Verdict.FAIL, 6.3)
    before = judge(every_100_ms(end_s=6.1), others=closed(18.0, 19.0))  # it never slept with HV off
    assert (before.verdict, before.first_failed_s) == (Verdict.FAIL, 6.3)


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


BOTH = {SPEED: 0.1, VOLTAGE: 0.5}


def test_a_stretch_in_which_nothing_at_all_was_recorded_is_no_node_s_fault():
    quiet = without(every_100_ms(), 5.0, 6.2)
    finding = judge(quiet, others={VOLTAGE: (quiet, 400.0)})
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "capture-damaged")
    assert "nothing at all was recorded for 1.200 s" in finding.sentence
    assert finding.measured == 100.0  # what was judged: its own cycle


def test_a_node_that_stays_away_after_such_a_stretch_fails_by_its_own_silence():
    others = without(every_100_ms(), 5.0, 6.2)
    speed = others[(others <= 5.0) | (others >= 7.0)]
    finding = judge(speed, others={VOLTAGE: (others, 400.0)})
    # Silent from 5.0 s to 7.0 s, of which 1.2 s nothing at all was recorded: 800 ms its own.
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 800.0, -500.0)
    assert finding.first_failed_s == 6.5  # 5.0 s + 300 ms + 1.2 s


def test_a_node_that_died_before_such_a_stretch_fails_at_its_deadline():
    others = without(every_100_ms(), 6.0, 7.0)
    finding = judge(every_100_ms(end_s=5.1), others={VOLTAGE: (others, 400.0)})
    assert (finding.verdict, finding.first_failed_s) == (Verdict.FAIL, 5.3)
    assert finding.measured == pytest.approx(13_900, abs=0.01)  # 5.0 to 19.9 s without the 1 s


def test_a_slower_message_shows_that_the_recorder_was_listening():
    # Every 200 ms: never a silence of all buses of more than 300 ms.
    others, speed = every_100_ms()[::2], without(every_100_ms(), 5.0, 7.0)
    finding = judge(speed, others={VOLTAGE: (others, 400.0)}, cycles_s={SPEED: 0.1, VOLTAGE: 0.2})
    assert (finding.verdict, finding.first_failed_s) == (Verdict.FAIL, 5.3)
    assert finding.measured == 2000.0


def test_frames_of_unbound_messages_show_it_as_well():
    speed = message("Fast", 0x100, 2, {"Speed": (0, 16)}, cycle_s=0.1)
    bench = bench_of([speed], {SPEED: ("can0:Fast.Speed", Kind.NUMBER)})
    rows = [Row(t, "can0", 0x100, b"\0\0") for t in without(every_100_ms(), 5.0, 7.0)]
    alone = judge_frames("cycle-time", rows, [speed], bench)["can0:Fast"]
    assert (alone.verdict, alone.reason) == (Verdict.UNPROVEN, "capture-damaged")
    rows += [Row(t + 0.05, "can1", 0x7, b"") for t in every_100_ms()]
    rows.sort(key=lambda row: row.at_s)
    heard = judge_frames("cycle-time", rows, [speed], bench)["can0:Fast"]
    assert (heard.verdict, heard.first_failed_s, heard.measured) == (Verdict.FAIL, 5.3, 2000.0)


def test_a_slow_message_is_not_blamed_for_a_stretch_without_any_frame():
    fast, slow = without(every_100_ms(), 5.0, 6.4), without(every_100_ms()[::5], 5.0, 6.4)
    roles = {SPEED: (fast, 0.0), VOLTAGE: (slow, 400.0)}
    finding = run("cycle-time", roles, cycles_s=BOTH)["can0:M1"]
    # 5.0 to 6.5 s is no more than 3 x 500 ms, so that there is nothing to excuse.
    assert (finding.verdict, finding.margin) == (Verdict.PASS, 1000.0)
    fast, slow = without(every_100_ms(), 5.0, 7.4), without(every_100_ms()[::5], 5.0, 7.4)
    roles = {SPEED: (fast, 0.0), VOLTAGE: (slow, 400.0)}
    finding = run("cycle-time", roles, cycles_s=BOTH)["can0:M1"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "capture-damaged")


def test_a_lone_node_that_dies_for_good_fails_at_the_end_as_before():
    finding = run("cycle-time", {SPEED: (every_100_ms(end_s=5.1), 0.0)}, cycles_s=STATED, end_s=9.0)
    found = finding["can0:M0"]
    assert (found.verdict, found.first_failed_s) == (Verdict.FAIL, 5.3)


QUIET = without(every_100_ms(), 5.0, 6.2)
GAPS = {
    "gap": (QUIET, QUIET),
    "gap, and away": (QUIET[(QUIET <= 5.0) | (QUIET >= 7.0)], QUIET),
    "dead, then gap": (every_100_ms(end_s=4.6), QUIET),
    "dead at the gap": (every_100_ms(end_s=4.71), QUIET),  # its deadline is the gap's begin
    "dying in the gap": (every_100_ms(end_s=5.01), QUIET),
    "gap before, gap after": (without(QUIET, 8.0, 9.0), without(QUIET, 8.0, 8.8)),
}


@pytest.mark.parametrize("learned", [False, True])
@pytest.mark.parametrize("name", GAPS)
def test_cutting_changes_nothing_around_gaps(name, learned):
    speed, others = GAPS[name]
    roles = {"speed_s": speed, "others": {VOLTAGE: (others, 400.0)}}
    roles["cycles_s"] = {VOLTAGE: 0.1} if learned else STATED
    whole = judge(**roles)
    for cuts in ("each", [4.95, 5.3, 5.6, 6.3, 6.9], [5.95], [8.85, 8.95]):
        assert judge(cuts=cuts, **roles) == whole


def test_of_a_multiplexed_message_only_the_frames_with_the_bound_part_count():
    """One part every 1.2 s, whatever else its message carries between; three missing are 4.8 s."""
    times, others = np.arange(0, 60, 1.2), np.arange(0, 60, 0.1)
    roles = {"pack.voltage": (times, 300 + times), "supply.voltage": (others, 12 + others / 99)}
    bindings = dict(harness_bench(list(roles), "dry-spin", None).bindings)
    bound = bindings["pack.voltage"]
    spec = replace(bound.signal, multiplexer=(("Part", (1,)),))
    bindings["pack.voltage"] = replace(bound, signal=spec)
    finding = run("cycle-time", roles, bench={"bindings": bindings})["can0:M0"]
    assert finding.verdict is Verdict.PASS
    assert "cycle of 1200 ms" in finding.sentence
    roles["pack.voltage"] = (np.delete(times, [40, 41, 42]), 300.0)
    late = run("cycle-time", roles, bench={"bindings": bindings})["can0:M0"]
    assert (late.verdict, late.limit) == (Verdict.FAIL, 3600.0)


def twins(every_s, other_s, stated_s=None):
    """One message of two equal units, each on its own bus, for 20 s."""
    buses = {"can1": ("units.front.speed", every_s), "can2": ("units.rear.speed", other_s)}
    messages = [
        message("Fast", 0x2A0, 2, {"Speed": (0, 16)}, channel=bus, cycle_s=stated_s)
        for bus in buses
    ]
    roles = {role: (f"{bus}:Fast.Speed", Kind.NUMBER) for bus, (role, _) in buses.items()}
    rows = sorted(
        (
            Row(float(at_s), bus, 0x2A0, bytes(2))
            for bus, (_, cycle_s) in buses.items()
            for at_s in np.arange(0, 20, cycle_s)
        ),
        key=lambda row: row.at_s,
    )
    return judge_frames("cycle-time", rows, messages, bench_of(messages, roles))


def test_of_two_equal_units_one_that_sends_half_as_often_may_have_lost_every_second_frame():
    found = twins(0.02, 0.01)
    slower, faster = found["can1:Fast"], found["can2:Fast"]
    assert (slower.verdict, slower.reason, slower.code) == (
        Verdict.UNPROVEN,
        "inferred",
        "slower-twin",
    )
    assert "every 20 ms and can2:Fast, of the same definition, every 10 ms" in slower.sentence
    assert faster.verdict is Verdict.PASS


@pytest.mark.parametrize(("other_s", "stated_s"), [(0.015, None), (0.01, 0.02)])
def test_a_rate_near_that_of_its_twin_or_stated_is_its_own(other_s, stated_s):
    assert twins(0.02, other_s, stated_s)["can1:Fast"].verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("gap_s", "verdict"), [(0.3, "pass"), (0.301, "unproven"), (0.32, "unproven"), (0.321, "fail")]
)
def test_an_interval_that_late_stamps_alone_may_have_made_too_long_fails_nobody(gap_s, verdict):
    """300 ms are allowed, and the recorder states that its stamps may be 20 ms late."""
    times = np.concatenate((every_100_ms(0, 5.1), every_100_ms(0, 15) + 5 + gap_s))
    finding = judge(times, bench={"clock_ms": 20.0})
    assert finding.verdict == verdict
    assert finding.measured == pytest.approx(1000 * gap_s)
