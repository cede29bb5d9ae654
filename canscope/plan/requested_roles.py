"""The roles that a plan gives signals to, gathered from its tables by the table of roles."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

from canscope.model.bench import MAINS
from canscope.model.roles import ROLES, Role
from canscope.plan.lines import KeyPath

if TYPE_CHECKING:
    from canscope.plan.schema import PlanTable

MAIN_POLES = [("contactors", pole) for pole in MAINS]


@dataclass(frozen=True)
class RequestedRole:
    """One role that the plan gives a signal to."""

    name: str  # units.front.speed
    role: Role
    table: Any  # what the plan says of it: signal, cycle_ms and those of ``role.keys`` it gives
    path: KeyPath  # of the table in the plan


def requested_roles(plan: PlanTable) -> Iterator[RequestedRole]:
    """Every role that the plan gives a signal to, in the order of the table, unit by unit."""
    for role in ROLES:
        if role.words[0] != "units":
            yield from _requested(role, role.words, (), plan)
        both = plan.contactors.both
        if both is not None and role.words[:2] in MAIN_POLES:  # one signal has the roles of both
            for found in _requested(role, role.words[2:], ("contactors", "both"), both):
                yield replace(found, name=role.name)
    for unit, table in plan.units.items():
        for role in ROLES:
            if role.words[0] == "units":
                yield from _requested(role, role.words[2:], ("units", unit), table)


def _requested(
    role: Role, words: Sequence[str], path: tuple[str, ...], holder: Any
) -> Iterator[RequestedRole]:
    """What is requested at these words below the table at a path; a ``*`` stands for every key."""
    if words:
        inside = holder if isinstance(holder, dict) else vars(holder)
        for word in inside if words[0] == "*" else words[:1]:
            if inside[word] is not None:
                yield from _requested(role, words[1:], (*path, word), inside[word])
    elif hasattr(holder, "state"):
        yield RequestedRole(".".join(path), role, _state(holder, role), (*path, "state"))
    else:
        yield RequestedRole(".".join(path), role, holder, path)


def _state(contactor: Any, role: Role) -> Any:
    """A pole's state; the keys beside it belong to it, and win over those inside it."""
    beside = {key: getattr(contactor, key) for key in ("cycle_ms", *role.keys)}
    given = {key: value for key, value in beside.items() if value is not None}
    return SimpleNamespace(**{**vars(contactor.state), **given})
