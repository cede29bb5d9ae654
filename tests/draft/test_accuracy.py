"""Drafted bindings against what a simulated vehicle really sends, under other people's names.

The names (``naming.py``) come from the languages, not from the matcher. The whole campaign is
``python -m tests.benchmarks.drafting``; this is one vehicle of it under every habit.
"""

import pytest

from tests.draft.naming import HABITS
from tests.draft.score import score, tally
from tests.draft.vehicles import lay_out, names_of, random_run

SEED = 1004  # two units of one kind, state codes of their own


@pytest.fixture(scope="module")
def run():
    return random_run(SEED)


@pytest.mark.parametrize("habit", HABITS)
def test_no_role_is_bound_wrongly_and_few_stay_open(run, habit, tmp_path):
    case = lay_out(run, tmp_path, names_of(SEED, habit))
    found, exchanged = score(case, habit)
    states = tally(found)
    assert states["wrong"] == 0
    assert exchanged == 0
    # Numbered through, a signal that was asked for cannot be told from what came of it.
    assert states["right"] >= (0.5 if habit == "numbered" else 0.9) * len(found)
