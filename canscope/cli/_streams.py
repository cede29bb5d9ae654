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


def prepare_streams() -> None:
    """Open on nothing what is closed of the standard streams, so that none of them is missing.

    Otherwise the next file that is opened takes its number, and gets what libraries write there.
    A standard input that Python has found closed stays None, as it is no capture. What a stream's
    encoding lacks (ASCII, or Windows' own where the output goes to a file) is shown as escapes.
    """
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            null = os.open(os.devnull, os.O_RDWR)
            if null != number:
                os.dup2(null, number)
                os.close(null)
    for number, name in ((1, "stdout"), (2, "stderr")):
        stream = getattr(sys, name)
        if stream is None:
            screen = Screen(number)
            screen.lost = "it was closed from the beginning"
            setattr(sys, name, io.TextIOWrapper(io.BufferedWriter(screen), "utf-8"))
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def keep_streams() -> Screen:
    """Let no trouble with the standard streams end this process; where print writes to."""
    prepare_streams()
    if sys.stdin is None:
        sys.stdin = io.TextIOWrapper(io.FileIO(0, closefd=False))
    screens = []
    for number, name in ((1, "stdout"), (2, "stderr")):
        old = getattr(sys, name)
        screen = Screen(number)
        screen.lost = getattr(getattr(old.buffer, "raw", None), "lost", "")
        old.flush()
        text = io.TextIOWrapper(
            io.BufferedWriter(screen), old.encoding, "backslashreplace", line_buffering=True
        )
        setattr(sys, name, text)
        screens.append(screen)
    return screens[0]


def can_show(text: str) -> bool:
    """Whether standard output's encoding has all of these characters."""
    try:
        text.encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return False
    return True
