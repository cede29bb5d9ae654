"""A capture and its definitions -> a folder of curves, in one pass and in bounded memory."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from canscope.capture.order import gathered
from canscope.capture.read import Capture, read_capture
from canscope.curves.layout import (
    ALIGN,
    BASE,
    BLOCKS,
    FRAME_COLUMNS,
    INDEX,
    STEP,
    Block,
    identity,
)
from canscope.curves.thinning import extremes
from canscope.decoding.columns import EVERY, decode
from canscope.model.cycle import Cycle
from canscope.model.definition import Definitions, SignalSpec
from canscope.model.errors import CurveError, Where
from canscope.model.signals import Series, Signals
from canscope.model.tables import Floats, Frames, Int64s

CHUNK = 1 << 17  # frames that are worked on at once
FEW = 2048  # points; a level with no more is the last one
HELD = 1024  # points of a signal that wait to be written together
Progress = Callable[[int, int | None, int], None]


def write_curves(
    captures: Sequence[str | Path],
    definitions: Definitions,
    folder: Path,
    *,
    progress: Progress | None = None,
    **reading: Any,
) -> Path:
    """Write the curves of all signals of a capture into a folder, whole or not at all.

    Returns the folder. Curves of before are replaced. ``progress`` is told bytes read, bytes in
    all (None if not known) and frames so far; ``reading`` is as for ``read_capture``.

    Raises ``CurveError`` if the folder cannot be written or holds something else, ``CaptureError``
    if the capture cannot be read.
    """
    if folder.exists() and not is_own(folder):
        hint = "name a folder that is empty or not there yet"
        raise CurveError("holds something else than curves", where=Where(str(folder)), hint=hint)
    part = folder.with_name(f".{folder.name}-{os.getpid()}.part")
    try:
        about = identity(captures, definitions)
        part.mkdir(parents=True)
        with (part / BLOCKS).open("w+b") as file:
            index = _write(file, read_capture(*captures, **reading), definitions, progress)
        (part / INDEX).write_text(json.dumps({"about": about, **index}), "utf-8")
        if folder.exists():
            shutil.rmtree(folder)
        part.replace(folder)
    except OSError as error:
        what = f"curves cannot be written: {error.strerror or error}"
        hint = "check the free space and the rights of that folder"
        raise CurveError(what, where=Where(str(folder)), hint=hint) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return folder


def is_own(folder: Path) -> bool:
    """Whether a folder holds curves, or nothing: only such a one is ever replaced."""
    return folder.is_dir() and {path.name for path in folder.iterdir()} <= {BLOCKS, INDEX}


def _write(
    file: BinaryIO, capture: Capture, definitions: Definitions, progress: Progress | None
) -> dict[str, Any]:
    blocks = Blocks(file)
    parts: list[dict[str, Any]] = []
    part: Part | None = None
    segment, frames = -1, 0
    for chunk in decode(gathered(capture, CHUNK), definitions):
        if len(chunk.frames):
            if part is None or chunk.frames.segment != segment:
                parts += [part.closed()] if part else []
                segment = chunk.frames.segment
                part = Part(blocks, definitions, int(chunk.frames.time_ns[0]))
            part.add(chunk)
            frames += len(chunk.frames)
        if progress is not None:
            progress(capture.bytes_read, capture.bytes_total, frames)
    parts += [part.closed()] if part else []
    return {"frames": frames, "bytes": blocks.size, "parts": parts}


class Blocks:
    """Appends blocks to the file, and says where each of them lies."""

    def __init__(self, file: BinaryIO) -> None:
        self._file, self.size = file, 0

    def add(self, columns: Sequence[NDArray[Any]], heap: int = 0) -> Block:
        """Write the columns of some rows, of which the first is their times."""
        block = Block(self.size, len(columns[0]), heap, int(columns[0][0]))
        for column in columns:
            self.size += self._file.write(np.ascontiguousarray(column).data.cast("B"))
        self.size += self._file.write(bytes(-self.size % ALIGN))
        return block

    def points(self, blocks: Iterable[Block]) -> tuple[Int64s, Floats]:
        """The times and values of points that were written."""
        times, values = [np.zeros(0, np.int64)], [np.zeros(0)]
        for block in blocks:
            self._file.seek(block.place)
            data = self._file.read(2 * 8 * block.rows)
            times.append(np.frombuffer(data, np.int64, block.rows))
            values.append(np.frombuffer(data, np.float64, block.rows, 8 * block.rows))
        self._file.seek(self.size)
        return np.concatenate(times), np.concatenate(values)


class Part:
    """The curves of one stretch of unbroken clock; times can be compared only within it."""

    def __init__(self, blocks: Blocks, definitions: Definitions, first_ns: int) -> None:
        self._blocks = blocks
        self._messages: dict[str, list[Block]] = {}
        self._signals: dict[str, Signal] = {}
        self._from_ns, self._until_ns = first_ns, first_ns
        self._cycles = {message.key: message.cycle_ns for message in definitions.messages}

    def add(self, chunk: Signals) -> None:
        """Take in a chunk that follows."""
        self._until_ns = int(chunk.frames.time_ns[-1])
        rows: dict[str, list[Int64s]] = {}
        for key, series in chunk.series.items():
            if not len(series.row):
                continue
            rows.setdefault(series.spec.message_key, []).append(series.row)
            if key not in self._signals:
                self._signals[key] = Signal(self._blocks, series.spec, self._cycle(series.spec))
            self._signals[key].add(series)
        for message, found in rows.items():
            every = max(found, key=len)
            if len(every) < len(chunk.arrivals[message]):  # multiplexed, or some were too short
                every = np.unique(np.concatenate(found))
            block = self._frames(chunk.frames, every)
            self._messages.setdefault(message, []).append(block)

    def _cycle(self, spec: SignalSpec) -> int | None:
        """The cycle that the definition states; of a multiplexed signal it states none."""
        if spec.multiplexer:
            return None
        everywhere = EVERY + spec.message_key.removeprefix(spec.channel)
        return self._cycles.get(spec.message_key, self._cycles.get(everywhere))

    def _frames(self, frames: Frames, rows: Int64s) -> Block:
        """Write these frames."""
        columns = {name: getattr(frames, name)[rows] for name in FRAME_COLUMNS}
        long = columns["heap_at"] >= 0
        if not long.any():
            del columns["heap_at"]
            return self._blocks.add([*columns.values()])
        sizes = np.where(long, columns["length"], 0).astype(np.int64)
        ends = np.cumsum(sizes)
        begins = ends - sizes
        places = np.repeat(columns["heap_at"] - begins, sizes) + np.arange(ends[-1])
        columns["heap_at"] = np.where(long, begins, -1).astype(np.int32)
        return self._blocks.add([*columns.values(), frames.heap[places]], int(ends[-1]))

    def closed(self) -> dict[str, Any]:
        """What the index says of this stretch, once its last blocks are written."""
        return {
            "from_ns": self._from_ns,
            "until_ns": self._until_ns,
            "messages": self._messages,
            "signals": {key: signal.closed() for key, signal in self._signals.items()},
        }


class Signal:
    """The points and the silences of one signal, as it comes in."""

    def __init__(self, blocks: Blocks, spec: SignalSpec, cycle_ns: int | None) -> None:
        self._blocks, self._spec = blocks, spec
        self._states = is_state(spec)
        self._cycle = Cycle(cycle_ns)
        self._open: tuple[Int64s, Floats] | None = None  # points that later samples may replace
        self._waiting: list[tuple[Int64s, Floats]] = []  # points that are settled
        self._held = 0
        self._written: list[Block] = []
        self._gaps: list[Block] = []
        self._count, self._last_ns = 0, 0
        self._low, self._high = np.inf, -np.inf

    def add(self, series: Series) -> None:
        """Take in samples that follow."""
        self._cycle.learn(series.time_ns)
        times, values = series.time_ns, series.value
        known = ~np.isnan(values)
        if not known.all():
            times, values = times[known], values[known]
        if not len(times):
            return
        self._note_silences(times)
        self._count, self._last_ns = self._count + len(times), int(times[-1])
        self._low = min(self._low, float(values.min()))
        self._high = max(self._high, float(values.max()))
        begun = self._open is not None
        if self._open is not None:
            times = np.concatenate((self._open[0], times))
            values = np.concatenate((self._open[1], values))
        if self._states:
            differs = np.flatnonzero(values[1:] != values[:-1]) + 1
            settled = differs if begun else np.concatenate(([0], differs))
            later = np.array([len(values) - 1])
        else:
            rows = extremes(times, values, 1 << BASE)
            last = int(times.searchsorted(int(times[-1]) >> BASE << BASE))  # bucket's first row
            settled, later = rows[rows < last], rows[rows >= last]
        self._open = times[later], values[later]
        self._keep(times[settled], values[settled])

    def _note_silences(self, times: Int64s) -> None:
        """Note where nothing came for longer than three cycles (``model.cycle``)."""
        since = np.diff(times, prepend=self._last_ns if self._count else times[0])
        patience = self._cycle.constant_patience_ns(times)
        late = since > (self._cycle.patience_ns(times) if patience is None else patience)
        if late.any():
            self._gaps.append(self._blocks.add((times[late] - since[late], times[late])))

    def _keep(self, times: Int64s, values: Floats) -> None:
        if len(times):
            self._waiting.append((times, values))
            self._held += len(times)
        if self._held >= HELD:
            self._flush()

    def _flush(self) -> None:
        if self._held:
            times, values = (np.concatenate(of) for of in zip(*self._waiting, strict=True))
            self._written.append(self._blocks.add((times, values)))
            self._waiting, self._held = [], 0

    def closed(self) -> dict[str, Any]:
        """What the index says of the signal, once all its points are written."""
        if self._open is not None:
            times, values = self._open
            last_ns = self._waiting[-1][0][-1] if self._waiting else None
            new = times > last_ns if self._states and last_ns is not None else slice(None)
            self._keep(times[new], values[new])
        self._flush()
        return {
            "channel": self._spec.channel,
            "message": self._spec.message_key,
            "unit": self._spec.unit,
            "states": self._states,
            "labels": labels(self._spec) if self._states else [],
            "count": self._count,
            "lowest": self._low if self._count else None,
            "highest": self._high if self._count else None,
            "levels": [self._written, *self._wider()],
            "gaps": self._gaps,
        }

    def _wider(self) -> Iterator[list[Block]]:
        """Write a level for each wider bucket, until few points are left; a state has none."""
        times, values = self._blocks.points(() if self._states else self._written)
        width = BASE
        while len(times) > FEW:
            width += STEP
            rows = extremes(times, values, 1 << width)
            times, values = times[rows], values[rows]
            yield [self._blocks.add((times, values))]


def is_state(spec: SignalSpec) -> bool:
    """Whether a signal is drawn by its changes: one bit, or two codes and more that have names.

    A name for a code that means "no value" makes no state of a number.
    """
    named = spec.labels.keys() - set(spec.absent.codes)
    return not spec.is_float and (spec.length_bits == 1 or len(named) > 1)


def labels(spec: SignalSpec) -> list[tuple[float, str]]:
    """The values of a state that have names."""
    return [(raw * spec.factor + spec.offset, text) for raw, text in spec.labels.items()]
