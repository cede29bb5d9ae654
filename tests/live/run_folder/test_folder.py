"""Run folders: the plan's copy reads as the plan did, and how a run ended is told."""

import hashlib
import shutil
from dataclasses import replace

import pytest

from canscope.live.run_folder.folder import RunFolder
from canscope.live.run_folder.layout import RUN_FILE
from canscope.live.run_folder.notes import recording_notes
from canscope.live.run_folder.run_file import read_run_file
from canscope.live.run_folder.run_file_schema import RunBus, RunEnd, RunEvent, RunFile
from canscope.live.run_folder.toml import toml_text
from canscope.model.errors import CanscopeError
from canscope.plan.load import read_plan


def notes_of(folder):
    return recording_notes(folder, read_run_file(folder))


def kept(tmp_path, plan_path):
    """The plan, and the plan that the run folder's copy makes once the original is gone."""
    plan = read_plan(plan_path)
    folder = RunFolder(tmp_path / "run")
    folder.keep_plan(plan)
    folder.release()
    shutil.rmtree(tmp_path / "shop")
    return plan, read_plan(tmp_path / "run" / "plan.toml")


def same(one, other):
    """Whether two plans judge alike; only the places of their files may differ."""

    def judged_by(plan):
        moved = {key: replace(m, file="") for key, m in plan.bench.messages.items()}
        messages = [replace(message, file="") for message in plan.definitions.messages]
        return replace(plan.bench, messages=moved), messages, plan.wanted, plan.rules, plan.marks

    files = [{entry.sha256 for entry in plan.inputs} for plan in (one, other)]
    return judged_by(one) == judged_by(other) and files[0] <= files[1]


def test_a_plan_with_its_files_beside_it(tmp_path, hot):
    shutil.copytree(hot.plan.parent, tmp_path / "shop")
    (tmp_path / "shop" / "plan.toml").rename(tmp_path / "shop" / "bench.toml")
    assert same(*kept(tmp_path, tmp_path / "shop" / "bench.toml"))


def test_definitions_lie_under_their_hash_as_well(tmp_path, hot):
    folder = RunFolder(tmp_path / "run")
    folder.keep_plan(read_plan(hot.plan))
    folder.release()
    stored = sorted((tmp_path / "run" / "definitions").iterdir())
    assert [path.suffix for path in stored] == [".dbc", ".dbc"]
    for path in stored:
        assert path.stem == hashlib.sha256(path.read_bytes()).hexdigest()
    originals = {path.read_bytes() for path in hot.plan.parent.glob("*.dbc")}
    assert {path.read_bytes() for path in stored} == originals


def test_a_plan_whose_include_lies_in_the_folder_above(tmp_path, hot):
    shop = tmp_path / "shop"
    shutil.copytree(hot.plan.parent, shop)
    (shop / "stage").mkdir()
    (shop / "stage" / "dry.toml").write_text(
        (shop / "plan.toml").read_text().replace('"vehicle.toml"', '"../vehicle.toml"')
    )
    assert same(*kept(tmp_path, shop / "stage" / "dry.toml"))


def test_a_plan_that_includes_another_of_the_name_plan_toml(tmp_path, hot):
    shop = tmp_path / "shop"
    shutil.copytree(hot.plan.parent, shop)
    (shop / "today.toml").write_text('format = 1\ninclude = "plan.toml"\n')
    assert same(*kept(tmp_path, shop / "today.toml"))


def test_a_folder_can_be_held_once(tmp_path):
    first = RunFolder(tmp_path / "run")
    with pytest.raises(CanscopeError, match="another recorder"):
        RunFolder(tmp_path / "run")
    first.release()
    RunFolder(tmp_path / "run").release()


def test_a_folder_in_which_nothing_was_recorded_goes_away_again(tmp_path):
    RunFolder(tmp_path / "run").abandon()
    assert not (tmp_path / "run").exists()


def test_a_run_without_an_end_is_running_or_was_killed(tmp_path):
    folder = RunFolder(tmp_path / "run")
    (tmp_path / "run" / RUN_FILE).write_text(toml_text({"format": 1, "buses": {}}))
    assert "still writing" in notes_of(folder.path)[0]
    folder.release()
    assert "no end marker" in notes_of(folder.path)[0]


def test_what_a_report_must_know_of_a_recording_is_told(tmp_path):
    facts = {
        "run": {"not_silent": "a bench"},
        "end": {"in_order": False, "reason": "the disk was full"},
        "buses": {"can0": {"silent": False, "silent_how": "x", "error_frames_are": "unknown"}},
        "events": [{"at_ns": 1, "what": "can0: the adapter went away"}],
    }
    (tmp_path / RUN_FILE).write_text(toml_text(facts))
    assert read_run_file(tmp_path) == RunFile(
        run={"not_silent": "a bench"},
        end=RunEnd(reason="the disk was full"),
        buses={"can0": RunBus(silent_how="x")},
        events=(RunEvent(1, "can0: the adapter went away"),),
    )
    assert notes_of(tmp_path) == (
        "the recorder stopped: the disk was full",
        "recorded though not known to be silent, signed for: a bench",
        "can0: not known to be silent: x",
        "can0: error frames are unknown in this recording",
        "can0: the adapter went away",
    )


def test_a_folder_that_is_no_run_has_nothing_to_say(tmp_path):
    assert notes_of(tmp_path) == ()
