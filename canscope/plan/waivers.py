"""Waivers: which unproven findings a person accepts, why, and who."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from canscope.model.bench import STAGES, Bench
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


def check_waived_subjects(
    waivers: Sequence[Waiver], rules: Mapping[str, Rule], bench: Bench, notes: Notes
) -> None:
    """A waiver whose subject is none in any stage is a mistake.

    One with no effect in this stage alone is worth a warning: a file shared by stages may hold it.
    """
    for number, waiver in enumerate(waivers):
        rule = rules[waiver.rule]
        names = [s.name for s in rule.subjects(bench)] if rule.applies(bench) else []
        if not names:
            what = f"{waiver.rule} does not apply to this plan; the waiver has no effect"
            notes.warn(("waivers", number), what)
        elif waiver.subject is not None and waiver.subject not in names:
            path = ("waivers", number, "subject")
            what = f"{waiver.rule} has no subject {waiver.subject!r}"
            if waiver.subject in _anywhere(rule, bench):
                notes.warn(path, f"{what} in this stage; the waiver has no effect")
            else:
                notes.mistake(path, what, nearest(waiver.subject, names))


def _anywhere(rule: Rule, bench: Bench) -> set[str]:
    """The subjects of a rule on this vehicle, whatever the stage and its fluids."""
    fluids = ("empty", "filled")
    benches = [
        replace(bench, stage=stage, coolant=fluid, oil=fluid)
        for stage in STAGES
        for fluid in fluids
    ]
    return {s.name for other in benches if rule.applies(other) for s in rule.subjects(other)}
