"""Changes of driver inputs, contactors and requests, from sampled states."""

from __future__ import annotations

import numpy as np

from canscope.model.bench import POLES, Bench
from canscope.model.events import Event
from canscope.model.signals import Samples
from canscope.model.tables import Floats, Int64s

# role -> (kind, subject) of the events that its changes make
WATCHED = {
    "driver.brake": ("brake", ""),
    "driver.ignition": ("ignition", ""),
    "driver.emergency_stop": ("emergency-stop", ""),
    "driver.direction": ("direction", ""),
    **{f"contactors.{pole}": ("pole", pole) for pole in POLES},
    **{f"contactors.{pole}.command": ("command", pole) for pole in POLES},
}


class Changes:
    """Turns the samples of every watched state into events, piece after piece.

    A sample without value (unknown code, not available) is no change: what follows it is compared
    with the last known value, and the change then lies somewhere in between. The first known value
    of a run is no change, since nobody saw it come about; it becomes an event of kind
    ``first``, which only the other finders see.
    """

    def __init__(self, bench: Bench) -> None:
        self.roles = [role for role in WATCHED if bench.has(role)]
        self.value: dict[str, float] = {}  # last known value
        self._time: dict[str, int] = {}

    def feed(self, new: dict[str, Samples]) -> list[Event]:
        """The events of one piece, in time order; ``value`` is up to date afterwards."""
        events: list[Event] = []
        for role in self.roles:
            samples = new.get(role)
            if samples is not None and len(samples):
                events += self._changes(role, samples)
        return sorted(events, key=lambda event: event.time_ns)

    def _changes(self, role: str, samples: Samples) -> list[Event]:
        samples = samples.known
        times, values = samples.time_ns, samples.value
        if not len(times):
            return []
        kind, subject = WATCHED[role]
        first = []
        if role not in self.value:
            now = int(times[0])
            first = [Event("first", role, now, now, now, value=float(values[0]))]
        else:
            times = np.concatenate(([self._time[role]], times))
            values = np.concatenate(([self.value[role]], values))
        self.value[role], self._time[role] = float(values[-1]), int(times[-1])
        return first + between(kind, subject, times, values)


def between(kind: str, subject: str, times: Int64s, values: Floats) -> list[Event]:
    """An event for each change between two neighbouring samples, known as the second one comes."""
    return [
        Event(
            kind,
            subject,
            time_ns=int(times[i + 1]),
            after_ns=int(times[i]),
            known_ns=int(times[i + 1]),
            value=float(values[i + 1]),
            before=float(values[i]),
        )
        for i in (values[1:] != values[:-1]).nonzero()[0].tolist()
    ]
