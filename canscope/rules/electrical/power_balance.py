"""Rule ``power-balance``."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.events import Window
from canscope.model.findings import Verdict
from canscope.model.outcome import Margins, Outcome, Subject, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import Rule, Worst, limit, unjudged
from canscope.model.tables import Bools, Floats, Int64s
from canscope.rules import RULES
from canscope.rules.electrical._burst_energy import (
    APART_NS,
    Energy,
    energy,
    known_after_ns,
    measured_inertia,
    rest,
)
from canscope.rules.shared.driving import RAD_S
from canscope.rules.shared.persistence import rolling, to_ns
from canscope.trust.high_voltage.switching_load import at_rest, switching_load

NAME, VOLTAGE, CURRENT = "power", "pack.voltage", "pack.current"
STEADY = 0.10  # of itself, over one averaging time
HEATER_W = 3000.0  # more than one takes; likewise
WATCHED_NS = 10 * S  # of rest, in which a load that goes on and off shows; no source
KEPT = 16  # rests that may still matter within the time that is looked back


@dataclass(frozen=True)
class State:
    """Bursts whose rest afterwards is not seen yet, and what the pack gave at rest before each."""

    bursts: tuple[tuple[int, int], ...] = ()
    rests: tuple[tuple[int, float, float], ...] = ()  # from when on it counts, A, its u in A

    def resting_A(self, times: Int64s) -> tuple[Floats, Floats]:
        """What the pack gave at rest before these instants and its uncertainty.

        Both are 0 where no rest was seen.
        """
        since = np.array([rest[0] for rest in self.rests], np.int64)
        amps = np.array([(0.0, 0.0), *(rest[1:] for rest in self.rests)])
        rows = amps[since.searchsorted(times, "right")]
        return rows[:, 0], rows[:, 1]


@dataclass(frozen=True)
class Average:
    """The average of a power over the time before each instant; columns in W, NaN if unknown."""

    watt: Floats
    before: Floats  # the average one averaging time earlier
    u: Floats

    def restless(self, floor_W: float) -> Bools:
        """Instants at which it is above the floor and not steady."""
        return (np.abs(self.watt) > floor_W) & ~(
            np.abs(self.watt - self.before) < STEADY * np.abs(self.watt)
        )


@RULES.add("power-balance")
@dataclass(frozen=True, kw_only=True)
class PowerBalance(Rule):
    """The shafts never give more power than the pack, nor the pack more than braking shafts.

    Judged
        On every sample of the pack current, over the averages of the last ``average_s``: summed
        shaft power of all units (torque times speed) over pack power (voltage times current), while
        one of the two is above ``floor_W`` and whichever is above it has changed by less than 10 %
        in ``average_s``. What goes in must be the larger one: while the units brake it is pack over
        shaft power. Both must have one sign; a braking unit beside which up to ``floor_W`` (in
        rolling, where a heater may run, 3 kW*) flow from the pack is not judged. Below that power,
        and wherever a burst begins and ends with 2 s of rest: the energy from rest to its highest
        speed. What the shafts took is at most ``most`` times what the pack gave over its rest
        before and after; what turns has at most ``most`` times the energy that the shafts took,
        where the plan gives ``inertia_kgm2``; and shafts that speed up take energy. Where the plan
        gives ``inertia_kgm2``, torque and speed while speeding up and coasting through the same
        speeds amount to an inertia, which is within ``inertia_factor`` of it: so the factors of
        both are held against something from outside, but for errors in both that cancel. Energies
        below twice their uncertainty are not judged, nor those that come too close; in stage
        rolling, where a road may push, only what shafts that drive took of the pack. It proves no
        efficiency, and so no factor otherwise: losses hide whatever makes the shafts' part too
        small or the pack's too large.
    Margin
        ``most`` minus that quotient. Where the signs differ it is negative: of a driving unit
        ``most`` times the pack power minus the shaft power, over the magnitude of the pack power;
        of a braking one, the pack power over the shaft power. Uncertainty: that of both powers, by
        those of torque, speed, voltage and current, to first order, and by what flows besides:
        where the pack current stands at two levels at rest, up to 3.3 A apart, a converter or
        heater goes on and off by itself; less than 10 s of rest do not show whether one does.
    Unproven
        Neither power was ever above ``floor_W`` and steady, and no burst began and ended at rest
        with enough energy to compare (not-exercised); torque or speed of one
        unit is not bound; stale or not available.
    """

    most: float = limit(1.05, low=1.0, high=1.3, note="shaft over pack power", looser="higher")
    average_s: float = limit(0.5, "s", low=0.05, high=5.0, looser="higher")
    floor_W: float = limit(500.0, "W", low=1.0, high=5000.0, looser="higher")

    inertia_factor: float = limit(1.5, low=1.1, high=10.0, note="between stated and measured")

    unit: ClassVar[str] = ""
    order: ClassVar[bool] = True
    limit_parameter: ClassVar[str] = "most"
    says: ClassVar[dict[str, str]] = {
        "pass": "no more came out than went in{powers}; out by in",
        "fail": "a factor, sign or unit in the definition is wrong{powers}; out by in",
        "nothing-in": "nothing went in for what came out{powers}; out by in",
        "close": "about as much came out as went in{powers}; out by in",
    }
    spins: ClassVar[bool] = True
    codes: ClassVar[tuple[str, ...]] = ("nothing-in", "wrong-scale")
    exercise: ClassVar[str] = (
        "rest 3 s, spin the unit, and rest 3 s again with the contactors closed"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "torque, speed, voltage or current has a wrong factor or unit in the definition",
        "the pack current or a torque has the wrong sign: see invert in the plan",
        "a torque signal is a request or a limit, not what the shaft gives",
    )
    next: ClassVar[str] = "check sign and size of the pack current against a clamp meter"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The vehicle with all its units."""
        shafts = _shafts(bench) or [("units.*.torque", "units.*.speed")]
        roles = tuple(role for pair in shafts for role in pair)
        return [Subject(NAME, (VOLTAGE, CURRENT, *roles))]

    def start(self, bench: Bench) -> State:
        return State()

    def fold(self, state: State, piece: Piece) -> tuple[State, Sequence[Outcome]]:
        """Judge the new samples of the pack current, and the bursts that lie far enough behind."""
        shafts = _shafts(piece.bench)
        roles = [role for pair in shafts for role in pair]
        if not shafts or not piece.bench.has(VOLTAGE, CURRENT, *roles):
            return state, ()
        ended = ((s.start_ns, s.end_ns) for s in piece.spans if s.kind is Window.BURST)
        bursts, rests = (*state.bursts, *ended), list(state.rests)
        for event in piece.events_of("burst-start"):
            rested = rest(piece, event.time_ns - APART_NS)
            if rested:
                u_A = _standing_u(piece, event.time_ns - APART_NS, rested[0])
                rests.append((event.known_ns, rested[0], u_A))
        over = [burst for burst in bursts if known_after_ns(burst[1]) <= piece.until_ns]
        found: list[Outcome] = []
        for begin_ns, end_ns in over:
            seen = energy(piece, begin_ns, end_ns)
            if piece.bench.stage != "rolling":
                found += self._burst(seen, begin_ns)
                found += self._inertias(piece, begin_ns, end_ns)
            elif seen is not None and seen.shaft_J > 0:  # a road may push, and turn what it likes
                found += self._burst(replace(seen, kinetic_J=0.0, kinetic_u=0.0), begin_ns)
        state = State(tuple(b for b in bursts if b not in over), tuple(rests[-KEPT:]))
        return state, [*found, *self._steady(state, piece, shafts)]

    def _burst(self, seen: Energy | None, begin_ns: int) -> list[Outcome]:
        """Margins of a burst's energies, as far as they can be told from nothing."""
        if seen is None:
            return []
        pack, shaft, kinetic = "from the pack", "at the shafts", "in what turns"
        pairs = [
            (seen.shaft_J, seen.shaft_u, shaft, seen.pack_J, seen.pack_u, pack),
            (seen.kinetic_J, seen.kinetic_u, kinetic, seen.shaft_J, seen.shaft_u, shaft),
        ]
        if seen.shaft_J < -2 * seen.shaft_u:  # speeding up as if it were braked
            pairs.append((-seen.shaft_J, seen.shaft_u, shaft, seen.shaft_J, seen.shaft_u, shaft))
        found: list[Outcome] = []
        for out, out_u, where, into, into_u, source in pairs:
            if out <= 2 * out_u:
                continue
            scale = max(abs(into), 1.0)
            if abs(self.most * into - out) < self.most * into_u + out_u:
                continue  # a bound from one side alone: near it, it says nothing
            signed = f"{seen.shaft_J:.0f} J {where}" if out == -into else f"{out:.0f} J {where}"
            found.append(
                margins(
                    NAME,
                    seen.peak_ns,
                    (self.most * into - out) / scale,
                    measured=(-1.0 if into < 0 else 1.0) * out / scale,
                    limit=self.most,
                    uncertainty=(self.most * into_u + out_u) / scale,
                    start_ns=begin_ns,
                    code=_way(into, into_u),
                    energies=f"{signed}, {into:.0f} J {source} from rest to the highest speed",
                )
            )
        return found

    def _inertias(self, piece: Piece, begin_ns: int, end_ns: int) -> list[Outcome]:
        """Margins of the inertia that speed and torque amount to, where the plan states it."""
        found: list[Outcome] = []
        for unit in piece.bench.units:
            stated = unit.inertia_kgm2
            seen = measured_inertia(piece, unit, begin_ns, end_ns) if stated else None
            if stated is None or seen is None or seen[0] <= seen[1]:
                continue
            off = max(seen[0] / stated, stated / seen[0])
            u = off * seen[1] / seen[0]
            if abs(self.inertia_factor - off) >= u:
                text = f"speed and torque of {unit.name} amount to an inertia of {seen[0]:.3g}"
                found.append(
                    margins(
                        NAME,
                        end_ns,
                        self.inertia_factor - off,
                        measured=off,
                        limit=self.inertia_factor,
                        uncertainty=u,
                        start_ns=begin_ns,
                        code="wrong-scale",
                        energies=f"{text}, the plan says {stated:g} kg m2",
                    )
                )
        return found

    def _steady(
        self, state: State, piece: Piece, shafts: Sequence[tuple[str, str]]
    ) -> Sequence[Outcome]:
        """Margins of steady powers."""
        times = piece[CURRENT].time_ns
        if not len(times):
            return ()
        width_ns = to_ns(self.average_s)
        pack = _power(piece, times, (CURRENT, VOLTAGE), 1.0, width_ns, state.resting_A)
        units = [_power(piece, times, shaft, RAD_S, width_ns) for shaft in shafts]
        times = self._flowing(times, pack, units)
        if not len(times):
            return ()
        shaft = _sum([unit.average(piece, times) for unit in units])
        # On the road a heater may run as well.
        besides_W = max(self.floor_W, HEATER_W if piece.bench.stage == "rolling" else 0.0)
        return [self._rows(times, pack.average(piece, times), shaft, besides_W)]

    def _flowing(self, times: Int64s, pack: Power, units: Sequence[Power]) -> Int64s:
        """Instants at which a power may be above the floor; only there averages are worked out."""
        # An average above the floor needs a value above it; a sum of units, one of its parts.
        loud = pack.loud(times, self.floor_W)
        for unit in units:
            loud |= unit.loud(times, self.floor_W / len(units))
        times = times[loud]
        if not len(times):
            return times
        shaft_W = np.sum([unit.roughly(times) for unit in units], axis=0)
        largest_W = np.maximum(np.abs(pack.roughly(times)), np.abs(shaft_W))
        blur_W = pack.blur + sum(unit.blur for unit in units)
        return np.asarray(times[largest_W > self.floor_W - blur_W])

    def close(self, state: State, piece: Piece) -> Sequence[Outcome]:
        """Why nothing was judged, if nothing was."""
        text = (
            f"no power above {self.floor_W:g} W was steady for {self.average_s:g} s, and no burst"
        )
        text += " began and ended at rest with enough energy to compare"
        return [unjudged(NAME, "not-exercised", text)]

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """The clause with both powers."""
        if "energies" in worst.facts:
            powers = f" ({worst.facts['energies']})"
        else:
            shaft, pack = worst.facts["shaft_W"], worst.facts["pack_W"]
            powers = f" ({shaft:.0f} W at the shafts, {pack:.0f} W from the pack)"
        key = worst.code if verdict == Verdict.FAIL and worst.code in self.says else str(verdict)
        return self.says[key].format(powers=powers)

    def _rows(self, times: Int64s, pack: Average, shaft: Average, besides_W: float) -> Margins:
        """Margins where the powers can be compared; ``besides_W`` may flow from the pack anyway."""
        floor = self.floor_W
        braking = shaft.watt < 0
        judged = (np.abs(pack.watt) > floor) | (np.abs(shaft.watt) > floor)
        judged &= ~pack.restless(floor) & ~shaft.restless(floor)
        # Torque within its own uncertainty cannot be compared.
        judged &= np.abs(shaft.watt) > shaft.u
        # Hardly any shaft power beside a pack that takes some: the sensor's offset, or a charger.
        judged &= ~((pack.watt < 0) & (np.abs(shaft.watt) <= floor))
        # A braking unit's losses, or a heater, may take more than the shafts give.
        judged &= ~(braking & (pack.watt >= 0) & (np.minimum(pack.watt, -shaft.watt) <= besides_W))
        into, into_u = np.where(braking, -shaft.watt, pack.watt), np.where(braking, shaft.u, pack.u)
        out, out_u = np.where(braking, -pack.watt, shaft.watt), np.where(braking, pack.u, shaft.u)
        # Braking shafts and a pack that gives have two signs, whatever their sizes.
        spare = np.where(braking & (out < 0), out, self.most * into - out)
        scale = np.where(judged, np.maximum(np.abs(into), 1.0), np.nan)
        return margins(
            NAME,
            times,
            spare / scale,
            measured=np.where(into < 0, -1.0, 1.0) * out / scale,
            limit=self.most,
            uncertainty=(self.most * into_u + out_u) / scale,
            start_ns=times - to_ns(self.average_s),
            shaft_W=shaft.watt,
            pack_W=pack.watt,
            code=np.where(into < 0, "", "wrong-scale"),
        )


def _way(into: float, u: float) -> str:
    """In which way what went in is too little: none of it, of the other sign, or of a wrong scale.

    ``u`` is its uncertainty.
    """
    if abs(into) <= u:
        return "nothing-in"
    return "wrong-scale" if into > 0 else ""


def _shafts(bench: Bench) -> list[tuple[str, str]]:
    """Torque and speed role of every unit."""
    return [(unit.role("torque"), unit.role("speed")) for unit in bench.units]


def _sum(powers: Sequence[Average]) -> Average:
    """The sum over all units; unknown where one of them is."""

    def total(columns: list[Floats]) -> Floats:
        return np.asarray(np.sum(columns, axis=0))

    return Average(
        total([power.watt for power in powers]),
        total([power.before for power in powers]),
        total([power.u for power in powers]),
    )


@dataclass(frozen=True, eq=False)
class Power:
    """The product of two roles at the first one's samples, from long enough before a piece."""

    role: str
    width_ns: int
    time_ns: Int64s
    watt: Floats
    u: Floats

    @cached_property
    def _total(self) -> Floats:
        return np.concatenate(([0.0], np.cumsum(np.nan_to_num(self.watt))))

    @property
    def blur(self) -> float:
        """An upper bound of the error of ``roughly``."""
        return 1e-9 * float(np.nansum(np.abs(self.watt)))

    def loud(self, at_ns: Int64s, floor_W: float) -> Bools:
        """Instants with a power above the floor within the averaging time before them."""
        found = np.zeros(len(at_ns), np.bool_)
        when = self.time_ns[np.abs(self.watt) > floor_W * (1 - 1e-9)]
        if len(when):
            apart = np.flatnonzero(np.diff(when) > self.width_ns)
            begins = at_ns.searchsorted(np.concatenate((when[:1], when[apart + 1])))
            ends = at_ns.searchsorted(np.concatenate((when[apart], when[-1:])) + self.width_ns)
            for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
                found[begin:end] = True
        return found

    def roughly(self, at_ns: Int64s) -> Floats:
        """The averages, to within ``blur``; a missing value counts as 0."""
        first = self.time_ns.searchsorted(at_ns - self.width_ns, "right")
        end = self.time_ns.searchsorted(at_ns, "right")
        return np.asarray((self._total[end] - self._total[first]) / np.maximum(end - first, 1))

    def average(self, piece: Piece, at_ns: Int64s) -> Average:
        """The averages over the time before these instants, and over the time before that."""
        now, then = self._windows(piece, at_ns), self._windows(piece, at_ns - self.width_ns)
        return Average(_mean(self.watt, *now), _mean(self.watt, *then), _mean(self.u, *now))

    def _windows(self, piece: Piece, at_ns: Int64s) -> tuple[Bools, Int64s, Int64s]:
        """Which windows have a power at both ends, and the first and last row of each."""
        first = self.time_ns.searchsorted(at_ns - self.width_ns, "right")
        last = self.time_ns.searchsorted(at_ns, "right") - 1
        whole = ~np.isnan(piece.at(self.role, at_ns).value)
        whole &= ~np.isnan(piece.at(self.role, at_ns - self.width_ns).value) & (last >= first)
        return whole, first[whole], last[whole]


def _mean(values: Floats, whole: Bools, first: Int64s, last: Int64s) -> Floats:
    """The mean of each window; NaN if a value within is missing."""
    result = np.full(len(whole), np.nan)
    result[whole] = rolling(np.mean, values, first, last)
    return result


def _power(
    piece: Piece,
    times: Int64s,
    roles: tuple[str, str],
    scale: float,
    width_ns: int,
    resting: Callable[[Int64s], tuple[Floats, Floats]] | None = None,
) -> Power:
    """The product of two roles, from which averages that end at these instants can be taken.

    ``resting``: what the first one is at rest, which does not count.
    """
    one, other = roles
    samples = piece.back(one, int(times[0]) - 2 * width_ns)
    rest, rest_u = (0.0, 0.0) if resting is None else resting(samples.time_ns)
    held = piece.at(other, samples.time_ns).value
    u = np.abs(samples.value) * piece.bench.u(other)
    u += np.abs(held) * (piece.bench.u(one) + rest_u)
    return Power(one, width_ns, samples.time_ns, (samples.value - rest) * held * scale, u * scale)


def _standing_u(piece: Piece, until_ns: int, rest_A: float) -> float:
    """How far what flows besides the shafts may differ from the rest just before.

    A load that was seen to go on and off may do so again, and one that was hardly seen at all may.
    """
    levels = switching_load(piece, until_ns)
    if levels is not None:
        return levels[1] - levels[0]
    seen = at_rest(piece, until_ns).time_ns
    return 0.0 if len(seen) and until_ns - seen[0] >= WATCHED_NS else max(rest_A, 0.0)
