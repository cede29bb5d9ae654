"""All buses may be silent for so many cycles of the fastest bound message that still speaks.

Two messages, of 10 ms and 100 ms; three cycles: ISO 11783-7.
"""

import numpy as np
import pytest

from canscope.model.bench import DriveUnit
from canscope.trust.samples.silence import allowed_ns, gaps, idle, least_allowed_ns, silences
from tests.trust.past import MS, bench_of, binding, piece_of, samples

FAST, SLOW = "#can0:Fast", "#can0:Slow"
BENCH = bench_of(
    binding("units.front.speed", message="Fast"), binding("pack.voltage", message="Slow")
)


def piece(fast_ms, slow_ms, until_ms=2000, frames_ms=()):
    arrivals = {FAST: samples(fast_ms, 0), SLOW: samples(slow_ms, 0)}
    cycles = {FAST: 10, SLOW: 100}
    return piece_of(arrivals, cycles, until_ms, bench=BENCH, frames_ms=frames_ms)


def test_the_fastest_message_that_speaks_decides():
    # The fast one is heard until 500 ms, so it is stale from 530 ms on; the slow one goes on.
    both = piece(range(0, 501, 10), range(0, 1001, 100))
    at_ms = (0, 530, 531, 1300, 1301)
    allowed = allowed_ns(both, np.array(at_ms) * MS, 3.0)
    assert (allowed // MS).tolist() == [30, 30, 300, 300, 0]


def test_a_part_of_a_cycle_may_be_asked_for():
    assert allowed_ns(piece([0], [0]), 0, 1.5).tolist() == [15 * MS]


def test_many_cycles_of_nobody_are_still_none():
    assert allowed_ns(piece([], []), 0, 1000.0).tolist() == [0]


def test_the_least_is_never_more_than_what_is_allowed_at_any_instant():
    both = piece(range(0, 501, 10), range(0, 1001, 100))
    allowed = allowed_ns(both, np.arange(0, 1300) * MS, 3.0)
    assert least_allowed_ns(both, 3.0) <= allowed.min()


def test_a_silence_is_a_gap_a_nanosecond_after_three_cycles():
    frames = [*range(0, 101, 10), 130, 140, 171, 180]
    found = gaps(piece(frames, [0], frames_ms=frames), None, 3.0)
    assert (found.start_ns // MS).tolist() == [140]
    assert (found.end_ns // MS).tolist() == [171]


def test_the_frame_before_a_piece_begins_the_first_silence():
    found = silences(piece([50], [], frames_ms=[50, 60]), 20 * MS)
    assert (found.length_ns // MS).tolist() == [30, 10]


POLE = "contactors.negative"
POLES = bench_of(binding(POLE))


def resting(engaged, bench=POLES, pole=0.0):
    states = {POLE: samples([0], pole), "@engaged": samples([0], engaged)}
    return idle(piece_of(states, {POLE: 100}, 100, bench=bench), 50 * MS)


def test_a_vehicle_is_idle_with_its_poles_known_to_be_open_and_nothing_turning():
    assert resting(0.0)
    assert not resting(1.0)


def test_without_a_pole_nobody_knows_whether_it_is_idle():
    assert not resting(0.0, bench=BENCH)


@pytest.mark.parametrize(("link_V", "engaged", "is_idle"), [(40, 0, 1), (40, 1, 0), (80, 0, 0)])
def test_without_a_pole_a_link_last_read_below_60_V_says_as_much(link_V, engaged, is_idle):
    """Heard until 10 ms and silent since, as the unit that fell asleep."""
    link = "units.front.link_voltage"
    states = {link: samples([0, 10], link_V), "@engaged": samples([0], engaged)}
    one = piece_of(
        states, {link: 10}, 1000, bench=bench_of(binding(link), units=(DriveUnit("front"),))
    )
    assert idle(one, 500 * MS) == bool(is_idle)


def test_a_pole_that_was_never_heard_is_not_known_to_be_open():
    nothing = piece_of({"@engaged": samples([0], 0)}, {POLE: 100}, 100, bench=POLES)
    assert not idle(nothing, 50 * MS)
