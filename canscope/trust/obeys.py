"""Does a contactor's state ever follow its command?

A contact follows its coil within tens of ms, and a box may wait for the current to end before it
opens; a state that still says otherwise long after its command changed has stopped, or the contact
is welded or does not pull in.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from canscope.model.bench import POLES, Bench
from canscope.model.history import History
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS
from canscope.trust.remark import Remark

LATE_NS = 3 * SECOND_NS  # common practice, no source


class Obeys:
    """Follows every pole that has a state and a command, over one segment."""

    def __init__(self, bench: Bench) -> None:
        roles = [f"contactors.{pole}" for pole in POLES]
        self._apart_ns: dict[str, int | None] = {
            role: None for role in roles if bench.has(role, f"{role}.command")
        }
        self._bench = bench

    def feed(self, new: Mapping[str, Samples], history: History) -> Iterator[Remark]:
        """States of this piece (already in ``history``) that are late for their command."""
        for role in self._apart_ns:
            state = new[role].known if role in new else None
            command = history.samples(f"{role}.command").known
            if state is None or not len(state) or not len(command):
                continue
            row = np.searchsorted(command.time_ns, state.time_ns, "right") - 1
            asked = np.where(row >= 0, command.value[np.maximum(row, 0)], state.value)
            alike = asked == state.value
            since_ns = self._apart_ns[role]
            changed = np.flatnonzero(np.diff(alike, prepend=since_ns is None))
            starts = state.time_ns[changed][~alike[changed]].tolist()
            if since_ns is not None:
                starts.insert(0, since_ns)
            ends = state.time_ns[changed][alike[changed]].tolist()
            self._apart_ns[role] = None if alike[-1] else starts[-1]
            ends += [] if alike[-1] else [int(state.time_ns[-1])]
            for begin_ns, end_ns in zip(starts, ends, strict=True):
                if end_ns - begin_ns >= LATE_NS:
                    at = int(state.time_ns.searchsorted(begin_ns).clip(0, len(state) - 1))
                    word, order = ("closed", "open") if state.value[at] == 1 else ("open", "closed")
                    key = self._bench.bindings[f"{role}.command"].key
                    text = f"still said {word} {LATE_NS / SECOND_NS:g} s after {key} said {order}"
                    yield Remark(role, "wrong", text, begin_ns)
