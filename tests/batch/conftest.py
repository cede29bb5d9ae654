"""Runs for a batch: one that passes, one that fails, one that ends early, one that is no capture.

The simulator made the first three; which verdict each has, ``canscope check`` says one by one.
"""

import json
import shutil

import pytest

from canscope.cli.main import main
from canscope.simulate.folder import write_run
from canscope.simulate.runs import excerpt, make_run

CAPTURES = {"healthy.log": 0, "cut.log": 3, "low-supply.log": 1, "notes.log": 2}  # exit code alone


@pytest.fixture(scope="session")
def bench(tmp_path_factory):
    """A folder with the captures in ``runs``, and the plan of all of them in ``plan``."""
    home = tmp_path_factory.mktemp("bench")
    files = write_run(make_run(stage="power-up"), home / "plan")
    (home / "runs").mkdir()
    text = files.capture.read_text()
    shutil.move(files.capture, home / "runs" / "healthy.log")
    (home / "runs" / "cut.log").write_text("".join(text.splitlines(keepends=True)[:900]))
    low = excerpt(make_run(stage="power-up", fault="low-12V"), 0.0, 20.0)
    shutil.move(write_run(low, home / "low").capture, home / "runs" / "low-supply.log")
    (home / "runs" / "notes.log").write_text("what we saw today\n")
    (home / "runs" / "readme.txt").write_text("not a capture\n")
    return home


@pytest.fixture(scope="session")
def alone(bench):
    """What ``canscope check`` says of each capture by itself: name -> its JSON."""
    reports = {}
    for name, code in CAPTURES.items():
        target = bench / f"{name}.json"
        words = ["check", bench / "runs" / name, "--plan", bench / "plan" / "plan.toml"]
        assert main([*map(str, words), "--json", str(target), "--quiet"]) == code
        if target.exists():
            reports[name] = findings_of(target)
    return reports


def findings_of(path):
    """A report but for its curves, when it was written, and what follows from that."""
    report = json.loads(path.read_bytes())
    for key in ("written_at", "unique_id", "number", "seal", "plots", "course"):
        report.pop(key, None)
    return report
