"""Which engine works on columns: numpy, ready at once, or kernels that numba compiles.

Both give the same results on every input. Numba takes about a second to wake, so small captures
never import it. ``CANSCOPE_ENGINE`` set to ``numpy`` or ``numba`` decides for all of a process.
"""

from __future__ import annotations

import importlib
import importlib.util
import os
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from queue import SimpleQueue
from typing import Any, TypeVar

from canscope.model.errors import CanscopeError

FAST = "canscope.fast"  # the folder of what exists for speed alone
VARIABLE = "CANSCOPE_ENGINE"
ENGINES = ("numpy", "numba")
LARGE = 64 << 20  # bytes of text; below, numpy has finished before numba has paid for its waking
SMALL = 4 << 20  # the same once it is awake
LEAST_ROWS = 4096
MOST_WORKERS = 2
PATIENCE_S = 1.0  # with a maker that is stopped while it waits for a pipe
LONG_S = 2.0  # kernels of an earlier run are loaded faster than that, compiling takes longer
WAITING = "preparing the engine for large captures; the first time this takes some seconds"

T = TypeVar("T")

# Hears of a wait that would otherwise be silent; the command line prints it.
announce: Callable[[str], None] = lambda text: None  # noqa: E731


def is_compiled(done: int, expected: int | None = None, *, rows: int | None = None) -> bool:
    """Whether the kernels are to be used, with the work of so many bytes of text behind us.

    ``expected`` is the whole of it if known. If nobody knows it, numpy works until it has taken
    about as long as waking numba would; so the choice never costs more than twice the better one.
    Fewer ``rows`` at a time than LEAST_ROWS are left to numpy: a run that is judged while it goes
    on must not wait for anything to wake.

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
    enough = SMALL if is_awake() else LARGE
    is_worth_it = (rows is None or rows >= LEAST_ROWS) and max(done, expected or 0) >= enough
    return is_worth_it and is_installed()


def workers() -> int:
    """How many threads may work on one capture at a time: two where there are two processors.

    A third would have nothing to do: reading, parsing and decoding keep two busy.
    """
    if hasattr(os, "sched_getaffinity"):
        return min(len(os.sched_getaffinity(0)), MOST_WORKERS)
    return min(os.cpu_count() or 1, MOST_WORKERS)


def ahead(chunks: Iterable[T]) -> Iterator[T]:
    """The same chunks, made while those before are worked on: by a thread of their own.

    It pays once kernels are awake, which let go of the interpreter's lock, where there is a second
    core, and where what is done with chunks does not take much longer than making them. Until then
    every chunk is made when it is asked for. At most one is made ahead. What goes wrong in the
    making is raised here, in its place.
    """
    source = iter(chunks)
    for chunk in source:
        yield chunk
        if is_awake() and workers() > 1:
            break
    else:
        return
    made: SimpleQueue[tuple[T, None] | tuple[None, BaseException | None]] = SimpleQueue()
    taken, ended = threading.Semaphore(0), threading.Event()

    def make() -> None:
        last: BaseException | None = None
        try:
            for chunk in source:
                made.put((chunk, None))
                del chunk
                taken.acquire()
                if ended.is_set():
                    return
        except BaseException as error:  # whatever it is, it is raised where chunks are taken
            last = error
        made.put((None, last))

    maker = threading.Thread(target=make, daemon=True)
    maker.start()
    try:
        while True:
            following, error = made.get()
            if error is not None:
                raise error
            if following is None:
                return
            taken.release()
            yield following
    finally:
        ended.set()
        taken.release()
        maker.join(PATIENCE_S)


def fast_module(name: str) -> Any:
    """The module of that name in ``fast``; the first time it is loaded, or compiled.

    Nothing else names that folder: without it everything works, by numpy.
    """
    with waking():
        return importlib.import_module(f"{FAST}.{name}")


def is_awake() -> bool:
    """Whether kernels are in use already: then more of them cost little."""
    return f"{FAST}.kernels" in sys.modules


@cache
def is_installed() -> bool:
    """Whether numba could be imported, and there is something for it to compile."""
    return all(importlib.util.find_spec(name) is not None for name in ("numba", FAST))


@contextmanager
def waking() -> Iterator[None]:
    """Around the first import of kernels: says so if it takes long."""
    timer = threading.Timer(LONG_S, lambda: announce(WAITING))
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
