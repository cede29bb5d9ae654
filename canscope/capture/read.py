"""``read_capture``: files, compressed files or standard input -> Frames in time order."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import chain, combinations
from pathlib import Path

from canscope.capture import READERS
from canscope.capture.input.file import CaptureFile
from canscope.capture.order import merged, ordered
from canscope.model.errors import CaptureError, Where
from canscope.model.report import Input
from canscope.model.tables import Frames, Tally, empty_frames


def read_capture(
    *paths: str | Path, format: str | None = None, channel: str | Sequence[str] | None = None
) -> Capture:
    """Open a capture: one file, several (a rotated log, or recordings made side by side), or "-".

    Several files are read twice. The first reading shows whether any of them has a clock step: if
    none has, they are merged by stamp; otherwise they are taken one after another as given, as if
    they were one file. Files packed with gzip are unpacked on the way. ``format`` is a name in
    ``READERS``; without it the first bytes decide. ``channel`` names the bus of captures whose
    format does not: one name for all of them, or one for each; the others keep their own names.

    Raises ``CaptureError`` if there is nothing to read at a path. What the bytes are is found out
    while iterating, and raised there.
    """
    if format is not None:
        READERS.file(format)
    if not paths:
        raise CaptureError("no capture is given", hint="name a file, or - for standard input")
    files = tuple(
        CaptureFile(str(path), format, name)
        for path, name in zip(paths, _channels(channel, len(paths)), strict=True)
    )
    if len(files) > 1:
        _check_apart(files)
    return Capture(files)


def _channels(channel: str | Sequence[str] | None, count: int) -> list[str | None]:
    """The name of the bus for each of so many captures, None where none is given."""
    if channel is None:
        return [None] * count
    names = [channel] if isinstance(channel, str) else list(channel)
    for name in names:
        if not name or name.split() != [name]:
            raise CaptureError(f"{name!r} is not the name of a channel", hint="one word, as can0")
    if len(names) not in (1, count):
        raise CaptureError(
            f"{len(names)} channels are named for {count} captures",
            hint="name one for all of them, or one for each in their order",
        )
    return [names[0]] * count if len(names) == 1 else [*names]


def _check_apart(files: tuple[CaptureFile, ...]) -> None:
    """Several captures can be read twice, and none of them is another one again."""
    for file in files:
        if file.size is None:
            raise CaptureError(
                "of several captures each must be a file, as they are read twice",
                where=Where(file.name),
                hint="write it to a file first",
            )
    for one, other in combinations(files, 2):
        if os.path.samefile(one.path, other.path):
            hint = "name each capture once"
            raise CaptureError("this file is given twice", where=Where(other.name), hint=hint)


class Capture:
    """The frames of a capture in time order, in chunks; it can be iterated once.

    ``bytes_read`` of ``bytes_total`` (None for a pipe) is for a progress bar: bytes as stored,
    counted twice where several files are read twice. After the last chunk, ``inputs`` and
    ``sha256`` identify the bytes.
    """

    def __init__(self, files: tuple[CaptureFile, ...]) -> None:
        self._files, self._begun, self._done = files, False, False

    def __iter__(self) -> Iterator[Frames]:
        if self._begun:
            raise RuntimeError("a capture can be iterated once; call read_capture again")
        self._begun = True
        return self._chunks()

    @property
    def names(self) -> tuple[str, ...]:
        """The files, as they were given."""
        return tuple(file.name for file in self._files)

    @property
    def bytes_read(self) -> int:
        """Bytes read so far."""
        return sum(file.bytes_read for file in self._files)

    @property
    def bytes_total(self) -> int | None:
        """Bytes that will have been read at the end, None if it cannot be known."""
        sizes = [file.size for file in self._files if file.size is not None]
        if len(sizes) < len(self._files):
            return None
        return sum(sizes) * (2 if len(sizes) > 1 else 1)

    @property
    def notes(self) -> tuple[str, ...]:
        """What was taken for granted in order to read the files, in words."""
        return tuple(file.note for file in self._files if file.note)

    @property
    def inputs(self) -> tuple[Input, ...]:
        """Name, hash and size of each file as it is stored."""
        if not self._done:
            raise RuntimeError("the hash of a capture is known after its last chunk")
        return tuple(file.input for file in self._files if file.input)

    @property
    def sha256(self) -> str:
        """The hash of the only file, or that of the hex digests of several in the order given."""
        digests = [part.sha256 for part in self.inputs]
        if len(digests) == 1:
            return digests[0]
        return hashlib.sha256("".join(digests).encode("ascii")).hexdigest()

    def _chunks(self) -> Iterator[Frames]:
        if len(self._files) == 1:
            yield from ordered(self._files[0].frames())
        elif stepped := [file.name for file in self._files if _has_steps(file)]:
            note = (
                f"{', '.join(stepped)}: clock steps, so the files are taken one after another "
                "as given, not merged by their times"
            )
            with_note = replace(empty_frames(), tally=Tally(notes=(note,)))
            yield from ordered(chain([with_note], *(file.frames() for file in self._files)))
        else:
            yield from ordered(merged(ordered(file.frames()) for file in self._files))
        self._done = True


def _has_steps(file: CaptureFile) -> bool:
    """Whether a file's clock was set while it was recorded; reads it to its end."""
    return sum(chunk.segment for chunk in ordered(file.frames())) > 0
