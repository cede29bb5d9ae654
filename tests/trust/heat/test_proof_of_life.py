"""What tells a living temperature sensor from a dead one, asked directly.

Whole runs are in test_flicker and, for the rule, in tests/rules/heat/test_sensor_alive. 4 K, four
steps, three steps: common practice, no source.
"""

import pytest

from canscope.trust.heat.warming import Spell, Warming
from tests.trust.past import MS


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
    warming = Warming(most=spell(3.0, moved), least=spell(still_s, 0, 5000))
    found = warming.suspect(20_000 * MS, 1)
    assert (found == warming.least) if suspect else found is None


@pytest.mark.parametrize(("moved", "least", "suspect"), [(8, 1, 1), (7, 1, 0), (8, 2, 0)])
def test_a_step_to_and_fro_is_no_answer_where_eight_are_expected(moved, least, suspect):
    warming = Warming(most=spell(3.0, moved), least=spell(3.0, least, 5000))
    assert bool(warming.suspect(20_000 * MS, 1)) == bool(suspect)


def test_a_burst_that_the_end_cuts_off_counts_as_far_as_it_went():
    warming = Warming(now=Spell(5000 * MS, None, 100, 100), most=spell(3.0, 3))
    assert warming.suspect(7900 * MS, 1) is None  # 2.9 s: 2.9 steps
    assert warming.suspect(8000 * MS, 1).began_ns == 5000 * MS


def test_far_is_ten_of_the_steps_that_a_sensor_makes():
    warming = Warming(now=spell(3.0, 20))
    assert warming.went_far(2)
    assert not warming.went_far(3)
