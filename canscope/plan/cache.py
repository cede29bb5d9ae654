"""Validated plans in the user's cache folder: for a plan seen before, pydantic is not imported.

What validation answers depends only on the plan's data, includes merged in, and on what checks it:
this folder's sources, the table of roles and pydantic. An entry is named by the hash of all of
these, so that an edit of any file makes a new one, and is written only for a plan without mistakes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from canscope.cache import store
from canscope.model.bench import STAGES
from canscope.model.roles import ROLES

CHECKER = "pydantic"
SOURCES = ("plan", "cache")  # when any of them changes, plans are checked anew


class ValidationCache:
    """What validation answers about one plan, by question."""

    def __init__(self, data: Mapping[str, Any]) -> None:
        self._entry = _entry(data)
        self._known: dict[str, Any] = {}
        self._new = False
        if self._entry is not None:
            with suppress(*store.DAMAGED):
                self._known = dict(store.load(self._entry))

    def answer(self, question: str, ask: Callable[..., Any], *given: Any) -> Any:
        """The answer to a question: the cached one, else that of ``ask(*given)``.

        Cached or not, it has the same parts: a model of pydantic becomes a plain namespace.
        """
        if question not in self._known:
            self._known[question] = _written(ask(*given))
            self._new = True
        return _read(self._known[question])

    def save(self) -> None:
        """Write the answers for the next run with this plan, if any of them is new."""
        if self._new and self._entry is not None:
            store.keep(self._entry, self._known)


def _entry(data: Mapping[str, Any]) -> Path | None:
    """The file for answers about this data; None if there is no cache folder."""
    try:
        text = repr(data)  # as read: 1, 1.0, true and a date are told apart
    except ValueError:  # a whole number of some thousand digits is not written out
        return None
    return store.entry("plans", SOURCES, CHECKER, f"{STAGES}|{ROLES}|{text}".encode())


def _written(value: Any) -> Any:
    """The value as JSON; every collection has its kind beside it, so that none is mistaken."""
    if fields := getattr(type(value), "model_fields", None):
        return {"table": {name: _written(getattr(value, name)) for name in fields}}
    if isinstance(value, Mapping):
        return {"mapping": {key: _written(entry) for key, entry in value.items()}}
    if isinstance(value, list | tuple):
        return {type(value).__name__: [_written(entry) for entry in value]}
    return value


def _read(written: Any) -> Any:
    if not isinstance(written, dict):
        return written
    ((kind, held),) = written.items()
    if kind == "table":
        return SimpleNamespace(**{name: _read(entry) for name, entry in held.items()})
    if kind == "mapping":
        return {key: _read(entry) for key, entry in held.items()}
    entries = [_read(entry) for entry in held]
    return tuple(entries) if kind == "tuple" else entries
