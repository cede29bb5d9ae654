"""A counter counts on by its own step, modulo 16; one that does not shows a restart."""

from dataclasses import replace

from canscope.model.events import Span, Window
from canscope.model.piece import ClosedWindow
from canscope.trust.samples.restart import Restarts, counter_jump
from tests.trust.past import MS, bench_of, binding, history_of, samples

ALIVE = "units.front.alive"


def jump_ms(times_ms, counts, begin_ms=0, last_ms=10_000):
    """When it jumped in a window from 0 to 10 s."""
    bench = bench_of(binding(ALIVE, 4))
    history = history_of({ALIVE: samples(times_ms, counts)}, {ALIVE: 100})
    span = Span(Window.ATTEMPT, "", 1, 0, 10_000 * MS, 10_000 * MS)
    window = ClosedWindow(bench, history, span, 10_000 * MS, 0)
    found = counter_jump(window, ALIVE, begin_ms * MS, last_ms * MS)
    return None if found is None else found // MS


EVERY = [100 * n for n in range(20)]
ON = [n % 16 for n in range(20)]


def test_a_counter_that_counts_on_shows_no_restart():
    assert jump_ms(EVERY, ON) is None


def test_a_counter_that_begins_again_shows_one():
    assert jump_ms(EVERY, ON[:10] + ON[:10]) == 1000
    assert jump_ms(EVERY, ON[:10] + ON[:10], begin_ms=1001) is None
    assert jump_ms(EVERY, ON[:10] + ON[:10], last_ms=999) is None


def test_lost_frames_are_no_restart_if_the_count_goes_on_without_them():
    kept = [*range(8), *range(12, 20)]
    assert jump_ms([EVERY[n] for n in kept], [ON[n] for n in kept]) is None


def test_its_own_step_is_its_habit():
    assert jump_ms(EVERY, [3 * n % 16 for n in range(20)]) is None


def test_three_counts_show_no_habit():
    assert jump_ms([0, 100, 200], [0, 1, 9]) is None


def test_a_counter_that_was_silent_before_and_begins_again_is_no_jump_of_this_window():
    times = [100 * n for n in (*range(5), *range(15, 25))]
    assert jump_ms(times, [*range(5), *range(5, 15)]) == 1500
    assert jump_ms(times, [*range(5), *range(5, 15)], begin_ms=1400) is None


def test_a_count_whose_stamp_is_late_by_less_than_a_recorder_takes_is_no_jump():
    times = [10 * n for n in range(20)]
    times[10] += 15  # 25 ms after the one before, and the next with it
    times[11] = times[10]
    assert jump_ms(times, ON) is None


def test_frames_that_late_stamps_exchanged_are_no_restart():
    every, counts = [10 * n for n in range(20)], [n % 16 for n in range(20)]
    counts[10:13] = [counts[12], counts[10], counts[11]]
    assert jump_ms(every, counts) is None


def may_be_ms(counts):
    """When a node may have restarted whose 5th frame was followed by the 13th."""
    times = [100 * n for n in (*range(5), *range(12, 22))]
    bench = bench_of(replace(binding(ALIVE, 4), cycle_ns=100 * MS))
    (key,), heard = bench.bound_messages, {ALIVE: samples(times, counts)}
    restarts = Restarts(bench)
    found = restarts.returns({key: heard[ALIVE].time_ns}, heard)
    return [one.back_ns // MS for one in found if restarts.may_be(one, heard, history_of({}, {}))]


def test_a_recording_that_lost_frames_is_not_cut_where_the_count_went_on():
    """Each cut takes as long as a piece: a capture with every fifth frame lost took 12 times."""
    assert may_be_ms([*range(4, 9), *range(10)]) == []  # 8 + 8 is 0, modulo 16
    assert may_be_ms([*range(5), *range(10)]) == [1200]
