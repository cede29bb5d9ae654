"""A recorded file in place of an adapter, for rehearsals and tests. It keeps the file's stamps."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import ClassVar

import numpy as np

from canscope.capture.read import read_capture
from canscope.live.adapters.adapter import NOTHING, Batch, Opened
from canscope.live.adapters.address import EVERY, FASTEST, Address
from canscope.live.adapters.candump_lines import dropped, text_of
from canscope.model.errors import CanscopeError, Where
from canscope.model.tables import Flag, Frames, Tally

STEP_S = 0.02  # of real time between two batches
MOST = 2000  # frames of a batch


class Replay:
    """Plays a capture at a multiple of its own speed; ends with EOFError.

    Lines that cannot be read, frames that the file's recorder lost and a cut end are written down
    as such, so that a rehearsal is judged as the original is.
    """

    stamp_late_ms: ClassVar[float] = 0.0
    period_ns = 0
    never_silent = ""

    def __init__(self, address: Address) -> None:
        self._name, self._speed = address.name, address.speed
        self._file = address.address
        self._chunks: Iterator[Frames] = iter(())
        self._rest: Frames | None = None
        self._damage = Tally()  # read, and not yet written down
        self._played_ns = 0  # of the file, up to the beginning of this segment
        self._first_ns = self._last_ns = self._segment = 0
        self._begun_s = 0.0

    def open(self) -> Opened:
        """Open the file. Raises CanscopeError if it cannot be read or lacks the channel."""
        self._chunks = self._of_channel(iter(read_capture(self._file)))
        self._rest = next(self._chunks, None)
        if self._rest is None:
            hint = "use the channel's name in the file, or '*' for all of them"
            where = Where(self._file)
            raise CanscopeError(f"no frame of channel {self._name}", where=where, hint=hint)
        self._first_ns, self._segment = int(self._rest.time_ns[0]), self._rest.segment
        self._begun_s = time.monotonic()
        how = "a file is read, no bus is touched"
        return Opened("file opened", True, how, "as the file has them")

    def _of_channel(self, chunks: Iterator[Frames]) -> Iterator[Frames]:
        for chunk in chunks:
            if self._name != EVERY:
                names = np.array([name == self._name for name in chunk.channels], np.bool_)
                chunk = chunk.take(names[chunk.channel] if len(chunk) else slice(0, 0))
            self._damage += chunk.tally
            if len(chunk):
                yield chunk

    def flush(self) -> None:
        """Nothing to discard: no frame of a file comes before it is read."""

    def read(self) -> Batch:
        """The frames that are due by now."""
        rest = self._rest
        if rest is None:
            if cut := self._damage_lines(ended=True):
                return Batch(text=cut, last_ns=self._last_ns)
            raise EOFError("the replayed file has ended")
        time.sleep(STEP_S if self._speed < FASTEST else 0)
        if rest.segment != self._segment:  # the file's clock stepped: go on without a pause
            self._first_ns, self._segment = int(rest.time_ns[0]), rest.segment
            self._begun_s = time.monotonic()
        ready = min(len(rest), MOST)
        if self._speed < FASTEST:
            due_ns = round((time.monotonic() - self._begun_s) * self._speed * 1e9) + self._first_ns
            ready = min(ready, int(np.searchsorted(rest.time_ns, due_ns, "right")))
        if not ready:
            return NOTHING
        part = rest.take(slice(0, ready))
        left: Frames | None = rest.take(slice(ready, None))
        text, self._last_ns = text_of(part), int(part.time_ns[-1])
        if left is None or not len(left):
            text += self._damage_lines()
            left = next(self._chunks, None)
        self._rest = left
        return Batch(text=text, counts=_counts(part), last_ns=self._last_ns)

    def _damage_lines(self, *, ended: bool = False) -> bytes:
        """The file's damage so far, as lines that every reader counts as the same damage."""
        damage, self._damage = self._damage, Tally(cut_end=self._damage.cut_end and not ended)
        # A cut line counts as skipped too, and is written as a cut line only.
        skipped = max(0, damage.skipped - damage.cut_end)
        text = b"a line of the replayed file that could not be read\n" * skipped
        if damage.dropped:
            text += dropped(damage.dropped, "told by the replayed file")
        if ended and damage.cut_end:
            text += b"(the replayed file ends in a cut line"
        return text

    def close(self) -> None:
        """Close the file."""
        self._rest = None


def _counts(frames: Frames) -> dict[str, tuple[int, int]]:
    """Channel -> frames, and error frames among them."""
    error = (frames.flags & Flag.ERROR) != 0
    counts = {}
    for code, name in enumerate(frames.channels):
        mine = frames.channel == code
        if mine.any():
            counts[name] = (int(mine.sum()), int((mine & error).sum()))
    return counts
