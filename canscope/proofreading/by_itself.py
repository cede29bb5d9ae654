"""What can hardly be meant in a definition, though every line of it can be read."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from canscope.decoding.columns import EVERY
from canscope.decoding.database import read_definitions
from canscope.decoding.definition_file import examined
from canscope.decoding.parsed_file import lines_of
from canscope.model.definition import MessageSpec, Problem, SignalSpec
from canscope.model.errors import DefinitionError
from canscope.plan.codes import raw_range
from canscope.plan.units import is_known

Line = Callable[[str, str], int | None]
LISTED = 12  # names in one line


def problems_of(file: str) -> tuple[list[Problem], tuple[MessageSpec, ...]]:
    """Everything wrong or doubtful in a file, and the messages that can be used.

    A file that cannot be read at all is one problem.
    """
    try:
        read = examined(file)
    except DefinitionError as error:
        line = error.where.line if error.where else None
        return [Problem("unusable", error.what, error.hint, line)], ()
    messages = tuple(message for _, message in read.messages)
    # What cannot be used together has been told, where nothing at all is left to use.
    together = _collisions(file) if any(m.signals for m in messages) or not read.problems else ()
    return [*read.problems, *together, *_doubts(messages, lines_of(file))], messages


def _collisions(file: str) -> Iterator[Problem]:
    """Messages that one bus cannot hold together, beyond what their own lines show."""
    try:
        definitions = read_definitions({EVERY: [file]})
    except DefinitionError as error:
        if " of " in error.what:
            yield Problem("doubt", error.what, error.hint)
        return
    for lost in definitions.lost:
        if lost.problem.line is None and not lost.problem.signal:
            yield lost.problem


def _doubts(messages: Iterable[MessageSpec], line: Line) -> Iterator[Problem]:
    messages = list(messages)
    yield from _case(((m.name, line(m.name, "")) for m in messages), "messages")
    without = [message for message in messages if message.cycle_ns is None]
    if without:
        names = listed(message.name for message in without)
        what = f"no cycle time for {len(without)} of {len(messages)} messages: {names}"
        hint = "it is learned from the first 32 intervals; GenMsgCycleTime would say it"
        yield Problem("note", what, hint, line(without[0].name, ""))
    for message in messages:
        names_of = ((s.name, line(message.name, s.name)) for s in message.signals)
        yield from _case(names_of, f"signals of message {message.name}")
        for spec in message.signals:
            for weight, what, hint in _of_signal(spec):
                about = f"signal {message.name}.{spec.name}: {what}"
                at = line(message.name, spec.name)
                yield Problem(weight, about, hint, at, message.name, spec.name)


def _case(names: Iterable[tuple[str, int | None]], what: str) -> Iterator[Problem]:
    """Names that differ only in upper and lower case."""
    first: dict[str, str] = {}
    for name, line in names:
        other = first.setdefault(name.casefold(), name)
        if other != name:
            text = f"two {what} differ only in upper and lower case: {other} and {name}"
            yield Problem("doubt", text, "rename one of them", line)


def _of_signal(spec: SignalSpec) -> Iterator[tuple[str, str, str]]:
    """(weight, what, hint) of a signal's unit and range."""
    if not is_known(spec.unit):
        what = f"its unit {spec.unit!r} is not known"
        yield "note", what, "a role that is measured in a unit cannot be bound to it"
    if spec.is_float or spec.factor == 0:
        return
    least, most = raw_range(spec)
    if beyond := [code for code in spec.labels if not least <= code <= most]:
        what = f"its value table names code {beyond[0]}, which its bits cannot hold"
        yield "doubt", what, f"they hold {least} to {most}; a label there is never met"
    ends = sorted(code * spec.factor + spec.offset for code in raw_range(spec))
    low, high = spec.minimum, spec.maximum
    step = abs(spec.factor)
    reach = f"{spec.length_bits} bits reach from {ends[0]:.10g} to {ends[1]:.10g}"
    if (low is not None and low > ends[1]) or (high is not None and high < ends[0]):
        what = f"its declared range {_range(spec)} is never reached: {reach}"
        yield "doubt", what, "correct factor, offset or range"
        return
    # One step of grace: people round what they declare.
    if (low is not None and low < ends[0] - step) or (high is not None and high > ends[1] + step):
        what = f"its declared range {_range(spec)} is more than its bits can hold: {reach}"
        yield "doubt", what, "correct length, factor, sign or range"


def _range(spec: SignalSpec) -> str:
    low = "" if spec.minimum is None else f"{spec.minimum:.10g}"
    high = "" if spec.maximum is None else f"{spec.maximum:.10g}"
    return f"[{low}, {high}]"


def listed(names: Iterable[str]) -> str:
    """The first of some names, and how many more there are."""
    names = list(names)
    more = f" and {len(names) - LISTED} more" if len(names) > LISTED else ""
    return f"{', '.join(names[:LISTED])}{more}"
