"""Has a temperature sensor that kept flickering stopped for good, with a burst after it?

The last bit of a living sensor flickers. One that has rested ten times longer than ever before,
although its unit began to turn and to heat it meanwhile, is dead, whatever it read before.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from canscope.model.differences import differences_from
from canscope.model.piece import Piece
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import SECOND_NS

CHANGES = 10  # of its raw code, before its rests are judged; common practice, no source
LONGER = 10  # times its longest rest; by chance one in 200 000 after ten even-tempered rests
RESTED_NS = 20 * SECOND_NS  # a shorter rest at the end is none; common practice, no source
QUIET = 2  # times its longest rest before the burst already, which the burst itself cannot explain


@dataclass(frozen=True)
class Flicker:
    """What a run has shown of one sensor's changes so far."""

    raw: int | None = None  # the last raw code
    since_ns: int = int(NEVER)  # its last change, else its first value
    changes: int = 0
    step: int = 0  # the smallest of them: what it resolves, whatever its raw code could
    longest_ns: int = 0  # the longest rest between two of them, or before the first
    began_ns: int = int(NEVER)  # the last time its unit began to turn
    stopped_ns: int | None = None  # since when it has rested for too long
    last_ns: int = int(NEVER)  # its last value

    @property
    def rests(self) -> bool:
        """Whether it has stopped flickering for good by the end of the run."""
        rest_ns = self.last_ns - self.since_ns
        return self.changes >= CHANGES and rest_ns > max(LONGER * self.longest_ns, RESTED_NS)


def follow(flicker: Flicker, piece: Piece, unit: str, samples: Samples) -> Flicker:
    """The flicker after a piece; ``samples`` are the sensor's believable ones of that piece."""
    if not len(samples):
        return flicker
    turning = piece.history.samples(f"@turning.{unit}")
    begins_ns = turning.time_ns[(turning.value == 1) & (turning.time_ns > flicker.began_ns)]
    times, raw = samples.time_ns, samples.raw
    first = flicker.raw is None
    if flicker.raw == raw[-1] and flicker.changes < CHANGES and (raw == raw[-1]).all():
        began_ns = begins_ns[begins_ns <= times[-1]]  # it only rests on, as most do
        return replace(
            flicker,
            began_ns=int(began_ns[-1]) if len(began_ns) else flicker.began_ns,
            last_ns=int(times[-1]),
        )
    before = int(raw[0]) if flicker.raw is None else flicker.raw
    changed = raw != np.concatenate(([before], raw[:-1]))
    since_ns = np.where(changed, times, int(times[0]) if first else flicker.since_ns)
    since_ns = np.maximum.accumulate(since_ns)
    earlier_ns = np.concatenate((since_ns[:1] if first else [flicker.since_ns], since_ns[:-1]))
    rests = np.where(changed, times - earlier_ns, 0)
    longest = np.maximum(np.maximum.accumulate(rests), flicker.longest_ns)
    count = flicker.changes + np.cumsum(changed)
    moved = np.abs(differences_from(before, raw))[changed]
    step = int(np.min(moved, initial=flicker.step or np.iinfo(np.int64).max))
    starts = np.concatenate(([flicker.began_ns], begins_ns)).astype(np.int64)
    began_ns = starts[np.searchsorted(starts, times, "right") - 1]
    stopped_ns = flicker.stopped_ns
    if stopped_ns is None:
        dead = (count >= CHANGES) & (times - since_ns > LONGER * longest)
        dead &= began_ns - since_ns > QUIET * longest + SECOND_NS
        dead &= times - began_ns >= SECOND_NS
        stopped_ns = int(since_ns[np.argmax(dead)]) if dead.any() else None
    return Flicker(
        raw=int(raw[-1]),
        since_ns=int(since_ns[-1]),
        changes=int(count[-1]),
        step=step if count[-1] else 0,
        longest_ns=int(longest[-1]),
        began_ns=int(began_ns[-1]),
        stopped_ns=stopped_ns,
        last_ns=int(times[-1]),
    )
