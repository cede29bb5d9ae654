"""The runs of a folder as rows of the record: from their newest report, never from a guess."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from canscope.build_record.verification import (
    Outcome,
    check_bytes,
    check_inputs,
    found_inputs,
    newest_report,
)
from canscope.live.run_folder.run_file import read_run_file
from canscope.model.build_record import RunRow
from canscope.model.errors import CanscopeError
from canscope.model.findings import Finding
from canscope.model.report import Report

TRENDS = {  # rule -> what is followed from run to run
    "bus-sag": "sag",
    "source-resistance": "source resistance",
    "temperature-rate": "heat rate",
}
TAU = "tau_ms"


def rows_of(folder: Path, judge: Callable[[Path], Report]) -> Iterator[tuple[str, RunRow, bool]]:
    """Vehicle, row and whether it is a rehearsal, of every run folder in ``folder``.

    ``judge`` gives the report of a run that has none. A run whose report was altered, or whose
    capture is not the one that was judged, does not count and says so.
    """
    for run in sorted(path for path in folder.iterdir() if path.is_dir()):
        if not any(run.glob("*.log")) and not any(run.glob("*.log.gz")):
            continue
        try:
            run_file = read_run_file(run)
            report, doubt = _report_of(run, judge)
        except CanscopeError as error:
            yield "", RunRow(run.name, "", "", counts=False, why_not=error.what), False
            continue
        is_replay = run_file is not None and run_file.is_replay
        why_not = doubt or ("a replay is a rehearsal" if is_replay else "")
        if not why_not and (report.capture.relative_time or report.capture.first_ns is None):
            why_not = "its recorder's clock was not set, so nobody knows what came before it"
        row = replace(row_of(run.name, report), counts=not why_not, why_not=why_not)
        shown = run_file.shown if run_file is not None else None
        if shown is not None:
            row = replace(row, dry_s=dict(shown.turned_dry_s))
        yield report.vehicle, row, is_replay


def _report_of(run: Path, judge: Callable[[Path], Report]) -> tuple[Report, str]:
    """The newest report of a run, judged now if there is none; and why it cannot be relied on."""
    newest = newest_report(run)
    if newest is None:
        return judge(run), ""
    path, report = newest
    seal = check_bytes(path)
    if seal.outcome is not Outcome.SAME:
        return report, f"{path.name}: {seal.text}"
    inputs = [(e, place) for e, place in found_inputs(report, path, run) if e.kind == "capture"]
    for check in check_inputs(inputs):
        if check.outcome is not Outcome.SAME:
            return report, f"{check.what}: {check.text}"
    return report, ""


def row_of(name: str, report: Report) -> RunRow:
    """What a report adds to the record."""
    leads = [report.lead(text) for text in report.look_first]
    first = next((lead for lead in leads if lead is not None), None)
    wrong = (first.short or first.sentence) if first else next(iter(report.look_first), "")
    dry = report.conditions.get("coolant") != "filled" or report.conditions.get("oil") != "filled"
    dry_s: dict[str, float] = {}
    for burst in report.bursts if dry else ():
        dry_s[burst.unit] = round(dry_s.get(burst.unit, 0.0) + burst.length_s, 3)
    return RunRow(
        name=name,
        stage=report.stage,
        verdict=report.verdict,
        waived=report.waived,
        at_ns=None if report.capture.relative_time else report.capture.first_ns,
        wrong="" if report.verdict == "pass" else wrong,
        serials={str(m["unit"]): str(m.get("serial", "")) for m in report.mounting},
        definitions={i.name: i.sha256 for i in report.inputs if i.kind == "definition"},
        dry_s=dry_s,
        anchored={fact.role: fact.signal for fact in report.roles if fact.anchored_here},
        trends=dict(_trends(report)),
    )


def _trends(report: Report) -> Iterator[tuple[str, float]]:
    for finding in report.findings:
        if finding.rule in TRENDS and _usable(finding.measured):
            yield f"{TRENDS[finding.rule]}, {finding.subject}, {finding.unit}", _value(finding)
        tau_ms = finding.facts.get(TAU)
        if finding.rule == "precharge-curve" and isinstance(tau_ms, float) and _usable(tau_ms):
            yield f"pre-charge time constant, {finding.subject}, ms", tau_ms


def _value(finding: Finding) -> float:
    assert finding.measured is not None
    return finding.measured


def _usable(value: float | None) -> bool:
    return value is not None and math.isfinite(value)
