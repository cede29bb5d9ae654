"""A definition file parsed: by cantools, once what is wrong in it has been left out."""

from __future__ import annotations

import logging
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from canscope.decoding.cache import Content, Messages
from canscope.decoding.dbc_file import DbcFile, Refused, unselected
from canscope.decoding.from_cantools import CHOOSE, Facts, compiled
from canscope.decoding.plain_file import content_of, decoded
from canscope.decoding.xml_file import XmlFile
from canscope.model.definition import MessageSpec, Problem
from canscope.model.errors import DefinitionError, Where

LINE = re.compile(r"line (\d+)")  # how the parsers report a place
UNPLANNED = (KeyError, AttributeError, TypeError, AssertionError)  # their text alone says little


def parsed(name: str, kind: str, data: bytes) -> Content:
    """The messages that a file defines, and what is wrong with it."""
    text, problems = decoded(data, kind)
    try:
        if kind == "dbc":
            messages, found = _dbc(text, name)
        else:
            messages, found = _xml(text, kind, name)
    except Refused as refused:
        problem = refused.problem
        raise DefinitionError(
            problem.what, where=Where(name, problem.line), hint=problem.hint
        ) from refused
    problems = [*problems, *found]
    if not messages and not any(problem.weight == "unusable" for problem in problems):
        problems.append(Problem("doubt", "defines no message", "is it the right file?"))
    return messages, tuple(problems)


def lines_of(name: str) -> Callable[[str, str], int | None]:
    """Where a file that was read declares a message (no signal) or signal, by their long names."""
    kind = Path(name).suffix[1:].lower()
    text, _ = decoded(content_of(name, kind), kind)
    if kind != "dbc":
        return XmlFile(text, kind).line_of
    file = DbcFile(text)
    long = file.attributes.long_name
    lines: dict[tuple[str, str], int] = {}
    for message in file.messages:
        own = long(message.dbc_id) or message.name
        lines[own, ""] = message.line
        for signal in message.signals:
            lines[own, long(message.dbc_id, signal.name) or signal.name] = signal.line
    return lambda message, signal: lines.get((message, signal))


def _dbc(text: str, name: str) -> tuple[Messages, list[Problem]]:
    file = DbcFile(text)
    with _cantools_warnings():  # what it could say is told here, with the line
        database = _parse(file.text(), "dbc", name).messages if file.messages else []
    known = {(m.frame_id | m.is_extended_frame << 31): m for m in database}
    chosen = {
        (dbc_id, str(signal.name))
        for dbc_id, message in known.items()
        for signal in message.signals
        if signal.multiplexer_ids is not None
    }
    for lost, signal in unselected(file, chosen):
        marker = lost.by_name[signal].marker
        what = f"signal {signal!r} of message {lost.name!r} is marked {marker!r}, "
        file.lose(lost, signal, f"{what}but nothing says which multiplexer selects it", CHOOSE)
    attributes = file.attributes
    messages: list[tuple[str, MessageSpec]] = []
    problems = []
    for typed in file.messages:
        facts = Facts(
            cycle_ms=attributes.cycle_ms(typed.dbc_id),
            j1939=attributes.j1939(typed.dbc_id),
            long_name=lambda s, i=typed.dbc_id: attributes.long_name(i, s),  # type: ignore[misc]
            line=typed.line_of,
            inferred=lambda s, i=typed.dbc_id: attributes.inferred(i, s),  # type: ignore[misc]
            name=attributes.long_name(typed.dbc_id) or typed.name,
            message_line=typed.line,
            lost=frozenset(typed.lost),
        )
        spec, found = compiled(known[typed.dbc_id], facts, name)
        messages.append(("", spec))
        problems += found
    return tuple(messages), [*map(_by_long_names(file), file.problems), *problems]


def _by_long_names(file: DbcFile) -> Callable[[Problem], Problem]:
    """How a problem gets the names by which its message and signal are asked for."""
    ids = {message.name: message.dbc_id for message in file.messages}

    def renamed(problem: Problem) -> Problem:
        long, dbc_id = file.attributes.long_name, ids.get(problem.message)
        if dbc_id is None:
            return problem
        signal = long(dbc_id, problem.signal) if problem.signal else ""
        message = long(dbc_id) or problem.message
        return replace(problem, message=message, signal=signal or problem.signal)

    return renamed


def _xml(text: str, kind: str, name: str) -> tuple[Messages, list[Problem]]:
    file = XmlFile(text, kind)
    with _cantools_warnings() as logged:
        database = _parse(file.text, kind, name)
    messages: list[tuple[str, MessageSpec]] = []
    problems = list(file.problems)
    for message in database.messages:
        own = str(message.name)
        facts = Facts(
            cycle_ms=message.cycle_time,
            j1939=message.protocol == "j1939",
            long_name=lambda signal: "",
            line=lambda signal, own=own: file.line_of(own, signal),  # type: ignore[misc]
            name=own,
            message_line=file.line_of(own),
        )
        spec, found = compiled(message, facts, name)
        messages.append((str(message.bus_name or ""), spec))
        problems += found
    return tuple(messages), [*problems, *(Problem("doubt", text) for text in logged)]


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
    """What cantools makes of a text; layouts are checked afterwards (``decoding.layout``)."""
    from cantools.database import load_string
    from cantools.database.errors import UnsupportedDatabaseFormatError

    try:
        return load_string(text, kind, strict=False)
    except UnsupportedDatabaseFormatError as error:
        cause = error.__cause__ or error
        said = f"{type(cause).__name__}: {cause}" if isinstance(cause, UNPLANNED) else str(cause)
        found = LINE.search(said) if kind != "dbc" else None  # its text is not that of the file
        where = Where(name, int(found[1]) if found else None)
        hint = "correct that place in the program that wrote the file, or export the file again"
        what = f"not readable as {kind.upper()}: {said}"
        raise DefinitionError(what, where=where, hint=hint) from error
