"""Which engine works on columns: numpy, ready at once, or kernels that numba compiles.

Both give the same results on every input. Importing numba takes about a second, so small captures
never do it. ``CANSCOPE_ENGINE`` set to ``numpy`` or ``numba`` decides for all of a process.
"""

from __future__ import annotations

import importlib
import importlib.util
import os
import sys
import threading
from collections.abc import Callable
from functools import cache
from typing import Any

from canscope.model.errors import CanscopeError

FAST = "canscope.fast"  # the folder of what exists for speed alone
VARIABLE = "CANSCOPE_ENGINE"
ENGINES = ("numpy", "numba")
LARGE = 64 << 20  # bytes of text; below, numpy has finished before loading numba has paid off
SMALL = 4 << 20  # the same once numba is loaded
LEAST_ROWS = 4096  # of a chunk; below, numpy is as fast
LONG_S = 2.0  # kernels compiled by an earlier run are loaded faster, compiling takes longer
WAITING = "preparing the engine for large captures; the first time this takes some seconds"

# Called with the reason of a wait that would otherwise be silent; the command line prints it.
announce: Callable[[str], None] = lambda text: None  # noqa: E731


def is_compiled(done: int, expected: int | None = None, *, rows: int | None = None) -> bool:
    """Whether the kernels are to be used after ``done`` bytes of text.

    ``expected`` is the number of bytes in all, None if unknown: numpy then works until it has
    taken about as long as loading numba would, so that the choice never costs more than twice the
    better one. Chunks of fewer than LEAST_ROWS ``rows`` are left to numpy.

    Raises:
        CanscopeError: the environment variable names no engine, or numba and it is not installed.
    """
    asked = os.environ.get(VARIABLE, "")
    if asked and asked not in ENGINES:
        raise CanscopeError(
            f"{VARIABLE} is {asked!r}, which is no engine", hint=f"set it to {' or '.join(ENGINES)}"
        )
    if asked == "numba" and not is_installed():
        raise CanscopeError(f"{VARIABLE} asks for numba", hint="pip install 'canscope[fast]'")
    if asked:
        return asked == "numba"
    enough = SMALL if is_loaded() else LARGE
    is_worth_it = (rows is None or rows >= LEAST_ROWS) and max(done, expected or 0) >= enough
    return is_worth_it and is_installed()


@cache
def fast_module(name: str) -> Any:
    """The module of that name in ``fast``; the first time it is loaded, or compiled.

    Nothing else names that folder: without it everything works, by numpy.
    """
    timer = threading.Timer(LONG_S, lambda: announce(WAITING))
    timer.daemon = True
    timer.start()
    try:
        return importlib.import_module(f"{FAST}.{name}")
    finally:
        timer.cancel()


def is_loaded() -> bool:
    """Whether kernels are in use already; others then load quickly."""
    return f"{FAST}.kernels" in sys.modules


@cache
def is_installed() -> bool:
    """Whether numba could be imported, and there is something for it to compile."""
    return all(importlib.util.find_spec(name) is not None for name in ("numba", FAST))
