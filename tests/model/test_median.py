"""The median against Python's own ``statistics.median``."""

from statistics import median as expected

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from canscope.model.median import median

NUMBERS = st.lists(st.floats(-1e9, 1e9) | st.integers(-(10**12), 10**12), min_size=1, max_size=9)


@given(NUMBERS)
def test_it_is_the_middle_one_or_the_mean_of_the_two(numbers):
    assert median(numbers) == expected([float(number) for number in numbers])


def test_one_that_is_not_a_number_leaves_none():
    assert np.isnan(median([1.0, np.nan, 3.0]))
