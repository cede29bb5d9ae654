"""What tells a living temperature sensor from a dead one, asked directly.

Whole runs are in test_flicker and, for the rule, in tests/rules/heat/test_sensor_alive. 4 K, four
steps, three steps: common practice, no source.
"""

import math

import pytest

from canscope.trust.proof_of_life import stood_beside
from canscope.trust.warming import Spell, Warming
from tests.trust.past import MS


@pytest.mark.parametrize(
    ("mine_K", "other_K", "half_step_K", "suspect"),
    [
        (0.0, 4.0, 0.05, True),
        (0.0, 3.9, 0.05, False),  # the neighbour moved by less than 4 K
        (0.1, 9.0, 0.05, False),  # it moved itself
        (0.0, 7.9, 1.0, False),  # four steps of 2 K are 8 K
        (0.0, 8.0, 1.0, True),
        (-math.inf, 9.0, 0.05, False),  # it gave no value at all: others tell so
    ],
)
def test_a_sensor_that_stands_while_its_neighbour_moves_far_is_suspect(
    mine_K, other_K, half_step_K, suspect
):
    text = stood_beside(mine_K, {"winding": mine_K, "inverter": other_K}, half_step_K)
    said = f"it never moved from the first burst on, while inverter moved by {other_K:.1f} K"
    assert text == (said if suspect else "")


def spell(turned_s, moved, began_ms=0):
    return Spell(began_ms * MS, turned_s, 100, 100 + moved)


@pytest.mark.parametrize(
    ("moved", "still_s", "suspect"),
    [
        (3, 3.0, True),  # as long: three steps are expected
        (2, 3.0, False),
        (6, 1.5, True),  # half as long: three of six
        (5, 1.5, False),
        (3, 9.0, True),  # longer: no more is expected than was seen
    ],
)
def test_a_burst_without_a_step_is_weighed_by_how_long_it_was(moved, still_s, suspect):
    warming = Warming(most=spell(3.0, moved), still=spell(still_s, 0, 5000))
    found = warming.suspect(20_000 * MS)
    assert (found == warming.still) if suspect else found is None


def test_a_burst_that_the_end_cuts_off_counts_as_far_as_it_went():
    warming = Warming(now=Spell(5000 * MS, None, 100, 100), most=spell(3.0, 3))
    assert warming.suspect(7900 * MS) is None  # 2.9 s: 2.9 steps
    assert warming.suspect(8000 * MS).began_ns == 5000 * MS


def test_far_is_ten_of_the_steps_that_a_sensor_makes():
    warming = Warming(now=spell(3.0, 20))
    assert warming.went_far(2)
    assert not warming.went_far(3)
