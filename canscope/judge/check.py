"""check and watch: Signals -> Findings -> Report, over a whole capture or while it comes in."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from canscope.judge.assemble import assemble, not_run
from canscope.judge.facts import Counts, Source
from canscope.judge.judge import Alarm, Judge
from canscope.judge.time_slice import time_slice
from canscope.judge.verdict import findings_of
from canscope.model.bench import Mark
from canscope.model.errors import CaptureError
from canscope.model.findings import Finding
from canscope.model.report import Report
from canscope.model.signals import Signals
from canscope.plan.plan import Plan, PlanMark


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
        # They are judged as well, so that the report can say whether they would have failed.
        self._not_run = not_run(plan)
        self._judge = Judge(plan.bench, plan.rules)
        self._marks = [*plan.marks]
        self._counts = Counts()

    def feed(self, signals: Signals) -> list[Alarm]:
        """Judge one piece; the alarms that it raised."""
        begun = self._counts.first_ns is not None
        self._counts.add(signals)
        if self._counts.first_ns is None:
            return []
        if not begun:
            self._judge.marks = _stamped(self._marks, self._counts.first_ns)
        alarms = self._judge.feed(time_slice(signals, self.plan.bench))
        return [alarm for alarm in alarms if alarm.rule not in self._not_run]

    def mark(self, mark: PlanMark) -> None:
        """Add what a person has just seen; it must not lie before what was fed already."""
        self._marks.append(mark)
        if self._counts.first_ns is not None:
            self._judge.marks = _stamped(self._marks, self._counts.first_ns)

    def finding(self, rule: str, subject: str) -> Finding | None:
        """How one subject stands so far; a pass only means that nothing has failed yet."""
        if self._counts.first_ns is None or rule in self._not_run:
            return None
        self._judge.settle()
        found = findings_of(self._judge.ledger)
        return next((f for f in found if f.key == (rule, subject)), None)

    def report(self, *, capture: Source | None = None, written_at: str = "") -> Report:
        """Close the run and report it.

        Raises CaptureError if there was not one frame.
        """
        if self._counts.first_ns is None:
            raise CaptureError(
                "the capture holds not one frame",
                hint="was the interface up and the vehicle awake while it was recorded?",
            )
        self._judge.close()
        return assemble(self._judge, self.plan, self._counts, capture, written_at)


def _stamped(marks: Iterable[PlanMark], origin_ns: int) -> tuple[Mark, ...]:
    """Marks on the capture's own clock, in time order whatever order they were written in."""
    made = [
        Mark(_stamp(mark, origin_ns), mark.text, mark.axle, mark.seen, mark.asked, mark.within_s)
        for mark in marks
    ]
    return tuple(sorted(made, key=lambda mark: mark.time_ns))


def _stamp(mark: PlanMark, origin_ns: int) -> int:
    if mark.time_ns is not None:
        return mark.time_ns
    assert mark.at_s is not None
    return origin_ns + round(mark.at_s * 1e9)
