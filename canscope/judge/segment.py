"""One segment of a run: a stretch of unbroken clock, judged slice by slice."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from canscope.events.finder import Finder
from canscope.judge.bursts import Bursts
from canscope.judge.exhibits import Exhibits
from canscope.judge.ledger import Ledger
from canscope.judge.time_slice import TimeSlice
from canscope.model.bench import Bench, Mark
from canscope.model.events import Event, Span, Window
from canscope.model.history import KEEP_NS, History, stamped
from canscope.model.piece import ClosedWindow, Piece
from canscope.model.tables import Frames, Int64s, empty_frames
from canscope.trust.high_voltage import pole_word
from canscope.trust.high_voltage.closes_asleep import ClosesAsleep
from canscope.trust.high_voltage.flows import Flows
from canscope.trust.high_voltage.obeys import Obeys
from canscope.trust.high_voltage.unloaded import Unloaded
from canscope.trust.movement.dead_bit import DeadBits
from canscope.trust.movement.sighted import Sighted
from canscope.trust.movement.stopped import Stopped
from canscope.trust.movement.to_and_fro import ToAndFro
from canscope.trust.movement.zero_point import ZeroPoint
from canscope.trust.role_health import window_doubts
from canscope.trust.samples.clock_alignment import AFTER_NS, REACH_NS
from canscope.trust.samples.restart import Restarts
from canscope.trust.samples.tenths import Tenths
from canscope.trust.shaft.pushed import Pushed
from canscope.trust.sources import same_frames
from canscope.trust.sources.feet import Feet
from canscope.trust.sources.same_sensor import Sensors

SETTLE_NS = 2 * 10**9  # what only the report shows may lag so far behind


class Segment:
    """Hands every slice to every rule; enters the answers in the ledger.

    It owns what lives no longer than the segment: the history, the events finder, the states of
    run rules.
    """

    def __init__(self, number: int, start_ns: int, ledger: Ledger, exhibits: Exhibits) -> None:
        self.number = number
        self._ledger, self._exhibits, self._bench = ledger, exhibits, ledger.bench
        self._history = History(_cycles(ledger.bench), ledger.bench.bound_messages.values())
        self._finder = Finder(self._bench)
        self._health = ledger.begin_segment()
        self._bursts = Bursts(self._bench)
        self._same = same_frames.begin(self._bench)
        self._restarts = Restarts(self._bench)
        self._sensors = Sensors(self._bench, start_ns)
        self._stopped = Stopped(self._bench)
        self._dead_bits = DeadBits(self._bench)
        self._obeys = Obeys(self._bench)
        self._closes_asleep = ClosesAsleep(self._bench)
        self._to_and_fro = ToAndFro(self._bench)
        self._feet = Feet(self._bench)
        self._sighted = Sighted(self._bench)
        self._zero_point = ZeroPoint(self._bench, start_ns)
        self._tenths = Tenths(self._bench, start_ns)
        self._unloaded, self._flows = Unloaded(self._tenths), Flows(self._tenths)
        self._pushed = Pushed(self._tenths)
        self._states: dict[str, Any] = {
            name: rule.start(self._bench)
            for name, rule in ledger.rules.items()
            if rule.window is Window.RUN or rule.follows
        }
        self._rises: list[int] = []  # of links, around which clocks are not compared yet
        self._start_ns = self._settled_ns = start_ns

    def feed(self, time_slice: TimeSlice, marks: Sequence[Mark]) -> None:
        """Judge one slice of this segment.

        It is cut where a node may have restarted: whether it did follows from all that lies before.
        """
        for one in self._restarts.returns(time_slice.arrivals, time_slice.samples):
            if not self._restarts.may_be(one, time_slice.samples, self._history):
                continue
            early, time_slice = time_slice.cut(one.back_ns)
            self._feed(early, marks)
            if self._restarts.decide(one, time_slice.samples, self._history):
                event = Event("restart", one.node, one.back_ns, one.last_ns, one.back_ns)
                self._exhibits.events.add([event])
                self._ledger.note_restart(event)
        self._feed(time_slice, marks)

    def _feed(self, time_slice: TimeSlice, marks: Sequence[Mark]) -> None:
        history, until = self._history, max(time_slice.until_ns, self._start_ns)
        for key, times in time_slice.arrivals.items():
            history.append(f"#{key}", stamped(times))
        counting = self._restarts.counting(time_slice.samples)
        for role, samples in counting.items():
            history.append(role, samples)
        found = self._finder.feed(counting, time_slice.arrivals, history, until)
        self._restarts.follow(found.events)
        self._exhibits.events.add(found.events)
        windows = self._windows(found.spans)
        self._align_by_links(found.events, until)
        self._align(windows)
        piece = self._piece(
            time_slice.frames,
            dict(time_slice.arrivals),
            until,
            found.events,
            tuple(mark for mark in marks if self._start_ns <= mark.time_ns < until),
            found.spans,
        )
        for name in self._states:
            self._states[name], outcomes = self._ledger.rules[name].fold(self._states[name], piece)
            self._ledger.add(name, outcomes)
        self._same = same_frames.compare(self._same, piece)
        self._sighted.add(piece.marks)
        self._judge_windows(windows)
        self._start_ns = until
        if until >= self._settled_ns + SETTLE_NS:
            self.settle()

    def settle(self) -> None:
        """Note what only the report shows, for many small slices at once; forget the oldest.

        Health and exhibits are the same however the run is cut, as rules are.
        """
        history, until = self._history, self._start_ns
        new = history.between(self._bench.bindings, self._settled_ns, until)
        self._exhibits.add_samples(new, self._ledger)
        self._health.feed(new, history, until)
        self._sensors.feed(history, until)
        self._ledger.echo.feed(new, history)
        self._ledger.feedback.note(self._stopped.feed(new, history))
        self._dead_bits.feed(new)
        self._ledger.feedback.note(self._obeys.feed(new, history))
        self._ledger.feedback.note(self._closes_asleep.feed(new, history))
        self._ledger.feedback.note(self._to_and_fro.feed(new))
        self._feet.feed(new)
        self._ledger.feedback.note(self._sighted.feed(history, until))
        self._ledger.feedback.note(self._zero_point.feed(history, until))
        if self._tenths.feed(history, until):
            self._unloaded.feed()
            self._flows.feed()
            self._pushed.feed(history)
        self._bursts.follow(self._finder.open_bursts(until), history)
        self._exhibits.copy_curves(self._ledger, history, until - KEEP_NS)
        history.forget(until - KEEP_NS)
        self._settled_ns = until

    def finish(self) -> None:
        """Close what is open: windows, states, health."""
        self.settle()
        ledger, until = self._ledger, self._start_ns
        spans = self._finder.finish(until)
        windows = self._windows(spans)
        self._align(windows)
        self._judge_windows(windows)
        piece = self._piece(empty_frames(), {}, until, (), (), spans)
        for name, state in self._states.items():
            ledger.add(name, ledger.rules[name].close(state, piece))
        self._health.finish(self._history, until)
        self._sensors.finish(self._history, until)
        ledger.feedback.note(self._stopped.finish(self._history))
        self._pushed.close(self._history)
        for by_tenths in (self._unloaded, self._flows, self._pushed):
            ledger.feedback.note(by_tenths.finish(ledger.alignment))
        ledger.feedback.note(self._dead_bits.finish())
        ledger.feedback.note(self._feet.finish())
        ledger.feedback.note(self._zero_point.finish())
        ledger.add_twins(same_frames.doubted(self._same, self._bench), "same-bus")
        ledger.add_twins(self._sensors.doubted(), "same-sensor")
        for name, rule in ledger.rules.items():
            for subject in ledger.subjects[name]:
                stuck = self._health.stuck(subject.needs, subject.name, ledger.alignment)
                ledger.add(name, stuck)
                worst = ledger.standings[name, subject.name].worst
                ledger.add(name, self._health.hidden(rule, subject, worst))
                if rule.window is Window.RUN:
                    ledger.add(name, self._health.doubts(subject.needs, subject.name))
        cycles = {role: self._history.cycle_ms(role) for role in self._bench.bindings}
        ledger.add_cycles({role: ms for role, ms in cycles.items() if ms is not None})
        self._exhibits.copy_curves(ledger, self._history, None)

    def _piece(
        self,
        frames: Frames,
        arrivals: dict[str, Int64s],
        until: int,
        events: tuple[Event, ...],
        marks: tuple[Mark, ...],
        spans: tuple[Span, ...],
    ) -> Piece:
        return Piece(
            self._bench,
            self._history,
            self._start_ns,
            until,
            self._ledger.origin,
            frames,
            arrivals,
            events,
            marks,
            spans,
            dict(self._restarts.starting),
        )

    def _windows(self, spans: Sequence[Span]) -> list[ClosedWindow]:
        return [
            ClosedWindow(self._bench, self._history, span, span.end_ns, self._ledger.origin)
            for span in spans
        ]

    def _align_by_links(self, events: Sequence[Event], until_ns: int) -> None:
        """Where no contactor is bound: compare clocks around each rise of a link, once it is over.

        Link and pack current show how those of their buses lie.
        """
        self._rises += [e.time_ns for e in events if e.kind == "link" and e.value == 1]
        due = [at for at in self._rises if at + AFTER_NS <= until_ns]
        self._rises = [at for at in self._rises if at not in due]
        spans = [
            Span(Window.ATTEMPT, "", 0, at - REACH_NS, at + AFTER_NS, at + AFTER_NS) for at in due
        ]
        for window in self._windows(spans):
            self._ledger.alignment.add(window)

    def _align(self, windows: Sequence[ClosedWindow]) -> None:
        """Look at what the windows that have closed say of clocks and readings, before rules do."""
        ledger = self._ledger
        for window in windows:
            if window.span.kind is Window.ATTEMPT:
                ledger.alignment.add(window)
            elif window.span.kind is Window.OPENING:
                ledger.alignment.add_falls(window, pole_word.falls(window))
            ledger.feedback.add(window, ledger.alignment)

    def _judge_windows(self, windows: Sequence[ClosedWindow]) -> None:
        """Hand every window that has closed to the rules of its kind."""
        ledger = self._ledger
        for window in windows:
            span = window.span
            if span.kind is Window.BURST:
                self._exhibits.add_burst(self._bursts.row(window))
            for name, rule in ledger.rules.items():
                if rule.window is span.kind:
                    outcomes = rule.margins(window)
                    for subject in ledger.subjects[name]:
                        doubts = window_doubts(
                            self._bench, self._history, subject.needs, subject.name, span
                        )
                        ledger.add_window(name, subject.name, outcomes, doubts)


def _cycles(bench: Bench) -> dict[str, int | None]:
    """The stated cycle in ns of every role, and of every bound message under "#key"."""
    cycles = {role: binding.cycle_ns for role, binding in bench.bindings.items()}
    for binding in bench.bindings.values():
        key = f"#{binding.signal.message_key}"
        cycles[key] = binding.cycle_ns or cycles.get(key)
    return cycles
