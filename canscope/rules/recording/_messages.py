"""What rules about messages judge: one subject a message."""

from __future__ import annotations

from collections.abc import Sequence

from canscope.model.bench import Bench
from canscope.model.outcome import Subject


def message_subjects(bench: Bench) -> Sequence[Subject]:
    """One subject a bound message; a plan that binds nothing gets one that is not bound."""
    subjects = [Subject(key, shows=roles) for key, roles in bench.bound_messages.items()]
    return subjects or [Subject("bus", needs=("units.*.speed",))]
