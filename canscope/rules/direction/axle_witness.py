"""Rule ``axle-witness``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench, Mark
from canscope.model.findings import COMMON_PRACTICE
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import CardStep, Rule, limit, unjudged
from canscope.rules import RULES
from canscope.rules.shared.direction_changes import SENSES, WORDS
from canscope.rules.shared.persistence import NO_LABEL, sense, stretches, to_ns

DIRECTIONS = ("forward", "reverse")
BACK_S = 60.0  # far enough to see a burst that ended in time, and its slow end


@dataclass(frozen=True)
class State:
    """What is carried over from piece to piece."""

    waiting: tuple[Mark, ...] = ()  # marks that may belong to a burst that has only just begun
    # Wheels seen still while CAN knew of motion, with its sense: the other wheel may be seen yet.
    still: tuple[tuple[Mark, float], ...] = ()
    turned: tuple[tuple[str, float, int], ...] = ()  # axle, sense and time of what was seen turning


@RULES.add("axle-witness")
@dataclass(frozen=True, kw_only=True)
class AxleWitness(Rule):
    """A person saw each axle turn the way CAN says, in both directions.

    CAN cannot see a wheel: speed signs, mounting and phase order are all predictions until somebody
    has looked. One wheel of the axle is enough: with an open differential the other one may stand.

    Judged
        At every mark that names an axle and what was seen (forward, reverse, still), ``turning_s``
        after it, so that a burst that has just begun is known. It belongs to the burst running or
        ended at most ``within_s`` before the mark on that axle, and is compared with the sense in
        which the axle then turned, or last turned (at or above ``turning_rpm`` for ``turning_s``;
        the burst ends below ``still_rpm``). A wheel seen still is no contradiction where the axle
        was seen to turn in that sense, by another mark at most ``within_s`` before or after.
    Margin
        +1 where the person saw what CAN says, -1 where not; a state, no unit. Measured and limit
        are the sense seen and the sense by CAN: 1 forward, -1 reverse, 0 still.
    Unproven
        No mark for that axle and direction (not-exercised); a person saw the axle turn when CAN
        knew of no motion (sensor-suspect), or when nothing was known of its speed (stale).
    """

    within_s: float = limit(30.0, "s", high=50)
    turning_rpm: float = limit(50.0, "rpm")
    turning_s: float = limit(0.2, "s")
    still_rpm: float = limit(30.0, "rpm")

    unit: ClassVar[str] = "state"
    required_in: ClassVar[frozenset[str]] = frozenset({"dry-spin", "wet-spin"})
    absent_in: ClassVar[frozenset[str]] = frozenset({"power-up"})
    limit_source: ClassVar[str] = COMMON_PRACTICE
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.SPIN})
    cross_checks: ClassVar[tuple[str, ...]] = ("units.*.speed", "driver.direction")
    says: ClassVar[dict[str, str]] = {
        "pass": "a person saw the {axle} axle turn {direction}, as CAN says",
        "fail": "a person saw the {axle} axle {seen} while CAN says {direction}",
    }
    codes: ClassVar[tuple[str, ...]] = ("wheel-turned-other-way", "wheel-stood-still")
    missed: ClassVar[str] = "no mark says what a person saw of it"
    exercise: ClassVar[str] = (
        "let a second person watch one wheel and mark which way it turns; CAN cannot see a wheel"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "the unit's mounting or phase order in the plan is not how it is built",
        "the speed signal is bound with the wrong sign",
        "the mark names the wrong axle, or was made too late",
    )
    next: ClassVar[str] = "repeat at creeping speed with the mark made while the wheel turns"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Each unit in each direction."""
        return [
            Subject(f"{unit.name} {word}", needs=(unit.role("speed"),))
            for unit in bench.units
            for word in DIRECTIONS
        ] or [Subject("axles", needs=("units.*.speed",))]

    def start(self, bench: Bench) -> State:
        return State()

    def fold(self, state: State, piece: Piece) -> tuple[State, Sequence[Outcome]]:
        """Judge the marks whose burst is known by now."""
        return self._judged(state, piece, at_end=False)

    def close(self, state: State, piece: Piece) -> Sequence[Outcome]:
        """Judge marks made just before the end by what is known then."""
        return self._judged(state, piece, at_end=True)[1]

    def _judged(self, state: State, piece: Piece, *, at_end: bool) -> tuple[State, list[Outcome]]:
        axles = {unit.name for unit in piece.bench.units}
        new = tuple(m for m in piece.marks if m.axle in axles and m.seen in SENSES)
        waiting: list[Mark] = []
        still, turned = list(state.still), list(state.turned)
        found: list[Outcome] = []
        for mark in (*state.waiting, *new):
            due_ns = mark.time_ns + to_ns(self.turning_s)
            if due_ns >= piece.until_ns and not at_end:
                waiting.append(mark)
                continue
            shown = self._shown(piece, mark, min(due_ns, piece.until_ns))
            if shown and mark.seen == "still":
                still.append((mark, shown))
                continue
            if shown and SENSES[str(mark.seen)] == shown:
                turned.append((str(mark.axle), shown, mark.time_ns))
            found += self._outcomes(mark, shown)
        waits: list[tuple[Mark, float]] = []
        for mark, shown in still:
            if any(self._same_axle(mark, shown, one) for one in turned):
                continue
            if (
                mark.time_ns + to_ns(self.within_s + self.turning_s) >= piece.until_ns
                and not at_end
            ):
                waits.append((mark, shown))
            else:
                found += self._outcomes(mark, shown)
        recent_ns = piece.until_ns - 2 * to_ns(self.within_s + self.turning_s)
        kept = tuple(one for one in turned if one[2] >= recent_ns)
        return State(tuple(waiting), tuple(waits), kept), found

    def _same_axle(self, mark: Mark, shown: float, turned: tuple[str, float, int]) -> bool:
        """Whether the axle was seen to turn in that sense about then."""
        axle, sense_seen, time_ns = turned
        near = abs(time_ns - mark.time_ns) <= to_ns(self.within_s)
        return near and axle == mark.axle and sense_seen == shown

    def _outcomes(self, mark: Mark, shown: float | None) -> list[Outcome]:
        seen = str(mark.seen)
        if shown is None:
            return [Doubt(f"{mark.axle} {word}", "stale", NO_SPEED) for word in DIRECTIONS]
        if shown:
            rows = margins(
                f"{mark.axle} {WORDS[shown]}",
                mark.time_ns + to_ns(self.turning_s),
                1.0 if SENSES[seen] == shown else -1.0,
                measured=SENSES[seen],
                limit=shown,
                start_ns=mark.time_ns,
                code="wheel-stood-still" if seen == "still" else "wheel-turned-other-way",
                axle=str(mark.axle),
                direction=WORDS[shown],
                seen="stand still" if seen == "still" else f"turn {seen}",
            )
            return [rows]
        if seen in DIRECTIONS:
            text = f"a person saw it turn {seen} when CAN knew of no motion"
            return [Doubt(f"{mark.axle} {seen}", "sensor-suspect", text, mark.time_ns)]
        text = "seen still when CAN knew of no motion either, which proves no direction"
        subjects = [f"{mark.axle} {word}" for word in DIRECTIONS]
        return [unjudged(name, "not-exercised", text, mark.time_ns) for name in subjects]

    def _shown(self, piece: Piece, mark: Mark, at_ns: int) -> float | None:
        """The sense of rotation by CAN in the burst that a mark belongs to.

        0 if there is no such burst, None if the speed was not known then.
        """
        role = piece.bench.unit(str(mark.axle)).role("speed")
        samples = piece.back(role, mark.time_ns - to_ns(BACK_S)).between(0, at_ns + 1)
        if np.isnan(samples.value).all():
            return None
        patience_ns = piece.history.patience_ns(role, samples.time_ns)
        label = sense(self.turning_rpm)(samples.value)
        known = stretches(role, NO_LABEL, samples.time_ns, label, patience_ns).new
        turning = (known.label != 0) & (known.sampled_ns - known.since_ns >= to_ns(self.turning_s))
        rows = np.flatnonzero(turning & (known.since_ns <= mark.time_ns))
        if not len(rows):
            return 0.0
        rpm = np.abs(samples.known.value)
        stopped = rows[-1] + np.flatnonzero(rpm[rows[-1] :] < self.still_rpm)
        end_ns = known.sampled_ns[stopped[0] if len(stopped) else -1]
        if not len(stopped) and mark.time_ns - end_ns > patience_ns[-1]:
            return None  # it fell silent while it turned
        over = end_ns < mark.time_ns - to_ns(self.within_s)
        return 0.0 if over else float(known.label[rows[-1]])


NO_SPEED = "nothing was known of its speed when a person watched it"
