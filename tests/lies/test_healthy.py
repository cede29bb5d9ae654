"""A dozen random healthy vehicles with what real ones have: none of them fails.

``python -m tests.lies --healthy N`` asks it of as many as wanted.
"""

import pytest

from tests.lies.healthy import Healthy, healthy_cases, told_of
from tests.lies.real import every_trait

PROVABLE = {"wired": "dry-spin", "no-feedback": "dry-spin", "bench-supply": "unit-alone"}


@pytest.mark.parametrize("case", list(healthy_cases(12, 1, [])), ids=lambda case: str(case.seed))
def test_a_healthy_vehicle_does_not_fail(case):
    told = told_of(case)
    assert told.failed == (), str(told)


@pytest.mark.parametrize("name", PROVABLE)
def test_what_is_on_no_bus_is_signed_for_once_and_the_rest_is_proven(name):
    told = told_of(Healthy(77, PROVABLE[name], (name,)))
    assert (told.verdict, told.unproven) == ("pass", ()), str(told)


def test_clocks_are_not_compared_across_two_attempts():
    """Without contactors links tell; the first attempt is broken off 3.5 s before the second."""
    told = told_of(Healthy(77, "unit-alone", ("broken-off", "no-feedback")))
    assert (told.verdict, told.unproven) == ("pass", ()), str(told)


def test_every_trait_can_be_given_to_some_vehicle():
    drawn = {name for case in healthy_cases(300, 1, []) for name in case.traits}
    assert drawn == set(every_trait())
