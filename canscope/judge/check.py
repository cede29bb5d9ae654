"""check and watch: Signals -> Findings -> Report, over a whole capture or while it comes in."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import canscope
from canscope.judge.diagnosis import diagnose
from canscope.judge.evidence import overview_plot
from canscope.judge.facts import Counts, Source, role_facts, rule_facts
from canscope.judge.first_look import look_first
from canscope.judge.judge import Alarm, Chunk, Judge
from canscope.judge.role_samples import samples_of
from canscope.judge.verdict import findings_of, overall, waive
from canscope.model.bench import Mark
from canscope.model.errors import CaptureError
from canscope.model.findings import Finding, Verdict
from canscope.model.report import Input, Report
from canscope.model.signals import Signals
from canscope.model.tables import Frames
from canscope.plan.plan import Plan, PlanMark
from canscope.rules import topics


def check(
    signals: Signals | Iterable[Signals],
    plan: Plan,
    *,
    capture: Source | None = None,
    written_at: str = "",
) -> Report:
    """Judge a whole capture against a bench plan.

    ``signals`` comes from ``decode``; ``capture`` is what ``read_capture`` gave, for the hashes in
    the report; ``written_at`` is printed as the report's date.

    Raises CaptureError if there is not one frame.
    """
    run = Run(plan)
    for piece in [signals] if isinstance(signals, Signals) else signals:
        run.feed(piece)
    return run.report(capture=capture, written_at=written_at)


def watch(signals: Iterable[Signals], plan: Plan) -> Iterator[Alarm]:
    """Judge pieces as they come in; yields an alarm when a margin first goes below zero."""
    run = Run(plan)
    for piece in signals:
        yield from run.feed(piece)


class Run:
    """One run being judged: feed it pieces, then ask for the report."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        bench = plan.bench
        # What speaks only if something happens is required once it does, so it runs all the same.
        off = {
            name
            for name in bench.off
            if not plan.rules[name].required(bench) and not plan.rules[name].silent(bench)
        }
        self._rules = {name: rule for name, rule in plan.rules.items() if name not in off}
        self._judge: Judge | None = None
        self._marks: list[PlanMark] = []
        self._counts = Counts()

    def feed(self, signals: Signals) -> list[Alarm]:
        """Judge one piece; the alarms that it raised."""
        self._counts.add(signals)
        if self._judge is None:
            if self._counts.first_ns is None:
                return []
            marks = _marks((*self.plan.marks, *self._marks), self._counts.first_ns)
            self._judge = Judge(self.plan.bench, self._rules, marks)
        return self._judge.feed(chunk_of(signals, self.plan))

    def mark(self, mark: PlanMark) -> None:
        """Add what a person has just seen; it must not lie before what was fed already."""
        self._marks.append(mark)
        if self._judge is not None:
            marks = (*self.plan.marks, *self._marks)
            self._judge.marks = tuple(_marks(marks, self._judge.origin))

    def finding(self, rule: str, subject: str) -> Finding | None:
        """How one subject stands so far; a pass only means that nothing has failed yet."""
        if self._judge is None:
            return None
        self._judge.settle()
        found = findings_of(self._judge)
        return next((f for f in found if (f.rule, f.subject) == (rule, subject)), None)

    def report(self, *, capture: Source | None = None, written_at: str = "") -> Report:
        """Close the run and report it.

        Raises CaptureError if there was not one frame.
        """
        if self._judge is None:
            raise CaptureError(
                "the capture holds not one frame",
                hint="was the interface up and the vehicle awake while it was recorded?",
            )
        self._judge.close()
        plan, bench = self.plan, self.plan.bench
        accepted = [(w.rule, w.subject, w.reason, w.by) for w in plan.waivers]
        tester = str(plan.job.get("tester", "the tester"))
        accepted += [(name, None, reason, tester) for name, reason in bench.off.items()]
        findings = waive(findings_of(self._judge), accepted)
        verdict, headline, waived = overall(findings)
        causes = diagnose(findings, [unit.name for unit in bench.units], self._judge.rules)
        facts = self._counts.facts(capture, self._closed().segments)
        inputs = (*(capture.inputs if capture else ()), *plan.inputs)
        return Report(
            verdict=verdict,
            headline=headline,
            waived=waived,
            stage=bench.stage,
            vehicle=bench.vehicle,
            findings=tuple(findings),
            not_applicable=self._not_applicable(findings),
            bursts=tuple(sorted(self._judge.bursts, key=lambda b: (b.start_s, b.unit))),
            capture=facts,
            inputs=inputs,
            version=canscope.__version__,
            job=dict(plan.job),
            conditions=_conditions(plan),
            look_first=look_first(findings, causes, self._judge.rules),
            diagnosis=causes,
            events=self._closed().happenings.rows(self._closed().origin),
            roles=role_facts(self._closed(), findings),
            rules=tuple(rule_facts(plan)),
            topics=topics(),
            plots=self._plots(findings),
            marks=tuple(self._mark_rows()),
            cautions=tuple(m["caution"] for m in plan.mounting if m.get("caution")),
            warnings=(*plan.warnings, *self._unlisted()),
            plan_text=plan.text,
            written_at=written_at,
            unique_id=_unique_id(inputs, verdict, written_at),
            mounting=tuple(plan.mounting),
        )

    def _closed(self) -> Judge:
        assert self._judge is not None
        return self._judge

    def _not_applicable(self, findings: list[Finding]) -> tuple[str, ...]:
        told = {finding.rule for finding in findings}
        return tuple(name for name in self.plan.rules if name not in told)

    def _plots(self, findings: list[Finding]) -> Mapping[str, Any]:
        judge = self._closed()
        plots = {}
        for finding in findings:
            plot = judge.plot(finding.rule, finding.subject)
            if plot is None and finding.verdict is Verdict.UNPROVEN:
                plot = overview_plot(
                    finding.roles, judge.overviews, judge.bench, judge.origin, judge.last_ns
                )
            if plot is not None and plot.traces:
                plots[f"{finding.rule}|{finding.subject}"] = plot
        return plots

    def _unlisted(self) -> Iterator[str]:
        judge = self._closed()
        for count, what in ((judge.more_bursts, "bursts"), (judge.happenings.more, "events")):
            if count:
                yield f"{count} more {what} are not listed: a report has room for so many only"

    def _mark_rows(self) -> Iterator[dict[str, Any]]:
        judge = self._closed()
        for mark in judge.marks:
            at_s = (mark.time_ns - judge.origin) / 1e9
            yield {"at_s": at_s, "axle": mark.axle, "seen": mark.seen, "text": mark.text}


def chunk_of(signals: Signals, plan: Plan) -> Chunk:
    """The roles' samples of one piece of decoded frames, in time order."""
    frames: Frames = signals.frames
    if frames.until_ns is not None:
        until = frames.until_ns
    else:
        until = int(frames.time_ns.max()) + 1 if len(frames) else 0
    samples = {
        role: samples_of(binding, signals.series[binding.key])
        for role, binding in plan.bench.bindings.items()
        if binding.key in signals.series
    }
    senders = signals.tally.senders
    return Chunk(samples, signals.arrivals, frames, until, frames.segment, senders)


def _marks(marks: Iterable[PlanMark], origin_ns: int) -> list[Mark]:
    """In time order, so that it does not matter in which they were written down."""
    made = [Mark(_stamp(mark, origin_ns), mark.text, mark.axle, mark.seen) for mark in marks]
    return sorted(made, key=lambda mark: mark.time_ns)


def _stamp(mark: PlanMark, origin_ns: int) -> int:
    """A mark's time on the capture's own clock."""
    if mark.time_ns is not None:
        return mark.time_ns
    assert mark.at_s is not None
    return origin_ns + round(mark.at_s * 1e9)


def _conditions(plan: Plan) -> dict[str, Any]:
    bench = plan.bench
    return {
        "coolant": bench.coolant,
        "oil": bench.oil,
        "ambient_degC": bench.ambient_degC,
        "first run of the day": bench.cold,
    }


def _unique_id(inputs: tuple[Input, ...], verdict: str, written_at: str) -> str:
    text = "|".join([*(i.sha256 for i in inputs), verdict, written_at, canscope.__version__])
    return f"CS-{hashlib.sha256(text.encode()).hexdigest()[:12].upper()}"
