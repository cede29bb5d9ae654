"""Measurements are read in a process of their own, so that damage ends that process and not ours.

asammdf's compiled code follows what a file says: of a damaged one it reads beyond its memory, which
no exception tells. A process is kept for the next measurement, as starting one takes a second.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import pickle
import struct
import subprocess
import sys
from collections.abc import Iterator
from typing import Any

from canscope.model.errors import CaptureError, Where
from canscope.model.tables import Frames

SIZE = struct.Struct("<Q")  # bytes of the message that follows
START = "from canscope.capture.mf4.apart import serve; serve()"
FRAMES, ENDED, REFUSED = "frames", "ended", "refused"


class _Process:
    """A process that reads measurements, one after another."""

    def __init__(self) -> None:
        # the same places to import from, however this process was started
        paths = os.pathsep.join(path or os.getcwd() for path in sys.path)
        try:
            self._child = subprocess.Popen(
                [sys.executable, "-c", START],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={**os.environ, "PYTHONPATH": paths},
            )
        except OSError as error:
            raise CaptureError(
                f"no process could be started to read the measurement: {error.strerror}",
                hint="raise the limits of processes and open files, or export it as candump text",
            ) from error

    def ask(self, path: str, file: str) -> Iterator[Any]:
        """What it answers; ends early if the process ended."""
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        try:
            _send(self._child.stdin, (os.path.abspath(path), file))
        except OSError:  # it is gone already
            return
        while (answer := _received(self._child.stdout)) is not None:
            yield answer

    def end(self) -> int:
        """Stop it at once; its exit code, negative for a signal."""
        for stream in (self._child.stdin, self._child.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            return self._child.wait(1.0)  # it may be ending by itself, and then the code tells
        self._child.kill()
        return self._child.wait()


_idle: list[_Process] = []


def _end_idle() -> None:
    while _idle:
        _idle.pop().end()


atexit.register(_end_idle)
if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_idle.clear)


def measured_apart(path: str, file: str) -> Iterator[tuple[Frames, float]]:
    """As ``measured``; raises ``CaptureError`` also if reading ends the other process."""
    process = _idle.pop() if _idle else _Process()
    kept = False
    try:
        for kind, *content in process.ask(path, file):
            if kind == FRAMES:
                chunk, share = content
                yield chunk, share
                continue
            kept = True
            if kind == REFUSED:
                what, place, hint = content
                raise CaptureError(what, where=place, hint=hint)
            return
        raise CaptureError(
            "the measurement is damaged so that reading it ended the process that did",
            where=Where(file),
            hint="take another copy of it, or export the log as candump text",
        )
    finally:
        if kept:
            _idle.append(process)
        else:
            process.end()


def serve() -> None:
    """Read measurements for the process that started this one, until it goes."""
    asked = sys.stdin.buffer
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what asammdf prints is no answer
    while (request := _received(asked)) is not None:
        path, file = request
        try:
            from canscope.capture.mf4.measurement import measured

            for chunk, share in measured(path, file):
                _send(answers, (FRAMES, chunk, share))
            _send(answers, (ENDED,))
        except CaptureError as error:
            _send(answers, (REFUSED, error.what, error.where, error.hint))
        except MemoryError:
            what = "its description asks for more memory than there is"
            hint = "it is damaged: take another copy of it"
            _send(answers, (REFUSED, what, Where(file), hint))
        except BrokenPipeError:
            return


def _send(stream: Any, message: Any) -> None:
    packed = pickle.dumps(message, pickle.HIGHEST_PROTOCOL)
    stream.write(SIZE.pack(len(packed)))
    stream.write(packed)
    stream.flush()


def _received(stream: Any) -> Any:
    """The next message, None where the other side has ended, also within one."""
    head = stream.read(SIZE.size)
    if len(head) < SIZE.size:
        return None
    packed = stream.read(SIZE.unpack(head)[0])
    return pickle.loads(packed) if len(packed) == SIZE.unpack(head)[0] else None
