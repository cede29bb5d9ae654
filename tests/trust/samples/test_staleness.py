"""A value is stale when it is older than three of its cycles: here 100 ms, so 300 ms."""

import numpy as np

from canscope.trust.samples.staleness import gaps, stale_after_ns
from tests.trust.past import MS, history_of, piece_of, samples

ROLE = "pack.voltage"


def test_a_sample_is_fresh_for_three_cycles_and_stale_a_nanosecond_later():
    piece = piece_of({ROLE: samples([0, 100], 358.0)}, {ROLE: 100}, 1000)
    last = stale_after_ns(piece.history, ROLE, 100 * MS)
    assert last == 400 * MS
    # What rules read says the same.
    assert piece.at(ROLE, [last, last + 1]).stale.tolist() == [False, True]


def test_a_gap_begins_with_the_sample_after_which_the_next_came_too_late():
    history = history_of({}, {ROLE: 100})
    times = np.array([0, 100, 400, 701, 800, 1200]) * MS
    # 300 ms is just in time, 301 ms and 400 ms are not.
    assert gaps(history, ROLE, times).tolist() == [2, 4]


def test_one_sample_has_no_gap_after_it():
    assert gaps(history_of({}, {ROLE: 100}), ROLE, np.array([5]) * MS).tolist() == []
