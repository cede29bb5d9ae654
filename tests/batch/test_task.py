"""What a worker does for one run, here without a worker: what is done again, and what is not."""

import dataclasses
import json
import os
import shutil

import pytest

from canscope.batch.task import Terms, judged, this_canscope
from canscope.checking.judging import judge_files
from canscope.model.report import ReadAs


@pytest.fixture
def run(bench, tmp_path):
    """A run folder of its own: the short capture, plan and definitions."""
    folder = shutil.copytree(bench / "plan", tmp_path / "run")
    shutil.copy(bench / "runs" / "cut.log", folder / "capture.log")
    return folder


@pytest.fixture
def terms(tmp_path):
    for name in ("judged", "reports"):
        (tmp_path / "out" / name).mkdir(parents=True)
    return Terms(
        plan=None,
        out=tmp_path / "out",
        kinds=(),
        read_as=ReadAs(),
        canscope=this_canscope(),
    )


def judge(run, terms, **other):
    return judged("the run", str(run), dataclasses.replace(terms, **other))


def test_nothing_is_judged_twice_and_nothing_that_changed_is_taken_from_before(
    run, terms, monkeypatch
):
    first = judge(run, terms)
    assert (first.state, first.work.earlier) == ("unproven", False)
    with monkeypatch.context() as patch:
        patch.delattr("canscope.batch.task.judge_files")
        again = judge(run, terms)
    assert again.work.earlier
    assert dataclasses.replace(again, work=first.work) == first

    capture, plan, definition = (run / n for n in ("capture.log", "plan.toml", "drive_unit.dbc"))
    changes = {
        capture: lambda text: text[: text[:-1].rindex("\n") + 1],
        plan: lambda text: text + "\n# agreed again\n",
        definition: lambda text: text + "\n",
    }
    results = {first.result}
    for path, change in changes.items():
        path.write_text(change(path.read_text()))
        results.add(judge(run, terms).result)
    (run / "marks.jsonl").write_text('{"at_s": 1, "text": "a note"}\n')
    results.add(judge(run, terms).result)
    (run / "run.toml").write_text('[clock]\nsource = "host"\nuncertainty_ms = 20.0\n')
    results.add(judge(run, terms).result)
    results.add(judge(run, terms, read_as=ReadAs("candump")).result)
    assert len(results) == 7  # each of them was judged anew


def test_a_result_that_is_not_whole_does_not_count(run, terms, tmp_path):
    result = tmp_path / "out" / judge(run, terms).result
    whole = result.read_bytes()
    for damaged in (b"", whole[: len(whole) // 2], whole.replace(b"unproven", b"pass", 1)):
        result.write_bytes(damaged)
        assert not judge(run, terms).work.earlier
        assert judge(run, terms).work.earlier
    # A further kind of report is written the second time, though the run is judged already.
    told = judge(run, terms, kinds=("junit",))
    assert not told.work.earlier
    (report,) = told.reports
    assert (tmp_path / "out" / report).read_text().startswith("<")
    (tmp_path / "out" / report).unlink()
    assert not judge(run, terms, kinds=("junit",)).work.earlier


def test_what_is_wrong_with_a_run_is_its_reason(run, terms, tmp_path, monkeypatch):
    def reason(path=run, **other):
        answer = judge(path, terms, **other)
        assert (answer.state, answer.result) == ("not judged", "")
        return answer.reason

    def judge_and_write(inputs, **how):
        report = judge_files(inputs, **how)
        return dataclasses.replace(
            report, inputs=tuple(dataclasses.replace(i, sha256="other") for i in report.inputs)
        )

    with monkeypatch.context() as patch:
        patch.setattr("canscope.batch.task.judge_files", judge_and_write)
        assert "changed while it was judged" in reason()
    assert "has another canscope" in reason(canscope="0.0.1 other")
    assert "no capture in this folder" in reason(tmp_path)
    assert "a capture alone cannot be judged" in reason(run / "capture.log")
    (run / "drive_unit.dbc").write_text("BO_ x")
    assert "drive_unit.dbc" in reason()
    (run / "run.toml").write_text("[run")
    assert "run.toml" in reason()
    os.mkfifo(tmp_path / "pipe")
    assert reason(tmp_path / "pipe", plan=run / "plan.toml")


def test_no_room_for_a_result_is_a_reason_too(run, terms, tmp_path):
    shutil.rmtree(tmp_path / "out" / "judged")
    answer = judge(run, terms)
    assert answer.state == "not judged"
    assert "there is no folder" in answer.reason


def test_results_are_reports_that_verify_and_compare_can_read(run, terms, tmp_path):
    from canscope.build_record.verification import check_bytes, read_report

    result = tmp_path / "out" / judge(run, terms).result
    assert check_bytes(result).outcome == "same"
    assert read_report(result).verdict == "unproven"
    assert not json.loads(result.read_bytes())["plots"]
