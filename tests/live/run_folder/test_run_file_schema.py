"""A run.toml with an entry of a wrong kind is refused, whatever the entry.

It is that of a real recording with all that a later check reads of it.
"""

import copy
import json
from dataclasses import asdict

import pytest

from canscope.live.plain_data import WrongKindError, read_as
from canscope.live.run_folder.earlier_runs import as_recorded
from canscope.live.run_folder.notes import recording_notes
from canscope.live.run_folder.run_file import read_run_file, write_run_file
from canscope.live.run_folder.run_file_schema import RunFile
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
    "events": [{"at_ns": 1, "what": "can0: the adapter went away", "bus": "can0"}],
    "earlier": {
        "runs": ["monday"],
        "uncounted": ["tuesday"],
        "strangers": ["x"],
        "replays": ["rehearsal"],
        "alive": [
            {"role": "units.front.temperatures.winding", "signal": "b:M.S", "definition": "00"}
        ],
        "turned_dry_s": {"front": 3.5},
    },
    "shown": {"alive": [], "turned_dry_s": {"front": 1.0}},
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


def test_a_run_file_as_it_is_written_is_taken(tmp_path):
    (tmp_path / "run.toml").write_text(toml_text(FACTS))
    taken = json.loads(json.dumps(asdict(read_run_file(tmp_path))))
    for place in places(FACTS):
        found, written = taken, FACTS
        for name in place:
            found, written = found[name], written[name]
        assert isinstance(written, dict) or found == written


def test_what_is_written_of_a_run_is_what_is_read_again(tmp_path):
    run_file = read_as(RunFile, FACTS)
    write_run_file(tmp_path, run_file)
    assert read_run_file(tmp_path) == run_file


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
            run_file = read_run_file(tmp_path)
            recording_notes(tmp_path, run_file)
            turned = as_recorded(plan, run_file).bench.turned_dry_s
        except CanscopeError as error:
            refused = str(error)
        assert "run.toml" in refused or min(turned.values(), default=0.0) >= 0.0


@pytest.mark.parametrize("wrong", WRONG[:1] + WRONG[1:4])
def test_seconds_that_are_none_are_refused_by_name(tmp_path, wrong):
    facts = copy.deepcopy(FACTS)
    facts["earlier"]["turned_dry_s"]["front"] = wrong
    with pytest.raises(WrongKindError) as refused:
        read_as(RunFile, facts)
    assert str(refused.value) == "earlier.turned_dry_s.front is no number of at least 0"
