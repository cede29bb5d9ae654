"""A link that charges again after it was cut off, with the vehicle of test_feedback.py.

Negative opens at 20 s; the link, 400 V, then falls with a tau of 0.5 s.
"""

import numpy as np
import pytest

from tests.trust.test_feedback import LINK, LINK_KEY, TIMES, healthy, remarks


def link(bump_V, from_s, until_s):
    return healthy()[LINK] + np.where((from_s <= TIMES) & (until_s > TIMES), bump_V, 0.0)


@pytest.mark.parametrize(
    ("bump_V", "from_s", "until_s", "told"),
    [
        (120.0, 20.6, 20.72, True),
        (120.0, 20.6, 20.62, False),  # one reading
        (20.0, 20.6, 20.72, False),  # less than 8 %
        (0.0, 20.6, 20.72, False),
    ],
)
def test_a_link_that_was_cut_off_does_not_charge_again(bump_V, from_s, until_s, told):
    said = remarks(units__front__link_voltage=link(bump_V, from_s, until_s), cuts=(20.3, 20.65))
    assert ("after it had been cut off" in said.get(LINK_KEY, "")) == told
