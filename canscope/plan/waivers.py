"""Waivers: which unproven findings a person accepts, why, and who."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from canscope.model.bench import Bench
from canscope.model.errors import nearest
from canscope.model.rule import Rule
from canscope.plan.mistakes import Notes
from canscope.plan.plan import Waiver
from canscope.rules import RULES

if TYPE_CHECKING:
    from canscope.plan.schema import PlanTable


def waivers_of(plan: PlanTable, notes: Notes) -> tuple[Waiver, ...]:
    """The plan's waivers. One of a rule that cannot be waived, or does not exist, is a mistake."""
    names = list(RULES)
    waivers = []
    for number, table in enumerate(plan.waivers):
        path = ("waivers", number, "rule")
        if table.rule not in names:
            what = f"no rule named {table.rule!r}"
            notes.mistake(path, what, nearest(table.rule, names))
        elif not RULES[table.rule].waivable:
            notes.mistake(path, f"{table.rule} cannot be waived", "prove it, or leave it unproven")
        waivers.append(Waiver(table.rule, table.subject, table.reason, table.by))
    return tuple(waivers)


def warn_of_idle_waivers(
    waivers: Sequence[Waiver], rules: Mapping[str, Rule], bench: Bench, notes: Notes
) -> None:
    """Warn of waivers with no effect in this stage; a file shared by stages may hold some."""
    for number, waiver in enumerate(waivers):
        rule = rules[waiver.rule]
        names = [s.name for s in rule.subjects(bench)] if rule.applies(bench) else []
        if not names:
            what = f"{waiver.rule} does not apply to this plan; the waiver has no effect"
            notes.warn(("waivers", number), what)
        elif waiver.subject is not None and waiver.subject not in names:
            what = f"{waiver.rule} has no subject {waiver.subject!r} here; "
            notes.warn(("waivers", number, "subject"), what + nearest(waiver.subject, names))
