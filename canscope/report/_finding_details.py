"""What the page shows of each finding: those that are open in full, the others a line a rule."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

from canscope.model.findings import Finding, Key
from canscope.model.quantities import STATE, with_unit
from canscope.model.report import Plot, Report
from canscope.report.first_screen import OTHER
from canscope.report.wording import (
    counts,
    measured,
    number,
    seconds,
    state,
    to_digits_of,
    why,
    worst_first,
)

# What a name of a number ends with, and the unit it stands for; the longer ones first.
UNITS = {
    "_K_per_s": "K/s",
    "_degC": "degC",
    "_ohm": "ohm",
    "_rpm": "rpm",
    "_Nm": "Nm",
    "_ms": "ms",
    "_A": "A",
    "_V": "V",
    "_W": "W",
    "_J": "J",
    "_F": "F",
    "_s": "s",
}
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
            (name, with_unit(number(value), unit))
            for name, value, unit in map(_fact, finding.facts, finding.facts.values())
            if unit
        ]
        return numbers


def details(report: Report, anchors: Mapping[Key, str]) -> list[Details]:
    """All findings: those that lead the report, then what failed, then the others."""
    first = [report.lead(text) for text in report.look_first]
    summaries = {rule.rule: rule.summary for rule in report.rules}
    return [
        Details(
            f, anchors[f.key], summaries.get(f.rule, ""), report.plots.get(f"{f.rule}|{f.subject}")
        )
        for f in sorted(worst_first(report.findings), key=lambda finding: finding not in first)
    ]


@dataclass(frozen=True)
class Line:
    """One rule's findings in one state, in a line: the one nearest to its limit speaks for all."""

    rule: str
    state: str  # proven or advice
    all: tuple[Details, ...]

    @property
    def nearest(self) -> Details:
        """The finding that is nearest to its limit."""
        return min(self.all, key=_relative_margin)

    @property
    def subjects(self) -> str:
        """The subject that the numbers are of, and how many others there are."""
        others = len(self.all) - 1
        return self.nearest.finding.subject + (f" and {others} more" if others else "")

    @property
    def measured(self) -> str:
        """The nearest finding's number; of an unproven one the reason."""
        finding = self.nearest.finding
        if self.state == "advice":
            return why(finding)
        return "yes" if finding.unit == STATE or finding.measured is None else measured(finding)

    @property
    def limit(self) -> str:
        """The limit and where it comes from."""
        finding = self.nearest.finding
        if finding.limit is None or finding.unit == STATE:
            return ""
        return f"limit {number(finding.limit, finding.unit)}; {finding.limit_source}"


@dataclass(frozen=True)
class Topic:
    """The lines of one topic of the rule book."""

    name: str
    lines: tuple[Line, ...]

    @property
    def counts(self) -> str:
        """``8 proven; 1 unproven, not required``."""
        return counts([one.finding for line in self.lines for one in line.all])


def closed(report: Report, shown: Iterable[Details]) -> list[Topic]:
    """What is proven or not required, a line a rule, by the topics of the rule book."""
    lines: dict[tuple[str, str], list[Details]] = {}
    for one in shown:
        if one.state not in IN_FULL:
            lines.setdefault((one.finding.rule, one.state), []).append(one)
    home = {rule: topic for topic, rules in report.topics.items() for rule in rules}
    topics: dict[str, list[Line]] = {topic: [] for topic in (*report.topics, OTHER)}
    for (rule, short), members in lines.items():
        topics[home.get(rule, OTHER)].append(Line(rule, short, tuple(members)))
    return [Topic(name, tuple(found)) for name, found in topics.items() if found]


def _fact(key: str, value: object) -> tuple[str, float | None, str]:
    """Name, number and unit of a fact whose key wears its unit; no unit for any other.

    The others are words of the sentence, which stands above the numbers.
    """
    for ending, unit in UNITS.items():
        if key.endswith(ending) and isinstance(value, (int, float)):
            return key.removesuffix(ending).replace("_", " "), float(value), unit
    return key, None, ""


def _margin(finding: Finding) -> str:
    return with_unit(to_digits_of(finding.margin, finding.uncertainty), finding.unit)


def _relative_margin(shown: Details) -> float:
    """How far from the limit, in parts of it."""
    margin, limit = shown.finding.margin, shown.finding.limit
    return math.inf if margin is None or not limit else margin / abs(limit)
