"""The judge: feeds slices of a run to every rule, segment after segment.

Offline is live in one piece: this is the only implementation, whatever feeds it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from canscope.judge.exhibits import Exhibits
from canscope.judge.ledger import Ledger
from canscope.judge.segment import Segment
from canscope.judge.time_slice import TimeSlice
from canscope.model.bench import Bench, Mark
from canscope.model.findings import Key
from canscope.model.rule import Rule


@dataclass(frozen=True)
class Alarm:
    """A subject whose margin went below zero for the first time."""

    rule: str
    subject: str
    at_ns: int
    stops: bool


class Judge:
    """Judges one run, slice after slice. ``ledger`` is the answer so far."""

    def __init__(self, bench: Bench, rules: Mapping[str, Rule], marks: Sequence[Mark] = ()) -> None:
        self.ledger = Ledger(bench, rules)
        self.exhibits = Exhibits()
        self.marks = tuple(marks)
        self.until_ns = 0  # of the last slice
        self._segment: Segment | None = None
        self._alarmed: set[Key] = set()

    def feed(self, time_slice: TimeSlice) -> list[Alarm]:
        """Judge one slice; the alarms that it raised."""
        self.ledger.take_clocks(time_slice.frames.tally.clocks)
        if self.ledger.origin_ns is None:
            if time_slice.is_empty:
                return []
            self.ledger.begin(time_slice.start_ns)
        number = time_slice.segment
        if self._segment is None or number != self._segment.number:
            self._finish_segment()
            self._segment = Segment(number, time_slice.start_ns, self.ledger, self.exhibits)
        self.ledger.senders.add(time_slice.senders)
        # After a clock step, or among several clocks, nobody knows when a mark was made.
        is_known = number == 0 and not self.ledger.clocks
        self._segment.feed(time_slice, self.marks if is_known else ())
        self.until_ns = time_slice.until_ns
        return self._alarms()

    def settle(self) -> None:
        """Bring up to the last slice what otherwise lags behind: health and exhibits."""
        if self._segment is not None:
            self._segment.settle()

    def close(self) -> None:
        """The one closing step: facts about the whole run."""
        self._finish_segment()
        self.ledger.close()

    def _finish_segment(self) -> None:
        if self._segment is not None:
            self._segment.finish()
            self._segment = None

    def _alarms(self) -> list[Alarm]:
        raised = []
        for (rule, subject), standing in self.ledger.standings.items():
            if standing.first_alarm_ns is not None and (rule, subject) not in self._alarmed:
                self._alarmed.add((rule, subject))
                stops = self.ledger.rules[rule].stops
                raised.append(Alarm(rule, subject, standing.first_alarm_ns, stops))
        return raised
