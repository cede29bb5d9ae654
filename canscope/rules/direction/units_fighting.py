"""Rule ``units-fighting``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.outcome import Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import Rule, limit
from canscope.model.tables import Bools, Floats, Int64s
from canscope.rules import RULES
from canscope.rules.shared.driving import shaft_u_W, shaft_W
from canscope.rules.shared.persistence import (
    NO_LABEL,
    LastLabel,
    follow,
    fresh,
    patience,
    present,
    recent,
    rolling,
    stretches,
    throughout,
    to_ns,
)

NAME, PEDAL = "units", "driver.pedal"


@dataclass(frozen=True)
class State:
    """What is carried over from piece to piece."""

    power: LastLabel = NO_LABEL  # since when every unit's power has been known
    pedal: LastLabel = NO_LABEL  # since when the pedal has been known


@RULES.add("units-fighting")
@dataclass(frozen=True, kw_only=True)
class UnitsFighting(Rule):
    """No unit drives while another brakes against it.

    Judged
        With two units or more, while the pedal has moved by no more than ``steady_percent`` for
        ``held_s`` and the unit that drives most gives at least ``least_W``: the braking power of
        the unit that brakes most, in percent of that, kept up for ``held_s``. Power is torque
        times speed; a unit brakes where the two point apart.
    Margin
        ``brake_percent`` minus that, in percent.
    Unproven
        No unit drove at a steady pedal (not-exercised); torque, speed or pedal stale or not
        available.
    """

    brake_percent: float = limit(10.0, "%", high=50.0, note="of the driving power", looser="higher")
    held_s: float = limit(0.5, "s", low=0.01, high=5.0, looser="higher")
    steady_percent: float = limit(2.0, "%", low=0.1, high=20.0, note="of travel", looser="lower")
    least_W: float = limit(100.0, "W", low=1.0, high=2000.0, looser="higher")

    unit: ClassVar[str] = "%"
    order: ClassVar[bool] = True
    limit_parameter: ClassVar[str] = "brake_percent"
    says: ClassVar[dict[str, str]] = {
        "pass": "no unit braked against one that drove; braking power",
        "fail": "the {braker} unit braked while the {driver} unit drove; braking power",
        "close": "the {braker} unit braked while the {driver} unit drove by about what is allowed",
    }
    missed: ClassVar[str] = "no steady pull of several units was seen"
    spins: ClassVar[bool] = True
    exercise: ClassVar[str] = "let all axles turn and hold the pedal still for two seconds"
    causes: ClassVar[tuple[str, ...]] = (
        "one unit's direction, mounting or torque sign is wrong",
        "the units are asked for different speeds on axles that are coupled",
        "one unit has another gear ratio than the controller believes",
    )
    next: ClassVar[str] = "spin each axle alone and compare torque and speed with the request"

    def applies(self, bench: Bench) -> bool:
        """Only where there are two units to fight."""
        return super().applies(bench) and len(bench.units) >= 2

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """All units together."""
        roles = [unit.role(word) for unit in bench.units for word in ("torque", "speed")]
        return [Subject(NAME, needs=(*roles, PEDAL))]

    def start(self, bench: Bench) -> State:
        return State()

    def fold(self, state: State, piece: Piece) -> tuple[State, Sequence[Outcome]]:
        """Judge at every new torque of the first unit."""
        pedal = follow(piece, PEDAL, state.pedal, present)
        clock, width_ns = piece.bench.units[0].role("torque"), to_ns(self.held_s)
        if not len(piece[clock]):
            return State(state.power, pedal.last), []
        samples = recent(piece, clock, width_ns)
        times, (new_ns, new) = samples.time_ns, fresh(piece, clock, samples)
        watt = np.array([shaft_W(piece, unit, times) for unit in piece.bench.units])
        unknown = np.isnan(watt).any(axis=0)
        known_since = np.where(unknown[new], np.nan, 0.0)
        power = stretches(clock, state.power, new_ns, known_since, patience(piece, clock, new_ns))
        if unknown.any():
            times, watt = times[~unknown], watt[:, ~unknown]
        at_ns = power.new.sampled_ns
        judged = power.new.held(at_ns, 0.0, width_ns)
        judged &= pedal.at(piece, at_ns).held(at_ns, 0.0, width_ns)
        judged &= watt.max(axis=0)[len(times) - len(at_ns) :] >= self.least_W
        if judged.any():
            judged[judged] = self._steady(piece, at_ns[judged])
        rows = np.flatnonzero(judged) + len(times) - len(at_ns)
        ratio, u = self._ratio(piece, times, watt)
        kept, most_u = ratio[rows], u[rows]
        if u.any() or ratio.any():
            first = throughout(times, rows, width_ns)
            kept, most_u = rolling(np.min, ratio, first, rows), rolling(np.max, u, first, rows)
        names = np.array([unit.name for unit in piece.bench.units])
        found = margins(
            NAME,
            times[rows],
            self.brake_percent - kept,
            measured=kept,
            limit=self.brake_percent,
            uncertainty=most_u,
            start_ns=times[rows] - width_ns,
            driver=names[watt[:, rows].argmax(axis=0)],
            braker=names[watt[:, rows].argmin(axis=0)],
        )
        return State(power.last, pedal.last), [found]

    def _ratio(self, piece: Piece, times_ns: Int64s, watt: Floats) -> tuple[Floats, Floats]:
        """Braking power in percent of driving power, and its uncertainty; 0 where none brakes."""
        ratio, u = np.zeros((2, len(times_ns)))
        driven, braked = watt.max(axis=0), -watt.min(axis=0)
        rows = ((driven >= self.least_W) & (braked > 0)).nonzero()[0]
        if len(rows):
            at_ns, base, braked = times_ns[rows], driven[rows], braked[rows]
            some = np.array([shaft_u_W(piece, unit, at_ns) for unit in piece.bench.units])
            driver, braker = watt[:, rows].argmax(axis=0), watt[:, rows].argmin(axis=0)
            column = np.arange(len(rows))
            ratio[rows] = 100.0 * braked / base
            u[rows] = 100.0 * (some[braker, column] + braked * some[driver, column] / base) / base
        return ratio, u

    def _steady(self, piece: Piece, times_ns: Int64s) -> Bools:
        """Instants at which the pedal had hardly moved for long enough."""
        width_ns = to_ns(self.held_s)
        samples = recent(piece, PEDAL, width_ns, silences=2)
        last = np.searchsorted(samples.time_ns, times_ns, "right") - 1
        first = np.searchsorted(samples.time_ns, times_ns - width_ns, "right") - 1
        ok = first >= 0
        moved = np.full(len(times_ns), np.inf)
        moved[ok] = rolling(np.ptp, samples.value, first[ok], last[ok])
        return np.asarray(moved <= self.steady_percent)
