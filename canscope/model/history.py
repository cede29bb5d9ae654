"""The recent past of every role, bounded, in buffers that grow without copying each time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from canscope.model.cycle import Cycle
from canscope.model.signals import NO_SAMPLES, Samples
from canscope.model.tables import SECOND_NS, Floats, Int64s

LOOK_BACK_NS = 120 * SECOND_NS  # from its end a window may look no further; few are longer
KEEP_NS = LOOK_BACK_NS + 10 * SECOND_NS
# What a monitor read before the contactors closed is compared with what it reads as they open.
KEEP_LONGER_NS = {"pack.insulation": 900 * SECOND_NS}


class Track:
    """The samples of one role of about the last ``KEEP_NS``; at least the last one always."""

    def __init__(self, cycle_ns: int | None = None) -> None:
        self.cycle = Cycle(cycle_ns)
        self.leader: Track | None = None  # a track that has had the same stamps ever since
        self.count = 0  # of all samples ever added
        self._first = self._end = 0
        self._time = np.zeros(64, np.int64)
        self._value = np.zeros(64, np.float64)
        self._raw = np.zeros(64, np.int64)
        self._status = np.zeros(64, np.uint8)
        self._absent = -1  # the last row without a value
        self._shown: Samples | None = NO_SAMPLES

    def append(self, samples: Samples) -> None:
        """Add samples that are not older than the last one."""
        count = len(samples)
        if not count:
            return
        self.cycle.learn(samples.time_ns)
        if self._end + count > len(self._time):
            self._make_room(count)
        rows = slice(self._end, self._end + count)
        self._time[rows] = samples.time_ns
        self._value[rows] = samples.value
        self._raw[rows] = samples.raw
        self._status[rows] = samples.status
        if not samples.is_complete:
            self._absent = self._end + int(np.isnan(samples.value).nonzero()[0][-1])
        self._end += count
        self.count += count
        self._shown = None
        if self.leader is not None and not self._follows(self.leader, count):
            self.leader = None

    @property
    def stamps(self) -> Track:
        """The track to look stamps up in, in which the rows are the same: the leader's, or this."""
        leader = self.leader
        return self if leader is None or leader.count != self.count else leader

    def _follows(self, leader: Track, count: int) -> bool:
        """Whether the newest samples bear the stamps of the leader's newest."""
        if leader.count != self.count:
            return False
        mine, its = self._time[: self._end], leader._time[: leader._end]
        return bool((mine[-count:] == its[-count:]).all())

    def forget(self, before_ns: int) -> None:
        """Drop samples older than that, all but the last of them."""
        if self._first + 1 >= self._end or self._time[self._first + 1] >= before_ns:
            return
        self._first += int(self._time[self._first : self._end].searchsorted(before_ns)) - 1
        self._shown = None

    @property
    def samples(self) -> Samples:
        """Everything kept. Views: valid for as long as they are held, never to be written to."""
        if self._shown is None:
            rows = slice(self._first, self._end)
            self._shown = Samples(
                self._time[rows],
                self._value[rows],
                self._raw[rows],
                self._status[rows],
                is_complete=self._absent < self._first,
            )
        return self._shown

    def _make_room(self, count: int) -> None:
        # New arrays, so that views given out earlier stay what they were. A quarter of spare room:
        # with more, memory would seem to grow for minutes while it is only being filled.
        kept = self._end - self._first
        size = 64 + (kept + count) * 5 // 4

        def moved(old: NDArray[np.generic]) -> NDArray[np.generic]:
            new = np.empty(size, old.dtype)
            new[:kept] = old[self._first : self._end]
            return new

        self._time, self._value = moved(self._time), moved(self._value)  # type: ignore[assignment]
        self._raw, self._status = moved(self._raw), moved(self._status)  # type: ignore[assignment]
        self._absent = max(self._absent - self._first, -1)
        self._first, self._end = 0, kept


class History:
    """A track for every role.

    A name that begins with ``@`` is a role that the events finder derives (listed in
    ``model.piece.Piece``); ``#channel:Message`` holds the arrivals of a message.
    """

    def __init__(
        self,
        cycles_ns: Mapping[str, int | None] | None = None,
        together: Iterable[Sequence[str]] = (),
    ) -> None:
        """``together`` are roles of one message, of which most have a value in every frame."""
        self._tracks = {role: Track(cycle) for role, cycle in (cycles_ns or {}).items()}
        for first, *others in together:
            for role in others:
                self._tracks[role].leader = self._tracks[first]

    def append(self, role: str, samples: Samples) -> None:
        """Add a role's new samples."""
        self._tracks.setdefault(role, Track()).append(samples)

    def cycle_ns(self, role: str, times_ns: Int64s) -> Int64s:
        """A role's cycle as known at these instants (``UNLEARNED_NS`` before it was learned).

        Raises:
            KeyError: nothing is known of the role, not even its cycle.
        """
        return self._tracks[role].cycle.at_ns(times_ns)

    def patience_ns(self, role: str, times_ns: Int64s) -> Int64s:
        """How old a role's last sample may be at these instants before it is stale.

        Raises:
            KeyError: nothing is known of the role, not even its cycle.
        """
        return self._tracks[role].cycle.patience_ns(times_ns)

    def constant_patience_ns(self, role: str, times_ns: Int64s) -> int | None:
        """The patience of a role if it is one number for all of these instants, else None."""
        return self._tracks[role].cycle.constant_patience_ns(times_ns)

    def cycle_ms(self, role: str) -> float | None:
        """A role's cycle as stated or learned, None while it is not known."""
        track = self._tracks.get(role)
        return track.cycle.ns / 1e6 if track and track.cycle.ns is not None else None

    def samples(self, role: str) -> Samples:
        """What is kept of a role; empty if it was never seen."""
        track = self._tracks.get(role)
        return track.samples if track else NO_SAMPLES

    def stamps(self, role: str) -> Track | None:
        """A track with the stamps of this role, the same for many roles of one message."""
        track = self._tracks.get(role)
        return track.stamps if track else None

    def between(self, roles: Iterable[str], start_ns: int, end_ns: int) -> dict[str, Samples]:
        """Their samples with start <= time < end; a role without any then is left out."""
        found = {role: self.samples(role).between(start_ns, end_ns) for role in roles}
        return {role: samples for role, samples in found.items() if len(samples)}

    def forget(self, before_ns: int) -> None:
        """Drop what is older, all but the last sample of each role and ``KEEP_LONGER_NS``."""
        for role, track in self._tracks.items():
            track.forget(before_ns - KEEP_LONGER_NS.get(role, 0))

    def nbytes(self) -> int:
        """Bytes held, for the memory law."""
        return sum(25 * len(track.samples) for track in self._tracks.values())


def steps(time_ns: Int64s, value: Floats) -> Samples:
    """Samples of a derived role: the instants at which it changes, and to what."""
    return Samples(
        time_ns, value, np.nan_to_num(value).astype(np.int64), np.zeros(len(time_ns), np.uint8)
    )


def step_at(steps: Samples, times_ns: Int64s) -> Floats:
    """The value of a derived role at these instants, 0 before its first step."""
    if not len(steps):
        return np.zeros(len(times_ns))
    row = np.searchsorted(steps.time_ns, times_ns, "right") - 1
    return np.where(row >= 0, steps.value[np.maximum(row, 0)], 0.0)


def stamped(time_ns: Int64s) -> Samples:
    """Samples of which only the stamps matter, such as the arrivals of a message."""
    count = len(time_ns)
    return Samples(
        time_ns,
        np.zeros(count),
        np.zeros(count, np.int64),
        np.zeros(count, np.uint8),
        is_complete=True,
    )
