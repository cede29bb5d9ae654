"""The manual page of a role: from the tables of roles and evidence, and what the rules need."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from canscope.model.bench import Kind
from canscope.model.roles import KEYS, Role
from canscope.trust.evidence import evidence_of

WIDTH = 96
VALUE = {
    Kind.NUMBER: "A number in {unit}",
    Kind.STATE: "True or false",
    Kind.DIRECTION: "Forward, reverse or neutral",
    Kind.CODE: "The raw code itself",
}


def role_page(role: Role) -> str:
    """Meaning, value, how a plan binds it, the rules that need it, and what proves it."""
    return "\n".join(_lines(role))


def _lines(role: Role) -> Iterator[str]:
    from canscope.plan.coverage import needed_by  # imports every rule

    yield textwrap.fill(role.meaning, WIDTH)
    state = ", or true or false" if role.kind is Kind.NUMBER and "true" in role.keys else ""
    yield f"\nValue\n    {VALUE[role.kind].format(unit=role.unit)}{state}."
    section = "units.front" if role.words[0] == "units" else role.words[0]
    yield f"\nPlan::\n\n    [{section}]"
    yield f"    {role.example}\n"
    yield "Keys of its table, where the signal alone does not say enough"
    for key in ("signal", "cycle_ms", *role.keys):
        yield _entry(key, KEYS[key], width=16)
    yield "\nNeeded by"
    rules = needed_by(role)
    if not rules:
        yield "    no rule; those that can do without it may use it where it is bound"
    for rule, stages in rules.items():
        text = f"required in {', '.join(stages)}" if stages else "judged where it is bound"
        yield _entry(rule, text, width=24)

    yield from _evidence(role)


def _evidence(role: Role) -> Iterator[str]:
    """What cross-checks it, how a lie would look, and what nobody can see."""
    row = evidence_of(role.name)
    if row is None:
        return
    yield "\nCross-checked by"
    for witness in row.witnesses:
        yield _entry(witness.by, witness.how, width=24)
    yield "\nHow it would look if it were not true"
    yield from (_item(text) for text in row.lies)
    if row.unseen:
        yield "\nWhat nobody can see from inside the run, and what to do about it"
        yield from (_item(f"{lie.what}. Against it: {lie.anchor}") for lie in row.unseen)


def _item(text: str) -> str:
    return textwrap.fill(text, WIDTH, initial_indent="    - ", subsequent_indent="      ")


def _entry(name: str, text: str, width: int) -> str:
    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=f"    {name:{width}}",
        subsequent_indent=" " * (width + 4),
        break_on_hyphens=False,
    )
