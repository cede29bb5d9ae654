"""Differences between neighbours, as numpy's own ``diff`` gives them."""

import numpy as np
import pytest

from canscope.model.differences import differences_from


@pytest.mark.parametrize("values", [[], [5], [5, 5, 9, 2], [0.5, float("nan"), 1.0]])
@pytest.mark.parametrize("before", [3, float("nan")])
def test_the_first_is_held_against_what_came_before(values, before):
    column = np.array(values, np.float64)
    expected = np.diff(column, prepend=before)
    np.testing.assert_array_equal(differences_from(before, column), expected)


def test_stamps_stay_whole_numbers():
    stamps = np.array([1_700_000_000_000_000_001, 1_700_000_000_000_000_003])
    apart = differences_from(-(2**62), stamps)
    assert apart.dtype == np.int64
    assert apart.tolist() == [1_700_000_000_000_000_001 + 2**62, 2]
