"""Captures whose stamps are too coarse to judge anything by: whole seconds, or tenths of one."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from canscope.model.errors import CaptureError, Where
from canscope.model.tables import Frames, Int64s

DECIDING = 1000  # frames
# No message is sent twice at one instant; a few share a stamp where a recorder fetched them late.
MOST_SHARED = 0.2
COARSE_NS = 5_000_000  # half the cycle of the fastest messages; finer stamps only widen u


def fine_enough(chunks: Iterable[Frames], file: str) -> Iterator[Frames]:
    """Pass chunks on.

    Raises CaptureError if most of the first thousand frames bear the stamp of the frame of their
    identifier before them, and all stamps are multiples of some milliseconds: then closings seem to
    coincide and voltages to jump, and a healthy vehicle would fail.
    """
    times, keys, count = [], [], 0
    for chunk in chunks:
        if count < DECIDING and len(chunk):
            times.append(chunk.time_ns[:DECIDING].copy())
            keys.append(chunk.channel[:DECIDING].astype(np.int64) << 32 | chunk.can_id[:DECIDING])
            count += len(times[-1])
            if count >= DECIDING:
                _decide(np.concatenate(times), np.concatenate(keys), file)
        yield chunk


def _decide(time_ns: Int64s, key: Int64s, file: str) -> None:
    order = np.argsort(key, kind="stable")
    again = np.diff(key[order]) == 0
    shared = again & (np.diff(time_ns[order]) == 0)
    step_ns = int(np.gcd.reduce(time_ns - time_ns[0]))
    share = int(shared.sum()) / max(1, int(again.sum()))
    if share > MOST_SHARED and (step_ns >= COARSE_NS or step_ns == 0):
        given = f"to {step_ns / 1e9:g} s only" if step_ns else "as one and the same"
        raise CaptureError(
            f"its stamps are given {given}: {100 * share:.0f} % of the first {len(key)} frames "
            "bear that of the frame of their identifier before them, so no order, slope or cycle "
            "can be judged",
            where=Where(file),
            hint="export it with at least three digits of a second, or record with candump -L",
        )
