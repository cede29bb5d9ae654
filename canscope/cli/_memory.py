"""What the C library holds of freed memory, given back to the system."""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Iterable, Iterator
from typing import TypeVar

EVERY = 8  # chunks; it takes some milliseconds, a chunk some hundred

T = TypeVar("T")


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
