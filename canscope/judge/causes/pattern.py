"""What a row of the diagnosis table is: findings that occur together, and their probable causes."""

from __future__ import annotations

from dataclasses import dataclass
from fnmatch import fnmatchcase

from canscope.model.findings import Verdict


@dataclass(frozen=True)
class Sign:
    """A finding that must be there. Rule and subject may hold shell wildcards."""

    verdict: Verdict
    rule: str
    subject: str = "*"
    code: str = ""  # of the finding; any if empty


@dataclass(frozen=True)
class Row:
    """A pattern of findings and its causes.

    The row matches where every sign of ``when`` is among the findings and none of ``unless`` is.
    ``{unit}`` and ``{bus}`` stand for the same unit or bus in all its signs and texts. ``causes``
    are pairs, the likeliest first: a cause, and the check that decides whether it is the one.
    ``explains`` names what else fails as a consequence: "rule" or "rule|subject".
    """

    when: tuple[Sign, ...]
    causes: tuple[tuple[str, str], ...]
    unless: tuple[Sign, ...] = ()
    explains: tuple[str, ...] = ()


def failed(rule: str, subject: str = "*", code: str = "") -> Sign:
    """A fail of that rule."""
    return Sign(Verdict.FAIL, rule, subject, code)


def passed(rule: str, subject: str = "*") -> Sign:
    """A pass of that rule."""
    return Sign(Verdict.PASS, rule, subject)


def unproven(rule: str, subject: str = "*", code: str = "") -> Sign:
    """That rule could not prove it."""
    return Sign(Verdict.UNPROVEN, rule, subject, code)


def is_named(name: str, pattern: str) -> bool:
    """Whether a name has the pattern, which may hold shell wildcards; most are plain names."""
    if pattern == "*":
        return True
    is_plain = "*" not in pattern and "?" not in pattern and "[" not in pattern
    return name == pattern if is_plain else fnmatchcase(name, pattern)
