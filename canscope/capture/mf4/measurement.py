"""An MF4 file -> Frames, in whichever process this is called.

asammdf is compiled code that trusts its input, so ``reader.py`` has this done in a process of its
own. Source: as named in ``frames.py``.
"""

from __future__ import annotations

import contextlib
import gc
import io
import logging
import sys
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, BinaryIO

from canscope.capture.mf4.blocks import Blocks
from canscope.capture.mf4.frames import KINDS, OVERLOAD, Records, frames, records_of
from canscope.capture.mf4.layout import is_safe, layout, records
from canscope.capture.mf4.links import problem
from canscope.capture.order import merged
from canscope.model.errors import CaptureError, Where
from canscope.model.tables import Frames, Tally, empty_frames

NEVER_CLOSED = b"UnFinMF "
FLAGS = slice(60, 62)  # of the identification block: what is left to do to close the file
FRAGMENT = 1 << 21  # bytes of records that are decoded at once
LOCAL_TIME = 1  # flag of the header: its time zone is not known


def measured(path: str, file: str) -> Iterator[tuple[Frames, float]]:
    """The bus logging in a file, in chunks of about 2 MiB, and how far through the file that is.

    ``file`` is the name to show in messages. A damaged file is read up to the damage. Raises
    ``CaptureError`` if it has no bus logging, was never closed, or asammdf is not installed or
    cannot open it.
    """
    with _opened(path, file) as (mdf, blocks):
        groups = list(_groups(mdf, file))
        start_ns, note = int(mdf.header.abs_time), ""
        if mdf.header.time_flags & LOCAL_TIME:
            note = f"{file}: its times are local times of a zone that it does not name"
        yield replace(empty_frames(), tally=Tally(notes=(note,) if note else ())), 0.0
        whole, seen = sum(count for _, _, count in groups), 0
        streams = [_stream(mdf, blocks, *group, start_ns, file) for group in groups]
        for chunk in streams[0] if len(streams) == 1 else merged(streams):
            seen += chunk.tally.lines
            yield chunk, seen / whole if whole else 1.0


@contextlib.contextmanager
def _opened(path: str, file: str) -> Iterator[tuple[Any, Blocks]]:
    """The measurement and its blocks, closed afterwards."""
    try:
        import asammdf
    except ImportError as error:
        raise CaptureError(
            "an MF4 measurement is read through asammdf, which is not installed",
            where=Where(file),
            hint="pip install 'canscope[mf4]', or export the log as candump text",
        ) from error
    with open(path, "rb") as stream:
        head = stream.read(FLAGS.stop)
        if head.startswith(NEVER_CLOSED) or any(head[FLAGS]):
            raise CaptureError(
                "this measurement was never closed, as when power fails while it is recorded",
                where=Where(file),
                hint="let the recorder's own software close it, and check the result",
            )
        made: Any = problem(stream)
        if not made:
            stream.seek(0)
            # the open file, not its path: of some names asammdf would delete the file afterwards
            made = _made(asammdf.MDF, stream)
        if isinstance(made, str):
            raise CaptureError(
                f"the measurement cannot be opened: {made}",
                where=Where(file),
                hint="it is cut short or damaged: take another copy of it (or asammdf is older "
                "than 8.8)",
            )
        try:
            # where asammdf has put records of several groups that lie in one stream in order
            temporary = getattr(getattr(made, "_mdf", None), "_tempfile", None)
            yield made, Blocks(stream, temporary)
        finally:
            with _quiet():
                made.close()


def _made(make: Any, stream: BinaryIO) -> Any:
    """The measurement, or in words why there is none.

    What asammdf leaves of a measurement that it could not open prints complaints when it is
    collected, so it is collected here, where they are caught; older objects are left out of that.
    """
    with _quiet():
        gc.freeze()
        try:
            try:
                mdf = make(stream, process_bus_logging=False)
                mdf.configure(read_fragment_size=FRAGMENT)
                return mdf
            # asammdf raises whatever it stumbles over in a damaged file; nothing of ours runs here
            except Exception as error:
                problem_found = _in_words(error)
            gc.collect()
            return problem_found
        finally:
            gc.unfreeze()


def _groups(mdf: Any, file: str) -> Iterator[tuple[int, str, int]]:
    """(number, kind, count of records) of each group of frames.

    Raises ``CaptureError`` if there is none.
    """
    found = False
    for number, group in enumerate(mdf.groups):
        names = {channel.name for channel in group.channels}
        for kind in KINDS:
            if kind in names:
                found = True
                if count := int(group.channel_group.cycles_nr):
                    yield number, kind, count
    if not found:
        raise CaptureError(
            f"no bus logging in this measurement, only {len(mdf.groups)} group(s) of signals",
            where=Where(file),
            hint="record or export the CAN frames themselves (CAN_DataFrame), or export them as "
            "candump text",
        )


def _stream(
    mdf: Any, blocks: Blocks, number: int, kind: str, count: int, start_ns: int, file: str
) -> Iterator[Frames]:
    """The frames of one group in the order of its records."""
    where = f"{file}: group {number}"
    if kind == OVERLOAD:
        example = f"{where}: {count} overload frame(s), which are not read"
        yield replace(empty_frames(), tally=Tally(count, count, (example,)))
        return
    seen = 0
    for piece in _pieces(mdf, blocks, number, kind):
        if isinstance(piece, str):
            example = f"{where}: record {seen + 1}: damaged from here on: {piece}"
            yield replace(empty_frames(), tally=Tally(1, 1, (example,), cut_end=True))
            return
        yield frames(kind, piece, start_ns, f"{where}: record", seen + 1)
        seen += len(piece)
    if seen < count and not mdf.groups[number].channel_group.invalidation_bytes_nr:
        example = f"{where}: {count - seen} of {count} records are missing at its end"
        yield replace(empty_frames(), tally=Tally(1, 1, (example,), cut_end=True))


def _pieces(mdf: Any, blocks: Blocks, number: int, kind: str) -> Iterator[Records | str]:
    """Records, a stretch at a time; at the end, in words, the damage that stops it.

    A layout that is not understood is left to asammdf where that is safe.
    """
    found = layout(mdf.groups[number], kind)
    if found is not None:
        yield from records(found, blocks)
        return
    if not is_safe(mdf.groups[number]):
        yield "its records are laid out in a way that is not read, or their description is damaged"
        return
    signals = mdf.iter_get(kind, group=number, raw=True)
    while True:
        try:
            with _quiet():
                signal: Any = next(signals, None)
        # as where the file is opened
        except Exception as error:
            yield _in_words(error)
            return
        if signal is None:
            return
        if len(signal.timestamps):
            piece = records_of(signal.samples, signal.timestamps)
            if not piece.has("ID"):
                yield f"{kind} has no field ID"
                return
            yield piece


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Suppress what asammdf logs or prints about damage; the tally has it in our own words."""
    logger = logging.getLogger("asammdf")
    was, hook = logger.disabled, sys.unraisablehook
    logger.disabled, sys.unraisablehook = True, lambda _: None
    try:
        with contextlib.redirect_stdout(io.StringIO()):
            yield
    finally:
        logger.disabled, sys.unraisablehook = was, hook


def _in_words(error: Exception) -> str:
    lines = str(error).splitlines()
    return f"{type(error).__name__}" + (f": {lines[0][:120]}" if lines else "")
