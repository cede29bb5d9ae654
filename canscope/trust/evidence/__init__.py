"""The evidence table: for every role, what in a run would look otherwise if it were not true.

A row a role: what cross-checks it (a rule by its name, or what physics or a person says, in words),
how a lie would look, and what nobody can see from inside the run. ``canscope explain ROLE`` prints
it; the lies of the tests may pass only where a row says that nobody can see them.

Common practice, no source.
"""

from __future__ import annotations

from fnmatch import fnmatchcase

from canscope.trust.evidence import contactors, driver, heat, high_voltage, low_voltage, units
from canscope.trust.evidence.row import Evidence

EVIDENCE = (
    *high_voltage.ROWS,
    *contactors.ROWS,
    *low_voltage.ROWS,
    *driver.ROWS,
    *units.ROWS,
    *heat.ROWS,
)


def evidence_of(name: str) -> Evidence | None:
    """The row about that role; None if there is none."""
    return next((row for row in EVIDENCE if row.covers(name)), None)


def unseen(
    kind: str,
    roles: frozenset[str],
    size: float | None = None,
    stated: frozenset[str] = frozenset(),
) -> str:
    """Why nobody can see a lie of that kind about all of these roles alike; empty if one can.

    ``stated`` are the optional keys that the plan gives about them. A lie of unknown size fits no
    row that has a range.
    """
    for row in EVIDENCE:
        for lie in row.unseen:
            told = all(any(fnmatchcase(name, role) for role in lie.roles) for name in roles)
            whole = all(any(fnmatchcase(name, role) for name in roles) for role in lie.roles)
            free = lie.least == float("-inf") and lie.most == float("inf")
            fits = free if size is None else lie.least <= size <= lie.most
            seen = lie.unless in stated
            if lie.kind == kind and roles and told and whole and fits and not seen:
                return lie.what
    return ""
