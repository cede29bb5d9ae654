"""The recipes of DEVELOPERS.md, followed to the letter in a copy of the package and its tests.

The blocks of the guide are the files that a newcomer would write. The copy is then held to the
laws, and used from the command line.
"""

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from canscope.capture import Reader
from canscope.rules import RULES
from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run
from tests.package_copy import copy_package, run

ROOT = Path(__file__).parents[2]
BLOCK = re.compile(r"^```python\n# ([\w/]+\.py)(, a row of ROLES)?\n(.*?)^```", re.M | re.S)
ADDED = {
    "canscope/rules/power_up/my_rule.py",
    "tests/rules/power_up/test_my_rule.py",
    "canscope/capture/my_format.py",
    "canscope/report/my_kind.py",
    "canscope/cli/my_command.py",
    "canscope/model/roles.py",
}
LAWS = (
    "tests/rules/power_up/test_my_rule.py",
    "tests/rules/test_chapters.py",
    "tests/laws/test_floors.py::test_imports_go_down",
    "tests/laws/test_floors.py::test_private_names_stay_in_their_folder",
    "tests/laws/test_floors.py::test_no_module_imports_itself_by_way_of_others",
    "tests/laws/test_public_names.py",
    "tests/laws/test_manual_pages.py",
    "tests/laws/test_stage_table.py",
    "tests/laws/test_codes.py::test_a_code_is_a_short_word_and_no_reason",
    "tests/laws/test_evidence.py::test_almost_every_rule_has_something_to_lose",
    "tests/laws/test_spoiled_rules.py::test_a_spoiled_rule_is_noticed[my-rule-empty]",
    "tests/laws/test_spoiled_rules.py::test_a_spoiled_rule_is_noticed[my-rule-flip]",
    "tests/laws/test_roles.py::test_a_plan_with_nothing_but_the_example_binds_the_role[driver.horn]",
    "tests/laws/test_roles.py::"
    "test_a_role_takes_every_key_that_the_table_gives_it_and_no_other[driver.horn]",
)
FORMATS = {
    "bramble_first_2s.log": "candump",
    "bramble_first_2s.mf4": "mf4",
    "bramble_first_2s.pcapng": "pcapng",
    "bramble_first_2s_can0.csv": "csv",
    "bramble_first_2s_can0.db": "sqlite",
    "bramble_first_2s_can0.pcap": "pcap",
}
DETECT_ALL = """
import sys
from pathlib import Path
from canscope.capture.input.detect import detect
for path in sys.argv[1:]:
    print(detect(Path(path).read_bytes()[:1 << 16], path))
"""
DEFINITION = """VERSION ""
BU_: Node
BO_ 291 Mine: 1 Node
 SG_ Payload : 0|8@1+ (1,0) [0|255] "" Node
"""


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    """The copy, with everything that the recipes add."""
    folder = tmp_path_factory.mktemp("house")
    copy_package(folder, without="fast")  # its kernels would be compiled anew
    shutil.copytree(
        ROOT / "tests", folder / "tests", ignore=shutil.ignore_patterns("__pycache__", "golden")
    )
    shutil.copy(ROOT / "pyproject.toml", folder)
    for name in ("sample_logs", "dbc_examples"):
        (folder / name).symlink_to(ROOT / name)
    written = set()
    for name, is_row, text in BLOCK.findall((ROOT / "DEVELOPERS.md").read_text("utf-8")):
        path, written = folder / name, written | {name}
        if is_row:
            before, head, after = path.read_text("utf-8").partition("\nROLES = (\n")
            text = before + head + text + after
        else:
            assert not path.exists(), f"{name} exists already: nothing is added by this recipe"
        path.write_text(text, "utf-8")
    assert written == ADDED
    return folder


@pytest.fixture(scope="module")
def canscope(house):
    """Run the command line of the copy; the process when it has ended."""

    def call(*arguments, code=0):
        done = python(house, "-m", "canscope", *arguments)
        assert done.returncode == code, done.stdout + done.stderr
        return done

    return call


@pytest.fixture(scope="module")
def check(canscope, tmp_path_factory):
    """The command ``canscope check`` on a sound run, in the copy."""
    folder = tmp_path_factory.mktemp("run")
    files = write_run(make_run("bramble", stage="power-up", seed=1), folder)
    return lambda *options, code=0: canscope(
        "check", files.capture, "--plan", files.plan, *options, code=code
    )


def python(folder, *arguments):
    return subprocess.run(
        [sys.executable, *map(str, arguments)],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder), "CANSCOPE_ENGINE": "numpy"},
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_laws_hold_for_all_that_is_added(house):
    done = python(house, "-m", "pytest", "-q", "-p", "no:cacheprovider", *LAWS)
    assert done.returncode == 0, done.stdout[-3000:]


def test_what_is_added_is_formatted_and_linted(house):
    added = sorted(ADDED)
    for words in (("check",), ("format", "--check")):
        done = python(house, "-m", "ruff", *words, "--no-cache", *added)
        assert done.returncode == 0, done.stdout


def test_a_new_rule_has_its_page_and_its_finding(canscope, check, tmp_path):
    assert "highest_V = 16  # V; common practice" in canscope("explain", "my-rule").stdout
    check("--json", tmp_path / "report.json")
    report = json.loads((tmp_path / "report.json").read_text())
    (finding,) = (f for f in report["findings"] if f["rule"] == "my-rule")
    assert (finding["verdict"], finding["signals"]) == ("pass", ["can0:Supply.ControlVoltage"])


def test_a_new_role_has_its_page(canscope):
    assert "The horn sounds." in canscope("explain", "driver.horn").stdout


def test_a_new_command_is_offered_and_runs(canscope):
    assert re.search(r" my-command\s+Say how many rules", canscope("--help").stdout)
    assert canscope("my-command").stdout == f"{len(RULES) + 1}\n"


@pytest.mark.parametrize("named", [False, True], ids=["recognised", "named by the user"])
def test_a_capture_of_a_new_format_is_read(canscope, tmp_path, named):
    capture, definition, table = (tmp_path / name for name in ("capture", "mine.dbc", "out.csv"))
    capture.write_bytes(b"THIS\x07\x2a" if named else b"MINE\x07\x2a")
    definition.write_text(DEFINITION)
    options = ["--format", "my-format"] if named else []
    canscope("decode", capture, "--definitions", definition, "--to", table, *options)
    values = [line.split(",") for line in table.read_text().splitlines()]
    column = values[0].index("value")
    assert [float(row[column]) for row in values[1:]] == [7.0, 42.0]


def test_other_formats_are_recognised_as_before(house):
    samples = [ROOT / "sample_logs" / name for name in FORMATS]
    assert run(house / "canscope", DETECT_ALL, *samples).split() == list(FORMATS.values())


def test_a_reader_that_does_not_say_how_its_files_begin_recognises_none():
    class Silent(Reader):
        def read(self, stream, file):
            yield

    assert not Silent().recognises(b"MINE")


def test_every_kind_of_report_is_offered_by_the_help(check):
    assert "html, json, junit, my-kind" in " ".join(check("--help").stdout.split())


def test_a_new_kind_is_written_where_it_is_asked_for(check, tmp_path):
    for _ in range(2):
        check("--report", "my-kind", "--report", "junit", "--out", tmp_path)
    names = ["capture-001.my-kind", "capture-001.xml", "capture-002.my-kind", "capture-002.xml"]
    assert sorted(path.name for path in tmp_path.iterdir()) == names
    assert (tmp_path / names[0]).read_text() == "power-up: pass\n"


def test_a_named_file_and_a_kind_are_both_written(check, tmp_path):
    out = tmp_path / "out"
    check("--json", tmp_path / "a.json", "--report", "my-kind", "--out", out)
    assert (tmp_path / "a.json").is_file()
    assert [path.name for path in out.iterdir()] == ["capture-001.my-kind"]


def test_a_kind_that_is_none_is_refused_before_the_work(check, tmp_path):
    done = check("--report", "my-kin", "--out", tmp_path / "out", code=2)
    assert "did you mean 'my-kind'?" in done.stderr
    assert not (tmp_path / "out").exists()
