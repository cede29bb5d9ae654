"""A seeded fifth of the matrix: every fault once, on a random vehicle, and healthy runs.

A fault is failed by the rules made for it and by none outside of what it declares; a healthy
run, however coarse its sensors, passes with nothing required unproven; no run with a fault passes.
What a fault declares was written knowing nothing of the rules' code. ``python -m tests.matrix``
runs all of them.
"""

import pytest

from canscope.rules import RULES
from canscope.simulate.faults import FAULTS, fault_names
from tests.matrix.judging import judged
from tests.matrix.scenarios import TIMES, fifth, scenarios

CHOSEN = fifth()


@pytest.mark.parametrize("scenario", CHOSEN, ids=[s.name for s in CHOSEN])
def test_a_run_is_judged_as_what_it_is(scenario):
    row = judged(scenario)
    assert row.wrongs == ()
    assert scenario.fault is None or row.verdict != "pass"


def test_the_matrix_is_large_enough_and_its_fifth_has_every_fault():
    every = scenarios()
    assert len(every) >= 300
    for name in fault_names():
        assert sum(s.fault == name for s in every) >= TIMES
    assert {s.fault for s in CHOSEN} == {None, *fault_names()}
    assert len({s.seed for s in every}) == len(every)


# They can only be unproven, never fail, or no run of the matrix has what they compare.
NEVER_FAILS = {"message-presence", "sensor-alive"}


def test_for_every_rule_there_is_a_fault_that_it_has_to_fail():
    fault_names()
    assert set(RULES) - NEVER_FAILS == set().union(*(fault.must for fault in FAULTS.values()))
