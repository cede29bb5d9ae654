"""Do pack and links give way though no load does?

A pack that carries the same current again, within a minute, has the same voltage again, but for
what it recovers by and what it was charged or discharged. Where pack and links fall or rise
together by more, nothing in the run is a load that explains it: all of them are wrong alike, or a
current flows past its sensor. Still less does a pack step to another voltage while the same current
goes on, or while all contactors are open. Likewise, where units stand still without torque, no more
flows than converters and pumps take.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from canscope.model.bench import MAINS, SAFE_V, Bench
from canscope.model.history import History, step_at
from canscope.model.median import median
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Bools, Floats, Int64s
from canscope.trust.remark import Remark
from canscope.trust.samples.clock_alignment import Alignment

PACK, CURRENT, BRAKE = "pack.voltage", "pack.current", "driver.brake"
RAD_S = 2 * np.pi / 60  # per rpm
# All common practice, no source.
BLOCK_NS = SECOND_NS // 10  # of which means are taken
KEPT = 600  # of them, that one is compared with
REACH = 3  # of them, by which current and voltages may come apart
CLOSED_NS = 2 * SECOND_NS  # since when both poles are closed: links have followed
ALIKE_A = 1.0  # that carries the same current
LEAST_V = SAFE_V  # of a pack of high voltage: of fewer cells an ampere takes a larger share
SHARE = 0.025  # of the voltage; a pack that rests after a load recovers by 1 or 2 %
SURE = 4.0  # times the noise of a mean
DIPS_TO = 0.9  # of a link that was full, as bus-sag allows
STEP, STEPS_IN = 0.012, 5  # of the voltage, which no pack steps by in half a second
WOKEN = 10  # tenths after which a node says no more what it likes
FED_A, FED_LASTS = 1.5, 20  # into the pack, beside the zero, for so many tenths
ZERO = 20  # tenths with all poles open, whose median is the zero
IDLE_NM, IDLE_RPM = 1.0, 15.0  # of a unit that takes nothing, beside half a step
STANDS_RPM, PUSH_NMS = 30.0, 10.0  # 1 kg m2, which no shaft on stands has, gains 95 rpm by it
SHAFTS, LOSS_W_NM = 2.0, 20.0  # times what shafts take, and of their units' losses by torque
TAKEN_W, LASTS = 3000.0, 3  # more than converters take, for so many tenths


@dataclass
class Means:
    """One role, tenth by tenth: its lowest, highest and mean value; NaN where it gave none."""

    low: Floats = field(default_factory=lambda: np.zeros(0))
    high: Floats = field(default_factory=lambda: np.zeros(0))
    mean: Floats = field(default_factory=lambda: np.zeros(0))


class Unloaded:
    """Follows pack and links of one segment, tenth by tenth; keeps the last minute."""

    def __init__(self, bench: Bench, start_ns: int) -> None:
        self._bench = bench
        self._next = -(-start_ns // BLOCK_NS)
        self._numbers = np.zeros(0, np.int64)
        self._closed = np.zeros(0, np.bool_)
        self._both = np.zeros(0, np.bool_)  # closed throughout, however short it has been
        self._open = np.zeros(0, np.bool_)  # all of them, and nodes awake
        self._woke: int | None = None  # the first tenth in which the pack said something
        asked = bench.has(CURRENT, *(f"contactors.{pole}" for pole in MAINS))
        circuit = [PACK, *bench.link_roles().values()] if asked else []
        self._voltages = [role for role in circuit if bench.has(role)]
        self._shafts = [unit.role(word) for unit in bench.units for word in ("torque", "speed")]
        self._found: dict[tuple[str, str], Remark] = {}  # by role and kind
        self._zeros: list[float] = []  # of the current, tenth by tenth, before any pole closed
        if not bench.has(PACK, *self._shafts):
            self._shafts = []
        self._pairs = list(zip(self._shafts[::2], self._shafts[1::2], strict=True))
        self._idles = bool(self._shafts) and bench.stage != "rolling"
        roles = (CURRENT, *self._voltages, *self._shafts)
        self._means = {role: Means() for role in roles} if asked else {}

    def feed(self, history: History, until_ns: int) -> None:
        """Take in the whole tenths before an instant."""
        first, self._next = self._next, max(self._next, until_ns // BLOCK_NS)
        if not self._voltages or self._next == first:
            return
        new = np.arange(first, self._next)
        self._take_in(new, history)
        # What lies beside the last of them is not known yet.
        for row in self._apart(len(new)):
            self._note(self._compare(row))
        self._note(self._steps(len(new)))
        self._note(self._dips(len(new)))
        for row in self._flows(len(new)) if self._shafts else ():
            if self._idles:
                self._note(self._takes(row))
            self._note(self._fed(row))
        if self._idles:
            self._note(self._pushes(len(new), history))
            self._note(self._wasted(len(new)))
        kept = slice(-KEPT - REACH, None)
        self._numbers, self._closed = self._numbers[kept], self._closed[kept]
        self._open, self._both = self._open[kept], self._both[kept]
        for means in self._means.values():
            means.low, means.high, means.mean = means.low[kept], means.high[kept], means.mean[kept]

    def finish(self, alignment: Alignment) -> Iterator[Remark]:
        """What was wrong first with each role, unless clocks that differ make it look so."""
        for remark in self._found.values():
            beside = (PACK, *self._shafts) if remark.role == CURRENT else ()
            if alignment.between(self._bench, (CURRENT, remark.role, *beside)) is None:
                yield remark

    def _note(self, remarks: Iterable[Remark]) -> None:
        for remark in remarks:
            self._found.setdefault((remark.role, remark.kind), remark)

    def _take_in(self, new: Int64s, history: History) -> None:
        at_ns = new * BLOCK_NS
        closed = history.samples("@closed")
        begun = step_at(closed, at_ns - CLOSED_NS) == 1
        stays = _changes(closed, at_ns - CLOSED_NS, at_ns + BLOCK_NS) == 0
        self._numbers = np.append(self._numbers, new)
        self._closed = np.append(self._closed, begun & stays)
        both = _changes(closed, at_ns, at_ns + BLOCK_NS) == 0
        self._both = np.append(self._both, both & (step_at(closed, at_ns) == 1))
        engaged, awake = history.samples("@engaged"), history.samples("@awake")
        open_ = step_at(engaged, at_ns) == 0
        stays = _changes(engaged, at_ns, at_ns + BLOCK_NS) == 0
        self._open = np.append(self._open, open_ & stays & (step_at(awake, at_ns) == 1))
        first = len(self._numbers) - len(new)
        for role, means in self._means.items():
            samples = history.samples(role).known
            edges = samples.time_ns.searchsorted(np.append(at_ns, at_ns[-1] + BLOCK_NS))
            low, high, mean = _each(samples.value, edges)
            means.low, means.high = np.append(means.low, low), np.append(means.high, high)
            means.mean = np.append(means.mean, mean)
        if len(self._zeros) < ZERO and self._means:
            zeros = self._means[CURRENT].mean[first:][open_]
            self._zeros += zeros[~np.isnan(zeros)].tolist()[: ZERO - len(self._zeros)]

    def _steps(self, new: int) -> Iterator[Remark]:
        """A pack that reads another voltage within half a second, though no load came or went."""
        pack = self._means.get(PACK)
        if pack is None or not len(pack.mean):
            return
        if self._woke is None and not np.isnan(pack.mean).all():
            self._woke = int(self._numbers[np.argmin(np.isnan(pack.mean))])
        end = len(self._numbers) - REACH
        after = np.arange(max(end - new, STEPS_IN + REACH), end)
        if self._woke is not None:
            after = after[self._numbers[after] - STEPS_IN - self._woke >= WOKEN]
        before = after - STEPS_IN
        off = np.abs(pack.mean[after] - pack.mean[before])
        level = np.minimum(pack.mean[after], pack.mean[before])
        u = 2 * self._bench.u(PACK)
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
            at_ns = int(self._numbers[row]) * BLOCK_NS
            if self._open[beside].all():
                yield Remark(PACK, "wrong", text + "with all contactors open", at_ns)
            amps = self._means[CURRENT]
            low, high = np.min(amps.low[beside]), np.max(amps.high[beside])
            if self._closed[beside].all() and high - low <= ALIKE_A + 2 * self._bench.u(CURRENT):
                text += f"while the pack current stayed within {low:.1f} to {high:.1f} A"
                yield Remark(PACK, "wrong", text + ": no load of the run explains it", at_ns)

    def _dips(self, new: int) -> Iterator[Remark]:
        """A link that was full as the contactors closed, and falls though they stay so.

        The two seconds after their closing, in which clocks of two buses need not agree yet.
        """
        end = len(self._numbers) - REACH
        rows = np.arange(max(end - new, REACH), end)
        fresh = rows[self._both[rows] & ~self._closed[rows]]
        for role in self._voltages if len(fresh) else ():
            means = self._means[role]
            for row in fresh.tolist():
                since = row - int(np.argmin(self._both[:row][::-1])) if row else row
                before = means.mean[max(since - REACH, 0) : row]
                full_V = float(np.fmax.reduce(before, initial=0.0))
                if not (full_V >= LEAST_V and means.low[row] < DIPS_TO * full_V):
                    continue
                if self._both[row : row + REACH + 1].all():
                    at_ns = int(self._numbers[row]) * BLOCK_NS
                    text = f"fell from {full_V:.0f} to {means.low[row]:.0f} V within 2 s of the "
                    text += "contactors' closing, though they read closed on: one of them opens, or"
                    yield Remark(role, "wrong", text + " its sensor is wrong", at_ns)
                    break

    def _apart(self, new: int) -> list[int]:
        """The new tenths with both poles closed in which a voltage may be far from another one."""
        end = len(self._numbers) - REACH
        rows = np.arange(max(end - new, 0), end)
        closed = self._stays_closed(0, end) if len(rows) else np.zeros(0, np.bool_)
        if not closed.any():
            return []
        found = np.zeros(len(rows), np.bool_)
        for role in self._voltages:
            mean = self._means[role].mean[:end]
            low, high = np.fmin.reduce(mean[closed]), np.fmax.reduce(mean[closed])
            own = mean[rows]
            found |= np.maximum(high - own, own - low) > SHARE * np.abs(own)
        return [int(row) for row in rows[found & closed[rows]]]

    def _flows(self, new: int) -> list[int]:
        """The new tenths in which so much flows that nothing may take it, or give it."""
        end = len(self._numbers) - REACH
        rows = np.arange(max(end - new, FED_LASTS + REACH), end)
        if not len(rows):
            return []
        amps = self._means[CURRENT].mean[rows]
        found = np.abs(amps * self._means[PACK].mean[rows]) > TAKEN_W
        found |= amps < -FED_A + max(self._zeros, default=0.0)
        return [int(row) for row in rows[found & self._closed[rows - LASTS]]]

    def _stays_closed(self, first: int, end: int) -> Bools:
        """Which tenths end well before a pole reads open: it opened before its state said so."""
        ahead = sliding_window_view(self._closed[first : end + REACH], REACH + 1)
        return np.asarray(ahead.all(axis=1))

    def _compare(self, row: int) -> Iterator[Remark]:
        """One tenth with those of the minute before it that carried the same current."""
        amps = self._means[CURRENT]
        first = max(row - KEPT, 0)
        low, high = (_around(one, first, row, way) for one, way in ((amps.low, -1), (amps.high, 1)))
        allowed_A = ALIKE_A + 2 * self._bench.u(CURRENT)
        alike = np.maximum(high, high[-1]) - np.minimum(low, low[-1]) <= allowed_A
        alike &= self._stays_closed(first, row + 1)
        if not alike[-1]:
            return
        for role in self._voltages:
            mean = self._means[role].mean[first : row + 1]
            known = mean[alike & ~np.isnan(mean)]
            if len(known) < 2 or not known.max() >= LEAST_V or np.isnan(mean[-1]):
                continue
            off = np.abs(known - mean[-1])
            if not off.max() > SHARE * abs(mean[-1]):  # nearly always
                continue
            rough = SURE * 1.5 * median(np.abs(np.diff(known)))
            if off.max() > SHARE * float(known.max()) + rough:
                at_ns = int(self._numbers[row]) * BLOCK_NS
                before = float(known[off.argmax()])
                text = f"read {mean[-1]:.1f} V where it had read {before:.1f} V within the minute "
                text += f"before, while the pack current was the same to {allowed_A:.1f} A: no load"
                yield Remark(role, "wrong", text + " of the run explains it", at_ns)

    def _takes(self, row: int) -> Iterator[Remark]:
        """Whether more flows, for some tenths, than anything takes while no unit gives torque."""
        now = slice(row - LASTS + 1, row + 1)
        watt = self._means[PACK].mean[now] * self._means[CURRENT].mean[now]
        if not np.abs(watt).min() > TAKEN_W:  # nearly always
            return
        if not self._closed[now].all() or not self._still(row, LASTS):
            return
        amps = float(self._means[CURRENT].mean[row])
        text = f"read {amps:.1f} A, which are {np.abs(watt).min() / 1000:.1f} kW, while no unit "
        text += "turned or gave torque: nothing of the run takes it"
        yield Remark(CURRENT, "wrong", text, int(self._numbers[row]) * BLOCK_NS)

    def _fed(self, row: int) -> Iterator[Remark]:
        """Whether current flows into the pack for long, though no unit slows down."""
        now = slice(row - FED_LASTS + 1, row + 1)
        amps = self._means[CURRENT].mean[now]
        if len(self._zeros) < ZERO or not amps.max() < -FED_A + max(self._zeros):
            return
        least_A = FED_A + 2 * self._bench.u(CURRENT)
        zero_A = median(np.array(self._zeros))
        if not amps.max() < zero_A - least_A or not self._closed[now].all():
            return
        if self._still(row, FED_LASTS):
            text = f"read {amps.max():.1f} A and less for {FED_LASTS / 10:g} s, beside a zero of "
            text += f"{zero_A:.1f} A, while no unit turned: nothing of the run feeds the pack"
            yield Remark(CURRENT, "wrong", text, int(self._numbers[row]) * BLOCK_NS)

    def _wasted(self, new: int) -> Iterator[Remark]:
        """Whether far more flows, for some tenths, than shafts that turn take and their units lose.

        On stands: in rolling a heater or a pump may run as well. It is told, and is no doubt: the
        plan's ceiling of the current says how much may.
        """
        end = len(self._numbers) - REACH
        rows = np.arange(max(end - new, LASTS + REACH), end)
        volts, amps = self._means[PACK].mean, self._means[CURRENT].mean
        for row in rows[volts[rows] * amps[rows] > TAKEN_W].tolist():  # nearly never
            now, near = slice(row - LASTS + 1, row + 1), slice(row - LASTS - REACH, row + 1 + REACH)
            allowed_W, fastest_rpm = TAKEN_W, 0.0
            for shaft in self._pairs:
                most_Nm, most_rpm = (self._most(role, near) for role in shaft)
                fastest_rpm = max(fastest_rpm, most_rpm)
                allowed_W += (SHAFTS * most_rpm * RAD_S + LOSS_W_NM) * most_Nm
            least_W = float(np.min(volts[now] * amps[now]))
            if self._closed[now].all() and fastest_rpm > STANDS_RPM and least_W > allowed_W:
                text = f"read {np.min(amps[now]):.1f} A, which are {least_W / 1000:.1f} kW, while "
                text += f"shafts and losses took {allowed_W / 1000:.1f} kW at most: look for what "
                text += "takes the rest, such as a heater"
                yield Remark(CURRENT, "told", text, int(self._numbers[row]) * BLOCK_NS)
                return

    def _pushes(self, new: int, history: History) -> Iterator[Remark]:
        """A torque that would turn the heaviest shaft, and turns none, with the brake released."""
        end = len(self._numbers) - REACH
        rows = np.arange(max(end - new, LASTS + REACH), end)
        if not len(rows) or not self._bench.has(BRAKE):
            return
        for torque, speed in self._pairs:
            means = self._means[torque].mean
            for row in rows[np.abs(means[rows]) * LASTS / 10 > PUSH_NMS].tolist():  # seldom
                now, near = slice(row - LASTS + 1, row + 1), slice(row - LASTS, row + 1 + REACH)
                low, high = self._means[speed].low[near], self._means[speed].high[near]
                stands = max(-float(np.min(low)), float(np.max(high))) < STANDS_RPM
                push_Nms = abs(float(np.sum(means[now]))) / 10
                if not (stands and push_Nms > PUSH_NMS and self._closed[near].all()):
                    continue
                at_ns = self._numbers[near.start] * BLOCK_NS, (self._numbers[row] + 1) * BLOCK_NS
                brake = history.samples(BRAKE).known.between(int(at_ns[0]) - SECOND_NS, at_ns[1])
                if len(brake) and not (brake.value != 0).any():
                    text = f"pushed with {10 * push_Nms / LASTS:.0f} Nm for {LASTS / 10:g} s with "
                    text += "the brake released, and its shaft stood: something holds it, or the "
                    text += "torque is not what it gives"
                    yield Remark(torque, "wrong", text, int(at_ns[0]))
                    break

    def _still(self, row: int, lasts: int) -> bool:
        """Whether no unit turned or gave torque in so many tenths and beside them."""
        near = slice(row - lasts + 1 - REACH, row + 1 + REACH)
        for role in self._shafts:
            most = IDLE_RPM if role.endswith(".speed") else IDLE_NM
            if not self._most(role, near) <= most + self._bench.u(role):
                return False
        return True

    def _most(self, role: str, near: slice) -> float:
        """The largest magnitude that a role read in these tenths; NaN if it gave none."""
        means = self._means[role]
        return max(-float(np.fmin.reduce(means.low[near])), float(np.fmax.reduce(means.high[near])))


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


def _around(column: Floats, first: int, row: int, way: int) -> Floats:
    """The lowest (``way`` -1) or highest of each tenth and those beside it; NaN if it gave none."""
    padded = np.concatenate((np.full(REACH, np.nan), column, np.full(REACH, np.nan)))
    rows = np.arange(first, row + 1)[:, None] + np.arange(2 * REACH + 1)
    highest: Floats = way * np.fmax.reduce(way * padded[rows], axis=1)
    return highest
