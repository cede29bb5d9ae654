"""Pauses of a recorder, by hand: 8,000 frames a second come as 40 in a read of 5 ms."""

from canscope.live.recording.pauses import Pause, Pauses

MS = 10**6


def paused(length_ms, came, per_read=40, before_ms=2000):
    """What is said of a pause after ``before_ms``; the first read after it has ``came`` frames."""
    pauses, now = Pauses(), 0
    for _ in range(before_ms // 5):
        assert pauses.read(now, now + 5 * MS, per_read) is None
        now += 5 * MS
    found, frames = None, came
    length_ns = length_ms * MS
    while found is None and now < 10**11:
        found = pauses.read(now, now + length_ns, frames)
        now, length_ns, frames = now + length_ns, 5 * MS, per_read
    return found


def test_what_an_adapter_could_not_keep_of_450_ms_is_counted():
    """3,600 frames came, and the adapter kept 300 of them."""
    assert paused(450, 300) == Pause(450 * MS, 3300)


def test_a_pause_after_which_all_frames_came_cost_none():
    assert paused(450, 3600) == Pause(450 * MS, 0)


def test_a_bus_that_says_little_has_lost_nothing():
    """2 frames a read; 20 of 180 are missing, a tenth of those of the pause and after."""
    assert paused(450, 160, per_read=2) == Pause(450 * MS, 0)


def test_after_a_long_pause_a_loss_is_never_excluded():
    assert paused(700, 5600) == Pause(700 * MS, None)


def test_a_pause_before_any_pace_is_known_is_told_by_the_frames_there_were():
    assert paused(450, 300, before_ms=200) == Pause(450 * MS, 3300)


def test_a_read_of_90_ms_is_none():
    pauses = Pauses()
    assert [pauses.read(n * 90 * MS, (n + 1) * 90 * MS, 1) for n in range(30)] == [None] * 30
