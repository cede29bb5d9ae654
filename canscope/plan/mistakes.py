"""Mistakes of a plan are collected and raised together, so that a person corrects it in one go."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field

from canscope.model.errors import CanscopeError, PlanError, Where
from canscope.plan.lines import KeyPath

PLAIN_KEY = re.compile(r"[\w-]+")


class Unusable(ValueError):
    """Something that a plan names cannot be used; ``hint`` says what can be used instead."""

    def __init__(self, what: str, hint: str = "") -> None:
        super().__init__(what)
        self.what, self.hint = what, hint


@dataclass
class Mistakes:
    """Everything found wrong so far, and what is worth a warning."""

    found: list[CanscopeError] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def add(self, where: Where, what: str, hint: str = "") -> None:
        """Note one mistake at a place."""
        self.found.append(CanscopeError(what, where=where, hint=hint))

    def raise_any(self, plan: str) -> None:
        """Raise ``PlanError`` if there are any: those in the file ``plan`` first, then by line."""
        if self.found:
            raise PlanError(sorted(self.found, key=lambda mistake: _place(mistake, plan)))


def _place(mistake: CanscopeError, plan: str) -> tuple[bool, str, int]:
    where = mistake.where or Where(plan)
    return where.file != plan, where.file, where.line or 0


@dataclass
class Notes:
    """Where the parts of the loader write down mistakes and warnings, each at a key path."""

    where: Callable[[KeyPath], Where]  # file and line of a key path
    mistakes: Mistakes
    touched: set[str] = field(default_factory=set)  # top tables with a mistake in them

    def mistake(self, path: KeyPath, what: str, hint: str = "") -> None:
        """Note something that the plan's author must correct."""
        self.touched.add(str(path[0]))
        self.mistakes.add(self.where(path), f"{dotted(path)}: {what}", hint)

    def warn(self, path: KeyPath, what: str) -> None:
        """Note something that the report must show."""
        self.mistakes.warnings.append(f"{self.where(path)}: {dotted(path)}: {what}")


def dotted(path: KeyPath) -> str:
    """A key path as a person writes it: ``waivers[1].by``; entries of lists count from 1."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            key = part if PLAIN_KEY.fullmatch(part) else quoted(part)
            text += f".{key}" if text else key
    return text


def quoted(value: object) -> str:
    """A value that somebody wrote, short enough for one line and safe to print."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, int) and value.bit_length() > 128:
        return "a very large number"
    text = repr(value)
    return text if len(text) <= 80 else f"{text[:76]} ..."
