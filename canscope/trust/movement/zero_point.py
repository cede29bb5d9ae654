"""Does a reading come to zero where what it measures is zero?

A unit stands still some time, an inverter without a link gives no torque, and a link with a bleed
is empty some seconds after it was cut off. A level that stays away from zero then is an offset, or
something is really there; either way the reading proves nothing that rests on it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from canscope.model.bench import Bench
from canscope.model.history import History, step_at
from canscope.model.median import distinct, medians
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Bools, Int64s
from canscope.trust.remark import Remark

REQUEST = "driver.direction"
FEWEST = 5  # readings in a second
STILL_RPM = 10.0  # a resolver's own noise has a smaller median
IDLE_NM = 3.0  # a current sensor's offset amounts to less
EMPTY_SHARE = 0.04  # of nominal voltage: a link's sensor is right to 3 % of its range
# A passive bleed empties it from 400 to below 60 V within 120 s: by 3.1 % in 2 s; half of that.
LASTS_S, BLED_SHARE = 2, 0.015
# All of these: common practice, no source.


@dataclass
class Level:
    """One role: the seconds in which it has to be zero so far, and the lowest level of them."""

    seconds: int = 0
    lowest: float = float("inf")  # magnitude, over all seconds of the run
    value: float = 0.0  # at that lowest one
    at_ns: int = 0
    recent: tuple[float, ...] = ()  # levels of a link while all is open, second by second


class ZeroPoint:
    """Follows speeds, torques and links of one segment, second by second."""

    def __init__(self, bench: Bench, start_ns: int) -> None:
        self._bench = bench
        self._next = -(-start_ns // SECOND_NS)  # the next whole second
        words = ("speed", "torque", "link_voltage")
        roles = [unit.role(word) for unit in bench.units for word in words]
        self._links = frozenset(bench.link_roles().values())
        self._levels = {role: Level() for role in roles if bench.has(role)}
        self._told: set[str] = set()

    def feed(self, history: History, until_ns: int) -> Iterator[Remark]:
        """What is wrong in the whole seconds before an instant."""
        first, self._next = self._next, max(self._next, until_ns // SECOND_NS)
        starts_ns = np.arange(first, self._next) * SECOND_NS
        idle = self._idle(history, starts_ns).tolist()
        for role, level in self._levels.items():
            unasked = self._unasked(role, history, starts_ns)
            for row, value in _medians(history.samples(role).known, starts_ns):
                remark = self._follow(role, level, value, int(starts_ns[row]), idle=idle[row])
                if remark is None and unasked[row] and abs(value) > IDLE_NM:
                    text = f"read {value:.1f} Nm at standstill in neutral, where nobody asks for "
                    text += "any: an offset, or another quantity"
                    remark = Remark(role, "wrong", text, int(starts_ns[row]))
                if remark is not None and role not in self._told:
                    self._told.add(role)
                    yield remark

    def finish(self) -> Iterator[Remark]:
        """Speeds that never came to zero in a run that had the time for it."""
        for role, level in self._levels.items():
            if not role.endswith(".speed") or level.seconds < 2 or level.lowest <= STILL_RPM:
                continue
            text = f"never came to zero: {level.value:.0f} rpm is the least that it read, also "
            yield Remark(role, "wrong", text + "with all contactors open", level.at_ns)

    def _idle(self, history: History, starts_ns: Int64s) -> Bools:
        """Whether all poles were open and nodes had to speak throughout each second."""
        at_ns = (starts_ns[:, None] + np.arange(5) * (SECOND_NS // 4)).ravel()
        engaged = step_at(history.samples("@engaged"), at_ns)
        awake = step_at(history.samples("@awake"), at_ns)
        quiet: Bools = ((engaged == 0) & (awake == 1)).reshape(-1, 5).all(axis=1)
        return quiet & self._poles

    def _unasked(self, role: str, history: History, starts_ns: Int64s) -> Bools:
        """Whether a unit stood in neutral, all along each second and the one before it.

        All of them are not, where it is not the role of a torque.
        """
        unit, _, word = role.rpartition(".")
        if word != "torque" or not self._bench.has(REQUEST, f"{unit}.speed"):
            return np.zeros(len(starts_ns), np.bool_)
        at_ns = (starts_ns[:, None] + np.arange(-4, 5) * (SECOND_NS // 4)).ravel()
        quiet = step_at(history.samples(REQUEST), at_ns) == 0
        quiet &= np.abs(step_at(history.samples(f"{unit}.speed"), at_ns)) < 2 * STILL_RPM
        quiet &= step_at(history.samples("@awake"), at_ns) == 1
        return np.asarray(quiet.reshape(-1, 9).all(axis=1))

    @property
    def _poles(self) -> bool:
        return self._bench.has("contactors.negative", "contactors.positive")

    def _follow(
        self, role: str, level: Level, value: float, start_ns: int, *, idle: bool
    ) -> Remark | None:
        size = abs(value)
        level.seconds += idle
        if size < level.lowest:
            level.lowest, level.value, level.at_ns = size, value, start_ns
        if role in self._links:
            return self._link(role, level, value, start_ns, idle=idle)
        if size > IDLE_NM and idle and role.endswith(".torque"):
            text = f"read {value:.1f} Nm with all contactors open, where no inverter gives any: "
            return Remark(role, "wrong", text + "an offset, or another quantity", start_ns)
        return None

    def _link(
        self, role: str, level: Level, value: float, start_ns: int, *, idle: bool
    ) -> Remark | None:
        """Whether a link that a bleed empties stays where it is."""
        if self._bench.bleed not in ("active", "passive") or not idle:
            level.recent = ()
            return None
        level.recent = (*level.recent, value)[-LASTS_S - 1 :]
        least_V = EMPTY_SHARE * (self._bench.nominal_voltage_V or 400.0)
        before = level.recent[0]
        if len(level.recent) <= LASTS_S or min(before, value) < least_V:
            return None
        if before - value >= BLED_SHARE * before:
            return None
        text = f"stayed at {value:.0f} V for {LASTS_S} s with all contactors open and a bleed that "
        text += "empties it: an offset, or something feeds it"
        return Remark(role, "wrong", text, start_ns, code="holds-open")


def _medians(known: Samples, starts_ns: Int64s) -> list[tuple[int, float]]:
    """Row and median of each second that has readings enough, in its order."""
    edges = known.time_ns.searchsorted(np.append(starts_ns, starts_ns[-1:] + SECOND_NS))
    counts, levels = np.diff(edges), np.zeros(len(starts_ns))
    for size in distinct(counts[counts >= FEWEST]).tolist():
        rows = (counts == size).nonzero()[0]
        levels[rows] = medians(known.value[edges[rows][:, None] + np.arange(size)])
    enough = (counts >= FEWEST).nonzero()[0]
    return list(zip(enough.tolist(), levels[enough].tolist(), strict=True))
