"""Signals that look like roles which the plan says the vehicle does not have."""

from __future__ import annotations

from canscope.draft.choices import SURE
from canscope.draft.facts import Bus
from canscope.draft.inventory import Inventory
from canscope.draft.match import match
from canscope.draft.plan import unseen
from canscope.model.tables import Tally
from canscope.plan.plan import Plan


def overlooked(plan: Plan) -> dict[str, str]:
    """Role that is listed as not on this vehicle -> the free signal that looks most like it.

    By its name and unit alone, among the messages of the plan's definitions.
    """
    absent = plan.bench.not_on_vehicle
    if not absent:
        return {}
    buses: dict[str, Bus] = {}
    for spec in plan.definitions.messages:
        buses.setdefault(spec.channel, Bus(spec.channel)).messages.append(unseen(spec))
    choices = match(Inventory([*buses.values()], 0, 0, Tally())).choices
    bound = {binding.key for binding in plan.bench.bindings.values()}
    found = {}
    for role in absent:
        choice = choices.get(role)
        every = () if choice is None else (choice.taken, *choice.others)
        likely = [one for one in every if one is not None and one.score >= SURE]
        free = [one.candidate.key for one in likely if one.candidate.key not in bound]
        if free:
            found[role] = free[0]
    return found
