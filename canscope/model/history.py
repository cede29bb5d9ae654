"""The recent past of every role, bounded, in buffers that grow without copying each time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from canscope.model.median import median
from canscope.model.signals import NEVER, NO_SAMPLES, Samples
from canscope.model.tables import Floats, Int64s

KEEP_NS = 130 * 10**9  # a window of at most 120 s, and what lies around it
LEARNED_FROM = 32  # intervals whose median becomes the cycle where nobody states one
UNLEARNED_NS = 10**9  # cycle assumed until then: common practice, no source
STALE_CYCLES = 3  # ISO 11783-7 heartbeat: 100 ms, error beyond 300 ms


class Track:
    """The samples of one role of about the last ``KEEP_NS``; at least the last one always."""

    def __init__(self, cycle_ns: int | None = None) -> None:
        self.cycle_ns, self.learned_ns = cycle_ns, NEVER
        self._learning: list[int] | None = [] if cycle_ns is None else None
        self._first = self._end = 0
        self._time = np.zeros(64, np.int64)
        self._value = np.zeros(64, np.float64)
        self._raw = np.zeros(64, np.int64)
        self._status = np.zeros(64, np.uint8)
        self._shown: Samples | None = NO_SAMPLES

    def append(self, samples: Samples) -> None:
        """Add samples that are not older than the last one."""
        count = len(samples)
        if not count:
            return
        if self._learning is not None:
            self._learn(samples.time_ns)
        if self._end + count > len(self._time):
            self._make_room(count)
        rows = slice(self._end, self._end + count)
        self._time[rows] = samples.time_ns
        self._value[rows] = samples.value
        self._raw[rows] = samples.raw
        self._status[rows] = samples.status
        self._end += count
        self._shown = None

    def forget(self, before_ns: int) -> None:
        """Let go of samples older than that, keeping the last of them to hold on to."""
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
                self._time[rows], self._value[rows], self._raw[rows], self._status[rows]
            )
        return self._shown

    def _learn(self, time_ns: Int64s) -> None:
        assert self._learning is not None
        self._learning += time_ns[: LEARNED_FROM + 1 - len(self._learning)].tolist()
        if len(self._learning) > LEARNED_FROM:
            self.cycle_ns = int(median(np.diff(self._learning)))
            self.learned_ns = np.int64(self._learning[-1])
            self._learning = None

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
        self._first, self._end = 0, kept


class History:
    """A track for every role, bound or derived."""

    def __init__(self, cycles_ns: Mapping[str, int | None] | None = None) -> None:
        self._tracks = {role: Track(cycle) for role, cycle in (cycles_ns or {}).items()}

    def append(self, role: str, samples: Samples) -> None:
        """Add a role's new samples."""
        self._tracks.setdefault(role, Track()).append(samples)

    def patience_ns(self, role: str, times_ns: Int64s) -> Int64s:
        """How old a role's last sample may be at these instants before it is stale."""
        track = self._tracks[role]
        known = track.cycle_ns if track.cycle_ns is not None else UNLEARNED_NS
        patience = np.empty(times_ns.shape, np.int64)
        patience.fill(STALE_CYCLES * known)
        if self.constant_patience_ns(role, times_ns) is None:
            patience[times_ns < track.learned_ns] = STALE_CYCLES * UNLEARNED_NS
        return patience

    def constant_patience_ns(self, role: str, times_ns: Int64s) -> int | None:
        """The same if it is one for all of these instants, else None."""
        track = self._tracks[role]
        known = track.cycle_ns if track.cycle_ns is not None else UNLEARNED_NS
        if track.learned_ns != NEVER and len(times_ns) and times_ns.min() < track.learned_ns:
            return None
        return STALE_CYCLES * known

    def cycle_ms(self, role: str) -> float | None:
        """A role's cycle as stated or learned, None while it is not known."""
        track = self._tracks.get(role)
        return track.cycle_ns / 1e6 if track and track.cycle_ns is not None else None

    def samples(self, role: str) -> Samples:
        """What is kept of a role; empty if it was never seen."""
        track = self._tracks.get(role)
        return track.samples if track else NO_SAMPLES

    def between(self, roles: Iterable[str], start_ns: int, end_ns: int) -> dict[str, Samples]:
        """Their samples with start <= time < end; a role without any then is left out."""
        found = {role: self.samples(role).between(start_ns, end_ns) for role in roles}
        return {role: samples for role, samples in found.items() if len(samples)}

    def forget(self, before_ns: int) -> None:
        """Let go of everything older."""
        for track in self._tracks.values():
            track.forget(before_ns)

    def nbytes(self) -> int:
        """Bytes held, for the memory law."""
        return sum(25 * len(track.samples) for track in self._tracks.values())


def steps(time_ns: Int64s, value: Floats) -> Samples:
    """Samples of a derived role: the instants at which it changes, and to what."""
    return Samples(
        time_ns, value, np.nan_to_num(value).astype(np.int64), np.zeros(len(time_ns), np.uint8)
    )


def stamped(time_ns: Int64s) -> Samples:
    """Samples that say nothing but when they came."""
    count = len(time_ns)
    return Samples(time_ns, np.zeros(count), np.zeros(count, np.int64), np.zeros(count, np.uint8))
