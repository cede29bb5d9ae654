"""A run judged as a user would have it judged: from its files; and what the matrix asks of it."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from canscope.capture.read import read_capture
from canscope.decoding.columns import decode
from canscope.judge.check import check
from canscope.model.report import Report
from canscope.model.rule import Rule
from canscope.model.signals import Signals
from canscope.plan.load import read_plan
from canscope.plan.plan import Plan
from canscope.simulate.folder import write_run
from canscope.simulate.runs import Run
from tests.matrix.causes import cause_of
from tests.matrix.scenarios import Scenario


@dataclass(frozen=True, eq=False)
class Decoded:
    """A run read back from its files, as a user has it: decoded once, judged as often as wanted."""

    plan: Plan
    signals: tuple[Signals, ...]

    def report(self, rules: Mapping[str, Rule] | None = None) -> Report:
        """The report by all rules of the plan, or by these instead."""
        plan = self.plan if rules is None else replace(self.plan, rules=rules)
        return check(self.signals, plan)


def decoded(run: Run) -> Decoded:
    """Write a run's capture, definitions and plan, and read them."""
    with tempfile.TemporaryDirectory() as folder:
        files = write_run(run, Path(folder), truth=False)
        plan = read_plan(files.plan)
        capture = read_capture(files.capture)
        return Decoded(plan, tuple(decode(capture, plan.definitions, wanted=plan.wanted)))


def report_of(run: Run) -> Report:
    """The report on a run, by way of its files."""
    return decoded(run).report()


def rules_with(report: Report, verdict: str) -> frozenset[str]:
    """The rules with at least one finding of that verdict."""
    return frozenset(f.rule for f in report.findings if f.verdict == verdict)


@dataclass(frozen=True)
class Row:
    """What became of one scenario: verdict, rules that failed and that could not prove, wrongs."""

    scenario: Scenario
    verdict: str
    failed: frozenset[str]
    unproven: frozenset[str]
    wrongs: tuple[str, ...]


def judged(scenario: Scenario) -> Row:
    """Run a scenario and hold it against what its fault declares."""
    run = scenario.run()
    return row_of(scenario, run, report_of(run))


def row_of(scenario: Scenario, run: Run, report: Report) -> Row:
    """The report on a scenario's run, held against what its fault declares."""
    return Row(
        scenario,
        str(report.verdict),
        rules_with(report, "fail"),
        rules_with(report, "unproven"),
        tuple(wrongs_of(run, report)),
    )


def wrongs_of(run: Run, report: Report) -> list[str]:
    """Everything in which a report is not what it has to be."""
    failed, unproven = rules_with(report, "fail"), rules_with(report, "unproven")
    if run.fault is None:
        wrongs = [f"healthy, but {report.verdict}"] if report.verdict != "pass" else []
        wrongs += [
            f"fails {f.rule} {f.subject}: {f.sentence}"
            for f in report.findings
            if f.verdict == "fail"
        ]
        wrongs += [
            f"unproven {f.rule} {f.subject}: {f.sentence}"
            for f in report.findings
            if f.required and f.verdict == "unproven" and not f.waived
        ]
        return wrongs
    fault, must = run.fault, run.fault.must_in(run.vehicle)
    wrongs = [] if report.verdict == fault.expected else [f"verdict {report.verdict}"]
    wrongs += [f"not failed by {rule}" for rule in sorted(must - failed)]
    outside = failed - fault.must - fault.may
    wrongs += [
        f"fails {f.rule} {f.subject}: {f.sentence}"
        for f in report.findings
        if f.verdict == "fail" and f.rule in outside
    ]
    wrongs += [f"not unproven: {rule}" for rule in sorted(fault.unproven - unproven - failed)]
    told = [found.cause for found in report.diagnosis]
    if not any(cause_of(fault.name, run.vehicle) in cause for cause in told or [""]):
        wrongs.append(f"its true cause is not among {told}")
    return wrongs
