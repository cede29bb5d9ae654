"""Whether a report is still what it was: its bytes, its inputs, its findings."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from canscope.model.errors import ReportError, Where
from canscope.model.findings import Finding
from canscope.model.report import Input, Report
from canscope.plan.source import read_bytes
from canscope.report.json import recover
from canscope.report.seal import is_intact

DIGITS = 1e-9  # relative: the last bits of a number differ between processors


class Outcome(StrEnum):
    """What came out of one comparison."""

    SAME = "same"
    DIFFERS = "differs"
    OPEN = "not compared"


@dataclass(frozen=True)
class Check:
    """One thing that was compared, and how it came out."""

    what: str
    outcome: Outcome
    text: str


def check_bytes(path: Path) -> Check:
    """Hold the file's seal against its bytes.

    Raises ReportError if the file cannot be read.
    """
    intact = is_intact(_content(path, "check the path"))
    if intact is None:
        return Check(str(path), Outcome.OPEN, "it has no seal, or its last line was altered")
    if intact:
        return Check(str(path), Outcome.SAME, "every byte is as it was written")
    return Check(str(path), Outcome.DIFFERS, "it was altered after it was written")


def read_report(path: Path, *, curves: bool = True) -> Report:
    """The report in a JSON file, with its curves or without.

    Raises ReportError if it is not one.
    """
    hint = "give the report's JSON file"
    try:
        text = _content(path, hint).decode()
    except UnicodeDecodeError as error:
        what = f"cannot be read: {error}"
        raise ReportError(what, where=Where(str(path)), hint=hint) from error
    return recover(text, name=str(path), curves=curves)


def _content(path: Path, hint: str) -> bytes:
    content = read_bytes(path)  # which waits for no pipe and reads no device without end
    if isinstance(content, str):
        raise ReportError(f"cannot be read: {content}", where=Where(str(path)), hint=hint)
    return content


def newest_report(run: Path) -> tuple[Path, Report] | None:
    """The report of a run folder that was written last, and its file; None if it has none.

    Names do not say which it is: the recorder's reports and those of a later check are numbered
    apart.

    Raises ReportError if one of them is no report.
    """
    written = [(path, read_report(path)) for path in sorted((run / "reports").glob("*.json"))]
    return max(
        written, key=lambda one: (one[1].written_at, one[1].number or 0, one[0].name), default=None
    )


def found_inputs(report: Report, path: Path, *near: Path) -> list[tuple[Input, Path | None]]:
    """Each input of a report with the file it names: where it was, or near the report.

    Near are the report's folder and the two above it, the folders of inputs found before it, and
    ``near``.
    """
    folders = [*near, path.absolute().parent, *path.absolute().parents[1:3]]
    found: list[tuple[Input, Path | None]] = []
    for entry in report.inputs:
        place = _find(Path(entry.name), folders)
        found.append((entry, place))
        if place is not None and place.parent not in folders:
            folders.append(place.parent)
    return found


def _find(name: Path, folders: Sequence[Path]) -> Path | None:
    places = [name, *(folder / name for folder in folders)]
    places += [folder / home / name.name for folder in folders for home in (".", "definitions")]
    return next((place for place in places if place.is_file()), None)


def check_inputs(inputs: Sequence[tuple[Input, Path | None]]) -> Iterator[Check]:
    """Hold every file that a report rests on against its hash."""
    for entry, place in inputs:
        what = f"{entry.kind} {entry.name}"
        if place is None:
            yield Check(what, Outcome.OPEN, "not found where it was, nor beside the report")
            continue
        with place.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        if digest == entry.sha256:
            yield Check(what, Outcome.SAME, "the same bytes")
        else:
            text = f"{place} has other bytes than the report was made of"
            yield Check(what, Outcome.DIFFERS, text)


def check_findings(old: Report, new: Report) -> Iterator[Check]:
    """Hold the findings of a report against those computed anew from its inputs."""
    if old.version != new.version:
        text = f"written by version {old.version}, computed anew by {new.version}"
        yield Check("version", Outcome.OPEN, text)
    before = {finding.key: finding for finding in old.findings}
    after = {finding.key: finding for finding in new.findings}
    differing = 0
    for key in dict.fromkeys([*before, *after]):
        one, other = before.get(key), after.get(key)
        if words := _differs(one, other):
            differing += 1
            yield Check(f"finding {', '.join(key)}", Outcome.DIFFERS, words)
    if old.verdict != new.verdict:
        differing += 1
        text = f"{old.verdict} in the report, {new.verdict} computed anew"
        yield Check("verdict", Outcome.DIFFERS, text)
    if not differing:
        text = f"all {len(after)} computed anew, and equal; verdict {new.verdict}"
        yield Check("findings", Outcome.SAME, text)


def _differs(one: Finding | None, other: Finding | None) -> str:
    if one is None or other is None:
        return f"only in the {'computation' if one is None else 'report'}"
    for name in ("verdict", "reason", "required", "waived", "waived_by", "sentence", "short"):
        if getattr(one, name) != getattr(other, name):
            return f"{name}: {getattr(one, name)!r} in the report, {getattr(other, name)!r} anew"
    for name in ("measured", "limit", "margin", "uncertainty", "at_s"):
        a, b = getattr(one, name), getattr(other, name)
        equal = a == b or (
            a is not None and b is not None and math.isclose(a, b, rel_tol=DIGITS, abs_tol=DIGITS)
        )
        if not equal:
            return f"{name}: {a} in the report, {b} anew"
    return ""
