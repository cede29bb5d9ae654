"""The bytes of a definition file, and its text: only of plain files, of a size that can be read."""

from __future__ import annotations

import os
import re
import stat

from canscope.model.definition import Problem
from canscope.model.errors import DefinitionError, Where

LARGEST = {"dbc": 64 << 20, "kcd": 64 << 20, "arxml": 256 << 20}  # bytes; real ones have a tenth


def content_of(name: str, kind: str) -> bytes:
    """All bytes of a file.

    Raises:
        DefinitionError: it cannot be read, is no plain file (a pipe would be waited for, a device
            has no end), or is larger than any definition.
    """
    try:
        found = os.stat(name)
        if not stat.S_ISREG(found.st_mode) and not stat.S_ISDIR(found.st_mode):
            what, hint = "not a plain file", "a definition is read from a file, no pipe or device"
            raise DefinitionError(what, where=Where(name), hint=hint)
        if found.st_size > LARGEST[kind]:
            what = f"has {found.st_size >> 20} MB; a definition has at most {LARGEST[kind] >> 20}"
            hint = "take out what the buses of the plan do not need"
            raise DefinitionError(what, where=Where(name), hint=hint)
        with open(name, "rb") as file:
            return file.read(LARGEST[kind] + 1)
    except (OSError, ValueError) as error:
        if isinstance(error, DefinitionError):
            raise
        hint = "check the path and that the file may be read"
        reason = getattr(error, "strerror", None) or str(error)
        raise DefinitionError(f"cannot be read: {reason}", where=Where(name), hint=hint) from error


def decoded(data: bytes, kind: str) -> tuple[str, list[Problem]]:
    """A file's text, and what is wrong with its encoding."""
    declared = re.match(rb"""\s*<\?xml[^>]*encoding=["']([\w.-]+)["']""", data)
    first = [declared[1].decode("ascii")] if kind != "dbc" and declared else []
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        first = ["utf-16"]
    for encoding in [*first, "utf-8-sig"]:
        try:
            return data.decode(encoding), []
        except (UnicodeDecodeError, LookupError):
            continue
    return _line_by_line(data)


def _line_by_line(data: bytes) -> tuple[str, list[Problem]]:
    """Text that is not UTF-8 throughout: DBC editors write the Windows code page (cp1252)."""
    lines, utf8, windows, neither = [], 0, 0, 0
    for number, line in enumerate(data.split(b"\n"), start=1):
        try:
            lines.append(line.decode("utf-8"))
            utf8 = utf8 or (0 if line.isascii() else number)
        except UnicodeDecodeError:
            try:
                lines.append(line.decode("cp1252"))
                windows = windows or number
            except UnicodeDecodeError:
                lines.append(line.decode("latin-1"))
                neither = neither or number
    problems = []
    hint = "save the file as UTF-8"
    if neither:
        what = "text that is neither UTF-8 nor Windows-1252, read as Latin-1"
        problems.append(Problem("doubt", what, hint, neither))
    if utf8 and windows:
        what = f"two encodings in one file: UTF-8 on line {utf8}, Windows-1252 on line {windows}"
        problems.append(Problem("mended", f"{what}; each line read as what it is", hint, windows))
    return "\n".join(lines), problems
