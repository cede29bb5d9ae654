"""Do pack and links give way though no load does?

A pack that carries the same current again, within a minute, has the same voltage again, but for
what it recovers by and what it was charged or discharged. Where pack and links fall or rise
together by more, nothing in the run is a load that explains it: all of them are wrong alike, or a
current flows past its sensor. Still less does a pack step to another voltage while the same current
goes on, or while all contactors are open.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from canscope.model.bench import SAFE_V
from canscope.model.median import median
from canscope.model.tables import Floats
from canscope.trust.remark import Remark
from canscope.trust.samples.clock_alignment import Alignment
from canscope.trust.samples.tenths import CURRENT, KEPT, PACK, REACH, Tenths

# All common practice, no source.
ALIKE_A = 1.0  # that carries the same current
LEAST_V = SAFE_V  # of a pack of high voltage: of fewer cells an ampere takes a larger share
SHARE = 0.025  # of the voltage; a pack that rests after a load recovers by 1 or 2 %
SURE = 4.0  # times the noise of a mean
DIPS_TO = 0.9  # of a link that was full, as bus-sag allows
STEP, STEPS_IN = 0.012, 5  # of the voltage, which no pack steps by in half a second
WOKEN = 10  # tenths after which a node says no more what it likes


class Unloaded:
    """Follows pack and links of one segment, tenth by tenth."""

    def __init__(self, tenths: Tenths) -> None:
        self._tenths = tenths
        self._woke: int | None = None  # the first tenth in which the pack said something
        self._found: dict[str, Remark] = {}  # by role

    def feed(self) -> None:
        """Look at the tenths that became known."""
        for row in self._apart():
            self._note(self._compare(row))
        self._note(self._steps())
        self._note(self._dips())

    def finish(self, alignment: Alignment) -> Iterator[Remark]:
        """What was wrong first with each role, unless clocks that differ make it look so."""
        for role, remark in self._found.items():
            if alignment.between(self._tenths.bench, (CURRENT, role)) is None:
                yield remark

    def _note(self, remarks: Iterator[Remark]) -> None:
        for remark in remarks:
            self._found.setdefault(remark.role, remark)

    def _steps(self) -> Iterator[Remark]:
        """A pack that reads another voltage within half a second, though no load came or went."""
        pack = self._tenths.of.get(PACK)
        if pack is None or not len(pack.mean):
            return
        if self._woke is None and not np.isnan(pack.mean).all():
            self._woke = int(self._tenths.numbers[np.argmin(np.isnan(pack.mean))])
        after = self._tenths.rows(STEPS_IN + REACH)
        if self._woke is not None:
            after = after[self._tenths.numbers[after] - STEPS_IN - self._woke >= WOKEN]
        before = after - STEPS_IN
        off = np.abs(pack.mean[after] - pack.mean[before])
        level = np.minimum(pack.mean[after], pack.mean[before])
        u = 2 * self._tenths.bench.u(PACK)
        for row in after[(level >= LEAST_V) & (off > STEP * level + u)].tolist():  # nearly never
            beside = slice(row - STEPS_IN - REACH, row + REACH + 1)
            one, other = (
                slice(row - STEPS_IN - 1, row - STEPS_IN + 1),
                slice(row, row + 2),
            )
            noise_V = max(float(np.ptp(pack.mean[part])) for part in (one, other))
            before_V, now_V = float(pack.mean[row - STEPS_IN]), float(pack.mean[row])
            if not abs(now_V - before_V) > STEP * min(before_V, now_V) + u + SURE * noise_V:
                continue
            text = f"stepped from {before_V:.1f} to {now_V:.1f} V "
            at_ns = self._tenths.at_ns(row)
            if (self._tenths.open & self._tenths.awake)[beside].all():
                yield Remark(PACK, "wrong", text + "with all contactors open", at_ns)
            amps = self._tenths.of[CURRENT]
            low, high = np.min(amps.low[beside]), np.max(amps.high[beside])
            if self._tenths.closed[
                beside
            ].all() and high - low <= ALIKE_A + 2 * self._tenths.bench.u(CURRENT):
                text += f"while the pack current stayed within {low:.1f} to {high:.1f} A"
                yield Remark(PACK, "wrong", text + ": no load of the run explains it", at_ns)

    def _dips(self) -> Iterator[Remark]:
        """A link that was full as the contactors closed, and falls though they stay so.

        The two seconds after their closing, in which clocks of two buses need not agree yet.
        """
        rows = self._tenths.rows(REACH)
        fresh = rows[self._tenths.both[rows] & ~self._tenths.closed[rows]]
        for role in self._tenths.voltages if len(fresh) else ():
            means = self._tenths.of[role]
            for row in fresh.tolist():
                since = row - int(np.argmin(self._tenths.both[:row][::-1])) if row else row
                before = means.mean[max(since - REACH, 0) : row]
                full_V = float(np.fmax.reduce(before, initial=0.0))
                if not (full_V >= LEAST_V and means.low[row] < DIPS_TO * full_V):
                    continue
                if self._tenths.both[row : row + REACH + 1].all():
                    at_ns = self._tenths.at_ns(row)
                    text = f"fell from {full_V:.0f} to {means.low[row]:.0f} V within 2 s of the "
                    text += "contactors' closing, though they read closed on: one of them opens, or"
                    yield Remark(role, "wrong", text + " its sensor is wrong", at_ns)
                    break

    def _apart(self) -> list[int]:
        """The new tenths with both poles closed in which a voltage may be far from another one."""
        rows, end = self._tenths.rows(0), self._tenths.end
        closed = self._tenths.stays_closed(0, end) if len(rows) else np.zeros(0, np.bool_)
        if not closed.any():
            return []
        found = np.zeros(len(rows), np.bool_)
        for role in self._tenths.voltages:
            mean = self._tenths.of[role].mean[:end]
            low, high = np.fmin.reduce(mean[closed]), np.fmax.reduce(mean[closed])
            own = mean[rows]
            found |= np.maximum(high - own, own - low) > SHARE * np.abs(own)
        return [int(row) for row in rows[found & closed[rows]]]

    def _compare(self, row: int) -> Iterator[Remark]:
        """One tenth with those of the minute before it that carried the same current."""
        amps = self._tenths.of[CURRENT]
        first = max(row - KEPT, 0)
        low, high = (_around(one, first, row, way) for one, way in ((amps.low, -1), (amps.high, 1)))
        allowed_A = ALIKE_A + 2 * self._tenths.bench.u(CURRENT)
        alike = np.maximum(high, high[-1]) - np.minimum(low, low[-1]) <= allowed_A
        alike &= self._tenths.stays_closed(first, row + 1)
        if not alike[-1]:
            return
        for role in self._tenths.voltages:
            mean = self._tenths.of[role].mean[first : row + 1]
            known = mean[alike & ~np.isnan(mean)]
            if len(known) < 2 or not known.max() >= LEAST_V or np.isnan(mean[-1]):
                continue
            off = np.abs(known - mean[-1])
            if not off.max() > SHARE * abs(mean[-1]):  # nearly always
                continue
            rough = SURE * 1.5 * median(np.abs(np.diff(known)))
            if off.max() > SHARE * float(known.max()) + rough:
                at_ns = self._tenths.at_ns(row)
                before = float(known[off.argmax()])
                text = f"read {mean[-1]:.1f} V where it had read {before:.1f} V within the minute "
                text += f"before, while the pack current was the same to {allowed_A:.1f} A: no load"
                yield Remark(role, "wrong", text + " of the run explains it", at_ns)


def _around(column: Floats, first: int, row: int, way: int) -> Floats:
    """The lowest (``way`` -1) or highest of each tenth and those beside it; NaN if it gave none."""
    padded = np.concatenate((np.full(REACH, np.nan), column, np.full(REACH, np.nan)))
    rows = np.arange(first, row + 1)[:, None] + np.arange(2 * REACH + 1)
    highest: Floats = way * np.fmax.reduce(way * padded[rows], axis=1)
    return highest
