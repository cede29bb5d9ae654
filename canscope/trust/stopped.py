"""Readings of high voltage and 12 V that stopped, or that a gateway renews only now and then.

What is measured flickers by its last digits. One that flickered at rest and then repeats one value
to the bit has stopped; one whose changes all lie far apart was not measured in between.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from canscope.model.bench import Bench
from canscope.model.history import History, step_at
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS
from canscope.trust.remark import Remark

MONITOR = "pack.insulation"  # it measures for seconds, and may be renewed as seldom
FEWEST, SHORTEST_NS = 100, 2 * SECOND_NS  # readings of one value, which no flicker leaves so long
BEFORE, CODES = 64, 4  # readings before it, among so many values
LIVELY = 0.7  # of them differ from the one before
WHITE = 1.0  # times their spread that neighbours differ by: noise, and no load that wavers
LEAST_V = 60.0  # a link below may read nothing at all
CHANGES = 8  # of the value, before which nothing is said of its renewal
CYCLES, RENEWED_NS = 5, 200 * 10**6  # between any two changes
# All of them: common practice, no source.


@dataclass
class Rest:
    """One role: its last value, since when it has been repeated, and how its changes lie apart."""

    raw: int | None = None
    since_ns: int = 0
    count: int = 0
    changes: int = 0
    nearest_ns: int = 2**62  # the shortest time between two changes
    stopped: bool = False


class Stopped:
    """Follows pack voltage and current, links and 12 V over one segment."""

    def __init__(self, bench: Bench) -> None:
        fast = ("pack.voltage", "pack.current", "supply.voltage")
        roles = (*fast, MONITOR, *bench.link_roles().values())
        self._rests = {role: Rest() for role in roles if role in bench.bindings}
        self._bench = bench

    def feed(self, new: Mapping[str, Samples], history: History) -> Iterator[Remark]:
        """What is wrong with the new samples, which are already in ``history``."""
        for role, rest in self._rests.items():
            samples = new[role].known if role in new else None
            if samples is None or not len(samples) or rest.stopped:
                continue
            remark = self._follow(role, rest, samples, history)
            if remark is not None:
                rest.stopped = True
                yield remark

    def finish(self, history: History) -> Iterator[Remark]:
        """What is known at the end: a reading that is seldom renewed."""
        for role, rest in self._rests.items():
            cycle_ms = history.cycle_ms(role)
            if rest.changes < CHANGES or cycle_ms is None or role == MONITOR:
                continue
            if rest.nearest_ns >= max(CYCLES * cycle_ms * 1e6, RENEWED_NS):
                text = f"changed {rest.changes} times, never within {rest.nearest_ns / 1e6:.0f} ms "
                text += f"of the last time, though it is sent every {cycle_ms:.0f} ms: it is "
                text += "renewed seldom, and old in between"
                yield Remark(role, "late renewal", text, rest.since_ns)

    def _follow(self, role: str, rest: Rest, samples: Samples, history: History) -> Remark | None:
        before = int(samples.raw[0]) if rest.raw is None else rest.raw
        rows = np.flatnonzero(np.diff(samples.raw, prepend=before))
        if rest.raw is None:
            rest.since_ns = int(samples.time_ns[0])
        starts = [rest.since_ns, *samples.time_ns[rows].tolist()]
        ends = [*samples.time_ns[rows - 1].tolist(), int(samples.time_ns[-1])]
        counts = np.diff(np.concatenate(([-rest.count], rows, [len(samples)]))).tolist()
        if len(rows):
            gaps = np.diff(starts)
            gaps = gaps if rest.changes else gaps[1:]  # the first value began before the recording
            rest.nearest_ns = int(np.min(gaps, initial=rest.nearest_ns))
            rest.changes += len(rows)
        rest.raw, rest.since_ns, rest.count = int(samples.raw[-1]), starts[-1], counts[-1]
        for start_ns, end_ns, count in zip(starts, ends, counts, strict=True):
            if count >= FEWEST and end_ns - start_ns >= SHORTEST_NS:
                remark = self._stopped(role, start_ns, history)
                if remark is not None:
                    return remark
        return None

    def _stopped(self, role: str, since_ns: int, history: History) -> Remark | None:
        """Whether it flickered at rest before it began to repeat one value."""
        every = history.samples(role).known
        row = int(every.time_ns.searchsorted(since_ns))
        # Whatever is sent once nodes may sleep, or beside it, says nothing.
        last = min(row + FEWEST, len(every)) - 1
        awake = step_at(history.samples("@awake"), every.time_ns[[row, last]])
        value = float(every.value[row])
        least = LEAST_V if role.endswith("voltage") and role != "supply.voltage" else 0.0
        if row < BEFORE or not awake.all() or abs(value) <= max(least, self._bench.u(role)):
            return None
        codes, values = every.raw[row - BEFORE : row], every.value[row - BEFORE : row]
        spread = float(np.std(values))
        steps = np.diff(values)
        lively = np.count_nonzero(steps) >= LIVELY * len(steps)
        lively &= float(np.sqrt(np.mean(steps**2))) >= WHITE * spread
        same = abs(value - float(np.median(values))) <= 3 * spread
        if not lively or not same or len(np.unique(codes)) < CODES:
            return None
        text = f"stopped: it flickered among {len(np.unique(codes))} values at rest, and then "
        text += f"repeated {value:.4g} {self._bench.bindings[role].unit} to the bit"
        return Remark(role, "stopped", text, since_ns)
