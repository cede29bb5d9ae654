"""What pydantic made of a plan, kept in the user's cache folder: it need not be asked twice.

An answer depends on nothing but the plan's data, includes merged in, and on what checks it: this
folder's sources and pydantic. Answers are kept under the hash of all of these, so that no edit of
any file can make one wrong, and only for a plan that has turned out to be without a mistake. The
format is that of compiled definitions, and so is what becomes of an entry that is damaged.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from canscope import __version__
from canscope.decoding import cache as _cache
from canscope.model.bench import STAGES
from canscope.model.roles import ROLES

CHECKER = "pydantic"


class Answers:
    """The answers about one plan, by their question."""

    def __init__(self, data: Mapping[str, Any]) -> None:
        self._entry = _entry(data)
        self._known: dict[str, Any] = {}
        self._new = False
        if self._entry is not None:
            with suppress(*_cache.DAMAGED):
                self._known = dict(_cache.load(self._entry))

    def to(self, question: str, ask: Callable[..., Any], *given: Any) -> Any:
        """The answer to a question, by ``ask(*given)`` unless it is known.

        New or kept, it is made of the same parts: a model of pydantic becomes a plain namespace.
        """
        if question not in self._known:
            self._known[question] = _written(ask(*given))
            self._new = True
        return _read(self._known[question])

    def keep(self) -> None:
        """Keep them for the next run with this plan."""
        if self._new and self._entry is not None:
            _cache.keep(self._entry, self._known)


def _entry(data: Mapping[str, Any]) -> Path | None:
    """Where answers about this data are kept."""
    definitions = _cache.folder()
    if definitions is None:
        return None
    checked_by = f"{__version__}|{_cache.version(CHECKER)}|{STAGES}|{ROLES}|"
    digest = hashlib.sha256(checked_by.encode())
    for file in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(file.read_bytes())
    try:
        digest.update(repr(data).encode())  # as read: 1, 1.0, true and a date are told apart
    except ValueError:  # a whole number of some thousand digits is not written out
        return None
    return definitions.with_name("plans") / f"{digest.hexdigest()}.json"


def _written(value: Any) -> Any:
    """As JSON, with a word beside every collection, so that nothing is taken for another kind."""
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
