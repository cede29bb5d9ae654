"""A link that charges again after it was cut off, or loses a step; vehicle of test_feedback.py.

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


@pytest.mark.parametrize(
    ("stands_V", "told"),
    [(76.0, False), (65.0, True), (45.0, True)],  # it has fallen to 81 V by 20.8 s
)
def test_a_link_does_not_lose_a_step_in_a_discharge(stands_V, told):
    capped = np.where(TIMES >= 20.8, np.minimum(healthy()[LINK], stands_V), healthy()[LINK])
    said = remarks(units__front__link_voltage=capped, cuts=(20.82, 21.0))
    assert ("nothing takes so much at once" in said.get(LINK_KEY, "")) == told


def test_a_discharge_that_is_switched_on_is_no_step():
    honest = healthy()[LINK]
    faster = np.where(TIMES >= 20.8, honest * np.exp(-(TIMES - 20.8) / 0.05), honest)
    said = remarks(units__front__link_voltage=faster)
    assert "nothing takes so much at once" not in said.get(LINK_KEY, "")
