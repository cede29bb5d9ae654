"""Registries that find an entry by its file's name, so that adding one is adding one file."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable, Iterator
from functools import cached_property
from pathlib import Path
from types import ModuleType
from typing import Generic, TypeVar

from canscope.model.errors import UnknownNameError

Entry = TypeVar("Entry")


class Registry(Generic[Entry]):
    """Named entries of one kind, each in a file of its own below one folder, imported when needed.

    An entry's file bears its name; ``main``, if given, is what the file is called where the entry
    is a folder of that name. What must not be an entry starts with an underscore (pieces of an
    entry) or is named in ``not_entries``, as a file or as a whole folder.
    """

    def __init__(
        self,
        kind: str,
        package: str,
        folder: str,
        *,
        main: str = "",
        not_entries: Iterable[str] = (),
    ) -> None:
        self.kind = kind
        self._main, self._not_entries = main, frozenset(not_entries)
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
        return self._files[name]

    def module(self, name: str) -> ModuleType:
        """The module of an entry, imported."""
        inside = self.file(name).relative_to(self._folder).with_suffix("").parts
        return importlib.import_module(".".join((self._package, *inside)))

    def __contains__(self, name: object) -> bool:
        return name in self._files

    def __iter__(self) -> Iterator[str]:
        return iter(self._files)

    def __len__(self) -> int:
        return len(self._files)

    @cached_property
    def _files(self) -> dict[str, Path]:
        """Every entry's file, by name."""
        found = dict(self._named())
        return {name: found[name] for name in sorted(found)}

    def _named(self) -> Iterator[tuple[str, Path]]:
        for path in (*self._folder.glob("*.py"), *self._folder.glob("*/*.py")):
            room = "" if path.parent == self._folder else path.parent.name
            if path.stem.startswith("_") or self._not_entries & {path.stem, room}:
                continue
            if room and self._main and path.stem != self._main:
                continue  # a piece of the entry that the folder is
            is_main = bool(room) and path.stem == self._main
            yield (room if is_main else path.stem).replace("_", "-"), path

    def __getitem__(self, name: str) -> Entry:
        if name not in self._entries:
            self.module(name)
        return self._entries[name]
