"""Mistakes are collected, not raised one by one, so that a person corrects a plan in one go."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from canscope.model.errors import CanscopeError, PlanError, Where
from canscope.plan.lines import KeyPath

PLAIN_KEY = re.compile(r"[\w-]+")


class Unusable(ValueError):
    """Something that a plan names cannot be used; ``hint`` says what would do."""

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
        """Raise them all, if there are any: the plan's own first, then by line."""
        if self.found:
            raise PlanError(sorted(self.found, key=lambda mistake: _place(mistake, plan)))


def _place(mistake: CanscopeError, plan: str) -> tuple[bool, str, int]:
    where = mistake.where or Where(plan)
    return where.file != plan, where.file, where.line or 0


def shown(path: KeyPath) -> str:
    """A key path as a person writes it; entries of lists count from 1."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            key = part if PLAIN_KEY.fullmatch(part) else said(part)
            text += f".{key}" if text else key
    return text


def said(value: object) -> str:
    """What somebody wrote, short enough for one line and safe to print."""
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
