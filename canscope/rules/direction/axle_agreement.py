"""Rule ``axle-agreement``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench, DriveUnit
from canscope.model.findings import Verdict
from canscope.model.outcome import Doubt, Margins, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import SPINNING, CardStep, Rule, Worst, limit
from canscope.model.tables import Bools, Floats, Int64s
from canscope.rules import RULES
from canscope.rules.shared.persistence import (
    NO_LABEL,
    LastLabel,
    Stretches,
    follow,
    recent,
    rolling,
    sense,
    to_ns,
)
from canscope.rules.shared.powered import powered

Pair = tuple[DriveUnit, DriveUnit]


@dataclass(frozen=True)
class State:
    """What is carried from piece to piece: speeds, and which pairs turned and were compared."""

    speeds: Mapping[str, LastLabel] = field(default_factory=dict)
    turned: frozenset[str] = frozenset()
    compared: frozenset[str] = frozenset()  # by speed, in stage rolling


@dataclass(frozen=True, eq=False)
class Both:
    """The instants at which two units turn, with the last speed of each and its stamp."""

    time_ns: Int64s
    speed_rpm: tuple[Floats, ...]
    sampled_ns: tuple[Int64s, ...]
    long: Bools  # both have turned for as long as a mean takes


@RULES.add("axle-agreement")
@dataclass(frozen=True, kw_only=True)
class AxleAgreement(Rule):
    """Axles that turn at the same time turn the same way; when rolling, also equally fast.

    On stands nothing couples the axles, so their speeds are never compared there.

    Judged
        With two units or more, for each pair: at every new speed of either while both have been at
        or above ``turning_rpm``, in one sense, for ``turning_s``; not with all poles open, where
        wheels are turned by hand. In stage ``rolling`` also the
        axle speeds (mean motor speed over ``mean_s``, over gear ratio), while both have turned for
        that long and wherever they are known well enough to tell (to a tenth of what is allowed, or
        to half of it where that decides): the readings of two units may lie up to ``apart_s``
        apart, and differ by so much while they change.
    Margin
        The smaller absolute speed, positive if the mount-corrected signs agree and negative if
        not, in rpm; the limit is 0. Rolling: ``agree_percent`` of the faster axle's speed minus the
        difference, in rpm at the axle.
    Unproven
        The two never turned at the same time (not-exercised). Rolling: no gear ratio in the plan
        (no-limit), or the speeds never steady enough to be compared (not-exercised).
    """

    turning_rpm: float = limit(50.0, "rpm", low=1.0, high=200.0, looser="higher")
    turning_s: float = limit(0.2, "s", high=2.0, looser="higher")
    mean_s: float = limit(0.5, "s", low=0.1, high=10, note="stage rolling")
    apart_s: float = limit(0.04, "s", high=1, note="of the two units' readings, stage rolling")
    agree_percent: float = limit(
        10.0, "%", high=30.0, note="of the faster axle, stage rolling", looser="higher"
    )

    unit: ClassVar[str] = "rpm"
    edges: ClassVar[bool] = True
    required_in: ClassVar[frozenset[str]] = SPINNING
    absent_in: ClassVar[frozenset[str]] = frozenset({"power-up"})
    stops: ClassVar[bool] = True
    limit_parameter: ClassVar[str] = "agree_percent"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.SPIN_TOGETHER})
    says: ClassVar[dict[str, str]] = {
        "pass": "{subject} turned the same way whenever both turned, by their own speeds and the "
        "plan's mounting (CAN cannot see a wheel)",
        "fail": "{subject} turned against each other",
        "close": "it cannot be told whether {subject} turned the same way",
        "pass speed": "{subject} turned the same way and equally fast within what is allowed",
        "fail speed": "the axle speeds of {subject} differ by more than is allowed",
        "close speed": "the axle speeds of {subject} differ by about what is allowed",
    }
    codes: ClassVar[tuple[str, ...]] = ("speeds-differ",)
    missed: ClassVar[str] = "the axles were not seen to turn at the same time"
    exercise: ClassVar[str] = "let both axles turn at the same time, in each direction"
    causes: ClassVar[tuple[str, ...]] = (
        "one unit's mounting or phase order is not what the plan says",
        "one unit's speed is bound with the wrong sign",
        "a gear ratio in the plan is wrong",
    )
    next: ClassVar[str] = "compare axle-direction of both units: it tells which one is wrong"

    def applies(self, bench: Bench) -> bool:
        """Only where there are two axles to agree."""
        return super().applies(bench) and len(bench.units) >= 2

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every pair of units."""
        return [
            Subject(_name(pair), needs=(pair[0].role("speed"), pair[1].role("speed")))
            for pair in combinations(bench.units, 2)
        ]

    def start(self, bench: Bench) -> State:
        return State()

    def fold(self, state: State, piece: Piece) -> tuple[State, Sequence[Outcome]]:
        """Judge every instant of this piece at which two units turn."""
        units = piece.bench.units
        speeds = {
            unit.name: follow(
                piece,
                unit.role("speed"),
                state.speeds.get(unit.name, NO_LABEL),
                sense(self.turning_rpm),
            )
            for unit in units
        }
        turned, compared = set(state.turned), set(state.compared)
        found: list[Outcome] = []
        for pair in combinations(units, 2):
            both = self._both(piece, pair, speeds)
            if not len(both.time_ns):
                continue
            turned.add(_name(pair))
            found.append(self._signs(piece, pair, both))
            if piece.bench.stage == "rolling" and _geared(pair):
                rows = self._speeds(piece, pair, both)
                found += [rows] if len(rows.time_ns) else []
                compared |= {_name(pair)} if len(rows.time_ns) else set()
        last = {name: speed.last for name, speed in speeds.items()}
        return State(last, frozenset(turned), frozenset(compared)), found

    def close(self, state: State, piece: Piece) -> Sequence[Outcome]:
        """In stage rolling, a pair that turned but could not be compared is unproven."""
        if piece.bench.stage != "rolling":
            return ()
        return [
            Doubt(_name(pair), "not-exercised", "the speeds were never steady enough to compare")
            if _geared(pair)
            else Doubt(_name(pair), "no-limit", "the plan gives no gear_ratio for both units")
            for pair in combinations(piece.bench.units, 2)
            if _name(pair) in state.turned - state.compared
        ]

    def _both(self, piece: Piece, pair: Pair, speeds: Mapping[str, Stretches]) -> Both:
        """The new samples of either unit at which both turn, and what was known of each then."""
        mine = [speeds[unit.name] for unit in pair]
        times = np.concatenate([speed.new.sampled_ns for speed in mine])
        times.sort(kind="stable")  # merges two sorted columns
        times = times[np.concatenate(([True], times[1:] != times[:-1]))[: len(times)]]
        turning, long = np.ones(len(times), np.bool_), np.ones(len(times), np.bool_)
        known = [speed.at(piece, times) for speed in mine]
        for each in known:
            held_ns = each.sampled_ns - each.since_ns
            turning &= (np.abs(each.label) == 1.0) & (held_ns >= to_ns(self.turning_s))
            long &= held_ns >= to_ns(self.mean_s)
        for unit in pair:
            turning &= powered(piece, unit, times)
        at_ns = times[turning]
        return Both(
            at_ns,
            tuple(piece.at(unit.role("speed"), at_ns).value for unit in pair),
            tuple(each.sampled_ns[turning] for each in known),
            long[turning],
        )

    def _signs(self, piece: Piece, pair: Pair, both: Both) -> Outcome:
        a, b = both.speed_rpm
        margin = np.sign(a * b) * np.minimum(np.abs(a), np.abs(b))
        return margins(
            _name(pair),
            both.time_ns,
            margin,
            measured=margin,
            limit=0.0,
            uncertainty=sum(piece.bench.u(unit.role("speed")) for unit in pair),
            start_ns=both.time_ns - to_ns(self.turning_s),
        )

    def _speeds(self, piece: Piece, pair: Pair, both: Both) -> Margins:
        axle_rpm: list[Floats] = []
        u_rpm = np.zeros(len(both.time_ns))
        for unit, sampled_ns in zip(pair, both.sampled_ns, strict=True):
            ratio = unit.gear_ratio or np.nan
            mean_rpm, slope = self._mean(piece, unit.role("speed"), both.time_ns)
            axle_rpm.append(np.abs(mean_rpm) / ratio)
            late_ns = to_ns(self.apart_s) / 2 + both.time_ns - sampled_ns
            u_rpm += (piece.bench.u(unit.role("speed")) + np.abs(slope) * late_ns) / ratio
        share = self.agree_percent / 100
        allowed = share * np.maximum(*axle_rpm)
        apart = np.abs(axle_rpm[0] - axle_rpm[1])
        u_rpm *= 1 + share
        margin_rpm = allowed - apart
        # While they change, only what is clear counts: nothing is too close to call by that alone.
        known = (u_rpm <= allowed / 10) | ((u_rpm <= allowed / 2) & (np.abs(margin_rpm) >= u_rpm))
        return margins(
            _name(pair),
            both.time_ns,
            np.where(both.long & known, margin_rpm, np.nan),
            measured=apart,
            limit=allowed,
            uncertainty=u_rpm,
            start_ns=both.time_ns - to_ns(self.mean_s),
            speed=1,
            code="speeds-differ",
        )

    def _mean(self, piece: Piece, role: str, times_ns: Int64s) -> tuple[Floats, Floats]:
        """Mean speed until these instants, in rpm, and the steepest slope in it, in rpm a ns."""
        width_ns = to_ns(self.mean_s)
        samples = recent(piece, role, width_ns, silences=2)
        rows = np.searchsorted(samples.time_ns, times_ns, "right") - 1
        first = np.searchsorted(samples.time_ns, times_ns - width_ns, "right")
        first = np.minimum(first, rows)
        middle = np.searchsorted(samples.time_ns, times_ns - width_ns // 2, "right")
        middle = np.clip(middle, first, rows)
        late, early = (
            rolling(np.mean, samples.value, *part) for part in ((middle, rows), (first, middle))
        )
        mean = rolling(np.mean, samples.value, first, rows)
        return mean, np.abs(late - early) / (width_ns / 2)

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """The clause for the sense, or for the speed."""
        word = f"{verdict} speed" if worst.facts.get("speed") else str(verdict)
        return self.says[word].format(subject=worst.subject)


def _name(pair: Pair) -> str:
    return f"{pair[0].name} and {pair[1].name}"


def _geared(pair: Pair) -> bool:
    return all(unit.gear_ratio for unit in pair)
