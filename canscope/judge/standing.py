"""How a subject stands: what was judged so far, and the one place where verdicts are drawn.

Decision rule, ILAC-G8:09/2019 4.2 with a guard band: margin >= u passes, margin < -u fails, in
between is too close to call. Nothing judged is never a pass.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from canscope.model.findings import REASONS, Verdict
from canscope.model.outcome import Doubt, Margins, Outcome
from canscope.model.rule import Worst
from canscope.trust.samples.clock_alignment import Lag, unordered

# Where several reasons apply, the first of these is the finding's.
PRIORITY = {reason: place for place, reason in enumerate(REASONS)}


@dataclass
class Standing:
    """One subject of one rule over everything that was judged so far; bounded in size.

    ``failed``, ``close`` (too close to call) and ``passed`` are the instants with the smallest
    margin of their kind. ``first_failed_ns`` is the first fail, ``first_alarm_ns`` the first
    margin below zero, which does not wait for the uncertainty. Of doubts the first of each reason
    is kept, those that lower a pass apart from those that only explain.
    """

    subject: str
    judged: int = 0
    failed: Worst | None = None
    close: Worst | None = None
    passed: Worst | None = None
    first_failed_ns: int | None = None
    first_alarm_ns: int | None = None
    doubts: dict[tuple[str, bool], Doubt] = field(default_factory=dict)

    def add(self, outcome: Outcome, origin_ns: int, clocks: Lag | None = None) -> None:
        """Take in what a rule answered.

        ``clocks`` differ: what was judged since that is known to be below its limit may only look
        so, and lowers a pass instead.
        """
        if isinstance(outcome, Doubt):
            self.doubts.setdefault((outcome.reason, outcome.lowers), outcome)
        elif len(outcome.time_ns):
            self._weigh(outcome, origin_ns, clocks)

    def _weigh(self, rows: Margins, origin_ns: int, clocks: Lag | None) -> None:
        """Margins hold few rows: only those that can decide."""
        self.judged += len(rows.time_ns)
        if len(rows.time_ns) == 1 and self.passed is not None:  # nearly always it changes nothing
            margin = rows.margin.item()
            if margin >= 0 and margin >= rows.uncertainty.item() and margin >= self.passed.margin:
                return
        columns = (rows.time_ns, rows.margin, rows.uncertainty)
        for row, (time_ns, margin, u) in enumerate(
            zip(*(c.tolist() for c in columns), strict=True)
        ):
            if margin < 0 and clocks is not None and time_ns >= clocks.known_ns:
                doubt = unordered(self.subject, clocks, time_ns)
                self.doubts.setdefault((doubt.reason, True), doubt)
                continue
            if margin < 0:
                self.first_alarm_ns = _earliest(self.first_alarm_ns, time_ns)
            if margin < -u:
                self.first_failed_ns = _earliest(self.first_failed_ns, time_ns)
                kind = "failed"
            else:
                kind = "passed" if margin >= u else "close"
            known = getattr(self, kind)
            if known is None or margin < known.margin:
                setattr(self, kind, _worst(rows, row, origin_ns))

    def merge(self, window: Standing, spoiled: Sequence[Doubt] = ()) -> None:
        """Take in one closed window: a fail wins, and an unjudged one takes nothing away.

        ``spoiled`` are doubts on what the window rests on: it is then no pass, but takes nothing
        from a window that is. A window that was judged but is too close to call outweighs a pass:
        it was exercised and is not proven. A doubt by which the rule itself lowers its pass does
        so too.
        """
        for doubt in window.doubts.values():
            self.doubts.setdefault((doubt.reason, doubt.lowers), doubt)
        if window.judged:
            for doubt in spoiled:
                kept = replace(doubt, lowers=False)
                self.doubts.setdefault((doubt.reason, False), kept)
            if spoiled and not window.failed and not window.close:
                return
        self.judged += window.judged
        for name in ("failed", "close", "passed"):
            mine, theirs = getattr(self, name), getattr(window, name)
            if theirs and (not mine or theirs.margin < mine.margin):
                setattr(self, name, theirs)
        for name in ("first_failed_ns", "first_alarm_ns"):
            times = [t for t in (getattr(self, name), getattr(window, name)) if t is not None]
            setattr(self, name, min(times, default=None))

    def lowering(self) -> Doubt | None:
        """The doubt that turns a pass into unproven, if there is one."""
        found = [doubt for doubt in self.doubts.values() if doubt.lowers]
        return min(found, key=lambda doubt: PRIORITY[doubt.reason], default=None)

    def conclude(self) -> tuple[Verdict, Doubt | None]:
        """Draw the verdict; the doubt explains an unproven."""
        if self.failed:
            return Verdict.FAIL, None
        if self.close:
            return Verdict.UNPROVEN, Doubt(self.subject, "too-close-to-call")
        lowering = self.lowering()
        if self.judged and not lowering:
            return Verdict.PASS, None
        if lowering:
            return Verdict.UNPROVEN, lowering
        doubts = self.doubts.values()
        explained = min(doubts, key=lambda doubt: PRIORITY[doubt.reason], default=None)
        return Verdict.UNPROVEN, explained or Doubt(self.subject, "not-exercised")

    @property
    def worst(self) -> Worst | None:
        """The instant that decides, or came nearest to deciding."""
        return self.failed or self.close or self.passed


def _earliest(known: int | None, time_ns: int) -> int:
    return time_ns if known is None else min(known, time_ns)


def _worst(rows: Margins, i: int, origin_ns: int) -> Worst:
    """That row in plain numbers."""
    return Worst(
        subject=rows.subject,
        time_ns=int(rows.time_ns[i]),
        at_s=(int(rows.time_ns[i]) - origin_ns) / 1e9,
        margin=float(rows.margin[i]),
        uncertainty=float(rows.uncertainty[i]),
        measured=float(rows.measured[i]),
        limit=float(rows.limit[i]),
        start_ns=int(rows.start_ns[i]),
        end_ns=int(rows.end_ns[i]),
        facts={name: _plain(column[i]) for name, column in rows.facts.items()},
        code=str(rows.code[i]),
    )


def _plain(value: object) -> object:
    return value.item() if isinstance(value, np.generic) else value
