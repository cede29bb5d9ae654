"""What the first screen shows: what to look at first, probable causes, what was proven."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from canscope.model.findings import TO_PROVE, Finding
from canscope.model.quantities import STATE
from canscope.model.report import Report
from canscope.report.wording import (
    STATE_WORDS,
    decides,
    measured,
    number,
    state,
    why,
    worst_first,
)

OTHER = "Other"  # row of the proof matrix for rules of no topic
AXLE_RULES = ("axle-direction", "axle-witness")
DIRECTIONS = ("forward", "reverse")
ROW_WORDS = {
    **STATE_WORDS,
    "partly": "proven in part",
    "advice": "unproven, not required",
    "absent": "nothing judged",
}
VERDICT_SHAPES = {"pass": "proven", "fail": "failed", "unproven": "unproven"}


@dataclass(frozen=True)
class Lead:
    """One sentence of what to look at first, what would prove it, and the finding it is about."""

    text: str
    proof: str | None = None
    finding: Finding | None = None


@dataclass(frozen=True)
class ProbableCause:
    """A cause; check and findings are None where the cause beside it shows the same ones."""

    text: str
    check: str | None
    explains: tuple[Finding, ...] | None


@dataclass(frozen=True)
class TopicRow:
    """One row of the proof matrix."""

    name: str
    state: str  # a key of ROW_WORDS
    open: tuple[Finding, ...]  # failed, unproven or accepted, the worst first
    advice: tuple[Finding, ...]
    proven: tuple[Finding, ...]
    absent: tuple[str, ...]  # rules that do not apply

    @property
    def proven_rules(self) -> list[str]:
        """The rules that proved something, each once."""
        return list(dict.fromkeys(finding.rule for finding in self.proven))

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to say."""
        return not (self.open or self.advice or self.proven or self.absent)


def leads(report: Report) -> list[Lead]:
    """What to look at first; without a diagnosis the worst findings' own sentences."""
    texts = list(report.look_first)
    if not texts:
        open_ones = [f for f in worst_first(report.findings) if state(f) in ("failed", "unproven")]
        texts = [finding.sentence for finding in open_ones[:3]]
    nothing = Lead("Nothing failed and nothing required is missing. Read the cautions and sign.")
    return [_lead(report, text) for text in texts] or [nothing]


def _lead(report: Report, text: str) -> Lead:
    sentence, separator, proof = text.partition(TO_PROVE)
    about = (f for f in report.findings if f.sentence and text.startswith(f.sentence))
    return Lead(sentence, proof if separator else None, next(about, None))


def causes(report: Report) -> list[ProbableCause]:
    """The probable causes, each with the check that decides and the findings it explains."""
    shown = []
    for place, found in enumerate(report.diagnosis):
        earlier = {cause.findings for cause in report.diagnosis[:place]}
        explains = [f for f in report.findings if f"{f.rule}, {f.subject}" in found.findings]
        shown.append(
            ProbableCause(
                found.cause[:1].upper() + found.cause[1:],
                found.check if decides(report.diagnosis, place) else None,
                None if found.findings in earlier else tuple(explains),
            )
        )
    return shown


def topics(report: Report) -> list[list[TopicRow]]:
    """The rows of the proof matrix, one object in each of their three cells."""
    rest = [f for f in report.findings if not (f.rule in AXLE_RULES and _axle(f))]
    home = {rule: topic for topic, rules in report.topics.items() for rule in rules}
    rows = []
    for topic in (*report.topics, OTHER):
        members = [finding for finding in rest if home.get(finding.rule, OTHER) == topic]
        absent = [rule for rule in report.not_applicable if home.get(rule, OTHER) == topic]
        if members or absent or topic != OTHER:
            rows.append(_topic(topic, members, absent))
    return [[row] * 3 for row in rows]


def _topic(topic: str, members: Sequence[Finding], absent: Sequence[str]) -> TopicRow:
    by_state: dict[str, list[Finding]] = {}
    for finding in worst_first(members):
        by_state.setdefault(state(finding), []).append(finding)
    advice, proven = by_state.pop("advice", []), by_state.pop("proven", [])
    is_open = [finding for findings in by_state.values() for finding in findings]
    return TopicRow(
        topic, _together(members), tuple(is_open), tuple(advice), tuple(proven), tuple(absent)
    )


def axles(report: Report) -> list[list[str | Finding | None]]:
    """A row an axle: its name; in each direction what CAN says and what a person saw."""
    placed = {(f.rule, _axle(f)): f for f in report.findings if f.rule in AXLE_RULES and _axle(f)}
    names = dict.fromkeys(axle[0] for _, axle in placed if axle)
    cells = [(rule, direction) for direction in DIRECTIONS for rule in AXLE_RULES]
    return [
        [name, *(placed.get((rule, (name, direction))) for rule, direction in cells)]
        for name in names
    ]


def _axle(finding: Finding) -> tuple[str, str] | None:
    axle, _, direction = finding.subject.rpartition(" ")
    return (axle, direction) if axle and direction in DIRECTIONS else None


def reason(finding: Finding) -> str:
    """In short what failed, or why it is unproven; empty for what is proven."""
    if state(finding) == "failed" and finding.unit == STATE:  # a yes or no has no useful number
        return finding.sentence
    if state(finding) == "failed":
        limit = (
            f", limit {number(finding.limit, finding.unit)}" if finding.limit is not None else ""
        )
        return f"{measured(finding)}{limit}"
    return why(finding)


def _together(members: Iterable[Finding]) -> str:
    """The state of a row: the worst of its findings; an optional unproven leaves it in part."""
    states = {state(finding) for finding in members}
    for worst in ("failed", "unproven", "accepted"):
        if worst in states:
            return worst
    if states == {"proven"}:
        return "proven"
    if "proven" in states:
        return "partly"
    return "advice" if states else "absent"
