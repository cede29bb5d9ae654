"""A healthy run of the demo vehicle in a folder that a test may spoil."""

import shutil

import pytest

from canscope.cli.main import main
from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run


@pytest.fixture(scope="session")
def healthy(tmp_path_factory):
    folder = tmp_path_factory.mktemp("healthy")
    write_run(make_run(), folder)
    return folder


@pytest.fixture
def run(healthy, tmp_path):
    """A copy of it: capture.log, plan.toml, vehicle.toml, the definitions."""
    return shutil.copytree(healthy, tmp_path / "run")


@pytest.fixture
def canscope(capsys, monkeypatch, tmp_path):
    """Runs the command as a user would: (exit code, what it printed, what it complained)."""
    monkeypatch.chdir(tmp_path)

    def call(*words):
        code = main([str(word) for word in words])
        printed = capsys.readouterr()
        assert "Traceback" not in printed.err
        return code, printed.out, printed.err

    return call
