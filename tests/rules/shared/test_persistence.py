"""Stretches and rolling windows: hand-worked, and the same however a run is cut.

Expected medians and minima: Python's own ``statistics.median`` and ``min`` over the samples that a
reader would pick out by the definition (t - w, t].
"""

from itertools import pairwise
from statistics import median

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canscope.model.bench import Bench
from canscope.model.history import History
from canscope.model.piece import Piece
from canscope.model.signals import Samples
from canscope.model.tables import empty_frames
from canscope.rules.shared.persistence import (
    NO_LABEL,
    follow,
    kept_up,
    present,
    recent,
    rolling,
    sense,
    stretches,
    throughout,
    within,
)

MS = 10**6
ROLE = "units.front.speed"
CYCLE_NS = 100 * MS


def samples(times_ms, values):
    time = np.array(times_ms, np.int64) * MS
    zeros = np.zeros(len(time), np.int64)
    return Samples(time, np.array(values, float), zeros, zeros.astype(np.uint8))


def pieces(data, cuts_ms=()):
    """The run from 0 to just after its last sample, cut at these instants."""
    end = int(data.time_ns[-1]) + 1
    edges = sorted({0, *(c * MS for c in cuts_ms if 0 < c * MS < end), end})
    history = History({ROLE: CYCLE_NS})
    for start, until in pairwise(edges):
        history.append(ROLE, data.between(start, until))
        yield Piece(Bench("dry-spin"), history, start, until, 0, empty_frames(), {})


def followed(data, cuts_ms=(), label=np.asarray):
    """(time, label, since) of every known sample, in ms."""
    carried, rows = NO_LABEL, []
    for piece in pieces(data, cuts_ms):
        found = follow(piece, ROLE, carried, label)
        carried, new = found.last, found.new
        columns = (new.sampled_ns, new.label, new.since_ns)
        rows += list(zip(*(column.tolist() for column in columns), strict=True))
    return [(t // MS, label, since // MS) for t, label, since in rows]


def test_a_stretch_lasts_from_its_first_sample_to_the_next_other_label():
    data = samples([0, 100, 200, 300, 400], [1, 1, 0, 1, 1])
    assert [since for _, _, since in followed(data)] == [0, 0, 200, 300, 300]


def test_a_sample_without_value_neither_breaks_a_stretch_nor_counts():
    data = samples([0, 100, 200, 300], [1, 1, np.nan, 1])
    assert followed(data) == [(0, 1, 0), (100, 1, 0), (300, 1, 0)]


def test_a_silence_of_more_than_three_cycles_ends_a_stretch():
    assert followed(samples([0, 100, 400], [1, 1, 1]))[-1] == (400, 1, 0)
    assert followed(samples([0, 100, 401], [1, 1, 1]))[-1] == (401, 1, 401)


def test_the_sense_of_a_speed_needs_fifty_rpm():
    assert sense(50)(np.array([50.0, 49.9, -50, -49.9, 0])).tolist() == [1, 0, -1, 0, 0]


def test_what_was_known_in_between_is_the_last_sample_until_it_is_stale():
    (piece,) = pieces(samples([0, 100, 1000], [7, 8, 9]))
    known = follow(piece, ROLE, NO_LABEL).at(piece, np.array([50, 100, 400, 401]) * MS)
    assert known.label[:3].tolist() == [7, 8, 8]
    assert np.isnan(known.label[3])


def test_held_counts_from_the_first_sample_of_the_stretch():
    known = followed_known(samples([0, 100, 200, 300], [0, 1, 1, 1]))
    assert known.held(known.sampled_ns, 1.0, 200 * MS).tolist() == [False, False, False, True]


def followed_known(data):
    (piece,) = pieces(data)
    return follow(piece, ROLE, NO_LABEL).new


def test_nothing_is_known_before_the_first_sample():
    nothing = np.zeros(0, np.int64)
    empty = stretches(ROLE, NO_LABEL, nothing, np.zeros(0), nothing)
    assert empty.last == NO_LABEL or np.isnan(empty.last.label)


def test_the_median_of_a_window_leaves_out_the_sample_at_its_start():
    """(t - 200 ms, t] at t = 300 ms holds the samples of 200 and 300 ms: (30 + 70) / 2."""
    data = samples([0, 100, 200, 300], [10, 20, 30, 70])
    rows = np.array([3])
    first = within(data.time_ns, rows, 200 * MS)
    assert rolling(np.median, data.value, first, rows).tolist() == [50]


def test_a_value_held_throughout_counts_what_was_known_at_the_start():
    """At 350 ms, 200 ms back, the sample of 100 ms was the last known one: min(20, 30, 70)."""
    data = samples([0, 100, 200, 350], [10, 20, 30, 70])
    rows = np.array([3])
    first = throughout(data.time_ns, rows, 200 * MS)
    assert rolling(np.min, data.value, first, rows).tolist() == [20]


RUNS = st.lists(
    st.tuples(st.integers(1, 350), st.sampled_from([0.0, 60.0, 80.0, -60.0, np.nan])),
    min_size=1,
    max_size=30,
)


@settings(max_examples=50, deadline=None)
@given(run=RUNS, cuts=st.lists(st.integers(1, 5000), max_size=6))
def test_cutting_does_not_matter_to_stretches(run, cuts):
    gaps, values = zip(*run, strict=True)
    data = samples(np.cumsum(gaps), values)
    assert followed(data, cuts, sense(50)) == followed(data, (), sense(50))


@settings(max_examples=50, deadline=None)
@given(run=RUNS, cuts=st.lists(st.integers(1, 5000), max_size=6))
def test_rolling_medians_are_those_of_the_samples_in_the_window_however_it_is_cut(run, cuts):
    gaps, values = zip(*run, strict=True)
    data = samples(np.cumsum(gaps), values)
    width, found = 200 * MS, []
    for piece in pieces(data, cuts):
        known = recent(piece, ROLE, width)
        rows = np.flatnonzero(known.time_ns >= piece.start_ns)
        first = within(known.time_ns, rows, width)
        found += rolling(np.median, known.value, first, rows).tolist()
    known = [(t, v) for t, v in zip(data.time_ns, data.value, strict=True) if not np.isnan(v)]
    assert found == [median(v for s, v in known if t - width < s <= t) for t, _ in known]


@pytest.mark.parametrize("value", [np.nan, 3.0])
def test_presence_says_only_whether_there_is_a_value(value):
    (label,) = present(np.array([value]))
    assert label == 0 or (np.isnan(label) and np.isnan(value))


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from([0, 3, 40, 10_000]), st.integers(1, 3))
def test_the_first_row_of_many_windows_is_that_of_a_plain_search(seed, width, step):
    """Even stamps, bursts, equal ones and long gaps; the guess has to be mended everywhere."""
    dice = np.random.default_rng(seed)
    ways = dice.choice([0, 1, 2, 5, 5, 5, 5, 900], 9000)
    times = np.cumsum(np.where(np.arange(9000) < 4000, 5, ways)).astype(np.int64)
    rows = np.arange(dice.integers(0, 500), 9000, step)
    expected = times.searchsorted(times[rows] - width, "right")
    assert within(times, rows, width).tolist() == expected.tolist()


def test_what_is_kept_up_is_the_smallest_since_the_value_known_at_the_windows_start():
    """At 300 ms over 200 ms: the values known at 100, 200 and 300 ms, the last two being new."""
    times, values = np.array([0, 100, 200, 300]) * MS, np.array([1.0, 4.0, 9.0, 5.0])
    judged = np.array([False, True])
    assert kept_up(times, values, judged, 200 * MS).tolist() == [4.0]
    assert kept_up(times, values, judged, 200 * MS, np.max).tolist() == [9.0]
