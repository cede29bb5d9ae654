"""What the C library holds of freed memory, given back to the system."""

from __future__ import annotations

import ctypes
import sys


def give_back() -> None:
    """Let the system have what is free again: glibc keeps it, some 80 MB after a large capture."""
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)  # other C libraries have no such
        if trim is not None:
            trim(0)
