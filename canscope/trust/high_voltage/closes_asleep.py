"""Does a contactor's state read closed again after key-off?

A node that is being switched off may send anything with its last frames. One that goes on and says
that a pole has closed, where nobody asks for it any more, is not to be believed; or it is true.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from canscope.model.bench import POLES, Bench
from canscope.model.history import History, step_at
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS
from canscope.trust.remark import Remark

FEWEST, LASTS_NS = 3, SECOND_NS // 5  # readings, and for how long; common practice, no source


class ClosesAsleep:
    """Follows every pole of one segment."""

    def __init__(self, bench: Bench) -> None:
        self._last = {role: 1.0 for p in POLES if bench.has(role := f"contactors.{p}")}
        self._since: dict[str, tuple[int, int]] = {}  # of each that closed so: when, and readings

    def feed(self, new: Mapping[str, Samples], history: History) -> Iterator[Remark]:
        """Poles that close after key-off, in this piece; ``new`` is already in ``history``."""
        for role, before in self._last.items():
            state = new[role].known if role in new else None
            if state is None or not len(state):
                continue
            self._last[role] = float(state.value[-1])
            asleep = step_at(history.samples("@awake"), state.time_ns) == 0
            if not asleep.any():
                self._since.pop(role, None)
                continue
            first = int(np.argmax(asleep))  # what lies before it is most of a run
            if first:
                before = float(state.value[first - 1])
                self._since.pop(role, None)
            columns = (column[first:].tolist() for column in (state.time_ns, state.value, asleep))
            for time_ns, value, sleeps in zip(*columns, strict=True):
                closed = sleeps and value == 1
                if closed and (before == 0 or role in self._since):
                    begin_ns, count = self._since.get(role, (time_ns, 0))
                    self._since[role] = (begin_ns, count + 1)
                    if count + 1 >= FEWEST and time_ns - begin_ns >= LASTS_NS:
                        text = f"read closed for {LASTS_NS / SECOND_NS:g} s and more after key-off"
                        yield Remark(role, "wrong", text + ", when nothing asks for it", begin_ns)
                elif not closed:
                    self._since.pop(role, None)
                before = value
