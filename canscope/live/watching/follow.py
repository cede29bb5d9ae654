"""The captures of a run as they grow: what the judge sees is what is on the disk, and only that.

A judge that is slow falls behind in the files and catches up; the recorder never hears of it.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from canscope.capture.candump.reader import read_on
from canscope.live.recording.writer import NAME
from canscope.model.tables import Frames

MOST = 4 << 20  # bytes taken at a time by one who has fallen behind
BEHIND = MOST // 4


class Follower:
    """Reads the whole lines that have been added since it last looked."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._number, self._at = folder, 1, 0
        self._next_line = self.line = 1

    @property
    def path(self) -> Path:
        """The file that is being read; ``line`` is where in it the last lines given began."""
        return self._folder / (NAME % self._number)

    def more(self) -> bytes:
        """New whole lines; empty if there are none yet."""
        path = self.path
        try:
            with open(path, "rb") as file:
                file.seek(self._at)
                text = file.read(MOST)
        except FileNotFoundError:
            return b""
        whole = text[: text.rfind(b"\n") + 1]
        self._at += len(whole)
        self.line, self._next_line = self._next_line, self._next_line + whole.count(b"\n")
        further = self._folder / (NAME % (self._number + 1))
        # A rotated file is complete before the next one exists.
        if not whole and further.exists() and self._at >= path.stat().st_size:
            self._number, self._at = self._number + 1, 0
            self._next_line = 1
            return self.more()
        return whole

    def rest(self) -> bytes:
        """What was begun and never finished as a line."""
        self.line = self._next_line
        try:
            return self.path.read_bytes()[self._at :]
        except FileNotFoundError:
            return b""


def followed(
    folder: Path,
    wait: Callable[[], bool],
    took: Callable[[], None] = lambda: None,
    *,
    rising: bool = False,
) -> Iterator[Frames]:
    """Chunks of a growing run, until ``wait`` says that nothing more will come.

    ``wait`` is called between two looks at the disk, unless one has fallen behind, and returns
    False at the end; what was written before it said so is still given. ``took`` is called when new
    lines were found. ``rising`` is the recorder's word that no two frames share a stamp, so that
    none waits for the next one.
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
