"""What the capture says about signals: how they behave when high voltage comes up, and turning."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from canscope.draft.facts import MessageFacts, SignalFacts
from canscope.model.tables import Floats
from canscope.plan.mistakes import Unusable
from canscope.plan.units import SPELLINGS, conversion, missing

S = 10**9
FAR = 1e30  # a float as far out as this is no reading of anything
HIGH_V = (100.0, 1200.0)
LOW_V = (5.0, 36.0)
NEAR_S = 4.0  # a pole is opened within that time of the link falling


@dataclass(frozen=True, eq=False)
class Candidate:
    """One signal of one bus, as far as roles look at it."""

    channel: str
    message: MessageFacts
    facts: SignalFacts
    end_ns: int

    @property
    def key(self) -> str:
        """``channel:Message.Signal``."""
        return self.facts.spec.key

    @cached_property
    def dims(self) -> dict[str, tuple[float, float]] | None:
        """Unit of roles -> factor and offset into it; None where the definition has no unit."""
        unit = self.facts.spec.unit
        if missing(unit):
            return None
        found = {}
        for target in SPELLINGS:
            try:
                turn = conversion(unit, target)
            except Unusable:
                continue
            found[target] = (turn.factor, turn.offset)
        return found

    def range_in(self, unit: str) -> tuple[float, float]:
        """Least and greatest value in a unit; its own values where it has none."""
        factor, offset = (self.dims or {}).get(unit, (1.0, 0.0))
        ends = sorted((self.facts.least * factor + offset, self.facts.greatest * factor + offset))
        return ends[0], ends[1]

    @cached_property
    def course(self) -> Floats:
        """Its value at evenly spaced instants of the run, as last known."""
        held = self.facts.course.held(self.end_ns)
        return np.where(np.abs(held) < FAR, held, np.nan)

    @cached_property
    def is_number(self) -> bool:
        """Whether its values are amounts: it has a unit, or too many codes for a state."""
        spec = self.facts.spec
        return (
            not missing(spec.unit)
            or spec.is_float
            or (spec.length_bits > 4 and not spec.labels and not self.is_counter)
        )

    @cached_property
    def is_state(self) -> bool:
        """Whether it may be a state or a choice of few."""
        spec, codes = self.facts.spec, self.facts.codes
        few = codes is not None and len(codes) <= 8
        plain = missing(spec.unit) and not spec.is_float and spec.length_bits <= 8
        return bool(plain and few and (spec.factor, spec.offset) == (1, 0) and not self.is_counter)

    @cached_property
    def is_counter(self) -> bool:
        """Whether its raw code goes up by one with nearly every frame."""
        facts = self.facts
        return facts.count > 8 and facts.steps_of_one >= 0.9 * (facts.count - 1)


class Picture:
    """The run as the voltages show it: when the link rose, was full and fell; and what turned."""

    def __init__(self, candidates: Sequence[Candidate]) -> None:
        self.candidates = candidates
        self.end_ns = candidates[0].end_ns if candidates else 0
        self.links = [c for c in candidates if self._swing(c) > 0.7]
        tops = [float(self._volts(c).max()) for c in self.links]
        self.top_V = float(np.median(tops or [np.nan]))

    def _volts(self, one: Candidate) -> Floats:
        factor, offset = (one.dims or {}).get("V", (1.0, 0.0))
        volts = one.course * factor + offset
        return np.asarray(volts[~np.isnan(volts)])

    def _may_be_voltage(self, one: Candidate) -> bool:
        if not one.is_number or not (one.dims is None or "V" in one.dims):
            return False
        low, high = one.range_in("V")
        return bool(HIGH_V[0] <= high <= HIGH_V[1] and low > -20)

    def _swing(self, one: Candidate) -> float:
        """How much it behaves like a link: from nothing to a steady top and perhaps back."""
        if not self._may_be_voltage(one):
            return 0.0
        volts = self._volts(one)
        if not len(volts):
            return 0.0
        low, top = float(volts.min()), float(volts.max())
        at_top = float((volts > 0.9 * top).mean())
        at_end = float(((volts > 0.9 * top) | (volts < 0.25 * top)).mean())
        if low > 0.25 * top or at_top < 0.1:
            return 0.0
        # A link is at its top or near nothing, but for its short ways up and down.
        return 1.0 if at_end > 0.85 else 0.5

    def pack_voltage(self, one: Candidate) -> float:
        """From -1 to 1: high and steady all the time."""
        if not self._may_be_voltage(one):
            return -1.0
        volts = self._volts(one)
        steady = float(volts.min(initial=np.inf) / max(volts.max(initial=1.0), 1.0))
        if steady < 0.7:
            return -0.8
        near = np.isnan(self.top_V) or abs(volts.max() / self.top_V - 1) < 0.1
        return 0.9 if near and one.facts.changes else 0.3 if near else -0.3

    def link_voltage(self, one: Candidate) -> float:
        """From -1 to 1: comes up to the pack's voltage, stays there and goes away."""
        if not self._may_be_voltage(one):
            return -1.0
        swing = self._swing(one)
        if swing > 0.7:
            return 1.0
        return swing if swing else (0.0 if not self.links else -0.5)

    def supply_voltage(self, one: Candidate) -> float:
        """From -1 to 1: what a 12 or 24 V supply may have."""
        if not one.is_number or not (one.dims is None or "V" in one.dims):
            return -1.0
        low, high = one.range_in("V")
        return 0.8 if LOW_V[0] <= low and 9.0 <= high <= LOW_V[1] else -0.8

    @cached_property
    def _steps_ns(self) -> Floats:
        return (
            np.arange(len(self.candidates[0].course)) * self.end_ns / len(self.candidates[0].course)
        )

    @cached_property
    def rises(self) -> list[tuple[int, int, int | None]]:
        """For each coming up of the link: from when, full from when, gone from its top when."""
        if not self.links:
            return []
        link = max(self.links, key=lambda c: c.facts.count)
        volts = np.nan_to_num(link.course * (link.dims or {}).get("V", (1.0, 0.0))[0])
        top = volts.max()
        full = volts > 0.93 * top
        starts = np.flatnonzero(full & ~np.concatenate([[False], full[:-1]]))
        found: list[tuple[int, int, int | None]] = []
        for start in starts.tolist():
            below = np.flatnonzero(volts[:start] < 0.05 * top)
            if not len(below) or (found and found[-1][1] >= self.instant(below[-1])):
                continue
            after = np.flatnonzero(~full[start:])
            gone = [row for row in after if (volts[start + row :] < 0.9 * top)[:3].all()]
            fall = self.instant(start + int(gone[0])) if gone else None
            found.append((self.instant(int(below[-1])), self.instant(start), fall))
        return found

    def instant(self, row: int) -> int:
        """When a row of a course is, in ns from the first frame."""
        return int(self._steps_ns[row])

    def pole(self, one: Candidate, pole: str) -> float:
        """From -1 to 1: closes and opens when this contactor has to."""
        if not self.rises or not one.is_state:
            return 0.0
        edges = one.facts.edges
        if len(edges) < 2:
            return -0.6
        start, full, fall = self.rises[0]
        times = [time for time, _ in edges[1:]]
        slack = max(int(0.3 * S), 2 * (one.message.cycle_ns or 0))
        codes = {code for _, code in edges}
        # A box that woke before it had something to say may begin with another code.
        if len(codes) > 3:
            return -0.8
        first = times[0]
        if pole == "precharge":
            back = [time for time in times[1:] if time > full - slack]
            near = start - 3 * slack <= first <= start + 2 * slack
            short = bool(back) and back[0] < full + 4 * S and edges[0][1] == code_at(edges, back[0])
            return 1.0 if near and short else -0.6
        gone = fall if fall is not None else self.end_ns
        opened = times[1:]
        held = not opened or (
            opened[0] > gone - NEAR_S * S - slack and opened[0] <= gone + NEAR_S * S + slack
        )
        if fall is not None and not opened:
            held = False
        if pole == "positive":
            near = full - 2 * slack <= first <= full + 4 * S and first > start + slack // 3
            return 1.0 if near and held else -0.6
        near = start - 2.5 * S <= first <= start + slack // 2
        return 0.9 if near and held else -0.6

    def ignition(self, one: Candidate) -> float:
        """From -1 to 1: on before the link comes up, off once it has gone."""
        if not self.rises or not one.is_state:
            return 0.0
        times = [time for time, _ in one.facts.edges[1:]]
        if not times:
            return 0.0
        start, _, _ = self.rises[0]
        fall = self.rises[-1][2] or self.end_ns
        before = times[0] <= start and (len(times) == 1 or times[1] >= fall)
        after = len(times) == 1 and times[0] >= fall
        return 0.6 if (before or after) and len(times) <= 2 else -0.4

    @cached_property
    def speeds(self) -> list[Candidate]:
        """Signals that turn and come to rest; those without a unit only beside a torque."""
        torques = [c for c in self.candidates if c.dims and "Nm" in c.dims]
        found = []
        for one in self.candidates:
            if one.dims is None:
                beside = [c for c in torques if c.channel == one.channel]
                if turns(one) > 0.3 and self.alike(one, beside) > 0.5:
                    found.append(one)
            elif "rpm" in one.dims and turns(one) > 0.3:
                found.append(one)
        return found

    def direction(self, one: Candidate) -> float:
        """From -1 to 1: one code while a unit turns one way, another while it turns the other."""
        codes = one.facts.codes or {}
        if not one.is_state or one.facts.spec.length_bits < 2 or len(codes) < 2:
            return -0.5 if len(codes) > 8 or one.facts.spec.length_bits < 2 else 0.0
        best = 0.0
        for speed in self.speeds:
            codes_now, rpm = np.nan_to_num(one.course, nan=-1.0), np.nan_to_num(speed.course)
            fast = 0.3 * np.abs(rpm).max()
            ways = [codes_now[rpm > fast], codes_now[rpm < -fast]]
            if not all(len(way) for way in ways):
                continue
            usual = [float(np.median(way)) for way in ways]
            pure = min(float((way == code).mean()) for way, code in zip(ways, usual, strict=True))
            told_apart = usual[0] != usual[1] and pure > 0.85
            best = max(best, 1.0) if told_apart else min(best, -0.6)
        return best

    def brake(self, one: Candidate, directions: Sequence[Candidate]) -> float:
        """From -1 to 1: pressed whenever the direction changes, released while a unit turns."""
        codes = one.facts.codes or {}
        if not one.is_state or len(codes) != 2:
            return -0.3 if len(codes) > 3 else 0.0
        for direction in directions:
            changes = [time for time, _ in direction.facts.edges[1:]]
            if direction is one or not changes:
                continue
            then = {code_at(one.facts.edges, time) for time in changes}
            turning = {
                code_at(one.facts.edges, int(self._steps_ns[row]))
                for speed in self.speeds
                for row in np.flatnonzero(
                    np.abs(np.nan_to_num(speed.course)) > 0.6 * _most(speed.course)
                )[::8]
            }
            if len(then) == 1 and turning and not then & turning:
                return 1.0
            return -0.4
        return 0.0

    def charges_positive(self, current: Candidate) -> bool:
        """Whether a current was negative while the units drove, so that its sign may be turned."""
        amps = np.nan_to_num(current.course)
        amps = amps * (current.dims or {}).get("A", (1.0, 0.0))[0]
        size = np.zeros(len(amps))
        for speed in self.speeds:
            size = np.maximum(size, np.abs(np.nan_to_num(speed.course)) / _most(speed.course))
        driven = amps[size > 0.5] - np.median(amps)
        return bool(len(driven) and np.median(driven) < -1.0)

    def ways(self, direction: Candidate) -> Iterator[str]:
        """In words, which code a direction had while each unit turned which way."""
        for speed in self.speeds:
            codes, turning = direction.course, np.nan_to_num(speed.course)
            fast = 0.5 * _most(turning)
            for rows, sign in ((turning > fast, "positive"), (turning < -fast, "negative")):
                if rows.any():
                    code = int(np.nanmedian(codes[rows]))
                    yield f"{code} while {speed.key} was {sign}"

    def alike(self, one: Candidate, others: Sequence[Candidate]) -> float:
        """The greatest correlation of its size with the size of one of these."""
        mine = np.abs(_scaled(one.course - np.nanmedian(one.course)))
        sizes = [np.abs(other.course) for other in others if other is not one]
        return max((likeness(mine, size) for size in sizes), default=0.0)


def likeness(one: Floats, other: Floats) -> float:
    """The correlation of two courses from -1 to 1; 0 where one of them is constant."""
    mine, theirs = _scaled(one), _scaled(other)
    if mine.std() < 1e-12 or theirs.std() < 1e-12:
        return 0.0
    return float(np.corrcoef(mine, theirs)[0, 1])


def _scaled(course: Floats) -> Floats:
    """Values up to 1, so that no square overflows; what is not known or infinite is 0."""
    finite = np.nan_to_num(course, posinf=0.0, neginf=0.0)
    return finite / max(float(np.abs(finite).max(initial=0.0)), 1e-300)


def _most(course: Floats) -> float:
    return float(np.nanmax(np.abs(course), initial=0.0))


def code_at(edges: Sequence[tuple[int, int]], time_ns: int) -> int:
    """The code that held at an instant."""
    code = edges[0][1]
    for time, new in edges:
        if time > time_ns:
            break
        code = new
    return code


def turns(one: Candidate) -> float:
    """From -1 to 1: it stands for a good part of the run and moves in between."""
    low, high = one.range_in("rpm")
    if not one.is_number or one.facts.count == 0 or max(abs(low), abs(high)) > 40_000:
        return -1.0
    size = np.abs(np.nan_to_num(one.course))
    most = size.max()
    if most == 0 or max(abs(low), abs(high)) < 30:
        return 0.0
    rests = float((size < 0.1 * most).mean())
    return 0.8 if 0.2 < rests < 0.99 else -0.2
