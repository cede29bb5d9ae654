"""Writing: the suffix picks the kind, a file is whole or absent, nothing is overwritten unasked."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from canscope.model.errors import CanscopeError, ReportError
from canscope.report import RENDERERS
from canscope.report.write import write_report
from tests.report import factory

ROOT = str(Path(__file__).parents[2])


def test_write_itself_is_no_kind_of_report():
    assert list(RENDERERS) == ["html", "json", "junit"]


@pytest.mark.parametrize(
    ("name", "begin"),
    [
        ("a.html", b"<!doctype html>"),
        ("a.HTM", b"<!doctype html>"),
        ("a.json", b'{"format": 1'),
        ("a.xml", b"<?xml"),
    ],
)
def test_the_suffix_picks_the_kind(tmp_path, name, begin):
    path = write_report(factory.whole(), tmp_path / name)
    assert path.read_bytes().startswith(begin)
    assert [file.name for file in tmp_path.iterdir()] == [name]


def test_a_kind_that_is_named_wins_over_the_suffix(tmp_path):
    path = write_report(factory.whole(), tmp_path / "result", kind="json")
    assert json.loads(path.read_text("utf-8"))["format"] == 1


@pytest.mark.parametrize("name", ["a.pdf", "a", "a.write"])
def test_an_unknown_suffix_is_answered_with_the_known_ones(tmp_path, name):
    with pytest.raises(CanscopeError, match=r"\.html") as caught:
        write_report(factory.whole(), tmp_path / name)
    assert str(tmp_path / name) in str(caught.value)
    assert not list(tmp_path.iterdir())


def test_a_report_that_is_there_is_kept(tmp_path):
    path = tmp_path / "a.json"
    path.write_text("older")
    with pytest.raises(ReportError, match="already there"):
        write_report(factory.whole(), path)
    assert path.read_text() == "older"
    write_report(factory.whole(), path, replace=True)
    assert json.loads(path.read_text("utf-8"))["verdict"] == "pass"


def test_a_missing_folder_is_named(tmp_path):
    with pytest.raises(ReportError, match="there is no folder") as caught:
        write_report(factory.whole(), tmp_path / "nowhere" / "a.json")
    assert caught.value.hint


def test_a_folder_is_not_a_file(tmp_path):
    (tmp_path / "a.json").mkdir()
    with pytest.raises(ReportError, match="that is a folder"):
        write_report(factory.whole(), tmp_path / "a.json", replace=True)


@pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="needs a folder nobody may write to")
def test_a_folder_that_takes_no_file_is_said_so():
    with pytest.raises(ReportError, match="cannot write") as caught:
        write_report(factory.whole(), "/proc/a.json")
    assert "check the free space and the rights" in caught.value.hint


def test_a_name_that_is_too_long_is_said_so(tmp_path):
    with pytest.raises(ReportError, match="cannot write"):
        write_report(factory.whole(), tmp_path / ("a" * 300 + ".json"))


def test_a_name_that_just_fits_is_written(tmp_path):
    target = tmp_path / ("a" * 250 + ".json")
    assert write_report(factory.whole(), target) == target
    assert [path.name for path in tmp_path.iterdir()] == [target.name]


DISK_OF_4_KIB = """
import resource, sys
sys.path.insert(0, sys.argv[1])
import signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
from tests.report import factory
from canscope.report import RENDERERS
RENDERERS["json"](factory.whole())  # everything imported before nothing more can be written
resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))
from canscope.model.errors import ReportError
from canscope.report.write import write_report
try:
    write_report(factory.whole(), sys.argv[2])
except ReportError as error:
    print(error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no such limit there")
def test_a_disk_that_fills_up_leaves_no_half_file(tmp_path):
    command = [sys.executable, "-B", "-c", DISK_OF_4_KIB, ROOT, str(tmp_path / "a.json")]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert "cannot write" in done.stdout
    assert not list(tmp_path.iterdir())


def test_rendering_does_not_import_plotlys_slow_half():
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); from tests.report import factory;"
        "from canscope.report import RENDERERS; RENDERERS['html'](factory.whole());"
        "print([n for n in sys.modules if n.startswith(('plotly.graph_objs', 'pandas'))])"
    )
    command = [sys.executable, "-c", code, ROOT]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
