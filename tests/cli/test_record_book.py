"""canscope record-book over folders of real, short runs, as the command line sees them."""

import json
import shutil

import pytest

from canscope.build_record.verification import newest_report
from canscope.cli.main import main
from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run
from tests.report.browser import dom


@pytest.fixture(scope="module")
def checked(tmp_path_factory):
    """Two checked runs of 2 s, side by side: enough for a row each, not for a pass."""
    home = tmp_path_factory.mktemp("runs")
    for name in ("0001", "0002"):
        files = write_run(make_run("bramble", stage="power-up", seed=1), home / name)
        lines = files.capture.read_text().splitlines(keepends=True)[:900]
        files.capture.write_text("".join(lines))
        words = ["check", files.capture, "--plan", files.plan, "--out", home / name / "reports"]
        main([*map(str, words), "--quiet"])
    return home


@pytest.fixture
def runs(checked, tmp_path):
    return shutil.copytree(checked, tmp_path / "runs")


def test_the_record_names_runs_stage_and_what_is_missing(canscope, runs, tmp_path):
    page, data = tmp_path / "record.html", tmp_path / "record.json"
    code, out, _ = canscope("record-book", runs, "--html", page, "--json", data)
    assert code == 0
    said = " ".join(out.split())
    assert "earned: no stage yet" in said
    assert "power-up run 0002 is unproven" in said
    (vehicle,) = json.loads(data.read_text())["vehicles"]
    assert [row["verdict"] for row in vehicle["runs"]] == ["unproven", "unproven"]
    became = dom(page.read_text(), tmp_path, "record")
    assert "NO STAGE YET" in became


def test_a_run_whose_report_or_capture_was_altered_does_not_count(canscope, runs):
    report = next((runs / "0001" / "reports").glob("*.json"))
    report.write_text(report.read_text().replace("unproven", "proven!!", 1))
    capture = runs / "0002" / "capture.log"
    report = next((runs / "0002" / "reports").glob("*.json"))
    # The report names the capture where it was checked; here it lies beside it.
    plain = json.loads(report.read_text())
    named = next(entry["name"] for entry in plain["inputs"] if entry["kind"] == "capture")
    capture.write_text(capture.read_text()[:-50])
    shutil.copy(capture, named)
    code, out, _ = canscope("record-book", runs)
    said = " ".join(out.split())
    assert code == 0
    assert "was altered after it was written" in said
    assert "has other bytes than the report was made of" in said


def test_a_run_whose_report_lost_its_seal_does_not_count(canscope, runs):
    report = next((runs / "0001" / "reports").glob("*.json"))
    text = report.read_text()
    report.write_text(text[: text.rindex(',\n "seal"')] + "}\n")
    code, out, _ = canscope("record-book", runs)
    assert code == 0
    assert "it has no seal, or its last line was altered" in " ".join(out.split())


def test_of_two_reports_the_one_that_was_written_last_counts_whatever_its_name(runs):
    """A stale pass beside a later check must not earn a stage; the recorder's own is report-001."""
    report = next((runs / "0001" / "reports").glob("*.json"))
    stale = json.loads(report.read_text())
    stale |= {"verdict": "pass", "written_at": "2001-01-01 00:00:00 UTC", "seal": ""}
    (runs / "0001" / "reports" / "report-001.json").write_text(json.dumps(stale))
    path, newest = newest_report(runs / "0001")
    assert (path.name, newest.verdict) == (report.name, "unproven")


def test_changes_are_read_from_their_file_with_every_mistake_at_once(canscope, runs):
    notes = runs / "changes.toml"
    notes.write_text('[[changes]]\nat = 2026-03-02\nwhat = "weld"\nby = "A. Tester"\n')
    code, out, _ = canscope("record-book", runs)
    assert code == 0
    assert "2026-03-02 00:00 weld" in out
    notes.write_text("a = " + "[" * 9999)
    code, _, err = canscope("record-book", runs)
    assert (code, "changes.toml: not TOML" in err) == (2, True)
    notes.write_text('[[changes]]\nat = "soon"\nwhat = "welding"\n[[more]]\n')
    code, _, err = canscope("record-book", runs)
    assert code == 2
    for words in ("did you mean 'weld'", "changes[0].at", "changes[0].by", "more: unknown"):
        assert words in err


def test_a_folder_without_runs_is_told_clearly(canscope, tmp_path):
    for folder in (tmp_path, tmp_path / "none"):
        code, _, err = canscope("record-book", folder)
        assert code == 2
        assert "hint:" in err
