"""The median against Python's own ``statistics.median``, the others against numpy's."""

from statistics import median as expected

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canscope.model.median import distinct, median, percentile

NUMBERS = st.lists(st.floats(-1e9, 1e9) | st.integers(-(10**12), 10**12), min_size=1, max_size=9)


@given(NUMBERS)
def test_it_is_the_middle_one_or_the_mean_of_the_two(numbers):
    assert median(numbers) == expected([float(number) for number in numbers])


def test_one_that_is_not_a_number_leaves_none():
    assert np.isnan(median([1.0, np.nan, 3.0]))


@given(NUMBERS, st.floats(0, 100))
def test_so_many_percent_lie_below_a_percentile(numbers, percent):
    found = percentile(np.array(numbers, np.float64), percent)
    assert found == pytest.approx(np.percentile(numbers, percent), rel=1e-9, abs=1e-9)


@given(st.lists(st.integers(-5, 5)))
def test_of_equal_ones_one_is_kept(numbers):
    assert distinct(np.array(numbers, np.int64)).tolist() == sorted(set(numbers))
