"""Freed memory goes back to the system, seen by what Linux says is resident (proc(5), statm)."""

import ctypes
import os
import sys
from pathlib import Path

import pytest

from canscope.checking.memory import EVERY, return_freed_memory, returning_freed_memory


def resident():
    """Bytes of this process in memory."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


glibc = pytest.mark.skipif(
    sys.platform != "linux" or not hasattr(ctypes.CDLL(None), "malloc_trim"), reason="glibc only"
)


@glibc
def test_what_was_freed_between_things_that_stay_is_given_back():
    pieces = [bytes([1]) * 20_000 for _ in range(3000)]
    kept = pieces[::30]
    del pieces
    before = resident()
    return_freed_memory()
    assert before - resident() > 20_000_000
    assert len(kept) == 100


@glibc
def test_what_chunks_leave_behind_is_given_back_on_the_way():
    seen = []

    def chunks():
        for _ in range(EVERY):
            pieces = [bytes([1]) * 20_000 for _ in range(1000)]
            kept = pieces[::30]
            del pieces
            seen.append(resident())
            yield len(kept)
        seen.append(resident())

    assert sum(returning_freed_memory(chunks())) == EVERY * 34
    assert seen[-2] - seen[-1] > 10_000_000
