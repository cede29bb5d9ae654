"""When garbage is looked for, and what the C library holds of freed memory given back."""

from __future__ import annotations

import atexit
import ctypes
import gc
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TypeVar

EVERY = 8  # chunks; it takes some milliseconds, a chunk some hundred

T = TypeVar("T")


@contextmanager
def nothing_collected() -> Iterator[None]:
    """Look for no cycles of garbage in here, nor once more at the end of the process.

    What a check imports and builds before its first chunk and after its last one lives until the
    end; to look through all of it again and again takes a tenth of the time of a short check.
    """
    atexit.register(gc.freeze)
    gc.disable()
    try:
        yield
    finally:
        gc.unfreeze()
        gc.enable()


@contextmanager
def collected() -> Iterator[None]:
    """Look for them in here all the same, in what is new; for work that may go on for long."""
    resting = not gc.isenabled()
    if resting:
        gc.freeze()
        gc.enable()
    try:
        yield
    finally:
        if resting:
            gc.disable()


def give_back() -> None:
    """Let the system have what is free again: glibc keeps it, some 80 MB after a large capture."""
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)  # other C libraries have no such
        if trim is not None:
            trim(0)


def given_back(chunks: Iterable[T]) -> Iterator[T]:
    """The same chunks; what those before left behind is given back every now and then."""
    for number, chunk in enumerate(chunks, 1):
        yield chunk
        if number % EVERY == 0:
            give_back()
