"""Rule ``error-frames``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from canscope.model.bench import Bench
from canscope.model.events import Event
from canscope.model.outcome import Margins, Outcome, Subject, deciding_rows, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import Rule, limit, unjudged
from canscope.model.signals import NEVER
from canscope.model.tables import Bools, Flag, Frames, Int64s
from canscope.rules import RULES
from canscope.rules.shared.direction_changes import WORDS
from canscope.rules.shared.payloads import buses, rows_on

# Bits of an error frame's class (linux/can/error.h). Lost arbitration is ordinary traffic, a
# restart is no fault and counters only come along with another class.
CLASSES = {
    0x001: "TX timeout",
    0x004: "controller state",
    0x008: "protocol violation",
    0x010: "transceiver",
    0x020: "no acknowledge",
    0x040: "bus-off",
    0x080: "bus error",
    0x002: "lost arbitration",
    0x100: "restarted",
}
NO_ACKNOWLEDGE, BUS_OFF = 0x020, 0x040
FAULTS = 0x001 | 0x004 | 0x008 | 0x010 | NO_ACKNOWLEDGE | BUS_OFF | 0x080
CONTROLLER, BACK_TO_ACTIVE = 0x004, 0x40  # of data[1]: the error counters have fallen again
APART_NS = 1 * S  # error frames closer than this make one burst; common practice, no source
FOLLOWS_NS = 2 * S  # what happened longer before it is not named; common practice, no source
TOGETHER_NS = S // 2  # of what happened this close, a bus's own unit is named; no source
MOST = 4096  # stamps kept of one window; more are counted as so many
MS = 10**6


@dataclass(frozen=True)
class Errors:
    """What is known of one bus so far."""

    heard: bool = False  # any frame at all
    counts: tuple[int, ...] = (0,) * len(CLASSES)
    recent_ns: tuple[int, ...] = ()  # of the errors in the last window
    last_ns: int = int(NEVER)  # the last error
    bursts: int = 0
    after: str = ""  # what the present burst follows
    as_turned: bool = False  # it follows the start of a unit's turning


@dataclass(frozen=True)
class State:
    """All buses, and the last events in the vehicle (several if they came together)."""

    buses: Mapping[str, Errors] = field(default_factory=dict)
    happened: tuple[Event, ...] = ()


@RULES.add("error-frames")
@dataclass(frozen=True, kw_only=True)
class ErrorFrames(Rule):
    """No node goes off the bus, and error frames stay rare; they are told by class and burst.

    Judged
        For each bus, at every recorded error frame of a class that means a fault (all but lost
        arbitration, restarts, and a controller that is back to normal): how many came within
        ``within_s``; bus-off fails by itself. The sentence tells how many there were of each class
        until then, in how many bursts (more than 1 s apart), and what the latest burst follows, if
        something happened within 2 s before it: a contactor switched, a direction was entered, the
        ignition was switched on, a unit started turning.
    Margin
        ``limit_count`` minus the number of error frames within ``within_s``; minus one for each
        bus-off.
    Unproven
        No error frame was recorded: that proves nothing unless it is known that the recorder keeps
        them (inferred). Nothing of the bus was recorded (not-seen).
    """

    limit_count: int = limit(10, "frame", high=100.0, looser="higher")
    within_s: float = limit(10.0, "s", low=1.0, high=100.0, looser="lower")

    unit: ClassVar[str] = "frame"
    limit_parameter: ClassVar[str] = "limit_count"
    says: ClassVar[dict[str, str]] = {
        "pass": "no node went off the bus: {what}; most error frames at once",
        "fail": "{fault}: {what}; error frames",
    }
    codes: ClassVar[tuple[str, ...]] = ("bus-off", "as-a-unit-turned", "no-acknowledge")
    exercise: ClassVar[str] = "record with error frames switched on in the recorder"
    causes: ClassVar[tuple[str, ...]] = (
        "a terminating resistor is missing, or there is one too many",
        "high-voltage or motor cables couple into the bus: shields, routing, ground",
        "a node has another bit rate or sample point than the rest",
        "a unit is alone on the bus and nobody acknowledges its frames",
    )
    next: ClassVar[str] = "with all power off, measure 60 ohm between the two bus wires"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every bus of the plan."""
        return [Subject(channel) for channel in buses(bench)]

    def start(self, bench: Bench) -> State:
        return State({channel: Errors() for channel in buses(bench)})

    def fold(self, state: State, piece: Piece) -> tuple[State, Sequence[Outcome]]:
        """Judge the error frames of this piece."""
        frames, found = piece.frames, list[Outcome]()
        happened = [*state.happened, *_happened(piece)]
        after = dict(state.buses)
        wrong = np.flatnonzero(frames.flags & Flag.ERROR)
        for channel, errors in state.buses.items():
            if not errors.heard and len(rows_on(frames, channel)):
                after[channel] = errors = Errors(heard=True)
            rows = (
                wrong[frames.channel[wrong] == frames.channels.index(channel)]
                if (len(wrong) and channel in frames.channels)
                else wrong[:0]
            )
            if len(rows):
                near = _Near(happened, _units_on(piece.bench, channel))
                after[channel], rows_found = self._bus(channel, errors, frames, rows, near)
                found += rows_found
        return State(after, tuple(_latest(happened))), found

    def _bus(
        self,
        channel: str,
        errors: Errors,
        frames: Frames,
        rows: Int64s,
        happened: _Near,
    ) -> tuple[Errors, list[Outcome]]:
        times, kinds = frames.time_ns[rows], frames.can_id[rows]
        bad = _faults(frames, rows)
        recent = np.concatenate((np.array(errors.recent_ns, np.int64), times[bad]))
        width_ns = round(self.within_s * S)
        upto = np.searchsorted(recent, times, "right")
        count = np.minimum(upto - np.searchsorted(recent, times - width_ns, "right"), MOST)
        before = np.concatenate((np.array([errors.last_ns], np.int64), times[:-1]))
        begins = times - before > APART_NS
        off = np.flatnonzero(kinds & BUS_OFF)
        chosen = deciding_rows(self.limit_count - count.astype(np.float64))
        so_far = _SoFar(errors, times, kinds, begins, happened)
        found: list[Outcome] = [
            self._row(channel, so_far, int(row), int(count[row])) for row in chosen
        ]
        for row in off[[0, -1]] if len(off) else ():
            found.append(_bus_off(channel, so_far, int(row)))
        last = len(times) - 1
        keep = recent[np.searchsorted(recent, times[-1] - width_ns, "right") :][-MOST:]
        after = Errors(
            True,
            so_far.counts(last),
            tuple(keep.tolist()),
            int(times[-1]),
            so_far.bursts(last),
            *so_far.after(last),
        )
        return after, found

    def _row(self, channel: str, so_far: _SoFar, row: int, count: int) -> Margins:
        return margins(
            channel,
            so_far.times[row],
            float(self.limit_count - count),
            measured=count,
            limit=self.limit_count,
            start_ns=so_far.times[row] - round(self.within_s * S),
            code=so_far.code(row),
            what=so_far.what(row),
            fault=f"too many error frames within {self.within_s:g} s",
        )

    def close(self, state: State, piece: Piece) -> Sequence[Outcome]:
        """Buses without any error frame."""
        none = "no error frame was recorded, and whether the recorder keeps them is not known"
        return [
            unjudged(channel, "inferred", none)
            if errors.heard
            else unjudged(channel, "not-seen", "nothing of this bus was recorded")
            for channel, errors in state.buses.items()
            if errors.last_ns == NEVER
        ]


@dataclass(frozen=True)
class _Near:
    """What happened in the vehicle, as seen from one bus."""

    events: Sequence[Event]
    units: frozenset[str]  # those that speak on this bus

    def before(self, time_ns: int) -> Event | None:
        """The last event by then; of several together, the start of this bus's own unit."""
        latest = _latest([event for event in self.events if event.known_ns <= time_ns])
        return max(latest, key=lambda e: (self._own(e), e.known_ns), default=None)

    def _own(self, event: Event) -> bool:
        return event.kind == "burst-start" and event.subject in self.units


def _latest(events: Sequence[Event]) -> list[Event]:
    """The last event, and those that became known together with it."""
    last_ns = max((event.known_ns for event in events), default=0)
    return [event for event in events if last_ns - event.known_ns <= TOGETHER_NS]


def _units_on(bench: Bench, channel: str) -> frozenset[str]:
    speeds = {unit.name: bench.bindings.get(unit.role("speed")) for unit in bench.units}
    return frozenset(
        name for name, speed in speeds.items() if speed and speed.key.startswith(f"{channel}:")
    )


class _SoFar:
    """What is known of a bus at each of its new error frames, looking back only."""

    def __init__(
        self,
        errors: Errors,
        times: Int64s,
        kinds: NDArray[np.uint32],
        begins: Bools,
        happened: _Near,
    ) -> None:
        self.errors, self.times, self.kinds = errors, times, kinds
        self.begins, self.happened = begins, happened

    def counts(self, row: int) -> tuple[int, ...]:
        """Error frames of each class up to this one."""
        kinds = self.kinds[: row + 1]
        now = (int(np.count_nonzero(kinds & bit)) for bit in CLASSES)
        return tuple(old + new for old, new in zip(self.errors.counts, now, strict=True))

    def bursts(self, row: int) -> int:
        """Bursts that had begun by then."""
        return self.errors.bursts + int(np.count_nonzero(self.begins[: row + 1]))

    def after(self, row: int) -> tuple[str, bool]:
        """What the burst that this frame belongs to follows, and whether a unit began to turn."""
        starts = np.flatnonzero(self.begins[: row + 1])
        if not len(starts):
            return self.errors.after, self.errors.as_turned
        begun_ns = int(self.times[starts[-1]])
        last = self.happened.before(begun_ns)
        if last is None or begun_ns - last.time_ns > FOLLOWS_NS:
            return "", False
        text = f"began {(begun_ns - last.time_ns) / MS:.0f} ms after {_named(last)}"
        return text, last.kind == "burst-start"

    def code(self, row: int) -> str:
        """What points at the cause of too many errors, the strongest sign first."""
        if self.after(row)[1]:
            return "as-a-unit-turned"
        return "no-acknowledge" if self.counts(row)[list(CLASSES).index(NO_ACKNOWLEDGE)] else ""

    def what(self, row: int) -> str:
        """Classes, bursts and what the burst follows, in words."""
        counts = zip(CLASSES.values(), self.counts(row), strict=True)
        text = ", ".join(f"{name} {count}" for name, count in counts if count) or "other"
        bursts = self.bursts(row)
        text += f", in {bursts} burst{'s' if bursts > 1 else ''}"
        follows, _ = self.after(row)
        return text + (f", the latest of which {follows}" if follows else "")


def _faults(frames: Frames, rows: Int64s) -> Bools:
    """Which error frames report a fault."""
    kinds = frames.can_id[rows]
    back = (kinds & FAULTS) == CONTROLLER
    back &= (frames.data[rows] >> np.uint64(8) & np.uint64(0xFF)) == BACK_TO_ACTIVE
    return np.asarray(((kinds & FAULTS) != 0) & ~back)


def _bus_off(channel: str, so_far: _SoFar, row: int) -> Margins:
    number = so_far.counts(row)[list(CLASSES).index(BUS_OFF)]
    return margins(
        channel,
        so_far.times[row],
        -float(number),
        measured=number,
        limit=0.0,
        code="bus-off",
        what=so_far.what(row),
        fault="a node went off the bus",
    )


def _happened(piece: Piece) -> list[Event]:
    """Events that a burst of errors may follow."""
    return [
        event
        for event in piece.events
        if event.kind in ("pole", "direction", "burst-start")
        or (event.kind == "ignition" and event.value == 1)
    ]


def _named(event: Event) -> str:
    if event.kind == "pole":
        name = event.subject.replace("precharge", "pre-charge")
        return f"the {name} contactor {'closed' if event.value == 1 else 'opened'}"
    if event.kind == "direction":
        return f"{WORDS[event.value]} was requested"
    if event.kind == "burst-start":
        return f"the {event.subject} unit started turning"
    return "the ignition was switched on"
