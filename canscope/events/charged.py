"""Where not both main contactors are bound: when a link came up to the pack's voltage, and left it.

That only lets one infer that the mains closed or opened in between: what rules judge by it may
fail, and is never proven.
"""

from __future__ import annotations

import numpy as np

from canscope.events.states import between
from canscope.model.bench import SAFE_V, Bench
from canscope.model.events import Event
from canscope.model.history import History
from canscope.model.signals import Samples
from canscope.model.tables import Int64s

REACHED = 0.95  # of the pack's voltage; common practice, no source
LEFT = 0.90  # likewise; apart from the other, so that ripple makes no events
RECENT_NS = 2 * 10**9  # an older pack voltage says nothing; likewise
LEAST_V = SAFE_V  # a pack below this is off or not measured


class Charged:
    """Follows every link against the pack, piece after piece."""

    def __init__(self, bench: Bench) -> None:
        usable = bench.has("pack.voltage") and not bench.mains_tell
        self._links = bench.link_roles() if usable else {}
        self._state: dict[str, tuple[bool, int]] = {}  # link -> charged, when last seen

    def feed(self, new: dict[str, Samples], history: History) -> list[Event]:
        """Events of kind ``link``, subject the unit, value 1 for reached and 0 for left."""
        events: list[Event] = []
        for name, role in self._links.items():
            samples = new.get(role)
            if samples is not None and len(samples):
                first_ns, last_ns = int(samples.time_ns[0]), int(samples.time_ns[-1])
                pack = history.samples("pack.voltage").between(first_ns - RECENT_NS, last_ns + 1)
                events += self._link(name, samples, pack)
        return sorted(events, key=lambda event: event.time_ns)

    def _link(self, name: str, link: Samples, pack: Samples) -> list[Event]:
        times, share = _shares(link, pack)
        known = np.flatnonzero((share >= REACHED) | (share < LEFT))
        times, charged = times[known], share[known] >= REACHED
        if not len(times):
            return []
        if name in self._state:
            before, when = self._state[name]
            times, charged = np.insert(times, 0, when), np.insert(charged, 0, before)
        self._state[name] = bool(charged[-1]), int(times[-1])
        return between("link", name, times, charged.astype(np.float64))


def _shares(link: Samples, pack: Samples) -> tuple[Int64s, np.ndarray]:
    """Each link reading in parts of the pack voltage last known before it."""
    seen = ~np.isnan(pack.value) & (pack.value >= LEAST_V)
    pack_ns, pack_V = pack.time_ns[seen], pack.value[seen]
    place = np.searchsorted(pack_ns, link.time_ns, "right") - 1
    usable = (place >= 0) & ~np.isnan(link.value)
    usable[usable] &= link.time_ns[usable] - pack_ns[place[usable]] <= RECENT_NS
    return link.time_ns[usable], link.value[usable] / pack_V[place[usable]]
