"""Curves: what to draw of any signals in any window of time, from what ``write_curves`` wrote."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from canscope.curves.layout import BASE, BLOCKS, FRAME_COLUMNS, INDEX, STEP, Block, identity
from canscope.curves.thinning import extremes
from canscope.decoding.columns import decode, messages_of
from canscope.model.definition import Definitions
from canscope.model.errors import CurveError, UnknownNameError, Where
from canscope.model.tables import SECOND_NS, Floats, Frames, Int64s, empty_frames, join

WIDTH = 1024  # buckets of a window, each drawn by at most two points
MOST_FRAMES = 16  # times the width: of a message with no more, single samples are looked at
K = TypeVar("K", np.int64, np.float64)


@dataclass(frozen=True, eq=False)
class Curve:
    """What to draw of one signal in a window of time.

    ``at_s`` are seconds since the capture's first frame, in order within each stretch of unbroken
    clock; ``value`` is in the signal's unit, never NaN. They reach one point beyond the window on
    either side, so that a line enters and leaves it. ``gaps`` are silences longer than three cycles
    of the signal, each from its last sample to the next one; those that are narrower than a bucket
    are left out. ``bucket_s`` is 0 where the points are the samples themselves (of a state: its
    changes and its last sample), else the width of the buckets of which they are the lowest and the
    highest value.
    """

    key: str
    unit: str
    states: bool  # draw as steps
    labels: Sequence[tuple[float, str]]  # values of a state that have names
    at_s: Floats
    value: Floats
    gaps: Floats  # shape n x 2
    bucket_s: float


@dataclass(frozen=True)
class SignalFacts:
    """One signal of the run; ``lowest`` and ``highest`` are None where it never had a value."""

    key: str
    unit: str
    states: bool
    labels: Sequence[tuple[float, str]]
    count: int
    lowest: float | None
    highest: float | None


@dataclass(frozen=True)
class Part:
    """The index of one stretch of unbroken clock: blocks by message, signals by key."""

    from_ns: int
    until_ns: int
    messages: dict[str, list[list[int]]]
    signals: dict[str, dict[str, Any]]


class Curves:
    """The curves in a folder; its blocks are mapped into memory and read where they are needed.

    ``definitions`` are those that they were written with. Raises ``CurveError`` if there are none,
    or if captures or definitions (with ``captures`` given) are others than those that they rest on.
    """

    def __init__(
        self,
        folder: Path,
        definitions: Definitions,
        captures: Sequence[str | Path] | None = None,
    ) -> None:
        self._definitions = definitions
        self._alone: dict[str, Definitions] = {}
        blocks = folder / BLOCKS
        try:
            index = json.loads((folder / INDEX).read_text("utf-8"))
            about, self.frames = index["about"], int(index["frames"])
            self._parts = [Part(**tree) for tree in index["parts"]]
            size = blocks.stat().st_size
            if size != index["bytes"]:
                raise ValueError("cut off")
            self._bytes = np.memmap(blocks, np.uint8, "r") if size else np.zeros(0, np.uint8)
        except FileNotFoundError as error:
            raise _unusable(folder, "are not there") from error
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise _unusable(folder, "are damaged") from error
        if captures is not None and about != identity(captures, definitions):
            raise _unusable(folder, "rest on another capture or other definitions")

    @property
    def origin_ns(self) -> int:
        """When the first frame came."""
        return self._parts[0].from_ns if self._parts else 0

    @property
    def stretches_s(self) -> list[tuple[float, float]]:
        """Each stretch of unbroken clock, in seconds since the first frame; mostly one."""
        ends = [(part.from_ns, part.until_ns) for part in self._parts]
        return [
            ((start - self.origin_ns) / SECOND_NS, (end - self.origin_ns) / SECOND_NS)
            for start, end in ends
        ]

    @property
    def signals(self) -> list[SignalFacts]:
        """Every signal that came, by key."""
        found: dict[str, SignalFacts] = {}
        for part in self._parts:
            for key, tree in part.signals.items():
                one = SignalFacts(
                    key, *(tree[name] for name in list(SignalFacts.__annotations__)[1:])
                )
                found[key] = _joined(found[key], one) if key in found else one
        return [found[key] for key in sorted(found)]

    def window(
        self, keys: Sequence[str], from_s: float, until_s: float, width: int = WIDTH
    ) -> list[Curve]:
        """The curves of some signals from one instant to another, in that order.

        Times are seconds since the first frame. A signal has at most 2 ``width`` points for each
        stretch of unbroken clock, and one more on either side.

        Raises ``UnknownNameError`` for a signal that the run does not have.
        """
        start, end = (
            self.origin_ns + round(min(max(at, -1e9), 1e9) * SECOND_NS) for at in (from_s, until_s)
        )
        return [self._curve(key, start, max(end, start + 1), max(1, width)) for key in keys]

    def _curve(self, key: str, from_ns: int, until_ns: int, width: int) -> Curve:
        """One curve of from <= time < until."""
        parts = [part for part in self._parts if key in part.signals]
        if not parts:
            raise UnknownNameError("signal", key, {k for p in self._parts for k in p.signals})
        shift = 0
        while ((until_ns - 1) >> shift) - (from_ns >> shift) >= width:
            shift += 1
        found = [self._points(part, key, from_ns, until_ns, width, shift) for part in parts]
        shift = max(used for _, _, used in found)
        gaps = [self._gaps(part, key, from_ns, until_ns, shift) for part in parts]
        tree = parts[0].signals[key]
        return Curve(
            key,
            tree["unit"],
            tree["states"],
            tree["labels"],
            np.concatenate([(times - self.origin_ns) / SECOND_NS for times, _, _ in found]),
            np.concatenate([values for _, values, _ in found]),
            (np.concatenate(gaps) - self.origin_ns) / SECOND_NS,
            (1 << shift) / SECOND_NS if shift else 0.0,
        )

    def _points(
        self, part: Part, key: str, from_ns: int, until_ns: int, width: int, shift: int
    ) -> tuple[Int64s, Floats, int]:
        """Times and values, and of buckets the width as a power of two; 0 for samples."""
        tree = part.signals[key]
        start, end = from_ns >> shift << shift, (((until_ns - 1) >> shift) + 1) << shift
        frames = self._rows(part.messages[tree["message"]])
        points = self._rows(tree["levels"][0])
        if tree["states"]:
            times, values = points.columns(start, end, np.float64)
        elif shift < BASE or frames.count(from_ns, until_ns) <= MOST_FRAMES * width:
            times, values = self._samples(tree, key, frames.frames(start, end))
        else:
            level = min((shift - BASE) // STEP, len(tree["levels"]) - 1)
            points = self._rows(tree["levels"][level])
            times, values = points.columns(start, end, np.float64)
            return *_thinned(times, values, start, end, shift), shift
        first, last = times.searchsorted((from_ns, until_ns)).tolist()
        if last - first <= 2 * width:
            rows = slice(max(first - 1, 0), last + 1)
            return times[rows], values[rows], 0
        return *_thinned(times, values, start, end, shift), shift

    def _samples(self, tree: dict[str, Any], key: str, frames: Frames) -> tuple[Int64s, Floats]:
        """The samples of a signal that carry a value, decoded from these frames of its message."""
        frames = frames.but(channels=(tree["channel"],))
        message = self._message(tree["channel"], tree["message"])
        for signals in decode(frames, message, wanted=[key]):
            series = signals.series[key]
            known = ~np.isnan(series.value)
            return series.time_ns[known], series.value[known]
        raise AssertionError("one chunk in, one chunk out")

    def _gaps(self, part: Part, key: str, from_ns: int, until_ns: int, shift: int) -> Int64s:
        """The silences that reach into the window and are as wide as a bucket; shape n x 2."""
        rows = self._rows(part.signals[key]["gaps"])
        since, until = rows.columns(from_ns, until_ns, np.int64)
        shown = (since < until_ns) & (until > from_ns) & (until - since >= 1 << shift)
        return np.stack((since[shown], until[shown]), axis=1)

    def _message(self, channel: str, key: str) -> Definitions:
        """The definition of one message alone."""
        if key not in self._alone:
            for message in messages_of(self._definitions, channel):
                self._alone[message.key] = Definitions((message,))
        return self._alone[key]

    def _rows(self, blocks: list[list[int]]) -> Rows:
        return Rows(self._bytes, np.array(blocks, np.int64).reshape(-1, len(Block._fields)))


class Rows:
    """The rows of one series, which lie in many blocks."""

    def __init__(self, data: NDArray[np.uint8], blocks: Int64s) -> None:
        self._data = data
        self._place, self._count, self._heap, self._first = blocks.T
        self._before = np.cumsum(self._count) - self._count  # rows of the blocks before

    def count(self, from_ns: int, until_ns: int) -> int:
        """How many rows have from <= time < until."""
        return self._earlier(until_ns) - self._earlier(from_ns)

    def _earlier(self, time_ns: int) -> int:
        block = int(self._first.searchsorted(time_ns)) - 1
        if block < 0:
            return 0
        return int(self._before[block]) + int(self._times(block).searchsorted(time_ns))

    def columns(self, from_ns: int, until_ns: int, kind: type[K]) -> tuple[Int64s, NDArray[K]]:
        """Times and second column of from <= time < until, with one row more on either side."""
        times, others = [np.zeros(0, np.int64)], [np.zeros(0, kind)]
        for block, rows in self._slices(from_ns, until_ns):
            times.append(self._times(block)[rows])
            others.append(self._column(block, 8 * int(self._count[block]), np.dtype(kind))[rows])
        return np.concatenate(times), np.concatenate(others)

    def frames(self, from_ns: int, until_ns: int) -> Frames:
        """Frames of from <= time < until, with one more on either side, on a nameless channel."""
        slices = self._slices(from_ns, until_ns)
        return join([empty_frames(("",)), *(self._frames(block, rows) for block, rows in slices)])

    def _frames(self, block: int, rows: slice) -> Frames:
        count, at, columns = int(self._count[block]), 0, {}
        for name, dtype in FRAME_COLUMNS.items():
            if name == "heap_at" and not self._heap[block]:
                columns[name] = np.full(count, -1, np.int32)[rows]
                continue
            columns[name] = self._column(block, at, dtype)[rows]
            at += count * dtype.itemsize
        heap = np.array(self._bytes(block, at, int(self._heap[block])))
        codes = np.zeros(len(columns["time_ns"]), np.uint8)
        return empty_frames(("",)).but(**columns, channel=codes, heap=heap)

    def _slices(self, from_ns: int, until_ns: int) -> Iterator[tuple[int, slice]]:
        """Blocks, and which of their rows are in the window or next to it."""
        first = max(int(self._first.searchsorted(from_ns)) - 1, 0)
        for block in range(first, len(self._first)):
            begin, end = self._times(block).searchsorted((from_ns, until_ns)).tolist()
            yield block, slice(max(begin - 1, 0), end + 1)
            if end < self._count[block]:
                return

    def _times(self, block: int) -> Int64s:
        return self._column(block, 0, np.dtype(np.int64))

    def _column(self, block: int, at: int, dtype: np.dtype[Any]) -> NDArray[Any]:
        return self._bytes(block, at, int(self._count[block]) * dtype.itemsize).view(dtype)

    def _bytes(self, block: int, at: int, size: int) -> NDArray[np.uint8]:
        place = int(self._place[block]) + at
        return self._data[place : place + size]


def _thinned(
    times: Int64s, values: Floats, from_ns: int, until_ns: int, shift: int
) -> tuple[Int64s, Floats]:
    """The extremes of the buckets from one instant to another; what lies outside stays as it is."""
    first, last = times.searchsorted((from_ns, until_ns)).tolist()
    rows = first + extremes(times[first:last], values[first:last], 1 << shift)
    before, after = np.arange(max(first - 1, 0), first), np.arange(last, min(last + 1, len(times)))
    rows = np.concatenate((before, rows, after))
    return times[rows], values[rows]


def _joined(one: SignalFacts, other: SignalFacts) -> SignalFacts:
    """One signal over two stretches of time."""
    lows = [v for v in (one.lowest, other.lowest) if v is not None]
    highs = [v for v in (one.highest, other.highest) if v is not None]
    return replace(
        one,
        count=one.count + other.count,
        lowest=min(lows, default=None),
        highest=max(highs, default=None),
    )


def _unusable(folder: Path, why: str) -> CurveError:
    hint = "let the curves of this run be drawn again"
    return CurveError(f"its curves {why}", where=Where(str(folder)), hint=hint)
