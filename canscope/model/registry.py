"""Registries that find an entry by its file's name, so that adding one is adding one file."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable, Iterator
from functools import cached_property
from pathlib import Path
from typing import Generic, TypeVar

from canscope.model.errors import UnknownNameError

Entry = TypeVar("Entry")


class Registry(Generic[Entry]):
    """Named entries of one kind, each in its own file of one folder, imported when asked for.

    A file that must not be an entry starts with an underscore (shared pieces) or is named in
    ``not_entries`` (the home of a public function).
    """

    def __init__(
        self, kind: str, package: str, folder: str, *, not_entries: Iterable[str] = ()
    ) -> None:
        self.kind = kind
        self._not_entries = frozenset(not_entries)
        self._package, self._folder = package, Path(folder)
        self._entries: dict[str, Entry] = {}

    def add(self, name: str) -> Callable[[Entry], Entry]:
        """Decorator that enters something under a name; a name is taken once."""

        def enter(entry: Entry) -> Entry:
            if name in self._entries:
                raise ValueError(f"the {self.kind} name {name!r} is taken")
            self._entries[name] = entry
            return entry

        return enter

    def file(self, name: str) -> Path:
        """The source file of an entry."""
        if name not in self:
            raise UnknownNameError(self.kind, name, self)
        return self._folder / f"{name.replace('-', '_')}.py"

    def __contains__(self, name: object) -> bool:
        return name in self._names

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)

    @cached_property
    def _names(self) -> tuple[str, ...]:
        stems = {path.stem for path in self._folder.glob("*.py") if path.stem[0] != "_"}
        return tuple(sorted(stem.replace("_", "-") for stem in stems - self._not_entries))

    def __getitem__(self, name: str) -> Entry:
        if name not in self._entries:
            self.file(name)
            importlib.import_module(f"{self._package}.{name.replace('-', '_')}")
        return self._entries[name]
