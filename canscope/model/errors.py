"""Every deliberate error: what is wrong, where, and what to do about it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Where:
    """A place in an input that the user can open; lines count from 1, as editors do."""

    file: str
    line: int | None = None

    def __str__(self) -> str:
        file = re.sub(r"[\r\n]", "\ufffd", self.file)  # a name cannot begin a line of its own
        return file if self.line is None else f"{file}:{self.line}"


class CanscopeError(ValueError):
    """Base of every deliberate error; ``str()`` is the whole message that the command prints."""

    def __init__(self, what: str, *, where: Where | None = None, hint: str = "") -> None:
        super().__init__(what)
        self.what, self.where, self.hint = what, where, hint

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        advice = f"\n  hint: {self.hint}" if self.hint else ""
        return f"{place}{self.what}{advice}"


class CaptureError(CanscopeError):
    """A capture's bytes do not follow the format they are read as."""


class DefinitionError(CanscopeError):
    """A signal definition file cannot be used."""


class ReportError(CanscopeError):
    """A report cannot be written where it was asked for."""


class CurveError(CanscopeError):
    """The curves of a run cannot be written, or are not there."""


MOST_MISTAKES = 100  # of a plan that are told at once


class PlanError(CanscopeError):
    """A bench plan has mistakes; the first hundred are in ``mistakes``, as ``CanscopeError``."""

    def __init__(self, mistakes: Iterable[CanscopeError]) -> None:
        found = tuple(mistakes)
        self.mistakes = found[:MOST_MISTAKES]
        count, self.more = len(found), max(len(found) - MOST_MISTAKES, 0)
        told = f", of which {MOST_MISTAKES} are told" if self.more else ""
        super().__init__(f"{count} mistake{'' if count == 1 else 's'} in the bench plan{told}")

    def __str__(self) -> str:
        rest = [f"and {self.more} more mistakes"] if self.more else []
        return "\n".join([*map(str, self.mistakes), *rest])


class UnknownNameError(CanscopeError):
    """A name is not one of the known ones; the hint gives the nearest."""

    def __init__(
        self, kind: str, wrong: str, known: Iterable[str], *, where: Where | None = None
    ) -> None:
        super().__init__(f"no {kind} named {wrong!r}", where=where, hint=nearest(wrong, known))


def _likeness(one: str, wrong: str) -> float:
    from difflib import SequenceMatcher

    return SequenceMatcher(None, one, wrong.casefold()).ratio()


def nearest(wrong: str, known: Iterable[str]) -> str:
    """Advice on a wrong name: the nearest right one, or several that are as near; else the known.

    Of the known ones at most twelve are listed.
    """
    from difflib import get_close_matches  # only who made a mistake waits for it

    names = sorted(known)
    folded: dict[str, list[str]] = {}
    for name in names:
        folded.setdefault(name.casefold(), []).append(name)
    near = get_close_matches(wrong.casefold(), list(folded), n=3)
    if near:
        best = _likeness(near[0], wrong)
        alike = [name for one in near if _likeness(one, wrong) == best for name in folded[one]]
        return f"did you mean {' or '.join(map(repr, sorted(alike)))}?"
    if not names:
        return "there is none to choose from"
    more = f" and {len(names) - 12} more" if len(names) > 12 else ""
    return f"known: {', '.join(names[:12])}{more}"
