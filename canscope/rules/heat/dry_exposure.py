"""Rule ``dry-exposure``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from canscope.model.bench import Bench, DriveUnit
from canscope.model.events import Event
from canscope.model.outcome import Doubt, Margins, Outcome, Subject, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import CardStep, Rule, limit
from canscope.model.signals import NEVER
from canscope.model.tables import Int64s
from canscope.rules import RULES
from canscope.rules.shared.persistence import fresh, kept_up, recent
from canscope.rules.shared.powered import powered

# All common practice, no source.
SLOW_RPM = 20.0  # a unit turns, though it makes no burst; a resolver at rest reads up to 15 rpm
KEPT_NS = 3 * S // 10  # for which it does so at least
PAUSE_S = 1.0  # a stretch goes on over shorter pauses, as a burst does


@dataclass(frozen=True)
class Exposure:
    """How long one unit has turned dry so far."""

    start: Event | None = None  # of the burst that runs
    end: Event | None = None  # of the last finished burst
    bursts: int = 0
    total_s: float = 0.0  # of finished bursts, and of earlier runs
    total_u_s: float = 0.0
    slow_ns: tuple[int, int] = (0, -2 * S)  # first and last sample of turning below a burst
    slow_s: float = 0.0  # of the stretches of that which are over


@RULES.add("dry-exposure")
@dataclass(frozen=True, kw_only=True)
class DryExposure(Rule):
    """While coolant or oil is empty, each unit turns only as long, and as often, as agreed.

    Judged
        For each unit, on every speed sample while it turns (coasting counts): the length of the
        burst so far, and the total turning time, summed with the earlier runs of the build record.
        At the start of each burst: the pause since the end of the one before. At its end: its
        whole length. In power-up nothing shall turn: any burst fails. A unit that could drive and
        turns by 20 rpm and more, too slowly for a burst, runs its gears dry as well: such a stretch
        fails once it is longer than ``burst_s``, and all those above 1 s together once they are
        longer than ``total_s``.
    Margin
        ``burst_s`` minus the length, ``total_s`` minus the total, the pause minus ``pause_s``, in
        s. Uncertainty: the sample intervals in which starts and ends lie, and the clock. Those
        limits that the plan does not give are not judged.
    Unproven
        The plan gives none of the three limits (no-limit); the unit never turned, or still turned
        when the recording ended (not-exercised), or turned already when it began (inferred): then
        only what was recorded is known, which can fail and cannot pass; a total is to be kept and
        an earlier run cannot be counted (capture-damaged).
    """

    burst_s: float | None = limit(
        None,
        "s",
        low=0.1,
        high=120.0,
        note="of the longest burst",
        example=5,
        also="dry_burst_s",
        looser="higher",
    )
    total_s: float | None = limit(
        None,
        "s",
        low=0.1,
        high=1800.0,
        note="of all bursts of a unit together",
        example=60,
        also="dry_total_s",
        looser="higher",
    )
    pause_s: float | None = limit(
        None,
        "s",
        high=3600.0,
        note="of the shortest pause between bursts",
        example=20,
        also="dry_pause_s",
        looser="lower",
    )

    unit: ClassVar[str] = "s"
    timed: ClassVar[bool] = True
    required_in: ClassVar[frozenset[str]] = frozenset({"unit-alone", "dry-spin"})
    absent_in: ClassVar[frozenset[str]] = frozenset({"wet-spin", "rolling"})
    stops: ClassVar[bool] = True
    limit_source: ClassVar[str] = "plan"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.SPIN})
    says: ClassVar[dict[str, str]] = {
        "pass": "it kept within the agreed dry running ({counted}); closest: {what}",
        "fail": "it broke the agreed dry running ({counted}): {what}",
    }
    spins: ClassVar[bool] = True
    exercise: ClassVar[str] = (
        "give the plan limits for dry running, and spin the unit in short bursts with pauses"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "the spin was held for too long, or the next one came too soon",
        "the unit coasted on: nothing brakes a free axle",
        "earlier runs have used up the agreed time",
    )
    next: ClassVar[str] = "stop; let it rest; fill coolant and oil before turning it any further"

    def applies(self, bench: Bench) -> bool:
        """Only while something is empty."""
        return super().applies(bench) and bench.dry

    def silent(self, bench: Bench) -> bool:
        """In power-up it gives a finding only if a unit turns."""
        return bench.stage == "power-up"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every unit."""
        missing = ""
        given = (self.burst_s, self.total_s, self.pause_s)
        if bench.stage != "power-up" and given == (None, None, None):
            missing = "none of dry_burst_s, dry_total_s, dry_pause_s is given in [limits]"
        units = [Subject(u.name, (u.role("speed"),), no_limit=missing) for u in bench.units]
        return units or [Subject("axles", ("units.*.speed",), no_limit=missing)]

    def start(self, bench: Bench) -> Mapping[str, Exposure]:
        """The turning time that earlier runs of the build record have used up."""
        earlier = bench.turned_dry_s or {}
        return {unit.name: Exposure(total_s=earlier.get(unit.name, 0.0)) for unit in bench.units}

    def fold(
        self, state: Mapping[str, Exposure], piece: Piece
    ) -> tuple[Mapping[str, Exposure], Sequence[Outcome]]:
        """Judge the new speed samples, starts and ends of every unit."""
        after, found = dict(state), list[Outcome]()
        for name in state:
            unit, first_ns = piece.bench.unit(name), piece.start_ns
            for event in piece.events:
                if event.subject != name or event.kind not in ("burst-start", "burst-end"):
                    continue
                found += self._running(after[name], piece, unit, first_ns, event.known_ns)
                # A start becomes known some time after it happened; the samples since then count.
                started = event.kind == "burst-start"
                first_ns = event.time_ns if started else event.known_ns
                after[name], rows = self._turned(after[name], piece, unit, event)
                found += rows
            found += self._running(after[name], piece, unit, first_ns, piece.until_ns)
            after[name], rows = self._slowly(after[name], piece, unit)
            found += rows
        return after, found

    def _slowly(
        self, now: Exposure, piece: Piece, unit: DriveUnit
    ) -> tuple[Exposure, list[Outcome]]:
        """The state after this piece's samples below a burst, and those beyond a limit.

        Stretches of up to ``PAUSE_S`` are the ends of bursts, and noise.
        """
        if piece.bench.stage == "power-up" or not piece.bench.has(unit.role("speed")):
            return now, []
        samples = recent(piece, unit.role("speed"), KEPT_NS)
        times, _ = fresh(piece, unit.role("speed"), samples)
        new = np.ones(len(times), np.bool_)
        slowest = kept_up(samples.time_ns, samples.value, new, KEPT_NS)
        fastest = kept_up(samples.time_ns, samples.value, new, KEPT_NS, np.max)
        times = times[np.maximum(slowest, -fastest) >= SLOW_RPM]  # in one sense: noise has both
        times = times[piece.at(f"@turning.{unit.name}", times).value != 1]
        times = times[powered(piece, unit, times)]
        if not len(times):
            return now, []
        start_ns, last_ns = now.slow_ns
        begins = np.diff(times, prepend=last_ns) > PAUSE_S * S
        first = np.maximum.accumulate(np.where(begins, times, start_ns))
        length_s = (times - first) / S
        counts_s = np.where(length_s > PAUSE_S, length_s, 0.0)
        before_s = (last_ns - start_ns) / S  # of the stretch that is known of
        ended_s = np.append(before_s if before_s > PAUSE_S else 0.0, counts_s[:-1])
        slow_s = now.slow_s + np.cumsum(np.where(begins, ended_s, 0.0))
        found: list[Outcome] = []
        for value, ceiling_s, what in (
            (length_s, self.burst_s, "time turned too slowly for a burst"),
            (slow_s + counts_s, self.total_s, "all the time turned too slowly for a burst"),
        ):
            if ceiling_s is None or not (long := (value > ceiling_s) & (counts_s > 0)).any():
                continue
            u_s = PAUSE_S + piece.bench.clock_s
            margin = ceiling_s - value[long]
            row = self._row(piece, unit, times[long], value[long], ceiling_s, u_s, margin, what)
            found.append(row)
        slow_ns = (int(first[-1]), int(times[-1]))
        return replace(now, slow_ns=slow_ns, slow_s=float(slow_s[-1])), found

    def _turned(
        self, now: Exposure, piece: Piece, unit: DriveUnit, event: Event
    ) -> tuple[Exposure, list[Outcome]]:
        """The state after a burst began or ended, and the outcomes of that."""
        u_s = _interval_s(event) + piece.bench.clock_s
        if event.kind == "burst-end":
            assert now.start is not None
            length_s = (event.time_ns - now.start.time_ns) / S
            length_u_s = u_s + _interval_s(now.start)
            total_s, total_u_s = now.total_s + length_s, now.total_u_s + length_u_s
            at = np.array([event.time_ns], np.int64)
            ended = replace(now, start=None, end=event, total_s=total_s, total_u_s=total_u_s)
            return ended, [
                *self._lengths(now, piece, unit, at, length_s, length_u_s, total_s, total_u_s)
            ]
        rows: list[Outcome] = []
        if event.after_ns == NEVER:
            text = "it turned already when its speed was first recorded, nobody knows since when"
            rows.append(Doubt(unit.name, "inferred", text, event.time_ns))
        if piece.bench.stage == "power-up":
            turned_s = (event.known_ns - event.time_ns) / S
            what = "it turned, though in power-up nothing shall turn; time turned so far"
            rows.append(self._row(piece, unit, event.known_ns, turned_s, 0.0, 0.0, -turned_s, what))
        elif now.end is not None and self.pause_s is not None:
            pause_s = (event.time_ns - now.end.time_ns) / S
            pause_u_s = u_s + _interval_s(now.end)
            margin, what = pause_s - self.pause_s, "pause between two bursts"
            at_ns = event.time_ns
            rows.append(
                self._row(piece, unit, at_ns, pause_s, self.pause_s, pause_u_s, margin, what)
            )
        return replace(now, start=event, bursts=now.bursts + 1), rows

    def _running(
        self, now: Exposure, piece: Piece, unit: DriveUnit, first_ns: int, until_ns: int
    ) -> list[Margins]:
        """Outcomes of the present burst at its speed samples in first <= time < until."""
        if now.start is None:
            return []
        times = piece.back(unit.role("speed"), first_ns).between(first_ns, until_ns).time_ns
        turning = piece.at(f"@turning.{unit.name}", times).value == 1
        times = times[turning | (times < now.start.known_ns)]
        if not len(times):
            return []
        length_s = (times - now.start.time_ns) / S
        u_s = _interval_s(now.start) + piece.bench.clock_s
        total_s = now.total_s + length_s
        return self._lengths(now, piece, unit, times, length_s, u_s, total_s, now.total_u_s + u_s)

    def _lengths(
        self,
        now: Exposure,
        piece: Piece,
        unit: DriveUnit,
        times: Int64s,
        length_s: ArrayLike,
        length_u_s: float,
        total_s: ArrayLike,
        total_u_s: float,
    ) -> list[Margins]:
        """Length of the burst and total turning time against their limits, at these instants."""
        if piece.bench.stage == "power-up":
            return []
        found = []
        for value, u_s, ceiling_s, what in (
            (length_s, length_u_s, self.burst_s, "length of one burst"),
            (total_s, total_u_s, self.total_s, "total turning time"),
        ):
            if ceiling_s is not None:
                margin = ceiling_s - np.asarray(value)
                found.append(self._row(piece, unit, times, value, ceiling_s, u_s, margin, what))
        return found

    def _row(
        self,
        piece: Piece,
        unit: DriveUnit,
        at_ns: ArrayLike,
        value: ArrayLike,
        limit_s: float,
        u_s: float,
        margin: ArrayLike,
        what: str,
    ) -> Margins:
        counted = "this capture alone is counted"
        if piece.bench.turned_dry_s is not None:
            earlier_s = piece.bench.turned_dry_s.get(unit.name, 0.0)
            counted = f"with {earlier_s:.1f} s of earlier runs"
        return margins(
            unit.name,
            at_ns,
            margin,
            measured=value,
            limit=limit_s,
            uncertainty=u_s,
            what=what,
            counted=counted,
        )

    def close(self, state: Mapping[str, Exposure], piece: Piece) -> Sequence[Outcome]:
        """Units that never turned or still turn, and earlier runs that the total lacks."""
        found: list[Outcome] = []
        for name, now in state.items():
            if not now.bursts and piece.bench.has(piece.bench.unit(name).role("speed")):
                found.append(Doubt(name, "not-exercised", "the unit was not seen to turn"))
            if piece.at(f"@turning.{name}", piece.until_ns - 1).value[0] == 1:
                text = "the unit still turned when the recording ended, nobody knows for how long"
                found.append(Doubt(name, "not-exercised", text, piece.until_ns - 1))
        if self.total_s is not None and piece.bench.uncounted:
            runs = ", ".join(piece.bench.uncounted)
            text = f"nobody can tell how long it turned in these earlier runs: {runs}"
            found += [Doubt(name, "capture-damaged", text) for name in state]
        return found


def _interval_s(event: Event) -> float:
    """Length of the interval between samples in which a burst began or ended; 0 if unknown."""
    return 0.0 if event.after_ns == NEVER else (event.time_ns - event.after_ns) / S
