"""Functions compiled by numba, their machine code kept from run to run."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

from canscope.cache.store import digest_of

F = TypeVar("F", bound=Callable[..., Any])
# Folders that kernels take functions and numbers from: numba looks at the file of a kernel only.
SOURCES = ("fast", "model", "capture/candump", "capture/input", "decoding")
DIGEST = digest_of(SOURCES)[:12]


def kernel(signature: str) -> Callable[[F], F]:
    """Compile a function for these types; it runs without the interpreter's lock.

    The machine code is kept beside the package, or in the user's cache folder if the package cannot
    be written to; where neither is possible, it is compiled in every process. Its name holds the
    digest of all sources that may have gone into it.
    """

    def compiled(function: F) -> F:
        options: dict[str, Any] = {"nogil": True}
        function.__qualname__ = f"{function.__name__}_{DIGEST}"
        try:
            made = numba.njit(signature, cache=True, **options)(function)
        except (RuntimeError, OSError):  # there is no folder to keep it in, or it is full
            made = numba.njit(signature, **options)(function)
        return cast(F, made)

    return compiled


def inlined(function: F) -> F:
    """A part of kernels, compiled into each of them."""
    return cast(F, numba.njit(forceinline=True)(function))
