"""A recording as the page names it: which captures, read by which plan or definitions.

Names are relative to the page's folder and stand in the address of every page about it, so that
reloading it, or starting the server anew, loses nothing.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from canscope.bench.place import Place
from canscope.checking.inputs import Inputs, captures_of, inputs_of
from canscope.decoding.database import read_definitions
from canscope.model.definition import Definitions
from canscope.model.errors import CanscopeError, Where
from canscope.plan.load import read_plan

KEYS = ("capture", "plan", "definitions", "marks")
MOST_NAMES = 64  # of files that are named at once


@dataclass(frozen=True)
class Recording:
    """A run folder, or capture files; with a plan, or only with definitions to look at curves."""

    place: Place
    captures: tuple[str, ...]
    plan: str = ""
    definitions: tuple[str, ...] = ()
    marks: str = ""

    @staticmethod
    def of(place: Place, asked: Mapping[str, Any]) -> Recording:
        """As a browser names it. Raises CanscopeError for names that lead nowhere."""
        named = {key: _texts(key, asked.get(key, ())) for key in KEYS}
        if not named["capture"]:
            hint = "pick one from the list, or drop the file on the page"
            raise CanscopeError("no recording is named", hint=hint)
        for name in (name for names in named.values() for name in names):
            place.inside(name)
        plan, marks = (next(iter(named[key]), "") for key in ("plan", "marks"))
        return Recording(place, named["capture"], plan, named["definitions"], marks)

    @property
    def query(self) -> str:
        """The same as a part of an address."""
        names = [("capture", name) for name in self.captures]
        names += [("plan", self.plan)] if self.plan else []
        names += [("definitions", name) for name in self.definitions]
        return urlencode([*names, *([("marks", self.marks)] if self.marks else [])])

    @property
    def name(self) -> str:
        """How to call it."""
        return ", ".join(self.captures)

    @cached_property
    def is_run(self) -> bool:
        """Whether it is a run folder."""
        return self._first.is_dir()

    @property
    def _first(self) -> Path:
        return self.place.inside(self.captures[0])

    @property
    def paths(self) -> list[str]:
        """The capture files. Raises CanscopeError if there are none."""
        return captures_of([str(self.place.inside(name)) for name in self.captures])

    @property
    def inputs(self) -> Inputs:
        """What is judged against what. Raises CanscopeError if it cannot be judged."""
        plan = self.place.inside(self.plan) if self.plan else None
        return inputs_of([str(self.place.inside(name)) for name in self.captures], plan)

    @property
    def can_be_judged(self) -> bool:
        """Whether it has a plan."""
        return bool(self.plan) or (self.is_run and (self._first / "plan.toml").is_file())

    @property
    def reports(self) -> Path:
        """The folder of its reports."""
        return (self._first if self.is_run else self._first.parent) / "reports"

    @property
    def curves(self) -> Path:
        """The folder of its curves, which can be deleted at any time."""
        if self.is_run:
            return self._first / "curves"
        return self._first.with_name(f"{self._first.name}.curves")

    def read_definitions(self) -> Definitions:
        """What its curves are decoded with. Raises CanscopeError if it cannot be used."""
        if self.can_be_judged:
            return read_plan(str(self.inputs.plan)).definitions
        if not self.definitions:
            hint = "name a plan, or the definitions of its signals"
            raise CanscopeError("nothing says what is in it", where=Where(self.name), hint=hint)
        return read_definitions([str(self.place.inside(name)) for name in self.definitions])

    def written(self) -> list[tuple[Path, Mapping[str, Any]]]:
        """Its reports as JSON, that which was written last first."""
        pattern = "*.json" if self.is_run else f"{self.inputs_stem}-[0-9]*.json"
        found = [(path, head_of(path)) for path in self.reports.glob(pattern)]
        return sorted(
            ((path, head) for path, head in found if head),
            key=lambda one: (
                str(one[1].get("written_at")),
                int(one[1].get("number") or 0),
                one[0].name,
            ),
            reverse=True,
        )

    @property
    def inputs_stem(self) -> str:
        """What the names of its reports begin with."""
        folder = self._first if self.is_run else None
        return Inputs((str(self._first),), Path(), folder=folder).stem


HEAD = ("verdict", "headline", "stage", "vehicle", "number", "written_at")


def head_of(path: Path) -> Mapping[str, Any]:
    """What a list says of a report; empty if it is none."""
    try:
        found = path.stat()
    except OSError:
        return {}
    return _head_of(path, found.st_mtime_ns, found.st_size)


@lru_cache(maxsize=512)
def _head_of(path: Path, mtime_ns: int, size: int) -> Mapping[str, Any]:
    try:
        tree = json.loads(path.read_bytes())
        return {name: tree[name] for name in HEAD} | {"first_ns": tree["capture"]["first_ns"]}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _texts(key: str, value: Any) -> tuple[str, ...]:
    """One name or several. Raises CanscopeError for anything else."""
    names: Sequence[Any] = (value,) if isinstance(value, str) else value
    if (
        not isinstance(names, list | tuple)
        or len(names) > MOST_NAMES
        or not all(isinstance(name, str) for name in names)
    ):
        raise CanscopeError(f"{key}: names of files are wanted here")
    return tuple(name for name in names if name)
