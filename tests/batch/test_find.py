"""Which runs a folder or pattern has."""

import pytest

from canscope.batch.find import find_runs
from canscope.model.errors import CanscopeError


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in (
        "runs/bench.toml", "runs/a.log", "runs/b.LOG.gz", "runs/c.blf", "runs/notes.txt",
        "runs/.hidden.log", "runs/0007/run.toml", "runs/0007/capture-0001.log",
        "runs/0007/raw/other.log", "runs/0007/plan-as-used/plan.toml", "runs/demo/plan.toml",
        "runs/demo/capture.log", "runs/demo/truth.csv", "out/index.log",
    ):  # fmt: skip
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("")
    return tmp_path


def found(*targets, plan=None, out="out"):
    return find_runs(targets, plan, out)


def test_a_run_folder_is_one_run_and_so_is_each_capture_outside_of_one(home):
    runs, left_out = found("runs")
    assert runs == ["runs/a.log", "runs/b.LOG.gz", "runs/c.blf", "runs/0007", "runs/demo"]
    # What is not taken is said; what belongs to a run folder is no capture of its own.
    assert left_out == ["runs/bench.toml", "runs/notes.txt", "runs/0007/raw/other.log"]


def test_captures_beside_the_plan_of_the_batch_are_runs_of_their_own(home):
    runs, _ = found("runs/demo", plan=home / "runs/demo/plan.toml")
    assert runs == ["runs/demo/capture.log", "runs/demo/truth.csv"]


def test_a_pattern_takes_what_fits_whatever_its_suffix_and_nothing_twice(home):
    assert found("runs/**/*.txt", "runs/notes.txt")[0] == ["runs/notes.txt"]
    assert found("runs/00*", "runs/0007")[0] == ["runs/0007"]


def test_results_and_circles_of_links_are_not_searched(home):
    (home / "runs" / "again").symlink_to(home / "runs")
    (home / "out" / "judged").mkdir()
    runs, _ = found(".")
    assert len(runs) == len(set(runs)) == 5
    assert not [run for run in runs if "out" in run or "again" in run]


@pytest.mark.parametrize("target", ["nowhere", "runs/*.mf4", "runs/0007/plan-as-used"])
def test_no_run_is_an_error_with_advice(home, target):
    with pytest.raises(CanscopeError) as error:
        found(target)
    assert error.value.hint
