"""A new kind of report is one new file: a copy of the package with one more offers it."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import canscope
from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run

ONE_LINE = '''
"""The verdict in one line."""

from canscope.model.report import Report
from canscope.report import RENDERERS


@RENDERERS.add("one-line")
def render(report: Report) -> str:
    return f"{report.stage}: {report.verdict}\\n"
'''


@pytest.fixture(scope="module")
def check(tmp_path_factory):
    """Run ``canscope check`` of such a copy on a sound run."""
    folder = tmp_path_factory.mktemp("copy")
    copy = folder / "canscope"
    ignored = shutil.ignore_patterns("__pycache__", "fast")  # kernels would be compiled anew
    shutil.copytree(Path(canscope.__file__).parent, copy, ignore=ignored)
    (copy / "report" / "one_line.py").write_text(ONE_LINE)
    files = write_run(make_run("bramble", stage="power-up", seed=1), folder / "run")

    def run(*options):
        command = [sys.executable, "-m", "canscope", "check", str(files.capture)]
        return subprocess.run(
            [*command, "--plan", str(files.plan), *options],
            cwd=folder,
            env={**os.environ, "PYTHONPATH": str(folder), "CANSCOPE_ENGINE": "numpy"},
            capture_output=True,
            text=True,
            check=False,
        )

    return run


def test_every_kind_is_offered_by_the_help(check):
    assert "html, json, junit, one-line" in " ".join(check("--help").stdout.split())


def test_a_new_kind_is_written_where_it_is_asked_for(check, tmp_path):
    for _ in range(2):
        done = check("--report", "one-line", "--report", "junit", "--out", str(tmp_path))
        assert (done.returncode, done.stderr) == (0, "")
    names = ["capture-001.one-line", "capture-001.xml", "capture-002.one-line", "capture-002.xml"]
    assert sorted(path.name for path in tmp_path.iterdir()) == names
    assert (tmp_path / names[0]).read_text() == "power-up: pass\n"


def test_a_named_file_and_a_kind_are_both_written(check, tmp_path):
    out = tmp_path / "out"
    done = check("--json", str(tmp_path / "a.json"), "--report", "one-line", "--out", str(out))
    assert done.returncode == 0
    assert (tmp_path / "a.json").is_file()
    assert [path.name for path in out.iterdir()] == ["capture-001.one-line"]


def test_a_kind_that_is_none_is_refused_before_the_work(check, tmp_path):
    done = check("--report", "one-lin", "--out", str(tmp_path / "out"))
    assert done.returncode == 2
    assert "did you mean 'one-line'?" in done.stderr
    assert not (tmp_path / "out").exists()
