"""A part that bursts warm, worked by hand: one body of 30 s after another of 100 s, fed for 3 s.

All thresholds: common practice, no source.
"""

import numpy as np
import pytest

from canscope.model.tables import SECOND_NS
from canscope.trust.heat.heat_course import unexplained

T = np.arange(0.5, 100, 2.0)
BURSTS = [(10.0, 13.0), (30.0, 33.0)]


def part(*kelvin_a_second):
    """Warmed at these rates in the bursts: what it gives goes on into a body of 100 s, and back."""
    own = case = 0.0
    seen = []
    for second in np.arange(0, 100, 0.1):
        fed = sum(
            rate * (begin <= second < end)
            for rate, (begin, end) in zip(kelvin_a_second, BURSTS, strict=True)
        )
        flow = (own - case) / 30
        own, case = own + 0.1 * (fed - flow), case + 0.1 * (flow / 4 - case / 100)
        seen.append(own)
    return 20 + np.array(seen)[5::20]


def left(degC, step_K=0.1, wet=False):
    at_ns = np.round(T * SECOND_NS).astype(np.int64)
    turns = [(round(a * SECOND_NS), round(b * SECOND_NS)) for a, b in BURSTS]
    return unexplained(at_ns, degC, turns, step_K, wet=wet)


@pytest.mark.parametrize("rates", [(0.7, 0.7), (0.2, 1.0), (1.0, 0.0), (0.0, 0.0)])
def test_what_bursts_warm_leaves_nothing(rates):
    assert left(part(*rates)) is None
    assert left(np.round(part(*rates)), step_K=1.0) is None
    assert left(part(*rates) + 4 * np.exp(-T / 80)) is None  # it was warm before


def test_a_part_that_answers_slowly_is_one():
    """A low-pass of 40 s, as a sensor has that touches its part badly."""
    slow = [20.0]
    for degC in part(0.7, 0.7)[1:]:
        slow.append(slow[-1] + (degC - slow[-1]) * 2 / 40)
    assert left(np.array(slow)) is None


@pytest.mark.parametrize(
    "made",
    [
        20 + 1.5 * np.sin(T / 5),
        20 + 2.5 * ((T > 10) & (T < 13)) + 2.5 * ((T > 30) & (T < 33)),  # back at once
        part(0.7, 0.7) - 1.0 * ((T > 50) & (T < 56)),  # a dip
        part(0.7, 0.7) + 1.0 * (T > 60),  # another level
        40 - part(0.7, 0.7),  # it falls
    ],
)
def test_what_no_burst_makes_of_a_part_is_left_over(made):
    assert left(made) is not None


def test_what_is_less_than_its_step_or_a_quarter_of_a_kelvin_says_nothing():
    assert left(20 + 0.2 * np.sin(T / 5)) is None
    assert left(np.round(20.5 + 0.4 * np.sin(T / 5)), step_K=1.0) is None


def test_coolant_may_take_heat_at_any_time():
    cooled = part(0.7, 0.7) - np.where((T > 20) & (T < 28), 0.8, 0.0)
    assert left(cooled) is not None
    assert left(cooled, wet=True) is None
    assert left(20 + 1.5 * np.sin(T / 5), wet=True) is not None
