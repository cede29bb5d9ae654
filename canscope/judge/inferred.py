"""Signals that a survey found: what rests on them alone is never proven where people get hurt."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from canscope.model.bench import Bench
from canscope.model.findings import Finding
from canscope.model.outcome import Subject
from canscope.rules import RULES

# Chapters of heat, direction, pre-charge, discharge and insulation.
CHAPTERS = ("power_up", "direction", "heat", "insulation", "shutdown")
NEXT = (
    "hold each inferred signal against an instrument over its whole range, and bind a definition "
    "that somebody answers for"
)


def inferred_roles(bench: Bench) -> Mapping[str, str]:
    """Role -> key of its signal, for all that are bound to an inferred one."""
    return {role: b.key for role, b in bench.bindings.items() if b.signal.inferred}


def unproven_by(bench: Bench, name: str, subject: Subject) -> list[str]:
    """The inferred signals that keep this finding of the rule from being a pass."""
    found = inferred_roles(bench)
    if not found or RULES.file(name).parent.name not in CHAPTERS:
        return []
    return sorted({found[role] for role in rests_on(subject, found)})


def rests_on(subject: Subject, roles: Mapping[str, str]) -> Iterator[str]:
    """Of these roles the ones that the subject needs or shows, or that say when it is judged.

    Attempts, bursts and requests are found from contactors, speeds and the driver's direction;
    a window that they place wrongly proves nothing.
    """
    own = {*subject.needs, *subject.shown}
    for role in roles:
        event = role.startswith("contactors.") or role == "driver.direction"
        event |= role.startswith("units.") and role.endswith(".speed")
        if event or role in own:
            yield role


def told(
    bench: Bench, findings: Sequence[Finding], subjects: Mapping[str, Sequence[Subject]]
) -> Iterator[str]:
    """For the report: the inferred signals, and the findings that rest on them."""
    found = inferred_roles(bench)
    if not found:
        return
    signals = ", ".join(f"{role} ({key})" for role, key in found.items())
    resting = []
    for finding in findings:
        subject = next(s for s in subjects[finding.rule] if s.name == finding.subject)
        if any(True for _ in rests_on(subject, found)):
            resting.append(f"{finding.rule}, {finding.subject}")
    yield (
        f"inferred signals, found by a survey and not defined by the maker of the node: {signals}; "
        f"these findings rest on them: {'; '.join(resting) or 'none'}"
    )
