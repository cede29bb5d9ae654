"""What a report draws of a run: nothing that was not there, and no spike lost.

Times and values of traces are rounded all at once; the oracle is Python's own rounding, bit by bit.

``round`` and ``format`` round correctly from the exact binary value (Python's documentation of
``float``), so nothing but the same bits will do.
"""

import struct

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from canscope.judge.plots import BUCKETS, Overview, S, changes, thin, trace
from canscope.model.signals import Samples

MS = 10**6

NANOS = st.one_of(
    st.integers(-(2**62), 2**62),
    st.integers(-200_000, 200_000),
    st.integers(-(10**9), 10**9).map(lambda half: half * 50_000),
    st.integers(-(10**7), 10**7).map(lambda half: half * 50_000 + 1),
)
VALUES = st.one_of(
    st.floats(),
    st.integers(-70_000, 70_000).map(lambda raw: raw * 0.1),
    st.sampled_from([0.0, -0.0, 1e22, 99_999.995, 0.1 + 0.2, float("nan")]),
)


def traced(times, values):
    return trace("r", "s", "u", np.array(times, np.int64), np.array(values, np.float64), 0)


def bits(numbers):
    return [None if number is None else struct.pack("d", number) for number in numbers]


@given(st.lists(NANOS, max_size=30))
@example([50_000, -50_000, -1, 0, 149_999, 150_000, 2**51 * 3])
def test_times_are_seconds_with_four_decimals(times):
    got = traced(times, [0.0] * len(times)).at_s
    assert bits(got) == bits([round(time / S, 4) for time in times])
    assert {type(at) for at in got} <= {float}


@given(st.lists(VALUES, max_size=30))
def test_values_have_seven_digits_and_none_is_a_gap(values):
    got = traced([0] * len(values), values).value
    wanted = [None if value != value else float(f"{value:.7g}") for value in values]
    assert bits(got) == bits(wanted)
    assert {type(value) for value in got} <= {float, type(None)}


def course(at_ms, values, *, states=False):
    """The overview of samples at these milliseconds, fed in two parts: times in ms and values."""
    overview = Overview(0, states=states)
    times = np.asarray(at_ms, np.int64) * MS
    zeros = np.zeros(len(times), np.int64)
    samples = Samples(times, np.asarray(values, np.float64), zeros, zeros.astype(np.uint8))
    half = len(times) // 2
    overview.add(samples[:half])
    overview.add(samples[half:])
    times, values = overview.thinned()
    return (times // MS).tolist(), values.tolist()


def test_a_fall_within_a_bucket_is_drawn_as_a_fall_and_a_rise_as_a_rise():
    """Two buckets of 50 ms; lowest and highest stand in their order of time."""
    at_ms = [0, 10, 20, 50, 60, 70]
    assert course(at_ms, [9, 5, 1, 2, 4, 8]) == ([0, 20, 50, 70], [9, 1, 2, 8])


def test_a_brake_that_is_released_once_is_drawn_released_once():
    at_ms = list(range(0, 100_000, 20))
    pressed = [1.0 if at < 33_330 else 0.0 for at in at_ms]
    assert course(at_ms, pressed, states=True) == ([0, 33_340, 99_980], [1, 0, 0])


def test_a_spike_survives_the_widening_of_its_bucket_with_its_time():
    """More buckets of 50 ms than there are: the run is longer than BUCKETS of them."""
    at_ms = list(range(0, 4 * BUCKETS * 50, 10))
    spike = [700.0 if at == 77_770 else 1.0 for at in at_ms]
    times, values = course(at_ms, spike)
    assert len(times) <= 2 * BUCKETS
    assert [at for at, value in zip(times, values, strict=True) if value == 700] == [77_770]


def test_only_a_silence_is_drawn_as_a_gap_and_not_a_slow_signal():
    slow = list(range(0, 60_000, 1000))
    assert not np.isnan(course(slow, [20.0] * len(slow))[1]).any()
    silent = [at for at in slow if not 20_000 < at < 40_000]
    times, values = course(silent, [20.0] * len(silent))
    assert [at for at, value in zip(times, values, strict=True) if value != value] == [20_000]


def test_a_state_keeps_its_changes_and_a_number_its_extremes():
    assert changes(np.array([1, 1, 0, 0, np.nan, np.nan, 1])).tolist() == [0, 2, 4, 6]
    values = np.zeros(10_000)
    values[[4321, 8765]] = -3, 5
    kept = thin(values)
    assert {4321, 8765} <= set(kept.tolist())
    assert len(kept) <= 1000
