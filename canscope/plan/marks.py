"""Marks and readings: what a person saw or measured, from the plan or a file of JSON lines."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from canscope.model.bench import Reading
from canscope.model.errors import CanscopeError, Where, nearest
from canscope.plan.lines import KeyPath
from canscope.plan.mistakes import Notes, dotted
from canscope.plan.plan import PlanMark
from canscope.plan.readings import Known, read
from canscope.plan.source import Source, read_bytes, read_text

if TYPE_CHECKING:
    from canscope.plan.schema import MarkTable

LARGEST = 4 << 20  # bytes of a file of marks
MOST = 10_000  # lines in it: a person makes some dozens

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


def file_marks(path: Path, known: Known, source: Source, notes: Notes) -> list[PlanMark | Reading]:
    """The marks and readings of a file, one JSON object a line; blank lines are skipped."""
    content = read_bytes(path, LARGEST + 1)
    if len(content) > LARGEST:
        content = f"it is larger than {LARGEST >> 10} KiB, and no file of marks is"
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
    marks: list[PlanMark | Reading] = []
    lines = text.split("\n")
    if len(lines) > MOST:
        what = f"{len(lines)} lines, and at most {MOST} are read"
        notes.mistakes.add(Where(str(path)), what, "keep the marks of this run only")
        return []
    for number, line in enumerate(lines, start=1):
        if line.strip():
            marks += list(_line(line, Where(str(path), number), known, notes))
    return marks


def _line(line: str, where: Where, known: Known, notes: Notes) -> Iterator[PlanMark | Reading]:
    def note(path: KeyPath, what: str, hint: str = "") -> None:
        key = f"{dotted(path)}: " if path else ""
        notes.mistakes.add(where, f"{key}{what}", hint)

    try:
        data = json.loads(line)
    except (ValueError, RecursionError):
        note((), "not a JSON object", 'a line looks like {"at_s": 21.5, "axle": "rear"}')
        return
    # Imported here, since a run without such a file does without pydantic.
    from canscope.plan.schema import MarkTable, ReadingTable
    from canscope.plan.validate import validate

    if isinstance(data, dict) and "role" in data:
        reading = validate(ReadingTable, data, note)
        if reading is not None:
            yield from read(reading, known, note)
        return
    table = validate(MarkTable, data, note)
    if table is not None:
        yield from _mark(table, known.axles, note)


def _mark(table: MarkTable, axles: Sequence[str], note: Note) -> list[PlanMark]:
    if (table.at_s is None) == (table.time_ns is None):
        note((), "a mark has either at_s or time_ns", "give one of the two")
        return []
    if table.seen and table.axle is None:
        note(("axle",), "missing: on which axle was it seen?", nearest("", axles))
    if table.axle is not None and table.axle not in axles:
        note(("axle",), f"no unit named {table.axle!r}", nearest(table.axle, axles))
    return [
        PlanMark(
            at_s=table.at_s,
            time_ns=table.time_ns,
            axle=table.axle,
            seen=table.seen,
            text=table.text,
            asked=table.asked,
            within_s=table.within_s,
        )
    ]
