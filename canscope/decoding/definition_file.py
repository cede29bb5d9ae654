"""One definition file (DBC, KCD, ARXML) -> its messages, or what is wrong with it; by cantools."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from canscope.decoding import dbc_text
from canscope.decoding.cache import Content, Messages, compiled_file
from canscope.decoding.from_cantools import compiled
from canscope.model.errors import DefinitionError, Where

KINDS = ("dbc", "kcd", "arxml")  # by suffix
LINE = re.compile(r"line (\d+)")  # how the parsers of all three kinds report a place
OVERLAP = re.compile(r"The signals (.+) and (.+) are overlapping in message (.+)\.")
BEYOND = re.compile(r"The signal (.+) does not fit in message (.+)\.")
UNPLANNED = (KeyError, AttributeError, TypeError, AssertionError)  # their text alone says little


@dataclass(frozen=True)
class DefinitionFile:
    """One file as read: (name of its bus or empty, message of channel ``*``), in its order."""

    name: str
    messages: Messages
    warnings: tuple[str, ...]


def read_file(name: str) -> DefinitionFile:
    """Read one file and compile its messages.

    Raises:
        DefinitionError: it cannot be read, or does not say clearly what it defines.
    """
    kind = Path(name).suffix[1:].lower()
    if kind not in KINDS:
        hint = f"definitions are read from {', '.join('.' + k for k in KINDS)} files"
        raise DefinitionError("not a kind of definition file", where=Where(name), hint=hint)
    data = _bytes_of(name)
    messages, warnings = compiled_file(kind, data, name, lambda: _content(name, kind, data))
    return DefinitionFile(name, messages, tuple(f"{name}: {warning}" for warning in warnings))


def _content(name: str, kind: str, data: bytes) -> Content:
    """The messages that a file defines, and warnings about it."""
    text, warnings = _text_of(data, kind)
    with _cantools_warnings() as logged:
        database = _parse(text, kind, name)
    if kind == "dbc":
        _check_markers(text, name, database)
    messages = []
    for message in database.messages:
        spec, notes = compiled(message, name)
        messages.append((str(message.bus_name or ""), spec))
        warnings += notes
    warnings += logged if messages else [*logged, "defines no message"]
    return tuple(messages), tuple(warnings)


def _bytes_of(name: str) -> bytes:
    try:
        return Path(name).read_bytes()
    except OSError as error:
        hint = "check the path and that the file may be read"
        reason = error.strerror or str(error)
        raise DefinitionError(f"cannot be read: {reason}", where=Where(name), hint=hint) from error


def _text_of(data: bytes, kind: str) -> tuple[str, list[str]]:
    """A file's text and warnings about its encoding."""
    declared = re.match(rb"""\s*<\?xml[^>]*encoding=["']([\w.-]+)["']""", data)
    first = [declared[1].decode("ascii")] if kind != "dbc" and declared else []
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        first = ["utf-16"]
    for encoding in [*first, "utf-8-sig", "cp1252"]:  # DBC editors write the Windows code page
        try:
            return data.decode(encoding), []
        except (UnicodeDecodeError, LookupError):
            continue
    return data.decode("latin-1"), ["neither UTF-8 nor Windows-1252, read as Latin-1"]


@contextmanager
def _cantools_warnings() -> Iterator[list[str]]:
    """Collect what cantools logs about a file, instead of printing it."""
    messages: list[str] = []
    logger, handler = logging.getLogger("cantools"), logging.Handler(logging.WARNING)
    handler.emit = lambda record: messages.append(record.getMessage())  # type: ignore[method-assign]
    logger.addHandler(handler)
    propagate, logger.propagate = logger.propagate, False
    try:
        yield messages
    finally:
        logger.propagate = propagate
        logger.removeHandler(handler)
        # Messages that share an identifier or a name are judged here, channel by channel.
        messages[:] = [text for text in messages if not text.startswith("Overwriting message")]


def _parse(text: str, kind: str, name: str) -> Any:
    from cantools.database import load_string
    from cantools.database.errors import UnsupportedDatabaseFormatError

    try:
        return load_string(text + dbc_text.SENTINEL if kind == "dbc" else text, kind)
    except UnsupportedDatabaseFormatError as error:
        raise _parse_error(text, kind, name, error.__cause__ or error) from error


def _parse_error(text: str, kind: str, name: str, cause: BaseException) -> DefinitionError:
    """What is wrong with a file, in words, at its line where that is known."""
    text_of_error = str(cause)
    if m := OVERLAP.fullmatch(text_of_error):
        line = dbc_text.line_of(text, m[3], m[1]) if kind == "dbc" else None
        what = f"signals {m[1]!r} and {m[2]!r} of message {m[3]!r} overlap"
        hint = "correct start bit, length or byte order of one of them, or multiplex them"
        return DefinitionError(what, where=Where(name, line), hint=hint)
    if m := BEYOND.fullmatch(text_of_error):
        line = dbc_text.line_of(text, m[2], m[1]) if kind == "dbc" else None
        what = f"signal {m[1]!r} reaches beyond the end of message {m[2]!r}"
        hint = "correct the signal's place or the length of the message"
        return DefinitionError(what, where=Where(name, line), hint=hint)
    found = LINE.search(text_of_error)
    line = int(found[1]) if found else None
    if line is not None and line > text.count("\n") + 1:
        what = f"the {kind.upper()} file ends in the middle of a statement"
        hint = "it may have been cut: export or copy it again"
        return DefinitionError(what, where=Where(name, len(text.rstrip().splitlines())), hint=hint)
    if isinstance(cause, UNPLANNED):
        text_of_error = f"{type(cause).__name__}: {text_of_error}"
    what = f"not readable as {kind.upper()}: {text_of_error}"
    hint = "correct that line in the program that wrote the file, or export the file again"
    return DefinitionError(what, where=Where(name, line), hint=hint)


def _check_markers(text: str, name: str, database: Any) -> None:
    """Refuse a multiplexed signal that no selector chooses; cantools would decode it always."""
    chosen = {
        (message.frame_id | message.is_extended_frame << 31, signal.start, signal.length)
        for message in database.messages
        for signal in message.signals
        if signal.multiplexer_ids is not None
    }
    for line in dbc_text.signal_lines(text):
        place = line.dbc_id, line.start, line.length
        if line.marker.startswith("m") and place not in chosen:
            raise DefinitionError(
                f"signal {line.name!r} of message {line.message!r} is marked {line.marker!r}, "
                "but nothing says which multiplexer selects it",
                where=Where(name, line.line),
                hint="mark the multiplexer with M, or add SG_MUL_VAL_ lines if there are several",
            )
