"""A stretch of one segment of a run, as the judge is fed it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from canscope.judge.role_samples import samples_of
from canscope.model.bench import Bench
from canscope.model.signals import Samples, Signals
from canscope.model.tables import Frames, Int64s

FOREVER = 2**63 - 1


@dataclass(frozen=True, eq=False)
class TimeSlice:
    """Samples of roles for start <= time < ``until_ns`` of one segment, and their frames.

    ``arrivals`` holds the stamps of every bound message by message key, whatever it carried.
    ``segment`` counts stretches of unbroken clock, from 0. ``senders`` is as in ``DecodeTally``.
    """

    samples: Mapping[str, Samples]  # by role
    arrivals: Mapping[str, Int64s]
    frames: Frames
    until_ns: int
    segment: int = 0
    senders: Mapping[str, frozenset[int]] = field(default_factory=dict)

    @property
    def is_empty(self) -> bool:
        """Whether it holds neither frames nor samples."""
        return not len(self.frames) and not any(map(len, self.samples.values()))

    @property
    def start_ns(self) -> int:
        """Its earliest stamp; ``until_ns`` if it is empty."""
        stamps = [int(s.time_ns[0]) for s in self.samples.values() if len(s)]
        if len(self.frames):
            stamps.append(int(self.frames.time_ns[0]))
        return min(stamps, default=self.until_ns)

    def cut(self, at_ns: int) -> tuple[TimeSlice, TimeSlice]:
        """What lies before an instant, and the rest. What was counted stays with the first."""
        row = int(self.frames.time_ns.searchsorted(at_ns))
        early = self.frames.take(slice(0, row)).but(tally=self.frames.tally)
        late = self.frames.take(slice(row, None)).but(step_ns=None)
        return self._part(-FOREVER, at_ns, early), self._part(at_ns, FOREVER, late)

    def _part(self, start_ns: int, end_ns: int, frames: Frames) -> TimeSlice:
        stretch = np.array((start_ns, end_ns))
        return replace(
            self,
            samples={role: some.between(start_ns, end_ns) for role, some in self.samples.items()},
            arrivals={
                key: times[slice(*times.searchsorted(stretch))]
                for key, times in self.arrivals.items()
            },
            frames=frames,
            until_ns=min(self.until_ns, end_ns),
        )


def time_slice(signals: Signals, bench: Bench) -> TimeSlice:
    """The roles' samples of one chunk of decoded frames, which are in time order."""
    frames = signals.frames
    if frames.until_ns is not None:
        until = frames.until_ns
    else:
        until = int(frames.time_ns.max()) + 1 if len(frames) else 0
    samples = {
        role: samples_of(binding, signals.series[binding.key])
        for role, binding in bench.bindings.items()
        if binding.key in signals.series
    }
    senders = signals.tally.senders
    return TimeSlice(samples, signals.arrivals, frames, until, frames.segment, senders)
