"""One definition file (DBC, KCD, ARXML) -> its messages and what is wrong with it.

Of a file that is in the cache nothing is parsed, and what parses (``parsed_file``) not imported.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from canscope.decoding.cache import Content, Messages, compiled_file
from canscope.decoding.plain_file import content_of
from canscope.model.definition import Problem
from canscope.model.errors import DefinitionError, Where

KINDS = ("dbc", "kcd", "arxml")  # by suffix
MOST_TOLD = 10  # mistakes of a file that are told one by one


@dataclass(frozen=True)
class DefinitionFile:
    """One file as read: (name of its bus or empty, message of channel ``*``), in its order."""

    name: str
    messages: Messages
    problems: tuple[Problem, ...]

    @property
    def warnings(self) -> tuple[str, ...]:
        """The problems in lines, at most so many that somebody reads them."""
        told = [_line(self.name, problem) for problem in _told_once(self.problems)]
        if len(told) <= MOST_TOLD:
            return tuple(told)
        more = f"{self.name}: and {len(told) - MOST_TOLD} more mistakes; "
        return (*told[:MOST_TOLD], f"{more}canscope definitions check tells all of them")


def _told_once(problems: tuple[Problem, ...]) -> list[Problem]:
    """What costs something first; of what several messages share, the first."""
    order = ("unusable", "doubt", "mended")
    ranked = sorted(problems, key=lambda problem: (order.index(problem.weight), problem.line or 0))
    return list({problem.what: problem for problem in reversed(ranked)}.values())[::-1]


def _line(name: str, problem: Problem) -> str:
    place = name if problem.line is None else f"{name}:{problem.line}"
    lost = ": not decoded" if problem.weight == "unusable" else ""
    return f"{place}: {problem.what}{lost}"


def read_file(name: str) -> DefinitionFile:
    """Read one file and compile its messages; what is wrong in it costs only itself.

    Raises:
        DefinitionError: it cannot be read, or nothing in it can be used or trusted.
    """
    file = examined(name)
    unusable = tuple(problem for problem in file.problems if problem.weight == "unusable")
    if unusable and not any(message.signals for _, message in file.messages):
        raise _refusal(name, unusable)
    return file


def examined(name: str) -> DefinitionFile:
    """The same, also where nothing in the file can be used.

    Raises:
        DefinitionError: it cannot be read or trusted.
    """
    kind = Path(name).suffix[1:].lower()
    if kind not in KINDS:
        hint = f"definitions are read from {', '.join('.' + k for k in KINDS)} files"
        raise DefinitionError("not a kind of definition file", where=Where(name), hint=hint)
    data = content_of(name, kind)

    def read() -> Content:
        from canscope.decoding.parsed_file import parsed

        return parsed(name, kind, data)

    return DefinitionFile(name, *compiled_file(kind, data, name, read))


def _refusal(name: str, problems: tuple[Problem, ...]) -> DefinitionError:
    """Nothing in a file can be used: every reason, in one error."""
    first, *others = _told_once(problems)
    lines = [f"  {_line(name, problem)}" for problem in others[:MOST_TOLD]]
    if len(others) > MOST_TOLD:
        lines.append(f"  and {len(others) - MOST_TOLD} more")
    what = "\n".join([first.what, *lines])
    return DefinitionError(what, where=Where(name, first.line), hint=first.hint)
