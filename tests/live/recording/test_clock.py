"""The run's clock never steps; steps of the computer's clock are told. Arithmetic by hand."""

from canscope.live.recording.clock import Clock, Spread

S = 10**9


class Both:
    """A computer with two clocks that can be moved apart."""

    def __init__(self):
        self.ticks, self.wall = 5 * S, 1_700_000_000 * S

    def clock(self):
        return Clock(ticks=lambda: self.ticks, wall=lambda: self.wall)

    def pass_s(self, seconds):
        self.ticks += seconds * S
        self.wall += seconds * S


def test_a_wall_clock_that_is_set_back_an_hour_does_not_move_the_run():
    both = Both()
    clock = both.clock()
    both.pass_s(10)
    both.wall -= 3600 * S
    assert clock.now_ns() == 1_700_000_010 * S
    assert clock.wall_stepped_ns() == -3600 * S
    assert clock.wall_stepped_ns() == 0  # told once


def test_a_wall_clock_that_drifts_a_little_is_no_step():
    both = Both()
    clock = both.clock()
    both.wall += 50_000_000
    assert clock.wall_stepped_ns() == 0


def test_two_processes_with_one_anchor_agree():
    both = Both()
    first = both.clock()
    both.wall += 7 * S  # set between the two starts
    second = Clock(first.anchor_ns, ticks=lambda: both.ticks, wall=lambda: both.wall)
    assert second.now_ns() == first.now_ns()


def test_jitter_is_the_range_of_the_differences():
    spread = Spread()
    for host, device in ((100, 0), (1150, 1000), (2080, 2000), (3300, 3000)):
        spread.add(host, device)
    assert spread.range_ns == 220  # differences 100, 150, 80, 300: from 80 to 300


def test_stamps_that_start_over_every_minute_are_no_jitter():
    spread = Spread(60 * S)
    spread.add(59 * S, 59 * S)
    spread.add(61 * S + 2_000_000, 1 * S)
    assert spread.range_ns == 2_000_000
