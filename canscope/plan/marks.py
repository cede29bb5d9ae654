"""Marks: what a person saw, from the plan or from a file of JSON lines."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from canscope.model.errors import CanscopeError, Where, nearest
from canscope.plan.lines import KeyPath
from canscope.plan.mistakes import Notes, dotted
from canscope.plan.plan import PlanMark
from canscope.plan.source import Source, read_bytes, read_text

if TYPE_CHECKING:
    from canscope.plan.schema import MarkTable

Note = Callable[[KeyPath, str, str], None]


def plan_marks(tables: Iterable[MarkTable], axles: Iterable[str], notes: Notes) -> list[PlanMark]:
    """The marks written in the plan itself."""
    known = list(axles)
    marks = []
    for number, table in enumerate(tables):

        def note(path: KeyPath, what: str, hint: str = "", number: int = number) -> None:
            notes.mistake(("marks", number, *path), what, hint)

        marks += _mark(table, known, note)
    return marks


def file_marks(path: Path, axles: Iterable[str], source: Source, notes: Notes) -> list[PlanMark]:
    """The marks of a file with one JSON object a line; blank lines are skipped."""
    known = list(axles)
    content = read_bytes(path)
    if isinstance(content, str):
        notes.mistakes.add(
            Where(str(path)), f"cannot be read: {content}", "give the path of the marks"
        )
        return []
    source.add_input("marks", path.name, path, content)
    text = read_text(path, content)
    if isinstance(text, CanscopeError):
        notes.mistakes.found.append(text)
        return []
    marks = []
    for number, line in enumerate(text.split("\n"), start=1):
        if line.strip():
            marks += list(_line(line, Where(str(path), number), known, notes))
    return marks


def _line(line: str, where: Where, axles: list[str], notes: Notes) -> Iterator[PlanMark]:
    def note(path: KeyPath, what: str, hint: str = "") -> None:
        key = f"{dotted(path)}: " if path else ""
        notes.mistakes.add(where, f"{key}{what}", hint)

    try:
        data = json.loads(line)
    except (ValueError, RecursionError):
        note((), "not a JSON object", 'a line looks like {"at_s": 21.5, "axle": "rear"}')
        return
    # Imported here, since a run without such a file does without pydantic.
    from canscope.plan.schema import MarkTable
    from canscope.plan.validate import validate

    table = validate(MarkTable, data, note)
    if table is not None:
        yield from _mark(table, axles, note)


def _mark(table: MarkTable, axles: list[str], note: Note) -> list[PlanMark]:
    if (table.at_s is None) == (table.time_ns is None):
        note((), "a mark has either at_s or time_ns", "give one of the two")
        return []
    if table.seen and table.axle is None:
        note(("axle",), "missing: on which axle was it seen?", nearest("", axles))
    if table.axle is not None and table.axle not in axles:
        note(("axle",), f"no unit named {table.axle!r}", nearest(table.axle, axles))
    return [PlanMark(table.at_s, table.time_ns, table.axle, table.seen, table.text)]
