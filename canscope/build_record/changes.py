"""Changes of a vehicle: what each makes necessary again, and the file in which a person notes them.

The table is common practice, no source: a change makes every proof void that it could have spoiled.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from canscope.model.bench import STAGES
from canscope.model.build_record import Change
from canscope.model.errors import CanscopeError, Where

CHANGES_FILE = "changes.toml"
# What was done -> the earliest stage that has to be run again, and why.
NEEDS: Mapping[str, tuple[str, str]] = {
    "unit": ("unit-alone", "another unit has proven nothing yet"),
    "firmware": ("power-up", "new software may order contactors, torque and direction anew"),
    "contactor": ("power-up", "order, pre-charge and welds are those of the contactors"),
    "connector": ("power-up", "a pin may have moved, a cable may be exchanged"),
    "weld": ("power-up", "welding current harms electronics and heat harms cables"),
    "definition": ("power-up", "every value may mean something else"),
    "setting": ("dry-spin", "direction, torque limits and creep are settings"),
    "mount": ("dry-spin", "a unit that sits in another way turns its axle in another way"),
    "oil-pickup": ("wet-spin", "whether oil reaches the gears has to be inspected anew"),
}
_KEYS = {"at", "what", "unit", "text", "by"}
_SKIPPED = {"stage", "unit", "reason", "by"}


@dataclass(frozen=True)
class Skipped:
    """A stage that a person accepts without a run."""

    stage: str
    reason: str
    by: str
    unit: str = ""


@dataclass(frozen=True)
class Notes:
    """What a person noted of the build."""

    changes: tuple[Change, ...] = ()
    skipped: tuple[Skipped, ...] = ()


def read_notes(folder: Path) -> Notes:
    """The changes noted in ``changes.toml`` of a folder of runs; none if there is no such file.

    Raises CanscopeError if it is not TOML or an entry is not complete, with every mistake at once.
    """
    path = folder / CHANGES_FILE
    if not path.is_file():
        return Notes()
    where = Where(str(path))
    try:
        table = tomllib.loads(path.read_text("utf-8"))
    except (ValueError, RecursionError) as error:
        hint = "write entries as [[changes]] with at, what, text, by"
        raise CanscopeError(f"not TOML: {error}", where=where, hint=hint) from error
    mistakes: list[str] = [
        f"{key}: unknown, expected [[changes]] or [[skipped]]"
        for key in table
        if key not in ("changes", "skipped")
    ]
    changes = [
        _change(entry, f"changes[{n}]", mistakes)
        for n, entry in enumerate(_entries(table, "changes", mistakes))
    ]
    skipped = [
        _skipped(entry, f"skipped[{n}]", mistakes)
        for n, entry in enumerate(_entries(table, "skipped", mistakes))
    ]
    if mistakes:
        hint = f"what is one of {', '.join(NEEDS)}; at is a date, 2026-03-02 or with a time"
        raise CanscopeError("; ".join(mistakes), where=where, hint=hint)
    return Notes(tuple(filter(None, changes)), tuple(filter(None, skipped)))


def _entries(
    table: Mapping[str, Any], key: str, mistakes: list[str]
) -> Sequence[Mapping[str, Any]]:
    entries = table.get(key, [])
    if isinstance(entries, list) and all(isinstance(entry, dict) for entry in entries):
        return entries
    mistakes.append(f"{key}: expected a list of tables, written as [[{key}]]")
    return []


def _change(entry: Mapping[str, Any], place: str, mistakes: list[str]) -> Change | None:
    before = len(mistakes)
    _check_keys(entry, _KEYS, place, mistakes)
    what = entry.get("what")
    if what not in NEEDS:
        near = get_close_matches(str(what), NEEDS, 1)
        also = f", did you mean {near[0]!r}?" if near else ""
        mistakes.append(f"{place}.what: {what!r} is no change that is known{also}")
    at_ns = _at_ns(entry.get("at"))
    if at_ns is None:
        mistakes.append(f"{place}.at: expected a date, not {entry.get('at')!r}")
    if not entry.get("by"):
        mistakes.append(f"{place}.by: who did it is missing")
    if len(mistakes) > before or at_ns is None:
        return None
    words = {key: str(entry.get(key, "")) for key in ("unit", "text", "by")}
    return Change(str(what), NEEDS[str(what)][0], at_ns, **words)


def _skipped(entry: Mapping[str, Any], place: str, mistakes: list[str]) -> Skipped | None:
    before = len(mistakes)
    _check_keys(entry, _SKIPPED, place, mistakes)
    if entry.get("stage") not in STAGES:
        mistakes.append(f"{place}.stage: expected one of {', '.join(STAGES)}")
    mistakes.extend(f"{place}.{key}: is missing" for key in ("reason", "by") if not entry.get(key))
    if len(mistakes) > before:
        return None
    words = {key: str(entry.get(key, "")) for key in ("stage", "reason", "by", "unit")}
    return Skipped(**words)


def _check_keys(entry: Mapping[str, Any], known: set[str], place: str, mistakes: list[str]) -> None:
    mistakes.extend(
        f"{place}.{key}: unknown, expected {', '.join(sorted(known))}"
        for key in entry.keys() - known
    )


def _at_ns(value: object) -> int | None:
    """A date or a time; without a zone it is taken as UTC, a date as its first instant."""
    if isinstance(value, datetime):
        moment = value if value.tzinfo else value.replace(tzinfo=UTC)
    elif isinstance(value, date):
        moment = datetime(value.year, value.month, value.day, tzinfo=UTC)
    else:
        return None
    return int(moment.timestamp()) * 10**9
