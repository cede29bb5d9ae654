"""Readings that stopped, or that a gateway renews only now and then.

What is measured flickers by its last digits. One that flickered while less went on, and then
repeats one value to the bit, has stopped; so has a link that stops in the midst of its fall, where
it never read so little before; one whose changes all lie far apart was not measured in between.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from canscope.model.bench import POLES, SAFE_V, Bench
from canscope.model.differences import differences_from
from canscope.model.history import LOOK_BACK_NS, History, step_at
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Bools, Floats, Int64s
from canscope.trust.remark import Remark

PEDALS = ("driver.pedal", "driver.pedal_2")
MONITOR = "pack.insulation"  # it measures for seconds, and may be renewed as seldom
FEWEST, SHORTEST_NS = 40, 4 * SECOND_NS // 5  # readings of one value: 0.61 ** 40 are 3 in 10 ** 9
# The same at the end of all that it read: few places to be. One that flickers by more of its steps
# repeats a value more seldom: 0.4 / spread is the chance of it, if Gaussian, and fewer will do.
FLAT, FEWEST_FLAT, FLAT_NS, CHANCE = 16, 6, SECOND_NS // 10, 1e-6
BLOCK = 64  # readings in which it is looked for a flicker
LIVELY = 0.4  # share that differs from the one before
# Of its steps, by which it spreads, 0.29 of them by rounding: the noise of 0.58 steps that is left
# leaves it at one value in 61 of 100 readings at most, in the middle of a step.
SPREAD = 0.65
WHITE = 1.0  # times their spread that neighbours differ by: noise, and no load that wavers
BLOCKS = 2  # that flickered, before anything is said
LEAST_V = SAFE_V  # a link below may read nothing at all
OPEN, CLOSED, TURNING = range(3)  # what goes on: the more, the more a reading flickers
CHANGES = 8  # of the value, before which nothing is said of its renewal
FALL_NS, FELL_V, FELL_STEPS = SECOND_NS // 10, 2.0, 6.0  # in which a link fell as it stopped
STAYS_NS = 2 * SECOND_NS  # at least, for which it then stands
SLOWEST_S = 120.0  # of a passive discharge
CYCLES, RENEWED_NS = 5, 200 * 10**6  # between any two changes
NEVER_NS = 2**62
# All of them: common practice, no source.


@dataclass(frozen=True)
class Flat:
    """Readings of one value in a row: the code (see ``Rest.ends``), and how many since when."""

    code: int = -NEVER_NS
    count: int = 0
    since_ns: int = 0
    value: str = ""


@dataclass
class Rest:
    """One role: its last value, since when it has been repeated, and how its changes lie apart.

    ``flickers`` counts the blocks in which it flickered, ``lively_ns`` is when they were enough;
    both by what went on at most.
    """

    raw: int | None = None
    since_ns: int = 0
    count: int = 0
    changes: int = 0
    nearest_ns: int = NEVER_NS  # the shortest time between two changes
    stopped: bool = False
    last_ns: int = 0
    # Highest code, and the lowest with its sign turned; where it stood there for longest.
    ends: list[int] = field(default_factory=lambda: [-NEVER_NS] * 2)
    flat: list[Flat] = field(default_factory=lambda: [Flat()] * 2)
    spread: float = np.inf  # in steps, the least of all blocks that flickered
    times: Int64s = field(default_factory=lambda: np.zeros(0, np.int64))  # of the open block
    raws: Int64s = field(default_factory=lambda: np.zeros(0, np.int64))
    flickers: list[int] = field(default_factory=lambda: [0] * 3)
    lively_ns: list[int] = field(default_factory=lambda: [NEVER_NS] * 3)


class Stopped:
    """Follows high voltage, 12 V and what moves units over one segment.

    That it is renewed seldom is asked of all of them, that it stopped not of pedals and shafts.
    """

    def __init__(self, bench: Bench) -> None:
        self._links = tuple(bench.link_roles().values())
        steady = ("pack.voltage", "pack.current", "supply.voltage", MONITOR, *self._links)
        moving = [unit.role(word) for unit in bench.units for word in ("speed", "torque")]
        roles = (*steady, *PEDALS, *moving)
        self._rests = {role: Rest() for role in roles if role in bench.bindings}
        self._steady = frozenset(steady)
        self._poles = [role for pole in POLES if (role := f"contactors.{pole}") in bench.bindings]
        self._bench = bench

    def feed(self, new: Mapping[str, Samples], history: History) -> Iterator[Remark]:
        """What is wrong with the new samples, which are already in ``history``."""
        for role, rest in self._rests.items():
            samples = new[role].known if role in new else None
            if samples is None or not len(samples) or rest.stopped:
                continue
            if role in self._steady:
                self._blocks(rest, samples, history)
            remark = self._follow(role, rest, samples, history)
            if remark is not None:
                rest.stopped = True
                yield remark

    def finish(self, history: History) -> Iterator[Remark]:
        """What is known at the end: a reading that is clipped, or seldom renewed."""
        for role, rest in self._rests.items():
            if not rest.stopped:
                yield from self._clipped(role, rest)
            cycle_ms = history.cycle_ms(role)
            if rest.changes < CHANGES or cycle_ms is None or role == MONITOR:
                continue
            if rest.nearest_ns >= max(CYCLES * cycle_ms * 1e6, RENEWED_NS):
                text = f"changed {rest.changes} times, never within {rest.nearest_ns / 1e6:.0f} ms "
                text += f"of the last time, though it is sent every {cycle_ms:.0f} ms: it is "
                text += "renewed seldom, and old in between"
                yield Remark(role, "late renewal", text, rest.since_ns)

    def _follow(self, role: str, rest: Rest, samples: Samples, history: History) -> Remark | None:
        raw, times = samples.raw, samples.time_ns
        before = int(raw[0]) if rest.raw is None else rest.raw
        rows = differences_from(before, raw).nonzero()[0]
        if rest.raw is None:
            rest.since_ns = rest.last_ns = int(times[0])
        starts = np.concatenate(([rest.since_ns], times[rows]))
        ends = np.concatenate((np.where(rows > 0, times[rows - 1], rest.last_ns), times[-1:]))
        edges = np.concatenate(([-rest.count], rows, [len(raw)]))
        counts = edges[1:] - edges[:-1]
        codes = np.concatenate(([before], raw[rows]))
        if len(rows):
            gaps = np.diff(starts)
            gaps = gaps if rest.changes else gaps[1:]  # the first value began before the recording
            rest.nearest_ns = int(np.min(gaps, initial=rest.nearest_ns))
            rest.changes += len(rows)
        rest.raw, rest.since_ns, rest.count = int(raw[-1]), int(starts[-1]), int(counts[-1])
        rest.last_ns = int(times[-1])
        if role not in self._steady:
            return None
        lasted_ns = ends - starts
        for row in np.flatnonzero(lasted_ns >= STAYS_NS).tolist() if role in self._links else ():
            remark = self._falling(role, int(starts[row]), int(ends[row]), history)
            if remark is not None:
                return remark
        for row in np.flatnonzero((counts >= FEWEST) & (lasted_ns >= SHORTEST_NS)).tolist():
            value = self._unlikely(role, rest, int(starts[row]), FEWEST, SHORTEST_NS, history)
            if value is not None:
                text = f"stopped: it flickered from reading to reading, and then repeated {value} "
                text += f"to the bit for {SHORTEST_NS / SECOND_NS:g} s and more"
                return Remark(role, "stopped", text, int(starts[row]))
        for side, sign in enumerate((1, -1)):
            reached = np.maximum.accumulate(np.append(rest.ends[side], sign * codes))
            flat = (counts >= FEWEST_FLAT) & (lasted_ns >= FLAT_NS)
            flat &= sign * codes >= reached[:-1]
            for row in np.flatnonzero(flat).tolist():
                code, count, since_ns = int(sign * codes[row]), int(counts[row]), int(starts[row])
                known = rest.flat[side]
                if (code, count) <= (known.code, known.count):
                    continue
                value = self._unlikely(role, rest, since_ns, FEWEST_FLAT, FLAT_NS, history)
                if value is not None:
                    rest.flat[side] = Flat(code, count, since_ns, value)
            rest.ends[side] = int(reached[-1])
        return None

    def _falling(self, role: str, since_ns: int, until_ns: int, history: History) -> Remark | None:
        """Whether a link stopped in the midst of its fall, where it never read so little before.

        What an active discharge leaves, a passive one empties on: in SLOWEST_S by 1 - 1/e.
        """
        every = history.samples(role).between(since_ns - LOOK_BACK_NS, until_ns + 1).known
        row = int(every.time_ns.searchsorted(since_ns))
        first = int(every.time_ns.searchsorted(since_ns - FALL_NS))
        if row < BLOCK or first >= row - 2:
            return None
        value, step = float(every.value[row]), 2 * self._bench.bindings[role].half_step
        fell, lowest = float(every.value[first]) - value, float(every.value[: row - 1].min())
        if fell < max(FELL_V, FELL_STEPS * step) or value < lowest + max(FELL_V, 2 * step):
            return None
        if value >= LEAST_V:  # a load may hold it there; and one that stays there fails
            return None
        sure_ns = max(STAYS_NS, round(1.5 * SLOWEST_S * step / value * SECOND_NS))
        if until_ns - since_ns < sure_ns:
            return None
        stays = every.between(since_ns, since_ns + sure_ns).time_ns
        if not step_at(history.samples("@awake"), stays).all():
            return None
        text = f"stopped at {value:.4g} {self._bench.bindings[role].unit} in the midst of a fall by"
        text += f" {fell:.1f} V in {FALL_NS / 1e6:.0f} ms, and repeated it to the bit, though it"
        text += f" had read {lowest:.4g} V before"
        return Remark(role, "stopped", text, since_ns)

    def _clipped(self, role: str, rest: Rest) -> Iterator[Remark]:
        """A reading that never went beyond a level at which it stood for a while."""
        for side, word in enumerate(("above", "below")):
            flat = rest.flat[side]
            if not flat.value or flat.code != rest.ends[side]:
                continue
            chance = min(0.4 / rest.spread, 0.61)
            if flat.count >= min(max(1 + np.log(CHANCE) / np.log(chance), FEWEST_FLAT), FLAT):
                text = f"may be clipped: it flickers from reading to reading, never read {word} "
                text += f"{flat.value}, and repeated that to the bit in {flat.count} readings"
                yield Remark(role, "stopped", text, flat.since_ns)

    def _blocks(self, rest: Rest, samples: Samples, history: History) -> None:
        """Look for a flicker in every whole block of readings."""
        if rest.lively_ns[OPEN] < NEVER_NS:
            return
        times = np.concatenate((rest.times, samples.time_ns))
        raw = np.concatenate((rest.raws, samples.raw))
        whole = len(raw) // BLOCK * BLOCK
        rest.times, rest.raws = times[whole:], raw[whole:]
        times, raw = times[:whole].reshape(-1, BLOCK), raw[:whole].reshape(-1, BLOCK)
        rows, spread = _flickering(raw)
        if len(rows):
            calm = ~self._switched(history, times[rows, 0], times[rows, -1])
            rows, spread = rows[calm], spread[calm]
        going_on = self._goes_on(history, times[rows].ravel()).reshape(-1, BLOCK).max(axis=1)
        ends = zip(times[rows, -1].tolist(), going_on.tolist(), spread.tolist(), strict=True)
        for end_ns, went_on, wide in ends:
            if rest.lively_ns[OPEN] < NEVER_NS:
                return
            rest.spread = min(rest.spread, wide)
            rest.flickers[went_on] += 1
            if rest.flickers[went_on] == BLOCKS:
                rest.lively_ns[went_on] = end_ns

    def _goes_on(self, history: History, times_ns: Int64s) -> Int64s:
        """What goes on at these instants: all open, a contactor closed, a unit turning."""
        closed = step_at(history.samples("@engaged"), times_ns) == 1
        found = np.where(closed, CLOSED, OPEN)
        for unit in self._bench.units:
            turns = step_at(history.samples(f"@turning.{unit.name}"), times_ns) == 1
            found = np.where(turns, TURNING, found)
        return found

    def _switched(self, history: History, from_ns: Int64s, until_ns: Int64s) -> Bools:
        """Whether a contactor switched in these blocks: it moves whatever is read, once."""
        found = np.zeros(len(from_ns), np.bool_)
        for role in self._poles:
            states = history.samples(role).known
            at_ns = states.time_ns[1:][np.diff(states.raw) != 0]
            found |= at_ns.searchsorted(until_ns, "right") > at_ns.searchsorted(from_ns)
        return found

    def _unlikely(
        self,
        role: str,
        rest: Rest,
        since_ns: int,
        fewest: int,
        least_ns: int,
        history: History,
    ) -> str | None:
        """The value that it repeats from then on, if it flickered before, with no more going on."""
        every = history.samples(role).known
        row = int(every.time_ns.searchsorted(since_ns))
        last = max(int(every.time_ns.searchsorted(since_ns + least_ns)), row + fewest - 1)
        times = every.time_ns[row : last + 1]
        # Whatever is sent once nodes may sleep, or beside it, says nothing.
        awake = step_at(history.samples("@awake"), times)
        value = float(every.value[row])
        least = LEAST_V if role.endswith("voltage") and role != "supply.voltage" else 0.0
        if not awake.all() or abs(value) <= max(least, self._bench.u(role)):
            return None
        went_on = int(self._goes_on(history, times).min())
        if min(rest.lively_ns[: went_on + 1]) > since_ns:
            return None
        return f"{value:.4g} {self._bench.bindings[role].unit}"


def _flickering(raw: Int64s) -> tuple[Int64s, Floats]:
    """The blocks of readings that are noise of more than half a step, which shows at any level.

    And by how many of their steps they spread. Neighbours have to differ as much: one that toggles
    between two steps, with less noise, spreads as far where its level moves as well.
    """
    ways = np.abs(np.diff(raw, axis=1))
    lively = np.count_nonzero(ways, axis=1) >= LIVELY * (BLOCK - 1)
    step = np.where(ways > 0, ways, np.iinfo(np.int64).max).min(axis=1, initial=NEVER_NS)
    spread = np.std(raw, axis=1)
    beside = np.sqrt(np.mean(ways.astype(np.float64) ** 2, axis=1))
    noise = (beside >= WHITE * spread) & (np.minimum(spread, beside / 2**0.5) >= SPREAD * step)
    rows = np.flatnonzero(lively & noise)
    return rows, spread[rows] / step[rows]
