"""What the page shows of each finding, and which curves go on paper."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

from canscope.model.findings import Finding, Key
from canscope.model.quantities import with_unit
from canscope.model.report import Plot, Report
from canscope.report.wording import (
    measured,
    number,
    plain_value,
    seconds,
    state,
    to_digits_of,
    worst_first,
)

IN_FULL = ("failed", "unproven", "accepted")  # the others fold into a line each


@dataclass(frozen=True)
class Details:
    """One finding with everything its article shows."""

    finding: Finding
    anchor: str
    rule_summary: str
    plot: Plot | None

    @cached_property
    def state(self) -> str:
        """A key of ``STATE_WORDS``."""
        return state(self.finding)

    @property
    def title(self) -> str:
        """The finding's name."""
        return f"{self.finding.rule}, {self.finding.subject}"

    @property
    def margin(self) -> str:
        """Margin and source of the limit in a sentence; empty where there is no margin."""
        finding = self.finding
        if finding.margin is None:
            return ""
        return f"Margin {_margin(finding)}; limit from: {finding.limit_source or 'not stated'}."

    @property
    def numbers(self) -> list[tuple[str, str | tuple[str, ...]]]:
        """Names and values, all that are known."""
        finding, unit = self.finding, self.finding.unit
        numbers: list[tuple[str, str | tuple[str, ...]]] = [
            ("measured", measured(finding)),
            ("limit", number(finding.limit, unit)),
            ("limit from", finding.limit_source or "not stated"),
        ]
        if finding.margin is not None:
            numbers.append(("margin", _margin(finding)))
        if finding.uncertainty is not None:
            numbers.append(("uncertainty", number(finding.uncertainty, unit)))
        if finding.at_s is not None:
            numbers.append(("worst instant", seconds(finding.at_s)))
        if finding.window_s is not None:
            start, end = finding.window_s
            numbers.append(("window", f"{seconds(start)} to {seconds(end)}"))
        if finding.first_failed_s is not None:
            numbers.append(("first failed", seconds(finding.first_failed_s)))
        if finding.reason:
            numbers.append(("reason", finding.reason))
        if finding.waived or finding.waived_by:
            numbers.append(("accepted", f"{finding.waived} ({finding.waived_by or 'no name'})"))
        numbers.append(("signals", finding.signals))
        numbers += [
            (name.replace("_", " "), plain_value(value)) for name, value in finding.facts.items()
        ]
        return numbers


def details(report: Report, anchors: Mapping[Key, str]) -> list[Details]:
    """All findings, what failed first."""
    summaries = {rule.rule: rule.summary for rule in report.rules}
    return [
        Details(
            f, anchors[f.key], summaries.get(f.rule, ""), report.plots.get(f"{f.rule}|{f.subject}")
        )
        for f in worst_first(report.findings)
    ]


def paper_curves(shown: Iterable[Details]) -> list[Details]:
    """For paper: of each rule that proved something required, the curve nearest to its limit."""
    nearest: dict[str, Details] = {}
    for one in shown:
        limited = one.finding.required and one.finding.limit is not None
        if one.state == "proven" and limited and one.plot:
            known = nearest.setdefault(one.finding.rule, one)
            nearest[one.finding.rule] = min(known, one, key=_relative_margin)
    return list(nearest.values())


def _margin(finding: Finding) -> str:
    return with_unit(to_digits_of(finding.margin, finding.uncertainty), finding.unit)


def _relative_margin(shown: Details) -> float:
    """How far from the limit, in parts of it."""
    margin, limit = shown.finding.margin, shown.finding.limit
    return math.inf if margin is None or not limit else margin / abs(limit)
