"""Standard streams that never end a run: closed, full or without a reader, the work goes on."""

from __future__ import annotations

import io
import os
import sys
from typing import Any


class Screen(io.RawIOBase):
    """A file descriptor to which every write succeeds; ``lost`` says why one did not."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self._number = number
        self.lost = ""

    def writable(self) -> bool:
        """It always takes what is written."""
        return True

    def isatty(self) -> bool:
        """Whether a person may see it."""
        return not self.lost and os.isatty(self._number)

    def fileno(self) -> int:
        """The file descriptor."""
        return self._number

    def write(self, text: Any) -> int:
        """Write all of it, or note why that is not possible any more."""
        view = memoryview(text).cast("B")
        size = len(view)
        while view and not self.lost:
            try:
                view = view[os.write(self._number, view) :]
            except OSError as error:
                self.lost = error.strerror or str(error)
        return size


def keep_streams() -> Screen:
    """Let no trouble with the standard streams end this process; the screen that print writes to.

    A stream that is closed is opened on nothing, so that no other file takes its number. Text that
    a stream's encoding cannot hold is shown as escapes.
    """
    lost = ""
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError as error:
            null = os.open(os.devnull, os.O_RDWR)
            if null != number:
                os.dup2(null, number)
                os.close(null)
            lost = (error.strerror or "closed") if number == 1 else lost
    if sys.stdin is None:
        sys.stdin = io.TextIOWrapper(io.FileIO(0, closefd=False))
    screens = []
    for number, name in ((1, "stdout"), (2, "stderr")):
        old = getattr(sys, name)
        screen = Screen(number)
        encoding = old.encoding if old is not None else "utf-8"
        if old is not None:
            old.flush()
        text = io.TextIOWrapper(
            io.BufferedWriter(screen), encoding, "backslashreplace", line_buffering=True
        )
        setattr(sys, name, text)
        screens.append(screen)
    screens[0].lost = lost
    return screens[0]


def can_show(text: str) -> bool:
    """Whether standard output's encoding has all of these characters."""
    try:
        text.encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return False
    return True
