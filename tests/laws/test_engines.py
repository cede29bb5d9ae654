"""Whichever engine works, and in however large chunks, the report is the same."""

from dataclasses import replace

import pytest

from canscope.capture.order import gathered
from canscope.capture.read import read_capture
from canscope.decoding.columns import decode
from canscope.judge.check import check
from canscope.model import engine
from canscope.plan.load import read_plan
from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run

pytest.importorskip("numba")


def report_of(files, rows):
    plan, capture = read_plan(files.plan), read_capture(files.capture)
    signals = decode(gathered(capture, rows), plan.definitions, wanted=plan.wanted)
    report = check(signals, plan, capture=capture, written_at="never")
    # Where chunks are cut decides in which order channels are first seen.
    channels = dict(sorted(report.capture.channels.items()))
    errors = dict(sorted(report.capture.error_frames.items()))
    facts = replace(report.capture, channels=channels, error_frames=errors)
    return replace(report, capture=facts)


@pytest.mark.parametrize("fault", [None, "bad-precharge"])
def test_both_engines_and_chunks_of_any_size_make_the_same_report(tmp_path, monkeypatch, fault):
    files = write_run(make_run(fault=fault), tmp_path)
    monkeypatch.setenv(engine.VARIABLE, "numpy")
    plain = report_of(files, 1)
    assert report_of(files, 10**9) == plain
    monkeypatch.setenv(engine.VARIABLE, "numba")
    assert report_of(files, 30_000) == plain
    assert plain.verdict == ("pass" if fault is None else "fail")
