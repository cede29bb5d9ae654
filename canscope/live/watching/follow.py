"""The captures of a run as they grow: the judge sees what is on the disk, and only that.

A slow judge falls behind in the files and catches up; the recorder is not affected.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from canscope.capture.candump.reader import read_on
from canscope.live.run_folder.layout import CAPTURE_NAME
from canscope.model.tables import Frames

MOST = 4 << 20  # bytes read at a time
BEHIND = MOST // 4  # a read of so many bytes is followed by the next one at once


class Follower:
    """Reads the whole lines that have been added since it last looked."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._number, self._at = folder, 1, 0
        self._next_line = self.line = 1

    @property
    def path(self) -> Path:
        """The file that is being read; ``line`` is the number of the first line last returned."""
        return self._folder / (CAPTURE_NAME % self._number)

    def more(self) -> bytes:
        """New whole lines; empty if there are none yet."""
        path = self.path
        try:
            with open(path, "rb") as file:
                file.seek(self._at)
                text = file.read(MOST)
        except FileNotFoundError:  # not there yet, or deleted, and recorded on in the next one
            if not (self._folder / (CAPTURE_NAME % (self._number + 1))).exists():
                return b""
            text = b""
        whole = text[: text.rfind(b"\n") + 1]
        self._at += len(whole)
        self.line, self._next_line = self._next_line, self._next_line + whole.count(b"\n")
        further = self._folder / (CAPTURE_NAME % (self._number + 1))
        # A rotated file is complete before the next one exists.
        if not whole and further.exists() and self._at >= _size(path):
            self._number, self._at = self._number + 1, 0
            self._next_line = 1
            return self.more()
        return whole

    def rest(self) -> bytes:
        """The last line where it was never finished."""
        self.line = self._next_line
        try:
            return self.path.read_bytes()[self._at :]
        except FileNotFoundError:
            return b""


def _size(path: Path) -> int:
    """In bytes; 0 for a file that is gone."""
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return 0


def followed(
    folder: Path,
    wait: Callable[[], bool],
    took: Callable[[], None] = lambda: None,
    *,
    rising: bool = False,
) -> Iterator[Frames]:
    """Chunks of a growing run, until ``wait`` says that nothing more will come.

    ``wait`` is called between two reads, unless the reader has fallen behind. It returns False at
    the end; what was written before that is still returned. ``took`` is called when new lines were
    found. ``rising`` is the recorder's promise that no two frames share a stamp, so that no frame
    has to wait for the next one.
    """
    follower = Follower(folder)
    going_on = True
    while True:
        text = follower.more()
        if text:
            took()
            for chunk in read_on(io.BytesIO(text), str(follower.path), follower.line):
                last = int(chunk.time_ns[-1]) + int(rising) if len(chunk) else None
                yield replace(chunk, until_ns=last)
        elif not going_on:
            cut = io.BytesIO(follower.rest())
            yield from read_on(cut, str(follower.path), follower.line)
            return
        if going_on and len(text) < BEHIND:
            going_on = wait()
