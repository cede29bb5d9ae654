"""Plain data, as JSON and TOML hold it, read as the dataclasses that describe it.

The annotations of a dataclass are its schema: they say what is read and what is refused.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import is_dataclass
from functools import cache
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

Amount = Annotated[float, "at least 0"]  # seconds, milliseconds: below 0 would prove too much


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _is_amount(value: Any) -> bool:
    return _is_number(value) and math.isfinite(value) and value >= 0


SCALARS: Mapping[Any, tuple[str, Callable[[object], bool]]] = {
    str: ("word", lambda value: isinstance(value, str)),
    bool: ("true or false", lambda value: isinstance(value, bool)),
    int: ("whole number", lambda value: isinstance(value, int) and not isinstance(value, bool)),
    float: ("number", _is_number),
    Amount: ("number of at least 0", _is_amount),
}


class WrongKindError(ValueError):
    """An entry is not of the kind that its annotation asks for; the text names both."""


def read_as(kind: Any, value: object, name: str = "") -> Any:
    """Read a value as a dataclass, or as anything that a field of one may be annotated with.

    Keys that the dataclass does not have are ignored; absent ones take its defaults. ``name`` is
    the value's path, for the error. Raises WrongKindError.
    """
    origin, inner = get_origin(kind), get_args(kind)
    if origin in (Union, UnionType):  # X | None
        return None if value is None else read_as(inner[0], value, name)
    if kind is Path:
        return Path(read_as(str, value, name))
    if origin is Mapping:
        return _entries(value, dict.fromkeys(_table(value, name), inner[1]), name)
    if is_dataclass(kind):
        make: Any = kind
        return make(**_entries(value, _annotations(make), name))
    if origin is tuple:
        words = "words" if inner[0] is str else "tables"
        entry = str if inner[0] is str else dict
        if not isinstance(value, list) or not all(isinstance(one, entry) for one in value):
            raise WrongKindError(f"{name} is no list of {words}")
        return tuple(read_as(inner[0], one, f"{name}.{n}") for n, one in enumerate(value))
    words, fits = SCALARS[kind]
    if not fits(value):
        raise WrongKindError(f"{name} is no {words}")
    return value


def _table(value: object, name: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise WrongKindError(f"{name} is no table")
    return value


def _entries(value: object, kinds: Mapping[str, Any], name: str) -> dict[str, Any]:
    table, above = _table(value, name), f"{name}." if name else ""
    return {key: read_as(kinds[key], table[key], above + key) for key in kinds if key in table}


@cache
def _annotations(kind: Any) -> dict[str, Any]:
    return get_type_hints(kind, include_extras=True)
