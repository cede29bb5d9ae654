"""Is the brake a signal of its own, or is it made from the pedal?

A foot that leaves one pedal takes its time to the other. A brake that changes whenever the pedal
leaves its rest or comes back to it, both ways, within a tenth of a second, and never otherwise, is
computed from the pedal.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from canscope.model.bench import Bench
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Floats, Int64s
from canscope.trust.remark import Remark

PEDAL, BRAKE = "driver.pedal", "driver.brake"
REST_PERCENT = 3.0
TOGETHER_NS = SECOND_NS // 10  # besides a cycle of each
EDGES, MOST = 4, 64  # of the pedal, before anything is said, and that are kept
# All of them: common practice, no source.


class Edges:
    """When a state last read one way and first the other: (before, after) in ns, the first few."""

    def __init__(self) -> None:
        self.found: list[tuple[int, int]] = []
        self._last: tuple[int, bool] | None = None

    def feed(self, times: Int64s, on: Floats) -> None:
        """Take in readings in time order; 1 is on."""
        for row in np.flatnonzero(np.diff(on, prepend=on[:1])).tolist():
            self.found.append((int(times[row - 1]), int(times[row])))
        if self._last is not None and bool(on[0]) != self._last[1]:
            self.found.append((self._last[0], int(times[0])))
        self.found = sorted(self.found)[: MOST + 1]
        self._last = int(times[-1]), bool(on[-1])


class Feet:
    """Follows pedal and brake over one segment."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._edges = {PEDAL: Edges(), BRAKE: Edges()} if bench.has(PEDAL, BRAKE) else {}

    def feed(self, new: Mapping[str, Samples]) -> None:
        """Take in the new samples."""
        for role, edges in self._edges.items():
            known = new[role].known if role in new else None
            if known is not None and len(known):
                least = REST_PERCENT if role == PEDAL else 0.5
                edges.feed(known.time_ns, (known.value > least).astype(np.float64))

    def finish(self) -> Iterator[Remark]:
        """What is known at the end: a brake that changed with the pedal, and never otherwise."""
        if not self._edges:
            return
        pedal, brake = self._edges[PEDAL].found, self._edges[BRAKE].found
        if not EDGES <= len(pedal) <= MOST or len(brake) != len(pedal):
            return
        apart = (
            max(one[0] - other[1], other[0] - one[1])
            for one, other in zip(pedal, brake, strict=True)
        )
        if max(apart) <= TOGETHER_NS:
            key = self._bench.bindings[PEDAL].key
            text = f"changed {len(brake)} times, each time within a tenth of a second of {key} "
            text += "leaving its rest or coming back to it, as no foot does: it may be made of it"
            yield Remark(BRAKE, "wrong", text, brake[-1][1])
