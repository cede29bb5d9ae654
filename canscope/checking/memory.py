"""Memory: when garbage is collected, and when freed memory goes back to the system."""

from __future__ import annotations

import atexit
import ctypes
import gc
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TypeVar

EVERY = 8  # chunks; giving back takes some milliseconds, a chunk some hundred

T = TypeVar("T")


@contextmanager
def without_collecting_garbage() -> Iterator[None]:
    """Collect no garbage in here, nor at the end of the process.

    What a check imports and builds before its first chunk and after its last one lives until the
    end; collecting would search all of it again and again, a tenth of the time of a short check.
    """
    atexit.register(gc.freeze)
    gc.disable()
    try:
        yield
    finally:
        gc.unfreeze()
        gc.enable()


@contextmanager
def collecting_garbage() -> Iterator[None]:
    """Collect garbage in here all the same, among what is new; for long work."""
    resting = not gc.isenabled()
    if resting:
        gc.freeze()
        gc.enable()
    try:
        yield
    finally:
        if resting:
            gc.disable()


def return_freed_memory() -> None:
    """Return freed memory to the system: glibc keeps some 80 MB of it after a large capture."""
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)  # other C libraries lack it
        if trim is not None:
            trim(0)


def returning_freed_memory(chunks: Iterable[T]) -> Iterator[T]:
    """The same chunks; after every ``EVERY`` of them freed memory is given back."""
    for number, chunk in enumerate(chunks, 1):
        yield chunk
        if number % EVERY == 0:
            return_freed_memory()
