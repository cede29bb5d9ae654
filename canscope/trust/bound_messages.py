"""The messages that bound roles rest on."""

from __future__ import annotations

from collections.abc import Sequence

from canscope.model.bench import Bench
from canscope.model.outcome import Subject


def bound_messages(bench: Bench) -> dict[str, tuple[str, ...]]:
    """Message key (``channel:Message``) -> the roles bound to its signals, in the plan's order."""
    return bench.once(bound_messages, lambda: _bound_messages(bench))


def _bound_messages(bench: Bench) -> dict[str, tuple[str, ...]]:
    messages: dict[str, tuple[str, ...]] = {}
    for role, binding in bench.bindings.items():
        key = binding.signal.message_key
        messages[key] = (*messages.get(key, ()), role)
    return messages


def message_subjects(bench: Bench) -> Sequence[Subject]:
    """One subject a bound message; a plan that binds nothing gets one that is not bound."""
    subjects = [Subject(key, shows=roles) for key, roles in bound_messages(bench).items()]
    return subjects or [Subject("bus", needs=("units.*.speed",))]
