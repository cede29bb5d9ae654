"""check and watch: Signals -> Findings -> Report, over a whole capture or while it comes in."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Protocol

import numpy as np

import canscope
from canscope.judge.evidence import overview_plot
from canscope.judge.judge import Alarm, Chunk, Judge
from canscope.judge.roles import samples_of
from canscope.judge.verdict import findings_of, look_first, overall, waive
from canscope.model.bench import Mark
from canscope.model.errors import CaptureError
from canscope.model.findings import COMMON_PRACTICE, Finding, Verdict
from canscope.model.report import CaptureFacts, Input, Report, RoleFacts, RuleFacts
from canscope.model.rule import Rule
from canscope.model.signals import DecodeTally, Signals
from canscope.model.tables import Flag, Frames, Tally
from canscope.plan.plan import Plan, PlanMark

YEAR_2001_NS = 978_307_200 * 10**9  # stamps before are taken as relative


class Source(Protocol):
    """Where the frames came from; its facts are complete once it has been read."""

    @property
    def inputs(self) -> tuple[Input, ...]:
        """The files read, with their hashes."""

    @property
    def sha256(self) -> str:
        """One hash for all of them."""


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


@dataclass
class Counts:
    """What is counted of the recording itself."""

    frames: int = 0
    tally: Tally = field(default_factory=Tally)
    decoded: DecodeTally = field(default_factory=DecodeTally)
    channels: dict[str, int] = field(default_factory=dict)
    errors: dict[str, int] = field(default_factory=dict)
    sent: int = 0  # by the recording machine itself
    first_ns: int | None = None
    last_ns: int | None = None

    def add(self, signals: Signals) -> None:
        """Count one piece."""
        frames = signals.frames
        self.frames += len(frames)
        self.tally += frames.tally
        self.decoded += signals.tally
        if not len(frames):
            return
        for code, name in enumerate(frames.channels):
            mine = frames.channel == code
            self.channels[name] = self.channels.get(name, 0) + int(mine.sum())
            wrong = int((mine & ((frames.flags & Flag.ERROR) != 0)).sum())
            self.errors[name] = self.errors.get(name, 0) + wrong
        self.sent += int(np.count_nonzero(frames.flags & Flag.TRANSMITTED))
        if self.first_ns is None:
            self.first_ns = int(frames.time_ns[0])
        self.last_ns = int(frames.time_ns[-1])


class Run:
    """One run being judged: feed it pieces, then ask for the report."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        bench = plan.bench
        off = {n for n in bench.off if not plan.rules[n].required(bench)}
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
            self._judge.marks += (Mark(_stamp(mark, self._judge.origin), *_seen(mark)),)

    def finding(self, rule: str, subject: str) -> Finding | None:
        """How one subject stands so far; a pass only means that nothing has failed yet."""
        found = findings_of(self._judge) if self._judge is not None else []
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
        facts = self._capture_facts(capture)
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
            look_first=look_first(findings, self._judge.rules),
            roles=self._role_facts(),
            rules=tuple(self._rule_facts()),
            plots=self._plots(findings),
            marks=tuple(self._mark_rows()),
            cautions=tuple(m["caution"] for m in plan.mounting if m.get("caution")),
            warnings=plan.warnings,
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

    def _capture_facts(self, capture: Source | None) -> CaptureFacts:
        counts, judge = self._counts, self._judge
        first = counts.first_ns or 0
        return CaptureFacts(
            frames=counts.frames,
            lines=counts.tally.lines,
            skipped=counts.tally.skipped,
            skipped_examples=counts.tally.examples,
            dropped=counts.tally.dropped,
            cut_end=counts.tally.cut_end,
            first_ns=counts.first_ns,
            last_ns=counts.last_ns,
            relative_time=first < YEAR_2001_NS,
            segments=judge.segments if judge else 1,
            channels=counts.channels,
            error_frames=counts.errors,
            short_frames=counts.decoded.short_frames,
            undefined_multiplexer=counts.decoded.undefined_multiplexer,
            undefined_ids=counts.decoded.undefined_ids,
            sha256=capture.sha256 if capture else "",
            notes=(*counts.tally.notes, *_not_silent(counts.sent)),
        )

    def _role_facts(self) -> tuple[RoleFacts, ...]:
        judge = self._closed()
        rows = []
        for role, binding in self.plan.bench.bindings.items():
            healths = [health.roles[role] for health in judge.healths]
            lowest = min(h.lowest for h in healths)
            highest = max(h.highest for h in healths)
            seen = lowest <= highest
            rows.append(
                RoleFacts(
                    role=role,
                    signal=binding.key,
                    unit=binding.unit,
                    samples=sum(h.samples for h in healths),
                    lowest=lowest if seen else None,
                    highest=highest if seen else None,
                    cycle_ms=judge.learned.get(role),
                    not_available=sum(h.not_available for h in healths),
                    out_of_range=sum(h.out_of_range for h in healths),
                    uncertainty=binding.u,
                )
            )
        return tuple(rows)

    def _rule_facts(self) -> Iterator[RuleFacts]:
        bench = self.plan.bench
        for name, rule in self.plan.rules.items():
            given = bench.given.get(name, frozenset())
            summary = (type(rule).__doc__ or "").strip().split("\n\n")[0].replace("\n    ", " ")
            yield RuleFacts(name, summary, tuple(_parameters(rule, given)), bench.off.get(name, ""))

    def _plots(self, findings: list[Finding]) -> Mapping[str, Any]:
        judge = self._closed()
        plots = {}
        for finding in findings:
            plot = judge.plots.get((finding.rule, finding.subject))
            if plot is None and finding.verdict is Verdict.UNPROVEN:
                plot = overview_plot(
                    finding.roles, judge.overviews, judge.bench, judge.origin, judge.last_ns
                )
            if plot is not None and plot.traces:
                plots[f"{finding.rule}|{finding.subject}"] = plot
        return plots

    def _mark_rows(self) -> Iterator[dict[str, Any]]:
        judge = self._closed()
        for mark in judge.marks:
            at_s = (mark.time_ns - judge.origin) / 1e9
            yield {"at_s": at_s, "axle": mark.axle, "seen": mark.seen, "text": mark.text}


def _not_silent(sent: int) -> tuple[str, ...]:
    if not sent:
        return ()
    return (f"{sent} frames were sent by the recording machine itself: it was no silent listener",)


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
    return Chunk(samples, signals.arrivals, frames, until, frames.segment)


def _marks(marks: Iterable[PlanMark], origin_ns: int) -> list[Mark]:
    return [Mark(_stamp(mark, origin_ns), *_seen(mark)) for mark in marks]


def _seen(mark: PlanMark) -> tuple[str, str | None, str | None]:
    return mark.text, mark.axle, mark.seen


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


def _parameters(rule: Rule, given: frozenset[str]) -> Iterator[tuple[str, Any, str, str]]:
    for parameter in fields(rule):
        facts = parameter.metadata
        source = "plan" if parameter.name in given else facts.get("source", COMMON_PRACTICE)
        value = getattr(rule, parameter.name)
        yield parameter.name, value, str(facts.get("unit", "")), str(source)


def _unique_id(inputs: tuple[Input, ...], verdict: str, written_at: str) -> str:
    text = "|".join([*(i.sha256 for i in inputs), verdict, written_at, canscope.__version__])
    return f"CS-{hashlib.sha256(text.encode()).hexdigest()[:12].upper()}"
