"""What kind of value each entry of a run's papers, run.toml, has to be where it is used."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from typing import Any


def _is_table(value: object) -> bool:
    return isinstance(value, dict)


def _are_words(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(word, str) for word in value)


def _are_tables(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(entry, dict) for entry in value)


def _is_amount(value: object) -> bool:
    """Seconds and milliseconds: less than none would prove too much."""
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and math.isfinite(value) and value >= 0  # type: ignore[arg-type, operator]


# A star stands for every name in a table.
KINDS: Mapping[str, tuple[str, Callable[[object], bool]]] = {
    **dict.fromkeys(
        ("run", "end", "buses", "buses.*", "clock", "earlier", "shown", "watch", "sha256"),
        ("table", _is_table),
    ),
    **dict.fromkeys(("earlier.turned_dry_s", "shown.turned_dry_s"), ("table", _is_table)),
    **dict.fromkeys(
        ("earlier.runs", "earlier.uncounted", "earlier.strangers", "earlier.moved", "shown.moved"),
        ("list of words", _are_words),
    ),
    "events": ("list of tables", _are_tables),
    **dict.fromkeys(
        (
            "earlier.turned_dry_s.*",
            "shown.turned_dry_s.*",
            "clock.uncertainty_ms",
            "buses.*.late_by_at_most_ms",
            "watch.slow_s",
        ),
        ("number of at least 0", _is_amount),
    ),
    "sha256.*": ("word", lambda value: isinstance(value, str)),
}


def odd(facts: Mapping[str, Any]) -> str:
    """The first entry that is of another kind, in words; empty where all are as written."""
    for path, (kind, fits) in KINDS.items():
        for name, value in _entries(facts, path.split("."), ""):
            if not fits(value):
                return f"{name} is no {kind}"
    return ""


def _entries(table: object, path: list[str], above: str) -> Iterator[tuple[str, object]]:
    """What stands at a path, with its full name; nothing where it is absent."""
    if not path:
        yield above, table
    elif isinstance(table, dict):
        names = list(table) if path[0] == "*" else [path[0]] if path[0] in table else []
        for name in names:
            yield from _entries(table[name], path[1:], f"{above}.{name}".lstrip("."))
