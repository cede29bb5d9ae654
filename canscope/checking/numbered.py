"""Reports under the next free number: nothing is ever overwritten."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from itertools import count
from pathlib import Path

from canscope.model.errors import ReportError, Where
from canscope.model.report import Report

REPORT_KINDS = ("html", "json", "junit")  # written where no kind is asked for


def write_numbered(
    report: Report, folder: Path, stem: str, kinds: Sequence[str] = REPORT_KINDS
) -> tuple[Report, list[Path]]:
    """Write these kinds of report under the next free number; nothing is ever overwritten.

    Raises ReportError if the folder cannot be used or a file cannot be written.
    """
    from canscope.report.write import SUFFIXES, write_report

    try:
        folder.mkdir(parents=True, exist_ok=True)
        taken = [path.name for path in folder.iterdir()]
    except OSError as error:
        raise ReportError(
            f"cannot use this folder for reports: {error.strerror}",
            where=Where(str(folder)),
            hint="name another one with --out",
        ) from error
    matches = [re.fullmatch(re.escape(stem) + r"-(\d+)\.[\w-]+", name) for name in taken]
    first = max((int(m[1]) for m in matches if m), default=0) + 1
    with _number(folder, stem, first) as number:
        report = replace(report, number=number)
        paths = {kind: folder / f"{stem}-{number:03}.{SUFFIXES.get(kind, kind)}" for kind in kinds}
        for kind, path in paths.items():
            write_report(report, path, kind=kind)
    return report, [*paths.values()]


@contextmanager
def _number(folder: Path, stem: str, first: int) -> Iterator[int]:
    """The first free number from ``first`` on, which nobody else has while its reports are written.

    Raises ReportError if the folder cannot be used.
    """
    for number in count(first):
        mine = folder / f".{stem}-{number:03}"
        try:
            mine.mkdir()  # of two checks that make it at once, one succeeds
        except FileExistsError:
            continue
        except OSError as error:
            what = f"cannot use this folder for reports: {error.strerror}"
            hint = "name another one with --out"
            raise ReportError(what, where=Where(str(folder)), hint=hint) from error
        try:
            if not any(path.name.startswith(f"{stem}-{number:03}.") for path in folder.iterdir()):
                yield number
                return
        finally:
            mine.rmdir()
