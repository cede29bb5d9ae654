"""Two reports side by side, as data."""

from __future__ import annotations

from dataclasses import dataclass

from canscope.model.findings import Finding
from canscope.model.report import Plot, Report

CHANGED, SAME, OPEN = "changed", "same within uncertainty", "not comparable"
READY, FIRST_TURN = "ready", "first turn"


@dataclass(frozen=True)
class Difference:
    """One finding in both reports; None where a report has none."""

    rule: str
    subject: str
    a: Finding | None
    b: Finding | None
    kind: str  # CHANGED, SAME or OPEN
    why: str  # in words
    difference: float | None = None  # b minus a, in the unit of the finding
    uncertainty: float | None = None  # of the difference: both uncertainties added

    @property
    def unit(self) -> str:
        """The unit that both have."""
        known = self.a or self.b
        return known.unit if known else ""


@dataclass(frozen=True)
class Overlay:
    """One role of both runs, in seconds after an event that both have."""

    role: str
    after: str  # READY or FIRST_TURN
    plot: Plot


@dataclass(frozen=True)
class Comparison:
    """Two reports and all that differs between them."""

    a: Report
    b: Report
    differences: tuple[Difference, ...]  # changed ones first
    overlays: tuple[Overlay, ...]
    notes: tuple[str, ...] = ()

    def count(self, kind: str) -> int:
        """How many findings are CHANGED, SAME or OPEN."""
        return sum(one.kind == kind for one in self.differences)
