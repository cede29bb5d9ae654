"""Rule ``nothing-turns``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import STAGES, Bench
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import CardStep, Rule, limit, unjudged
from canscope.model.signals import NEVER
from canscope.rules import RULES
from canscope.rules.shared.open_poles import both_open
from canscope.rules.shared.poles import MAIN_ROLES
from canscope.rules.shared.powered import DEAD_V, powered, seen_to_turn

HERE = "power-up"


@dataclass(frozen=True)
class Seen:
    """What is known of one unit so far."""

    last_ns: int = int(NEVER)  # the last reading, and the speed it had
    last_rpm: float = 0.0
    spoke: bool = False


@RULES.add("nothing-turns")
@dataclass(frozen=True, kw_only=True)
class NothingTurns(Rule):
    """In the stage in which nothing is meant to turn, no unit turns, whatever fluids are in it.

    Judged
        In stage power-up, on every reading of each unit's speed: the smaller magnitude of two
        readings in a row (noise at standstill comes and goes). With both main contactors read open
        and its link below 60 V a wheel may be turned by hand, and is not judged here: what turns
        faster than a hand can is left to unasked-motion.
    Margin
        ``limit_rpm`` minus that speed, in rpm. The uncertainty is the reading's own.
    Unproven
        The speed was never read with a main contactor closed (not-exercised), or was stale or not
        available; a person saw a wheel of the axle turn then, by a mark (sensor-suspect).
    """

    limit_rpm: float = limit(50.0, "rpm", low=5.0, high=200.0, note="motor speed, either sense")

    unit: ClassVar[str] = "rpm"
    absent_in: ClassVar[frozenset[str]] = frozenset(STAGES) - {HERE}
    stops: ClassVar[bool] = True
    limit_parameter: ClassVar[str] = "limit_rpm"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.POWER_UP})
    says: ClassVar[dict[str, str]] = {
        "pass": "it stood still while it could drive, at most",
        "fail": "it turned in a stage in which nothing turns",
        "close": "it moved about as much as counts as turning",
    }
    exercise: ClassVar[str] = (
        "close the contactors in neutral with the foot off the pedal, and record the unit's speed"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "the controller asks for torque although nobody asked it to",
        "somebody spun the axle in this run: choose the stage in which axles are spun",
        "the position sensor's signal is disturbed, so that a standing unit reads a speed",
    )
    next: ClassVar[str] = (
        "open the contactors; then read the unit's torque, the pedal and the request at that "
        "instant"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Each unit."""
        return [Subject(unit.name, (unit.role("speed"),)) for unit in bench.units]

    def start(self, bench: Bench) -> Mapping[str, Seen]:
        return {u.name: Seen() for u in bench.units if bench.has(u.role("speed"))}

    def fold(
        self, state: Mapping[str, Seen], piece: Piece
    ) -> tuple[Mapping[str, Seen], Sequence[Outcome]]:
        """Judge the new readings of every unit."""
        after, found = dict(state), list[Outcome]()
        for name, seen in state.items():
            role = piece.bench.unit(name).role("speed")
            samples = piece[role].known
            if not len(samples):
                continue
            times, rpm = samples.time_ns, np.abs(samples.value)
            before = np.concatenate(([seen.last_rpm], rpm[:-1]))
            joined = np.diff(times, prepend=seen.last_ns) < S
            both = np.where(joined, np.minimum(rpm, before), 0.0)
            unit = piece.bench.unit(name)
            judged = powered(piece, unit, times)
            if piece.bench.has(*MAIN_ROLES):
                charged = piece.at(unit.role("link_voltage"), times).value >= DEAD_V
                judged &= ~both_open(piece, times, 0, 0) | charged
            after[name] = Seen(int(times[-1]), float(rpm[-1]), seen.spoke or bool(judged.any()))
            found.append(
                margins(
                    name,
                    times[judged],
                    self.limit_rpm - both[judged],
                    measured=both[judged],
                    limit=self.limit_rpm,
                    uncertainty=piece.bench.u(role),
                )
            )
        return after, [*found, *_seen_to_turn(piece)]

    def close(self, state: Mapping[str, Seen], piece: Piece) -> Sequence[Outcome]:
        """Say of which unit nothing was judged."""
        text = "its speed was never read with a main contactor closed"
        return [unjudged(name, "not-exercised", text) for name, s in state.items() if not s.spoke]


def _seen_to_turn(piece: Piece) -> list[Outcome]:
    """Marks of wheels that turned while their unit could drive; what CAN knew is judged anyway."""
    found: list[Outcome] = []
    for unit, mark in seen_to_turn(piece):
        at = np.array([mark.time_ns], np.int64)
        if piece.bench.has(*MAIN_ROLES) and both_open(piece, at, mark.u_ns, 0)[0]:
            continue  # turned by hand
        text = f"a person saw it turn {mark.seen} with a contactor closed"
        found.append(Doubt(unit.name, "sensor-suspect", text, mark.time_ns))
    return found
