"""What lies in the page's folder: runs, captures, plans, definitions."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from canscope.bench.place import HIDDEN, Place
from canscope.checking.inputs import CAPTURE_PATTERNS, PLAN_NAMES

DEEPEST, MOST = 4, 4000  # folders below each other, files looked at
CAPTURES = re.compile(
    r"\.(log|txt|csv|tsv|db|mf4|pcap|pcapng)(\.(gz|bz2|xz|zst|lz4))?$", re.IGNORECASE
)
DEFINITIONS = (".dbc", ".kcd", ".arxml")
PLAN_HEAD = re.compile(r"^\s*(\[\s*job\s*\]|job\s*[.=])", re.MULTILINE)  # every plan names its job
HEAD_BYTES = 1 << 16
NO_RECORDINGS = frozenset({"truth.csv"})  # of the demo: what really happened
OWN = ("reports", "plan-as-used", "definitions")  # folders of a run


@dataclass
class Found:
    """Names relative to the page's folder, in order."""

    runs: list[str] = field(default_factory=list)
    captures: list[str] = field(default_factory=list)
    plans: list[str] = field(default_factory=list)
    definitions: list[str] = field(default_factory=list)
    is_all: bool = True  # else there was more than is looked at
    unnamed: int = 0  # files whose names are no text, so that no address could name them


def look_through(place: Place) -> Found:
    """What can be picked."""
    found = Found()
    for count, path in enumerate(_files(place.folder), start=1):
        if count > MOST:
            found.is_all = False
            break
        if _is_text(place.name_of(path)):
            _sort(place, path, found)
        else:
            found.unnamed += 1
    for names in (found.runs, found.captures, found.plans, found.definitions):
        names.sort(key=lambda name: [_natural(part) for part in name.split("/")])
    return found


def _sort(place: Place, path: Path, found: Found) -> None:
    if path.name in PLAN_NAMES and path.parent != place.folder and _holds_captures(path.parent):
        found.runs.append(place.name_of(path.parent))
    kind = kind_of(path)
    if kind in ("captures", "plans", "definitions"):
        getattr(found, kind).append(place.name_of(path))


def kind_of(path: Path) -> str:
    """``captures``, ``plans``, ``definitions``, ``marks``, or ``others``."""
    suffix = path.suffix.lower()
    if suffix == ".toml":
        return "plans" if _is_plan(path) else "others"
    if suffix in DEFINITIONS:
        return "definitions"
    if suffix == ".jsonl":
        return "marks"
    is_capture = CAPTURES.search(path.name) and path.name not in NO_RECORDINGS
    return "captures" if is_capture else "others"


def _files(folder: Path, depth: int = 0) -> Iterator[Path]:
    """Files below a folder; links, hidden ones, curves and reports are left out."""
    try:
        entries = sorted(os.scandir(folder), key=lambda entry: entry.name)
    except OSError:
        return
    for entry in entries:
        if entry.name.startswith(HIDDEN) or entry.is_symlink():
            continue
        if entry.is_file():
            yield Path(entry.path)
        elif depth < DEEPEST and entry.name not in OWN and not _is_curves(entry.name):
            yield from _files(Path(entry.path), depth + 1)


def _is_text(name: str) -> bool:
    """Whether every byte of a name is part of a letter."""
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


def _is_curves(name: str) -> bool:
    return name == "curves" or name.endswith(".curves")


def _holds_captures(folder: Path) -> bool:
    return any(path.stat().st_size for end in CAPTURE_PATTERNS for path in folder.glob(end))


def _is_plan(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    except OSError:
        return False
    return bool(PLAN_HEAD.search(head.decode("utf-8", "replace")))


def _natural(text: str) -> list[tuple[int, str]]:
    """So that run-2 comes before run-10."""
    return [
        (int(part), "") if part.isdecimal() else (0, part.casefold())
        for part in re.split(r"(\d+)", text)
    ]
