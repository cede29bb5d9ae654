"""``read_capture``: files, compressed files or standard input -> Frames in time order."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import chain, combinations
from pathlib import Path

import numpy as np

from canscope.capture import READERS
from canscope.capture.clocks import Survey, by_clock, note
from canscope.capture.input.file import CaptureFile
from canscope.capture.order import merged, ordered
from canscope.model.errors import CaptureError, UnknownNameError, Where
from canscope.model.report import Input
from canscope.model.tables import SECOND_NS, Frames, Tally, empty_frames

MOST_STEPS = 200  # of the clock; every one costs some milliseconds, and nothing is judged across
MOST_S = 1e10  # of an offset: from 1970 to today and back, and more


def read_capture(
    *paths: str | Path,
    format: str | None = None,
    channel: str | Sequence[str] | None = None,
    offsets: Mapping[str, float] | None = None,
    columns: Mapping[str, str] | None = None,
) -> Capture:
    """Open a capture: one file, several (a rotated log, or recordings made side by side), or "-".

    Several files are read twice. The first reading shows whether any of them has a clock step: if
    none has, they are merged by stamp; otherwise they are taken one after another as given, as if
    they were one file. Of files that share no clock (``clocks.py``) the frames say so in
    ``Tally.clocks``. Packed files are unpacked on the way. ``format`` is a name in ``READERS``;
    without it the first bytes decide. ``channel`` names the bus of captures whose format does not:
    a text, or one name for several files, for all of them; a sequence of as many names as files
    names also the bus of those that name it themselves. ``offsets`` has the seconds to add to the
    stamps of a file, by its path as given; such files are on the clock of the first one without.
    ``columns`` names the columns of a table (``table``), as ``{"time_ms": "Zeit"}``.

    Raises ``CaptureError`` if there is nothing to read at a path. What the bytes are is found out
    while iterating, and raised there.
    """
    if columns and format is None:
        format = "table"
    if format is not None:
        READERS.file(format)
    if not paths:
        raise CaptureError("no capture is given", hint="name a file, or - for standard input")
    names = [str(path) for path in paths]
    shifts = _shifts(offsets or {}, names)
    renames = channel is not None and not isinstance(channel, str) and len(channel) == len(names)
    files = tuple(
        CaptureFile(
            path, format, bus, renames=renames, shift_ns=shifts.get(path, 0), columns=columns
        )
        for path, bus in zip(names, _channels(channel, len(names)), strict=True)
    )
    if len(files) > 1:
        _check_apart(files)
    return Capture(files, frozenset(shifts))


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


def _shifts(offsets: Mapping[str, float], names: Sequence[str]) -> dict[str, int]:
    """Nanoseconds to add to the stamps of a file, by its path as given."""
    for name, seconds in offsets.items():
        if name not in names:
            raise UnknownNameError("capture for an offset", name, names)
        if not abs(seconds) < MOST_S:
            what = f"{seconds} s is no offset between two recordings"
            raise CaptureError(what, where=Where(name), hint="a number of seconds, as -1.25")
    return {name: round(seconds * SECOND_NS) for name, seconds in offsets.items()}


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

    def __init__(self, files: tuple[CaptureFile, ...], aligned: frozenset[str]) -> None:
        self._files, self._begun, self._done = files, False, False
        self._aligned = aligned  # paths of the files whose offset was given

    def __iter__(self) -> Iterator[Frames]:
        if self._begun:
            hint = "a capture can be gone through once: call read_capture again"
            raise CaptureError("these frames are used up", where=Where(self.names[0]), hint=hint)
        self._begun = True
        return self._chunks()

    def __repr__(self) -> str:
        state = "read to its end" if self._done else "begun" if self._begun else "not read yet"
        return f"<Capture {', '.join(self.names)}: {state}>"

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
        try:
            yield from self._checked()
        except CaptureError as error:
            if error.where is not None:
                raise
            place = Where(", ".join(self.names))
            raise CaptureError(error.what, where=place, hint=error.hint) from error

    def _checked(self) -> Iterator[Frames]:
        for chunk in self._all():
            if chunk.segment > MOST_STEPS:
                raise CaptureError(
                    f"its clock was set more than {MOST_STEPS} times: its stamps are no times",
                    hint="record again with a recorder whose clock runs on; nothing can be judged "
                    "across a clock step",
                )
            yield chunk

    def _all(self) -> Iterator[Frames]:
        files = self._files
        if len(files) == 1:
            yield from ordered(files[0].frames())
            self._done = True
            return
        surveys = [_survey(file, aligned=file.path in self._aligned) for file in files]
        if stepped := [survey.name for survey in surveys if survey.stepped]:
            told = (
                f"{', '.join(stepped)}: clock steps, so the files are taken one after another "
                "as given, not merged by their times"
            )
            begun = _telling(Tally(notes=(told,)))
            yield from ordered(chain([begun], *(file.frames() for file in files)))
        else:
            groups = by_clock(surveys)
            frames = merged(ordered(file.frames()) for file in files)
            if len(groups) > 1:
                buses = (sorted(frozenset().union(*(s.channels for s in g))) for g in groups)
                tally = Tally(notes=(note(groups),), clocks=tuple(map(tuple, buses)))
                frames = chain([_telling(tally)], frames)
            yield from ordered(frames)
        self._done = True


def _telling(tally: Tally) -> Frames:
    return replace(empty_frames(), tally=tally)


def _survey(file: CaptureFile, *, aligned: bool) -> Survey:
    """Read a file to its end for what its clock and its buses are."""
    channels, first, last, stepped = set[str](), list[int](), 0, False
    for chunk in ordered(file.frames()):
        stepped |= chunk.segment > 0
        if chunk.segment > MOST_STEPS:
            break  # whoever reads on says so
        if len(chunk):
            found = np.flatnonzero(np.bincount(chunk.channel)).tolist()
            channels.update(chunk.channels[code] for code in found)
            first = first or [int(chunk.time_ns[0])]
            last = int(chunk.time_ns[-1])
    return Survey(file.name, file.format, frozenset(channels), first[0], last, stepped, aligned)
