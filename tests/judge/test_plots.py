"""Times and values of traces, rounded all at once; the oracle is Python's own rounding, bit by bit.

``round`` and ``format`` round correctly from the exact binary value (Python's documentation of
``float``), so nothing but the same bits will do.
"""

import struct

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from canscope.judge.plots import S, trace

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
