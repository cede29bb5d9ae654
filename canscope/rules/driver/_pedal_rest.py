"""The lowest pedal reading that was held in each stretch with direction neutral."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.median import distinct
from canscope.model.piece import Piece
from canscope.rules.shared.persistence import Stretches, kept_up, recent


@dataclass(frozen=True)
class Level:
    """The lowest pedal reading held so far in one stretch with direction neutral."""

    since_ns: int  # first sample of the stretch
    percent: float
    time_ns: int  # when it had been held for long enough


def held_levels(
    piece: Piece, pedal: Stretches, request: Stretches, held_ns: int
) -> dict[int, Level]:
    """The lowest held reading of each neutral stretch, by the start of the stretch.

    A reading is held at an instant if the pedal stayed at or below it for the ``held_ns`` before,
    all of it in neutral.
    """
    times = pedal.new.sampled_ns
    asked = request.at(piece, times)
    neutral = asked.held(times, 0.0, held_ns) & pedal.new.held(times, 0.0, held_ns)
    if not neutral.any():
        return {}
    samples = recent(piece, pedal.role, held_ns)
    percent = kept_up(samples.time_ns, samples.value, neutral, held_ns, np.max)
    since_ns, at_ns = asked.since_ns[neutral], times[neutral]
    levels = {}
    for since in distinct(since_ns).tolist():
        mine = np.flatnonzero(since_ns == since)
        row = mine[np.argmin(percent[mine])]
        levels[since] = Level(since, float(percent[row]), int(at_ns[row]))
    return levels


def settle(
    levels: dict[int, Level], carried: Level | None, request: Stretches
) -> tuple[Level | None, list[tuple[Level, int]]]:
    """The level of the stretch that is still open, and the levels of ended ones with their end."""
    if carried is not None:
        now = levels.get(carried.since_ns, carried)
        levels = {**levels, carried.since_ns: min(carried, now, key=lambda level: level.percent)}
    starts_ns, still_open = request.since_ns[1:], None
    over: list[tuple[Level, int]] = []
    for level in levels.values():
        later_ns = starts_ns[starts_ns > level.since_ns]
        if len(later_ns):
            over.append((level, int(later_ns[0])))
        else:
            still_open = level
    return still_open, over
