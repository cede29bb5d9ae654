"""References: what a person knows of a quantity, as values or marks at times."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from canscope.model.errors import CanscopeError, Where

FORMS = (
    "pack.voltage=12.5:357.9,40:356.1 (seconds:value), driver.pedal=3.2,8.1 (marks, seconds), "
    "pack.voltage=F.csv, F.csv with the columns at_s, role, value, or marks as JSON Lines; "
    "units.front.speed*9.1=... multiplies the values by a ratio; can1:units.front.speed=... looks "
    "on that bus only"
)


@dataclass(frozen=True)
class Reference:
    """One quantity; without ``value`` the times are marks: something happened there.

    ``at_s`` counts from the first frame of the capture, like the marks of a bench plan. With a
    ``channel``, the person knows which bus it is on.
    """

    role: str
    at_s: tuple[float, ...]
    value: tuple[float, ...] | None = None
    channel: str = ""

    @property
    def kind(self) -> str:
        """``values`` or ``marks``."""
        return "marks" if self.value is None else "values"


def read_references(texts: Iterable[str]) -> list[Reference]:
    """What ``--reference`` says, each in one of the ``FORMS``.

    Raises CanscopeError, with the place, for anything that is none of them.
    """
    points: dict[tuple[str, str, bool], list[tuple[float, float]]] = {}
    for text in texts:
        role, _, source = text.partition("=")
        role, _, ratio = role.partition("*")
        if not source:
            role, source = "", text
        factor = _number(ratio, Where(f"--reference {text}")) if ratio else 1.0
        rows = _inline(source, text) if _is_inline(source) else _file(Path(source))
        for name, at_s, value in rows:
            channel, _, called = (role or name).strip().rpartition(":")
            if not called:
                hint = "give the file a column role, or write ROLE=FILE"
                raise CanscopeError("which role?", where=Where(source), hint=hint)
            points.setdefault((channel, called, value is None), []).append(
                (at_s, math.nan if value is None else value * factor)
            )
    return [_reference(*key, sorted(rows)) for key, rows in points.items()]


def outside(references: Iterable[Reference], seconds: float) -> Iterator[str]:
    """In words, which references lie partly outside a capture of so many seconds.

    Raises CanscopeError for one that lies outside it altogether.
    """
    for one in references:
        out = sum(not 0 <= at <= seconds for at in one.at_s)
        if out == len(one.at_s):
            what = f"{one.role}: none of its times lies within the {seconds:.1f} s of the capture"
            hint = "times are seconds from the first frame of the capture"
            raise CanscopeError(what, hint=hint)
        if out:
            yield f"{one.role}: {out} of {len(one.at_s)} times lie outside the capture"


def _reference(
    channel: str, role: str, marks: bool, rows: Sequence[tuple[float, float]]
) -> Reference:
    least = 2 if marks else 3
    if len(rows) < least:
        kind = "marks" if marks else "values"
        hint = "take more, at times at which it differs"
        what = f"--reference {role}: {len(rows)} {kind} cannot tell fields apart: at least {least}"
        raise CanscopeError(what, hint=hint)
    at_s, value = zip(*rows, strict=True)
    return Reference(role, at_s, None if marks else value, channel)


Row = tuple[str, float, float | None]


def _is_inline(source: str) -> bool:
    return not Path(source).exists() and all(c.isdigit() or c in "+-.:,;eE " for c in source)


def _inline(source: str, text: str) -> list[Row]:
    where = Where(f"--reference {text}")
    between = ";" if ";" in source else ","
    parts = [part for part in map(str.strip, source.split(between)) if part]
    if 0 < sum(":" in part for part in parts) < len(parts):
        hint = "a comma parts readings: write 1.5:357.9,40:356, or 1,5:357,9; 40:356"
        raise CanscopeError("some of these have a value and some have none", where=where, hint=hint)
    rows: list[Row] = []
    for part in parts:
        at, _, value = part.partition(":")
        rows.append(("", _number(at, where), _number(value, where) if value else None))
    return rows


def _file(path: Path) -> list[Row]:
    try:
        if path.exists() and not path.is_file():  # a pipe would be waited for, a device has no end
            raise OSError("not a plain file")
        text = path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        what = f"the reference cannot be read: {error}"
        raise CanscopeError(what, where=Where(str(path)), hint=FORMS) from error
    if text.lstrip().startswith("{"):
        lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip()]
        return [_json_row(line, Where(str(path), number)) for number, line in lines]
    return _csv_rows(text, path)


def _json_row(line: str, where: Where) -> Row:
    try:
        row: Any = json.loads(line)
    except (ValueError, RecursionError) as error:
        hint = 'a line looks like {"at_s": 21.5, "role": "pack.voltage", "value": 357.9}'
        raise CanscopeError("not a JSON object", where=where, hint=hint) from error
    if not isinstance(row, dict) or "at_s" not in row:
        raise CanscopeError("a line needs at_s, in seconds", where=where, hint=FORMS)
    value = row.get("value")
    named = str(row.get("role") or "")
    return named, _number(row["at_s"], where), None if value is None else _number(value, where)


def _csv_rows(text: str, path: Path) -> list[Row]:
    """With a heading (at_s, role, value), or bare numbers: seconds, value."""
    lines = text.splitlines()
    first = lines[0] if lines else ""
    separator = ";" if ";" in first else "\t" if "\t" in first else ","
    rows = list(csv.reader(lines, delimiter=separator))
    names = [cell.strip().lower() for cell in rows[0]] if rows else []
    places = {name: names.index(name) for name in ("at_s", "role", "value") if name in names}
    headed = "at_s" in places
    if not headed:
        places = {"at_s": 0, "value": 1}
    found: list[Row] = []
    for number, row in enumerate(rows[headed:], start=1 + headed):
        cells = {n: row[p].strip() for n, p in places.items() if p < len(row)}
        if not any(cells.values()):
            continue
        where = Where(str(path), number)
        value = cells.get("value")
        at_s = _number(cells.get("at_s", ""), where)
        found.append((cells.get("role", ""), at_s, _number(value, where) if value else None))
    if not found:
        raise CanscopeError("the reference holds no rows", where=Where(str(path)), hint=FORMS)
    return found


def _number(text: object, where: Where) -> float:
    try:
        value = float(str(text).replace(",", "."))  # a decimal comma, where commas do not separate
    except ValueError as error:
        raise CanscopeError(f"{text!r} is not a number", where=where, hint=FORMS) from error
    if not math.isfinite(value):
        raise CanscopeError(f"{text!r} is not a finite number", where=where, hint=FORMS)
    return value
