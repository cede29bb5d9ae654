"""Bound readings of one segment in tenths of a second, and what went on in each of them.

Who compares what lies seconds apart, such as loads with what they take, need not look at each
reading: the last minute of lowest, highest and mean values is kept.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from canscope.model.bench import MAINS, Bench
from canscope.model.history import History, step_at
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Bools, Floats, Int64s

PACK, CURRENT = "pack.voltage", "pack.current"
# All common practice, no source.
TENTH_NS = SECOND_NS // 10
KEPT = 600  # of them, that one is compared with
REACH = 3  # of them, by which current and voltages may come apart
CLOSED_NS = 2 * SECOND_NS  # since when both poles are closed: links have followed


@dataclass
class Means:
    """One role, tenth by tenth: its lowest, highest and mean value; NaN where it gave none."""

    low: Floats = field(default_factory=lambda: np.zeros(0))
    high: Floats = field(default_factory=lambda: np.zeros(0))
    mean: Floats = field(default_factory=lambda: np.zeros(0))


class Tenths:
    """High voltage and shafts of one segment, where the pack current and both poles are bound.

    Columns have a row a tenth: its ``numbers`` since the epoch; whether both poles were ``closed``
    throughout, and for 2 s, ``both`` closed throughout, all ``open``, or nodes ``awake``. ``new``
    is how many rows came last; what lies beside the last REACH of them is not known yet. Of the
    ``shafts`` there are ``pairs`` of torque and speed.
    """

    def __init__(self, bench: Bench, start_ns: int) -> None:
        self.bench = bench
        self.numbers = np.zeros(0, np.int64)
        self.closed, self.both, self.open, self.awake = (np.zeros(0, np.bool_) for _ in range(4))
        self.new = 0
        self._next = -(-start_ns // TENTH_NS)
        asked = bench.has(CURRENT, *(f"contactors.{pole}" for pole in MAINS))
        self.voltages = [r for r in (PACK, *bench.link_roles().values()) if asked and bench.has(r)]
        shafts = [unit.role(word) for unit in bench.units for word in ("torque", "speed")]
        self.shafts = shafts if asked and bench.has(PACK, *shafts) else []
        self.pairs = list(zip(self.shafts[::2], self.shafts[1::2], strict=True))
        roles = (CURRENT, *self.voltages, *self.shafts) if self.voltages else ()
        self.of = {role: Means() for role in roles}

    def feed(self, history: History, until_ns: int) -> bool:
        """Take in the whole tenths before an instant; whether there are any."""
        first, self._next = self._next, max(self._next, until_ns // TENTH_NS)
        self.new = self._next - first if self.of else 0
        if self.new:
            self._forget()
            self._take_in(np.arange(first, self._next), history)
        return self.new > 0

    @property
    def end(self) -> int:
        """The row from which on it is not known yet what lies beside."""
        return len(self.numbers) - REACH

    def rows(self, least: int) -> Int64s:
        """The rows beside which everything has become known, from one row on."""
        return np.arange(max(self.end - self.new, least), self.end)

    def at_ns(self, row: int) -> int:
        return int(self.numbers[row]) * TENTH_NS

    def stays_closed(self, first: int, end: int) -> Bools:
        """Which tenths end well before a pole reads open: it opened before its state said so."""
        ahead = sliding_window_view(self.closed[first : end + REACH], REACH + 1)
        return np.asarray(ahead.all(axis=1))

    def most(self, role: str, near: slice) -> float:
        """The largest magnitude that a role read in these tenths; NaN if it gave none."""
        means = self.of[role]
        return max(-float(np.fmin.reduce(means.low[near])), float(np.fmax.reduce(means.high[near])))

    def _forget(self) -> None:
        kept = slice(-KEPT - REACH, None)
        self.numbers, self.closed = self.numbers[kept], self.closed[kept]
        self.both, self.open, self.awake = self.both[kept], self.open[kept], self.awake[kept]
        for means in self.of.values():
            means.low, means.high, means.mean = means.low[kept], means.high[kept], means.mean[kept]

    def _take_in(self, new: Int64s, history: History) -> None:
        at_ns = new * TENTH_NS
        closed = history.samples("@closed")
        begun = step_at(closed, at_ns - CLOSED_NS) == 1
        stays = _changes(closed, at_ns - CLOSED_NS, at_ns + TENTH_NS) == 0
        self.numbers = np.append(self.numbers, new)
        self.closed = np.append(self.closed, begun & stays)
        both = _changes(closed, at_ns, at_ns + TENTH_NS) == 0
        self.both = np.append(self.both, both & (step_at(closed, at_ns) == 1))
        engaged, awake = history.samples("@engaged"), history.samples("@awake")
        stays = _changes(engaged, at_ns, at_ns + TENTH_NS) == 0
        self.open = np.append(self.open, (step_at(engaged, at_ns) == 0) & stays)
        self.awake = np.append(self.awake, step_at(awake, at_ns) == 1)
        for role, means in self.of.items():
            samples = history.samples(role).known
            edges = samples.time_ns.searchsorted(np.append(at_ns, at_ns[-1] + TENTH_NS))
            low, high, mean = _each(samples.value, edges)
            means.low, means.high = np.append(means.low, low), np.append(means.high, high)
            means.mean = np.append(means.mean, mean)


def _changes(steps: Samples, from_ns: Int64s, until_ns: Int64s) -> Int64s:
    """How often something changes after each of these instants and before the other one."""
    times = steps.time_ns
    return np.asarray(times.searchsorted(until_ns) - times.searchsorted(from_ns, "right"))


def _each(values: Floats, edges: Int64s) -> tuple[Floats, Floats, Floats]:
    """Lowest, highest and mean of the values between each two edges."""
    found = np.full((3, len(edges) - 1), np.nan)
    count = np.diff(edges)
    some = count > 0
    if some.any():
        part, starts = values[edges[0] : edges[-1]], edges[:-1][some] - edges[0]
        found[0, some] = np.minimum.reduceat(part, starts)
        found[1, some] = np.maximum.reduceat(part, starts)
        found[2, some] = np.add.reduceat(part, starts) / count[some]
    return found[0], found[1], found[2]
