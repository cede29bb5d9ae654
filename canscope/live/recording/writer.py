"""Writes the captures of a run: append-only, whole lines, rotated by size and age."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from pathlib import Path

from canscope.live.run_folder.layout import CAPTURE_NAME

FSYNC_S = 0.8  # at most a second together with what a busy machine adds


class CaptureWriter:
    """Writes into ``capture-0001.log`` and the next ones.

    ``write`` hands the bytes to the operating system at once, which keeps them even if this process
    is killed. A thread syncs them to the disk every ``FSYNC_S``. OSErrors of either are raised by
    the next ``write``, which may have written a part of its text: the last line is then cut, as
    every reader of the file can see.
    """

    def __init__(
        self,
        folder: Path,
        rotate_bytes: int,
        rotate_s: float = float("inf"),
        *,
        seconds: Callable[[], float] = time.monotonic,
    ) -> None:
        self._folder, self._rotate_bytes, self._rotate_s = folder, rotate_bytes, rotate_s
        self._seconds, self._begun_s = seconds, seconds()
        self._number, self._fd, self._size = 0, -1, 0
        self._path = folder
        self.total = 0
        self._failed: OSError | None = None
        self._full: list[int] = []  # files that are complete, but not yet synced
        self._stop, self._lock = threading.Event(), threading.Lock()
        self._dirty = False
        self._syncer = threading.Thread(target=self._sync, name="fsync", daemon=True)
        self._syncer.start()

    def write(self, text: bytes) -> str:
        """Append whole lines. Raises OSError.

        The name of the last file if that is gone, removed or renamed by somebody; else empty.
        """
        if self._failed is not None:
            raise self._failed
        gone = self._path.name if self._fd >= 0 and self._is_gone() else ""
        old = self._seconds() - self._begun_s >= self._rotate_s
        if self._fd < 0 or self._size >= self._rotate_bytes or old or gone:
            self._next()
        view = memoryview(text)
        while view:
            done = os.write(self._fd, view)
            self._size += done
            self.total += done
            view = view[done:]
        self._dirty = True
        return gone

    def _is_gone(self) -> bool:
        """Whether the file that is being written is no longer found under its name."""
        try:
            return not os.path.samestat(os.stat(self._path), os.fstat(self._fd))
        except FileNotFoundError:
            return True

    def close(self) -> None:
        """Sync everything to the disk. Raises OSError."""
        self._stop.set()
        self._syncer.join()
        if self._fd >= 0:
            try:
                _fsync(self._fd)
            finally:
                os.close(self._fd)
                self._fd = -1

    def _next(self) -> None:
        self._number += 1
        self._path = path = self._folder / (CAPTURE_NAME % self._number)
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_CLOEXEC", 0)
        new = os.open(path, flags, 0o644)
        self._begun_s = self._seconds()
        with self._lock:
            if self._fd >= 0:
                self._full.append(self._fd)  # a sync here would hold up the next frames
            self._fd, self._size = new, 0

    def _sync(self) -> None:
        while not self._stop.wait(FSYNC_S):
            self._sync_once()
        self._sync_once()

    def _sync_once(self) -> None:
        with self._lock:
            fds, self._full = self._full, []
            if self._fd >= 0 and self._dirty:
                fds.append(os.dup(self._fd))
            self._dirty = False
        for fd in fds:
            try:
                _fsync(fd)
            except OSError as error:
                self._failed = error
            finally:
                os.close(fd)


def _fsync(fd: int) -> None:
    try:
        os.fsync(fd)
    except OSError as error:
        if error.errno not in (22, 95):  # EINVAL, ENOTSUP: not a file on a disk
            raise
