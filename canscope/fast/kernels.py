"""Functions compiled by numba, their machine code kept from run to run."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., Any])
PACKAGE = Path(__file__).parents[1]
# Folders that kernels take functions and numbers from.
SOURCES = ("fast", "model", "capture/candump", "decoding")


def kernel(signature: str) -> Callable[[F], F]:
    """Compile a function for these types, without holding the interpreter's lock.

    The machine code is kept beside the package, or in the user's cache folder if that is not to be
    written to; where neither is possible, it is compiled in every process. It is kept under a name
    that tells all sources which may have gone into it: numba itself looks at one file only.
    """

    def compiled(function: F) -> F:
        options: dict[str, Any] = {"nogil": True}
        function.__qualname__ = f"{function.__name__}_{digest_of(PACKAGE)}"
        try:
            made = numba.njit(signature, cache=True, **options)(function)
        except (RuntimeError, OSError):  # no folder to keep it in, or one that is full
            made = numba.njit(signature, **options)(function)
        return cast(F, made)

    return compiled


@cache
def digest_of(package: Path) -> str:
    """Of all sources that may go into a kernel."""
    digest = hashlib.sha256()
    for folder in SOURCES:
        for file in sorted((package / folder).glob("*.py")):
            digest.update(file.read_bytes())
    return digest.hexdigest()[:12]


def inlined(function: F) -> F:
    """A part of kernels, compiled into each of them."""
    return cast(F, numba.njit(forceinline=True)(function))
