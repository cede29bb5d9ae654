"""A temperature that rises long after a burst, by hand: a burst from 20 to 24 s warms it by 3 K."""

import numpy as np
import pytest

from canscope.trust.heat.heat_course import rises_at_rest

S = 10**9
SECONDS = np.arange(1.0, 100.0, 2.0)
BURST = [(20 * S, 24 * S)]
WARMED = 25 + np.interp(SECONDS, [20, 24, 35], [0, 2, 3])


@pytest.mark.parametrize(
    ("from_s", "until_s", "rise_K", "found"),
    [
        (60, 80, 20.0, True),
        (60, 80, 7.0, False),  # below 8 K
        (25, 36, 20.0, False),  # it soaks
        (2, 12, 20.0, False),  # a hand warms it before
    ],
)
def test_what_rises_far_beyond_what_a_burst_did_long_after_it(from_s, until_s, rise_K, found):
    degC = WARMED + np.interp(SECONDS, [from_s, until_s], [0, rise_K])
    seen = rises_at_rest((SECONDS * S).astype(np.int64), degC, BURST)
    assert (seen is not None) == found
    assert seen is None or seen[0] == pytest.approx(rise_K, abs=0.5)


def test_twice_what_the_bursts_had_warmed_it_by_may_soak_in():
    """10 K by the burst and 18 K after it; 22 K are too many."""
    for rise_K, found in ((18.0, False), (22.0, True)):
        degC = 25 + 10 * (SECONDS > 24) + np.interp(SECONDS, [50, 90], [0, rise_K])
        assert (rises_at_rest((SECONDS * S).astype(np.int64), degC, BURST) is not None) == found


def test_without_a_burst_nothing_is_known():
    assert rises_at_rest((SECONDS * S).astype(np.int64), WARMED, []) is None
