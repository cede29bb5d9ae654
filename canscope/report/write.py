"""Writing a report to a file: whole or not at all, and never over another by accident."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from canscope.model.errors import ReportError, Where
from canscope.model.report import Report
from canscope.report import RENDERERS, Rendered
from canscope.report.seal import sealed

SUFFIXES = {"junit": "xml"}  # kind -> suffix; all others have the kind's own name
KINDS = {"xml": "junit", "htm": "html"}  # the other way round


def write_report(
    report: Report, path: str | Path, *, replace: bool = False, kind: str | None = None
) -> Path:
    """Write the report as its suffix says (``.html``, ``.json``, ``.xml``) and return the path.

    ``kind`` (``html``, ``json``, ``junit``) wins over the suffix. The file appears under its name
    only when it is whole. Raises ``ReportError`` if the suffix is of no known kind, if the folder
    cannot be written to, or if the file is already there and ``replace`` is not asked for.
    """
    target = Path(path)
    suffix = target.suffix.lower().removeprefix(".")
    if kind is None:
        kind = KINDS.get(suffix, suffix)
    if kind not in RENDERERS:
        known = ", ".join(f".{name}" for name in sorted({*RENDERERS, *KINDS}))
        raise _refused(
            target, f"no report is written as {kind!r}", f"end its name in one of {known}"
        )
    try:
        _look(target, replace=replace)
    except OSError as error:
        raise _unwritable(target, error) from error
    return write_sealed(target, _encoded(RENDERERS[kind](report)), replace=replace)


def write_sealed(target: Path, parts: Iterable[bytes], *, replace: bool = False) -> Path:
    """Write these parts and their seal, whole or not at all, and return the path.

    Raises ``ReportError`` as ``write_report`` does.
    """
    # Not made from the target's name: with more letters a name that just fits would be too long.
    part = target.with_name(f".canscope-{os.getpid()}-{os.urandom(4).hex()}.part")
    try:
        _look(target, replace=replace)
        _write(part, sealed(parts))
        _move(part, target, replace=replace)
    except OSError as error:
        raise _unwritable(target, error) from error
    finally:
        part.unlink(missing_ok=True)
    return target


def _look(target: Path, *, replace: bool) -> None:
    """Refuse before rendering what could not be written after it."""
    if not target.parent.is_dir():
        raise _refused(target, f"there is no folder {str(target.parent)!r}", "make it first")
    if target.is_dir():
        raise _refused(target, "that is a folder", "name a file in it")
    if target.exists() and not replace:
        raise _taken(target)


def _encoded(rendered: Rendered) -> list[bytes]:
    parts = [rendered] if isinstance(rendered, str) else rendered
    # A byte of a file name that is no text becomes a visible escape instead of an error.
    return [p.encode("utf-8", "backslashreplace") if isinstance(p, str) else p for p in parts]


def _write(part: Path, data: Iterable[bytes]) -> None:
    with part.open("wb") as file:
        file.writelines(data)
        file.flush()
        os.fsync(file.fileno())


def _move(part: Path, target: Path, *, replace: bool) -> None:
    if not replace:
        # Creating the file first decides which of two writers has the name, also on file systems
        # without hard links (memory sticks).
        try:
            target.open("xb").close()
        except FileExistsError as error:
            raise _taken(target) from error
    try:
        os.replace(part, target)
    except OSError:
        if not replace:
            target.unlink(missing_ok=True)
        raise


def _unwritable(target: Path, error: OSError) -> ReportError:
    hint = "check the free space and the rights of that folder, or name another"
    return _refused(target, f"cannot write: {error.strerror or error}", hint)


def _taken(target: Path) -> ReportError:
    hint = "give it another name; reports are kept, not overwritten"
    return _refused(target, "the file is already there", hint)


def _refused(target: Path, what: str, hint: str) -> ReportError:
    return ReportError(what, where=Where(str(target)), hint=hint)
