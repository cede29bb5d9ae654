"""The judge: feeds pieces to every rule and keeps how each subject stands.

Offline is live in one piece: this is the only implementation, whatever feeds it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from canscope.events.finder import Finder
from canscope.judge.bursts import Bursts
from canscope.judge.event_log import Happenings
from canscope.judge.evidence import Overview, Picture, Wanted, drawn, picture, wanted
from canscope.judge.standing import Standing
from canscope.model.bench import Bench, Mark
from canscope.model.events import Event, Span, Window
from canscope.model.history import KEEP_NS, History, stamped
from canscope.model.outcome import Outcome
from canscope.model.piece import ClosedWindow, Piece
from canscope.model.report import Burst, Plot
from canscope.model.rule import Rule
from canscope.model.signals import Samples
from canscope.model.tables import Frames, Int64s, empty_frames
from canscope.trust.identity import Senders
from canscope.trust.role_health import Health, window_doubts

MOST_TRACES = 3  # in one finding's plot
MOST_BURSTS = 2000  # that the report's table lists
SETTLE_NS = 2 * 10**9  # what only the report shows may lag so far behind


@dataclass(frozen=True, eq=False)
class Chunk:
    """Samples of roles for start <= time < ``until_ns`` of one segment, and their frames."""

    samples: Mapping[str, Samples]
    arrivals: Mapping[str, Int64s]
    frames: Frames
    until_ns: int
    segment: int = 0
    senders: Mapping[str, frozenset[int]] = field(default_factory=dict)  # as DecodeTally


@dataclass(frozen=True)
class Alarm:
    """A subject whose margin went below zero for the first time."""

    rule: str
    subject: str
    at_ns: int
    stops: bool


class Judge:
    """Judges one run, piece after piece. ``standings`` is the answer so far."""

    def __init__(self, bench: Bench, rules: Mapping[str, Rule], marks: Sequence[Mark] = ()) -> None:
        self.bench, self.marks = bench, tuple(marks)
        self.rules = {name: rule for name, rule in rules.items() if rule.applies(bench)}
        self.subjects = {name: tuple(rule.subjects(bench)) for name, rule in self.rules.items()}
        self.standings = {
            (name, subject.name): Standing(subject.name)
            for name, subjects in self.subjects.items()
            for subject in subjects
        }
        self.pictures: dict[tuple[str, str], Picture] = {}
        self.overviews: dict[str, Overview] = {}
        self.bursts: list[Burst] = []
        self.more_bursts = 0  # that the table does not list; every rule judged them
        self.happenings = Happenings()
        self.healths: list[Health] = []
        self.learned: dict[str, float] = {}  # role -> cycle in ms
        self._senders = Senders()
        self.origin_ns: int | None = None
        self.last_ns = 0
        self._segment: Segment | None = None
        self._alarmed: set[tuple[str, str]] = set()

    @property
    def origin(self) -> int:
        """Stamp of the capture's first frame; only after the first frame was fed."""
        assert self.origin_ns is not None
        return self.origin_ns

    @property
    def segments(self) -> int:
        """How many segments were seen; more than one means a damaged clock."""
        return len(self.healths)

    def feed(self, chunk: Chunk) -> list[Alarm]:
        """Judge one chunk; the alarms that it raised."""
        if self.origin_ns is None:
            if not len(chunk.frames) and not any(map(len, chunk.samples.values())):
                return []
            self.origin_ns = _first_stamp(chunk)
        if self._segment is None or chunk.segment != self._segment.number:
            self._finish_segment()
            self._segment = Segment(self, chunk.segment, _first_stamp(chunk))
        self._senders.add(chunk.senders)
        self._segment.feed(chunk)
        self.last_ns = chunk.until_ns
        return self._alarms()

    def settle(self) -> None:
        """Bring what only people see up to the last piece: ``healths`` and ``overviews``."""
        if self._segment is not None:
            self._segment.settle()

    def close(self) -> None:
        """The one closing step: facts about the whole run."""
        self._finish_segment()
        for name, subjects in self.subjects.items():
            for subject in subjects:
                self.add(name, self._senders.doubts(self.bench, subject))

    def plot(self, rule: str, subject: str) -> Plot | None:
        """What shows the worst instant of a finding, once the run is closed."""
        shown = self.pictures.get((rule, subject))
        if shown is None:
            return None
        about = next(s for s in self.subjects[rule] if s.name == subject)
        return drawn(shown, self.bench, self.origin, about.unit or self.rules[rule].unit)

    def add(self, rule: str, outcomes: Sequence[Outcome]) -> None:
        """Take in a rule's answers."""
        for outcome in outcomes:
            self.standings[rule, outcome.subject].add(outcome, self.origin)

    def _finish_segment(self) -> None:
        if self._segment is not None:
            self._segment.finish()
            self._segment = None

    def _alarms(self) -> list[Alarm]:
        raised = []
        for (rule, subject), standing in self.standings.items():
            if standing.first_alarm_ns is not None and (rule, subject) not in self._alarmed:
                self._alarmed.add((rule, subject))
                stops = self.rules[rule].stops
                raised.append(Alarm(rule, subject, standing.first_alarm_ns, stops))
        return raised


class Segment:
    """One stretch of a run with an unbroken clock."""

    def __init__(self, judge: Judge, number: int, start_ns: int) -> None:
        self.number = number
        self._judge, self._bench = judge, judge.bench
        cycles = {role: b.cycle_ns for role, b in self._bench.bindings.items()}
        for binding in self._bench.bindings.values():
            key = f"#{binding.signal.message_key}"
            cycles[key] = binding.cycle_ns or cycles.get(key)
        self._history = History(cycles)
        self._finder = Finder(self._bench)
        self._health = Health(self._bench)
        self._bursts = Bursts(self._bench)
        judge.healths.append(self._health)
        self._states: dict[str, Any] = {
            name: rule.start(self._bench)
            for name, rule in judge.rules.items()
            if rule.window is Window.RUN
        }
        self._start_ns = self._settled_ns = start_ns
        self._wanted: dict[tuple[str, str], Wanted] = {}
        self._drawn: dict[tuple[str, str], object] = {}

    def feed(self, chunk: Chunk) -> None:
        """Judge one chunk of this segment."""
        history, until = self._history, max(chunk.until_ns, self._start_ns)
        for key, times in chunk.arrivals.items():
            history.append(f"#{key}", stamped(times))
        for role, samples in chunk.samples.items():
            history.append(role, samples)
        found = self._finder.feed(chunk.samples, chunk.arrivals, history, until)
        self._judge.happenings.add(found.events)
        piece = self._piece(chunk.frames, dict(chunk.arrivals), until, found.events, found.spans)
        for name in self._states:
            self._states[name], outcomes = self._judge.rules[name].fold(self._states[name], piece)
            self._judge.add(name, outcomes)
        self._close_windows(found.spans, chunk.frames)
        self._start_ns = until
        if until >= self._settled_ns + SETTLE_NS:
            self.settle()

    def settle(self) -> None:
        """Note what only the report shows, for many small pieces at once; then forget the oldest.

        Health and overviews are the same however they are cut, as rules are.
        """
        history, until = self._history, self._start_ns
        new = history.between(self._bench.bindings, self._settled_ns, until)
        for role, samples in new.items():
            self._overview(role, samples)
        self._health.feed(new, history, until)
        self._bursts.follow(self._finder.open_bursts(until), history)
        self._draw(until - KEEP_NS)
        history.forget(until - KEEP_NS)
        self._settled_ns = until

    def finish(self) -> None:
        """Close what is open: windows, states, health."""
        self.settle()
        until = self._start_ns
        spans = self._finder.finish(until)
        self._close_windows(spans, empty_frames())
        piece = self._piece(empty_frames(), {}, until, (), spans)
        for name, state in self._states.items():
            self._judge.add(name, self._judge.rules[name].close(state, piece))
        self._health.finish(self._history, until)
        for name, rule in self._judge.rules.items():
            for subject in self._judge.subjects[name]:
                self._judge.add(name, self._health.stuck(subject.needs, subject.name))
                if rule.window is Window.RUN:
                    self._judge.add(name, self._health.doubts(subject.needs, subject.name))
        for role in self._bench.bindings:
            cycle = self._history.cycle_ms(role)
            if cycle is not None:
                self._judge.learned[role] = cycle
        self._draw(None)

    def _piece(
        self,
        frames: Frames,
        arrivals: dict[str, Int64s],
        until: int,
        events: tuple[Event, ...],
        spans: tuple[Span, ...],
    ) -> Piece:
        # After a clock step nobody knows any more when a mark was made.
        known = () if self.number > 0 else self._judge.marks
        marks = tuple(m for m in known if self._start_ns <= m.time_ns < until)
        return Piece(
            self._bench,
            self._history,
            self._start_ns,
            until,
            self._judge.origin,
            frames,
            arrivals,
            events,
            marks,
            spans,
        )

    def _close_windows(self, spans: Sequence[Span], frames: Frames) -> None:
        judge = self._judge
        for span in spans:
            window = ClosedWindow(self._bench, self._history, span, span.end_ns, judge.origin)
            if span.kind is Window.BURST:
                if len(judge.bursts) < MOST_BURSTS:
                    judge.bursts.append(self._bursts.row(window))
                else:
                    judge.more_bursts += 1
            for name, rule in judge.rules.items():
                if rule.window is span.kind:
                    self._judge_window(name, rule, window)

    def _judge_window(self, name: str, rule: Rule, window: ClosedWindow) -> None:
        judge = self._judge
        outcomes = rule.margins(window)
        for subject in judge.subjects[name]:
            standing = Standing(subject.name)
            mine = [outcome for outcome in outcomes if outcome.subject == subject.name]
            doubts = window_doubts(
                self._bench, self._history, subject.needs, subject.name, window.span
            )
            for outcome in mine:
                standing.add(outcome, judge.origin)
            judge.standings[name, subject.name].merge(standing, doubts)

    def _overview(self, role: str, samples: Samples) -> None:
        judge = self._judge
        if role not in judge.overviews:
            judge.overviews[role] = Overview(judge.origin)
        judge.overviews[role].add(samples)

    def _draw(self, forgotten_ns: int | None) -> None:
        """Copy what the findings need to show before the history forgets it (None: all of it).

        A finding's worst instant may still be outdone, so nothing is copied sooner than it must.
        """
        judge, bench = self._judge, self._bench
        for name, subjects in judge.subjects.items():
            for subject in subjects:
                worst = judge.standings[name, subject.name].worst
                key = (name, subject.name)
                if worst is not None and self._drawn.get(key) is not worst:
                    self._drawn[key] = worst
                    roles = tuple(r for r in subject.shown if r in bench.bindings)[:MOST_TRACES]
                    self._wanted[key] = wanted(worst, roles)
        for key, want in list(self._wanted.items()):
            if forgotten_ns is None or want.from_ns < forgotten_ns:
                judge.pictures[key] = picture(want, self._history)
                del self._wanted[key]


def _first_stamp(chunk: Chunk) -> int:
    stamps = [int(s.time_ns[0]) for s in chunk.samples.values() if len(s)]
    if len(chunk.frames):
        stamps.append(int(chunk.frames.time_ns[0]))
    return min(stamps, default=chunk.until_ns)
