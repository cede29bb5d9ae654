"""The captures of a run as they grow: what the judge sees is what is on the disk, and only that.

A judge that is slow falls behind in the files and catches up; the recorder never hears of it.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from canscope.capture.candump import read
from canscope.live.writer import NAME
from canscope.model.tables import Frames

MOST = 4 << 20  # bytes taken at a time by one who has fallen behind
BEHIND = MOST // 4


class Follower:
    """Reads the whole lines that have been added since it last looked."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._number, self._at = folder, 1, 0

    def more(self) -> bytes:
        """New whole lines; empty if there are none yet."""
        path = self._folder / (NAME % self._number)
        try:
            with open(path, "rb") as file:
                file.seek(self._at)
                text = file.read(MOST)
        except FileNotFoundError:
            return b""
        whole = text[: text.rfind(b"\n") + 1]
        self._at += len(whole)
        further = self._folder / (NAME % (self._number + 1))
        # A rotated file is complete before the next one exists.
        if not whole and further.exists() and self._at >= path.stat().st_size:
            self._number, self._at = self._number + 1, 0
            return self.more()
        return whole

    def rest(self) -> bytes:
        """What was begun and never finished as a line."""
        path = self._folder / (NAME % self._number)
        try:
            return path.read_bytes()[self._at :]
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
            for chunk in read(io.BytesIO(text), folder.name):
                last = int(chunk.time_ns[-1]) + int(rising) if len(chunk) else None
                yield replace(chunk, until_ns=last)
        elif not going_on:
            yield from read(io.BytesIO(follower.rest()), folder.name)  # a line that was cut
            return
        if going_on and len(text) < BEHIND:
            going_on = wait()
