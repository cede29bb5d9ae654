"""How far one temperature sensor warmed, rose, fell and moved, at the end of a run."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from canscope.model.piece import Piece
from canscope.model.tables import SECOND_NS
from canscope.trust.heat.course import HIGHEST, LOWEST, SAMPLES, SUM, SURE, UNIT, Course, Level
from canscope.trust.heat.watched import Sensor, step_K

# All common practice, no source.
STEP = 0.5  # of a raw step: so far a level has to move; one that flickers moves by less than one
WARMED_STEPS, WARMED_K = 3.0, 0.5  # what a neighbour warms by, in the sensor's own steps
SMALL = 4  # blocks before the first burst, in which nothing can be said to have followed a hand
HELD_STEPS = 3  # codes apart: a hand that holds a sensor moves it through so many
AT_ONCE_S = 2.0  # within which units that turn together begin to turn
FLICKERS = 8  # changes, from which on one between two values is a flicker
STRAIGHT_BLOCKS, STRAIGHT_STEPS = 12, 3.2  # how long at least, and how far it rose
STRAIGHT, STRAIGHT_OFF = 0.1, 0.55  # share of that, and of a step, by which it is off the line


@dataclass(frozen=True)
class Shown:
    """One sensor at the end of the run."""

    role: str
    unit: str
    word: str
    sensor: Sensor
    course: Course
    step_K: float
    turned_ns: int

    @property
    def from_ns(self) -> int:
        """From when on it has to answer: the first burst of its unit, else its first value."""
        if self.sensor.began_ns is not None:
            return self.sensor.began_ns
        return int(self.course.end_ns[0]) if len(self.course.table) else 0

    def least_K(self, *levels: Level) -> float:
        """By how much levels have to differ, so that the difference is one."""
        return max(STEP * self.step_K, SURE * math.hypot(*(level.u for level in levels)))

    def rise_K(self, from_ns: int, until_ns: int | None = None) -> tuple[float, float]:
        """How far its level rose from an instant on, and how far at least to be sure of it."""
        before, after = self.course.level_at(from_ns), self.course.highest_after(from_ns, until_ns)
        if before is None or after is None or self.sensor.moved_ns is None:
            return 0.0, float("inf")
        return after.value - before.value, self.least_K(before, after)

    def warmed_K(self) -> float:
        """How far it rose over all that it showed just before the first burst; 0 if not surely."""
        rise_K, least_K = self.rise_K(self.from_ns)
        before = self.course.range_before(self.from_ns)
        if before is not None:
            rise_K -= max(before[1].value - self.base_degC, 0.0)
        return rise_K if rise_K >= least_K else 0.0

    def turned_with(self, other: Shown) -> bool:
        """Whether its unit turned just when the other one did."""
        turns = self.sensor.turns
        own, its = ([turn for turn in turns if turn[0] == unit] for unit in (self.unit, other.unit))
        pairs = zip(own, its, strict=False)
        near_ns = AT_ONCE_S * SECOND_NS
        return len(own) == len(its) and all(
            abs(a - b) <= near_ns and abs(c - d) <= near_ns for (_, a, c), (_, b, d) in pairs
        )

    def straight_K(self) -> float:
        """How far it rose in one straight line from its first to its last reading; 0 if not so.

        What bursts warm rises in them and after them, and rests before.
        """
        table = self.course.table
        if len(table) < STRAIGHT_BLOCKS:
            return 0.0
        at_s = (self.course.start_ns - self.course.start_ns[0]) / SECOND_NS
        degC = table[:, SUM] / table[:, SAMPLES] / UNIT
        slope, level = np.polyfit(at_s, degC, 1)
        rise_K = float(slope * at_s[-1])
        off_K = float(np.abs(degC - level - slope * at_s).max())
        # A line in few steps lies within half a step of them; what bursts warm does not.
        near_K = max(STRAIGHT * rise_K, STRAIGHT_OFF * self.step_K)
        straight = rise_K >= STRAIGHT_STEPS * self.step_K and off_K <= near_K
        return rise_K if straight else 0.0

    @property
    def only_flickers(self) -> bool:
        """Whether it went to and fro between two neighbouring values, again and again, all along.

        One that warms by so little passes from the one to the other and stays there, however it
        flickers on its way.
        """
        flicker, table = self.sensor.flicker, self.course.table
        if flicker.changes < FLICKERS or not len(table):
            return False
        lowest, highest = table[:, LOWEST].min(), table[:, HIGHEST].max()
        rests_ns, before = flicker.longest_ns, table[self.course.end_ns <= self.from_ns]
        if len(before) >= SMALL and before[:, LOWEST].min() == before[:, HIGHEST].max():
            rests_ns = max(rests_ns, flicker.last_ns - flicker.since_ns)
        long_ns = self.sensor.last_ns - int(self.course.start_ns[0])
        narrow = highest - lowest <= 1.01 * self.step_K * UNIT
        return bool(narrow and rests_ns < long_ns // 4)

    @property
    def base_degC(self) -> float:
        """Its level before the first burst; NaN if it had none."""
        level = self.course.level_at(self.from_ns)
        return float("nan") if level is None else level.value

    def fall_K(self, from_ns: int) -> tuple[float, float]:
        """The same of how far it fell."""
        before, after = self.course.level_at(from_ns), self.course.lowest_after(from_ns)
        if before is None or after is None or self.sensor.moved_ns is None:
            return 0.0, float("inf")
        return before.value - after.value, self.least_K(before, after)


def shown(role: str, sensor: Sensor, piece: Piece) -> Shown:
    _, unit, _, word = role.split(".", 3)
    turned_ns = sensor.turned_ns
    if sensor.burst_ns is not None:
        turned_ns += piece.until_ns - sensor.burst_ns
    resolves_K = step_K(sensor, piece.bench, role)
    return Shown(role, unit, word, sensor, sensor.course.whole(), resolves_K, turned_ns)


def held_K(one: Shown) -> float:
    """By how much a hand moved it before its unit turned; 0 if none did.

    A sensor that makes one step as its node wakes has followed nobody.
    """
    rows = one.course.end_ns <= one.from_ns
    if one.sensor.began_ns is None or rows.sum() < SMALL:
        return 0.0
    lowest, highest = one.course.range_of(rows)
    moved_K = highest.value - lowest.value
    enough_K = max(HELD_STEPS * one.step_K, WARMED_K, SURE * math.hypot(lowest.u, highest.u))
    return moved_K if moved_K >= enough_K else 0.0
