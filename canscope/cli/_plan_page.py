"""The reference of a bench plan for ``canscope explain plan``."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from canscope.plan.reference import OPTIONAL, Key, reference

WIDTH = 96
NAME_WIDTH = 30


def plan_page() -> str:
    """Every table with its keys and roles: type, unit, default, meaning and an example."""
    return "\n".join(_lines())


def _lines() -> Iterator[str]:
    yield textwrap.fill(
        "A plan is a TOML file. It says what the vehicle is, which signal has which role, which "
        "stage is tested and what was agreed. Mistakes are told by canscope plan check; a draft "
        "comes from canscope plan new. Every key stands here with what it means, what it takes, "
        'and how it may be written; "?" as a value is an open question, which plan check tells.',
        WIDTH,
    )
    for part in reference():
        header = f"[{part.header}]" if part.header else ""
        yield ""
        yield textwrap.fill(f"{header}  {part.meaning}".strip(), WIDTH)
        for key in part.keys:
            yield from _key(key)
        if part.roles:
            yield "  Roles (canscope explain ROLE tells more of each):"
        for role in part.roles:
            what = f"{role.meaning}" + (f" In {role.unit}." if role.unit else "")
            yield _entry(role.name, what)
            yield f"{'':{NAME_WIDTH}}{role.example}"


def _key(key: Key) -> Iterator[str]:
    facts = [key.meaning, key.takes, f"in {key.unit}" if key.unit else ""]
    if key.default:
        facts.append(OPTIONAL if key.default == OPTIONAL else f"without it: {key.default}")
    elif key.takes:
        facts.append("needed")
    yield _entry(key.name, "; ".join(filter(None, facts)))
    if key.example:
        yield f"{'':{NAME_WIDTH}}{key.example}"


def _entry(name: str, text: str) -> str:
    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=f"  {name:{NAME_WIDTH - 2}}",
        subsequent_indent=" " * NAME_WIDTH,
        break_on_hyphens=False,
    )
