"""Frames sent every 10 ms, stamped late at random, in the order in which they were sent."""

import numpy as np
import pytest

from canscope.trust.samples.even_stamps import even_ns
from tests.trust.past import MS

SENT = np.arange(0, 1000, 10) * MS


def stamped(latest_ms, number=0):
    late = np.random.default_rng(number).integers(0, latest_ms * MS, len(SENT))
    return np.maximum.accumulate(SENT + late)


@pytest.mark.parametrize("latest_ms", [5, 20])
def test_the_line_below_late_stamps_says_when_frames_were_sent(latest_ms):
    for number in range(20):
        found = even_ns(stamped(latest_ms, number))
        assert np.ptp(found - SENT) < latest_ms / 3 * MS  # the line's slope is known no better
        assert np.abs(np.diff(found) - 10 * MS).max() < MS / 10


def test_stamps_that_are_even_or_follow_no_cycle_stay_as_they_are():
    without = np.delete(SENT, [40, 41])
    seldom = np.cumsum(np.random.default_rng(1).integers(1, 80, 100)) * MS
    for stamps in (SENT, without, seldom, SENT[:5]):
        assert even_ns(stamps) is stamps
