"""Frames in file order -> frames in time order, cut into segments where the clock was set.

Disorder up to ``DISORDER_NS`` is sorted. A larger step back begins a new segment, and so does its
return: a jump forward by more than half of that step. So does a jump forward of more than a day.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from canscope.model.errors import CaptureError
from canscope.model.tables import NOTHING, Frames, Int64s, empty_frames, join

DISORDER_NS = 100_000_000
A_ROW = 20  # bytes of long payloads that are as much to hold as a row without any
MOST_WAITING = 1 << 20  # rows; 100 ms of 255 buses at 1 Mbit/s have half as many
DAY_NS = 86_400 * 1_000_000_000
GATHERED = 1 << 15  # rows of a chunk; fewer take longer to work on, more take more memory


def ordered(chunks: Iterable[Frames]) -> Iterator[Frames]:
    """Put frames in time order and number the segments; how the input is cut does not matter.

    Each chunk that comes out has ``until_ns``: every frame of its segment stamped before that has
    come out, and none stamped at or after it. The first chunk of a later segment has ``step_ns``,
    negative for a step back. Tallies come out once each. An ``until_ns`` of an incoming chunk is
    its source's word that nothing stamped before it will follow, as a live clock can give.
    A chunk without rows still says how far time has come, or carries a tally.
    """
    order = _Order()
    for chunk in chunks:
        yield from order.feed(chunk)
    yield from order.close()


class _Order:
    """What is kept between chunks, in time order: the last ``DISORDER_NS`` of frames.

    Of a source that promises nothing, a whole chunk waits for the one behind it: nearly always it
    is settled then as it is, and need not be cut in two.
    """

    def __init__(self) -> None:
        self.high: int | None = None  # the largest stamp of the segment so far
        self.limit = DAY_NS  # the largest jump forward that is no step
        self.segment = 0
        self.step: int | None = None
        self.until: int | None = None
        self.tally = NOTHING
        self.tail = empty_frames()

    def feed(self, chunk: Frames) -> Iterator[Frames]:
        """Take one chunk; give what nothing can come before any more."""
        self.tally = self.tally + chunk.tally
        if chunk.until_ns is None and self._follows(chunk.time_ns):
            self.high = int(chunk.time_ns[-1])
            if len(self.tail):
                yield self._marked(self.tail, int(self.tail.time_ns[-1]) + 1)
            self.tail = chunk
            return
        begin = 0
        for at, jump in self._steps(chunk.time_ns):
            yield from self._end(chunk.take(slice(begin, at)))
            self.segment, self.step, self.until, begin = self.segment + 1, jump, None, at
        sorted_until = None if self.high is None else self.high - DISORDER_NS
        known = [until for until in (sorted_until, chunk.until_ns) if until is not None]
        if known:
            yield from self._give(chunk.take(slice(begin, None)), max(known))

    def close(self) -> Iterator[Frames]:
        """Give the rest."""
        yield from self._end(empty_frames())
        if self.tally != NOTHING:
            yield self._marked(empty_frames(), self.until)

    def _follows(self, times: Int64s) -> bool:
        """Whether the rows of a chunk are in order, and settle all that is kept before them."""
        if not len(times) or not self._is_plain(times):
            return False
        settled = min(int(times[0]), int(times[-1]) - DISORDER_NS)
        return not len(self.tail) or int(self.tail.time_ns[-1]) < settled

    def _is_plain(self, times: Int64s) -> bool:
        """Whether stamps go on in order and without a step; nearly all do."""
        first, last = int(times[0]), int(times[-1])
        start = first if self.high is None else self.high
        return start <= first and last - start <= self.limit and _is_in_order(times)

    def _steps(self, times: Int64s) -> list[tuple[int, int]]:
        """Rows at which a segment begins, each with its jump in ns; ``high`` moves to the end.

        From a first step on, a plain walk is the only way that does not grow with the square of
        their number.
        """
        if not len(times):
            return []
        if self._is_plain(times):
            self.high = int(times[-1])
            return []
        start = int(times[0]) if self.high is None else self.high
        before = np.maximum.accumulate(np.concatenate((np.array([start], np.int64), times[:-1])))
        jumps = times - before
        odd = (jumps < -DISORDER_NS) | (jumps > self.limit)
        walked = int(odd.argmax()) if odd.any() else len(times) - 1
        steps, high = [], int(before[walked])
        for at, now in enumerate(times[walked:].tolist(), walked):
            jump = now - high
            if jump < -DISORDER_NS or jump > self.limit:
                steps.append((at, jump))
                self.limit = min(-jump // 2, DAY_NS) if jump < 0 else DAY_NS
                high = now
            high = max(high, now)
        self.high = high
        return steps

    def _end(self, part: Frames) -> Iterator[Frames]:
        """Give all there is of the segment, ``part`` being its last rows."""
        stamps = [int(rows.time_ns.max()) + 1 for rows in (self.tail, part) if len(rows)]
        if stamps:
            yield from self._give(part, max(stamps))

    def _give(self, part: Frames, until: int) -> Iterator[Frames]:
        """Add rows of the segment and give those stamped before ``until``; the rest is the tail.

        Where the tail wholly precedes the new rows, both go out as they are, without a copy.
        """
        part, tail = _in_order(part), self.tail
        until = until if self.until is None else max(until, self.until)
        if len(tail) and len(part):
            last, first = int(tail.time_ns[-1]), int(part.time_ns[0])
            if last < min(first, until):
                yield self._marked(tail, min(first, until))
            else:
                part = _in_order(join([tail, part]))
        elif len(tail):
            part = tail
        ready = int(np.searchsorted(part.time_ns, until))
        self.tail = _compact(part.take(slice(ready, None)))
        if len(self.tail) > MOST_WAITING:
            raise CaptureError(
                f"more than {MOST_WAITING} frames within {DISORDER_NS / 1e9} s, which no buses can "
                "carry: its stamps are no times",
                hint="record again with a recorder that stamps every frame",
            )
        if ready or self.until is None or until > self.until:
            yield self._marked(part.take(slice(0, ready)), until)

    def _marked(self, frames: Frames, until: int | None) -> Frames:
        frames = frames.but(
            tally=self.tally, segment=self.segment, until_ns=until, step_ns=self.step
        )
        self.tally, self.step, self.until = NOTHING, None, until
        return frames


def _is_in_order(times: Int64s) -> bool:
    return not (times[1:] < times[:-1]).any()


def _in_order(frames: Frames) -> Frames:
    """The same rows by time, those of one stamp as they were."""
    if _is_in_order(frames.time_ns):
        return frames
    return frames.take(np.argsort(frames.time_ns, kind="stable"))


def _compact(frames: Frames) -> Frames:
    """The same rows with only their own payloads in the heap, which otherwise only ever grows."""
    if not len(frames.heap):
        return frames
    long = frames.heap_at >= 0
    sizes = frames.length[long].astype(np.int64)
    ends = np.cumsum(sizes)
    begins = ends - sizes
    places = np.repeat(frames.heap_at[long] - begins, sizes) + np.arange(sizes.sum())
    heap_at = frames.heap_at.copy()
    heap_at[long] = begins
    return frames.but(heap_at=heap_at, heap=frames.heap[places])


def merged(streams: Iterable[Iterable[Frames]]) -> Iterator[Frames]:
    """One stream by stamp from several; at most one chunk of each is held.

    Frames of one stamp keep the order of their streams. Within a stream the order is always kept: a
    frame after a step back of the clock is placed by the latest stamp before it. Where all streams
    have an ``until_ns``, so have the chunks that come out.
    """
    heads = [_Head(iter(stream)) for stream in streams]
    while waiting := [head for head in heads if head.until is not None]:
        until = min(head.until for head in waiting if head.until is not None)
        is_known = all(head.chunk.until_ns is not None for head in waiting)
        parts, places = zip(*(head.before(until) for head in heads), strict=True)
        tally = sum((part.tally for part in parts), NOTHING)
        filled = [part for part in parts if len(part)] or parts[:1]
        frames, place = join(filled), np.concatenate(places)
        if not _is_in_order(place):
            frames = frames.take(np.argsort(place, kind="stable"))
        yield frames.but(tally=tally, until_ns=until if is_known else None)
        for head in heads:
            if head.until == until:
                head.pull()
    left = sum((head.chunk.tally for head in heads), NOTHING)
    if left != NOTHING:
        yield empty_frames().but(tally=left)


class _Head:
    """The chunk of a stream that is being merged.

    ``until`` is the time up to which the stream is known, None once it has ended; ``_latest`` has
    the largest stamp of the stream up to each row.
    """

    def __init__(self, stream: Iterator[Frames]) -> None:
        self._stream, self.chunk = stream, empty_frames()
        self._latest, self._high = self.chunk.time_ns, np.iinfo(np.int64).min
        self.pull()

    def pull(self) -> None:
        """Go on to the next chunk with a time; all of the present one has been given."""
        self.until: int | None = None
        tally = self.chunk.tally
        for chunk in self._stream:
            tally = tally + chunk.tally
            self.chunk, self.until = chunk.but(tally=tally), chunk.until_ns
            self._latest = np.maximum.accumulate(np.maximum(chunk.time_ns, self._high))
            if len(chunk):
                self._high = int(self._latest[-1])
                self.until = self._high + 1 if self.until is None else self.until
            if self.until is not None:
                return
        self.chunk = empty_frames().but(tally=tally)
        self._latest = self.chunk.time_ns

    def before(self, until: int) -> tuple[Frames, Int64s]:
        """The rows before a time, with the tally, and their places in time, each given once."""
        ready = int(np.searchsorted(self._latest, until))
        rows = self.chunk.take(slice(0, ready)).but(tally=self.chunk.tally)
        latest, self._latest = self._latest[:ready], self._latest[ready:]
        self.chunk = self.chunk.take(slice(ready, None))
        return rows, latest


def gathered(chunks: Iterable[Frames], rows: int = GATHERED) -> Iterator[Frames]:
    """The same frames in chunks of about that many rows, none across a clock step.

    For whole captures: work on a chunk costs much the same for a thousand frames as for a hundred
    thousand. Where payloads are long, fewer rows are enough.
    """
    parts, count = list[Frames](), 0
    for chunk in chunks:
        if parts and chunk.segment != parts[-1].segment:
            yield _gather(parts)
            parts, count = [], 0
        parts.append(chunk)
        count += len(chunk) + len(chunk.heap) // A_ROW
        if count >= rows:
            yield _gather(parts)
            parts, count = [], 0
    if parts:
        yield _gather(parts)


def _gather(parts: list[Frames]) -> Frames:
    """One chunk of several of one segment; those without rows carry a tally and how far time is."""
    tally = sum((part.tally for part in parts), NOTHING)
    filled = [part for part in parts if len(part)] or parts[:1]
    steps = (part.step_ns for part in parts if part.step_ns is not None)
    return join(filled).but(
        tally=tally,
        step_ns=next(steps, None),
        segment=parts[-1].segment,
        until_ns=parts[-1].until_ns,
    )
