"""What a rule receives: a piece of the run (run rules) or a closed window (window rules).

A piece covers start_ns <= time < until_ns, and everything before until_ns has been seen. How a run
is cut into pieces must not matter, so a rule judges an instant by what lies at or before it.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from canscope.model.bench import Bench, Made, Mark
from canscope.model.events import Event, Span
from canscope.model.history import History
from canscope.model.signals import NEVER, NO_SAMPLES, Place, RoleAt, Samples, place_of
from canscope.model.tables import SECOND_NS, Bools, Frames, Int64s

S = SECOND_NS  # as rules call it


class Past:
    """Look-ups in the recent past, for pieces and windows alike."""

    bench: Bench
    history: History
    until_ns: int
    _known: dict[Hashable, Any]

    def once(self, key: Hashable, make: Callable[[], Made]) -> Made:
        """A value that depends on this past and the key alone: made for the first rule that asks.

        The key names the work and holds all that it depends on, such as a carried state.
        """
        if key not in self._known:
            self._known[key] = make()
        made: Made = self._known[key]
        return made

    def back(self, role: str, start_ns: int) -> Samples:
        """A role's samples with start_ns <= time < until_ns; at most the last 120 s."""
        track = self.history.stamps(role)
        if track is None:
            return NO_SAMPLES
        samples = self.history.samples(role)
        times = track.samples.time_ns
        first, last = self.once(
            (Past.back, track, start_ns),
            lambda: (int(times.searchsorted(start_ns)), int(times.searchsorted(self.until_ns))),
        )
        return samples if last - first == len(samples) else samples[first:last]

    def last(self, role: str, time_ns: int, *, before: bool = False) -> Samples:
        """A role's last sample by an instant (with ``before``: just before it): one row or none."""
        samples = self.history.samples(role)
        end = int(samples.time_ns.searchsorted(time_ns, "left" if before else "right"))
        return samples[max(end - 1, 0) : end]

    def at(self, role: str, times_ns: ArrayLike, *, before: bool = False) -> RoleAt:
        """What was last known of a role at these instants (with ``before``: just before them).

        An instant includes the samples that bear its own stamp, of whatever channel.
        """
        times = np.asarray(times_ns, np.int64)
        if not times.ndim:
            times = times.reshape(1)
        return self.once_at((Past.at, role, before), times, lambda: self._at(role, times, before))

    def turning(self, times_ns: ArrayLike) -> Bools:
        """Whether any unit turned, at each of these instants."""
        found = np.zeros(len(np.atleast_1d(np.asarray(times_ns))), np.bool_)
        for unit in self.bench.units:
            found |= self.at(f"@turning.{unit.name}", times_ns).value == 1
        return found

    def once_at(
        self, key: tuple[Hashable, ...], times_ns: Int64s, make: Callable[[], Made]
    ) -> Made:
        """As ``once``, for what depends on these instants as well.

        Rules ask for the same at the same instants: of long look-ups 43 % were repeated. Nobody
        writes to what was handed out.
        """
        count = len(times_ns)
        whole = (*key, count, int(times_ns[0]), int(times_ns[-1])) if count else (*key, 0)
        known = self._known.get(whole)
        if known is not None:
            made: Made = known[1]
            if count < 3 or known[0] is times_ns or (known[0] == times_ns).all():
                return made
        made = make()
        self._known[whole] = times_ns, made
        return made

    def _at(self, role: str, times_ns: Int64s, before: bool) -> RoleAt:
        samples, count = self.history.samples(role), len(times_ns)
        if not len(samples):
            nothing = np.full(count, NEVER)
            return RoleAt(np.full(count, np.nan), nothing, times_ns - NEVER, np.ones(count, bool))
        place = self._place(role, times_ns, before)
        value = samples.value[place.row]
        stale = place.unknown if role.startswith("@") else self._stale(role, times_ns, place)
        if stale is None:
            stale = np.zeros(count, np.bool_)
        else:
            value[stale] = np.nan
        return RoleAt(value, place.sampled_ns, place.age_ns, stale)

    def _place(self, role: str, times_ns: Int64s, before: bool) -> Place:
        """Where instants lie in a role's samples, looked up once for all of its message.

        At least one sample must be kept.
        """
        track = self.history.stamps(role)
        assert track is not None
        return self.once_at(
            (place_of, track, before),
            times_ns,
            lambda: place_of(track.samples, times_ns, before=before),
        )

    def _stale(self, role: str, times_ns: Int64s, place: Place) -> Bools | None:
        """Instants at which the last sample was too old; None where it never was."""
        patience = self.history.constant_patience_ns(role, times_ns)
        if patience is None:
            return place.age_ns > self.history.patience_ns(role, times_ns)
        return place.age_ns > patience if place.oldest_ns > patience else None

    def at_event(self, role: str, event: Event) -> tuple[float, float]:
        """A role's value at an event and its uncertainty (design: u of a value at an event).

        The value is the last one at or before ``event.time_ns``; the uncertainty is the role's own,
        plus how far the value moved over the samples that bracket (after_ns, time_ns], plus the
        last slope times the time since the last sample. (nan, nan) where nothing fresh is known.
        """
        held = self.at(role, event.time_ns)
        value = float(held.value[0])
        if np.isnan(value):
            return float("nan"), float("nan")
        samples = self.history.samples(role)
        first = max(0, int(np.searchsorted(samples.time_ns, event.after_ns, "right")) - 1)
        last = int(np.searchsorted(samples.time_ns, event.time_ns, "right")) - 1
        around = samples.value[first : last + 1]
        moved = float(np.nanmax(np.abs(around - value)))
        drift = 0.0
        if last > 0 and samples.time_ns[last] > samples.time_ns[last - 1]:
            rise = samples.value[last] - samples.value[last - 1]
            run = samples.time_ns[last] - samples.time_ns[last - 1]
            drift = float(np.nan_to_num(abs(rise / run * (event.time_ns - samples.time_ns[last]))))
        return value, self.bench.u(role) + moved + drift


@dataclass(frozen=True, eq=False)
class Piece(Past):
    """A stretch of one segment of the run, in time order.

    ``frames`` are all its frames (error frames too), ``arrivals`` the stamps of bound messages by
    message key, ``events`` those that became known in it, ``marks`` the person's marks in it.
    Derived roles can be read like others (they change, they have no cycle, they are never stale):
    ``@closed`` both main poles closed; ``@engaged`` a pole closed or a unit turning; ``@awake``
    nodes must speak; ``@turning.UNIT`` and ``@request`` (requested direction).
    """

    bench: Bench
    history: History
    start_ns: int
    until_ns: int
    origin_ns: int  # the capture's first frame
    frames: Frames
    arrivals: dict[str, Int64s]
    events: tuple[Event, ...] = ()
    marks: tuple[Mark, ...] = ()
    spans: tuple[Span, ...] = ()  # windows that closed in it
    # Message -> [from, until): its node restarted, and its frames do not count until then.
    starting: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    _backs: dict[tuple[str, int], Samples] = field(default_factory=dict)
    _known: dict[Hashable, Any] = field(default_factory=dict)

    def restarted(self, message_key: str) -> bool:
        """Whether the message's node came back from a restart at the start of this piece."""
        return self.starting.get(message_key, (self.start_ns - 1,))[0] == self.start_ns

    def __getitem__(self, role: str) -> Samples:
        """A role's samples of this piece alone."""
        return self.back(role, self.start_ns)

    def back(self, role: str, start_ns: int) -> Samples:
        """As in ``Past``, looked up once."""
        found = self._backs.get((role, start_ns))
        if found is None:
            found = self._backs[role, start_ns] = super().back(role, start_ns)
        return found

    def rows(self, role: str, times_ns: Int64s) -> Int64s:
        """The row of ``piece[role]`` last known at these instants, -1 before its first sample."""
        samples = self.history.samples(role)
        if not len(samples):
            return np.full(len(times_ns), -1)
        place = self._place(role, times_ns, False)
        row = np.maximum(place.row - int(samples.time_ns.searchsorted(self.start_ns)), -1)
        if place.unknown is not None:
            row[place.unknown] = -1
        return row

    def following(self, role: str, times_ns: Int64s) -> Int64s:
        """For each instant, the row of the first kept sample of a role at or after it."""
        samples = self.history.samples(role)
        if not len(samples):
            return np.zeros(len(times_ns), np.int64)
        place = self._place(role, times_ns, True)
        row = place.row + 1
        if place.unknown is not None:
            row[place.unknown] = 0
        return row

    def events_of(self, kind: str, subject: str | None = None) -> list[Event]:
        """The events of one kind (and subject) that became known in this piece."""
        return [
            event
            for event in self.events
            if event.kind == kind and (subject is None or event.subject == subject)
        ]


@dataclass(frozen=True, eq=False)
class ClosedWindow(Past):
    """One closed window; nothing after its end can be seen."""

    bench: Bench
    history: History
    span: Span
    until_ns: int
    origin_ns: int
    _known: dict[Hashable, Any] = field(default_factory=dict)

    def __getitem__(self, role: str) -> Samples:
        """A role's samples of the window, from ``span.start_ns`` to its end."""
        return self.back(role, self.span.start_ns)

    def around(self, role: str, before_s: float) -> Samples:
        """A role's samples of the window and of some seconds before its start."""
        return self.back(role, self.span.start_ns - round(before_s * SECOND_NS))

    def events_of(self, kind: str, subject: str | None = None) -> list[Event]:
        """The window's events of one kind, in time order."""
        return [
            event
            for event in self.span.events
            if event.kind == kind and (subject is None or event.subject == subject)
        ]


def last_of(events: Sequence[Event]) -> Event | None:
    """The latest event, if there is one."""
    return max(events, key=lambda event: event.time_ns, default=None)
