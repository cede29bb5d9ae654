"""Papers of a run whose entries are of a wrong kind are refused, whatever the entry.

The papers are those of a real recording with all that a later check reads of them.
"""

import copy

import pytest

from canscope.live.run_folder.earlier_runs import as_recorded
from canscope.live.run_folder.folder import facts_of, notes_of
from canscope.live.run_folder.run_file_schema import odd
from canscope.live.run_folder.toml import toml_text
from canscope.model.errors import CanscopeError
from canscope.plan.load import read_plan
from canscope.simulate.folder import write_run
from canscope.simulate.runs import excerpt, make_run

FACTS = {
    "format": 1,
    "run": {"vehicle": "Bramble", "not_silent": "a bench"},
    "end": {"in_order": False, "reason": "the disk was full"},
    "clock": {"uncertainty_ms": 5.0},
    "buses": {"can0": {"silent": True, "late_by_at_most_ms": 3.0, "error_frames_are": "unknown"}},
    "events": [{"at_ns": 1, "what": "can0: the adapter went away"}],
    "earlier": {
        "runs": ["monday"],
        "uncounted": ["tuesday"],
        "strangers": ["x"],
        "moved": ["units.front.temperatures.winding"],
        "turned_dry_s": {"front": 3.5},
    },
    "shown": {"moved": [], "turned_dry_s": {"front": 1.0}},
    "watch": {"slow_s": 0.5},
    "sha256": {"capture-0001.log": "00"},
}
WRONG = (-1, "word", True, [1], {"a": {"b": 1}}, float("nan"))


def places(table, above=()):
    for name, value in table.items():
        yield (*above, name)
        if isinstance(value, dict):
            yield from places(value, (*above, name))


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    run = excerpt(make_run(), 0.0, 1.0)
    return read_plan(write_run(run, tmp_path_factory.mktemp("short")).plan)


def test_papers_as_they_are_written_are_taken(tmp_path):
    assert odd(FACTS) == ""
    (tmp_path / "run.toml").write_text(toml_text(FACTS))
    assert facts_of(tmp_path) == FACTS


@pytest.mark.parametrize("place", list(places(FACTS)), ids=".".join)
def test_an_entry_of_a_wrong_kind_is_refused_or_harmless(tmp_path, plan, place):
    for wrong in WRONG:
        facts = copy.deepcopy(FACTS)
        table = facts
        for name in place[:-1]:
            table = table[name]
        table[place[-1]] = wrong
        (tmp_path / "run.toml").write_text(toml_text(facts))
        refused = ""
        turned = {}
        try:
            notes_of(tmp_path)
            turned = as_recorded(plan, facts_of(tmp_path)).bench.turned_dry_s
        except CanscopeError as error:
            refused = str(error)
        assert "run.toml" in refused or min(turned.values(), default=0.0) >= 0.0


@pytest.mark.parametrize("wrong", WRONG[:1] + WRONG[1:4])
def test_seconds_that_are_none_are_refused_by_name(tmp_path, wrong):
    facts = copy.deepcopy(FACTS)
    facts["earlier"]["turned_dry_s"]["front"] = wrong
    assert odd(facts) == "earlier.turned_dry_s.front is no number of at least 0"
