"""The first screen: what the verdict is, where to put the hands, what was proven."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from canscope.model.findings import Finding, Key
from canscope.model.quantities import STATE
from canscope.model.report import Cause, Report
from canscope.report._html import items, safe, shape, table
from canscope.report.wording import (
    STATE_WORDS,
    VERDICT_WORDS,
    counts,
    decides,
    meaning,
    measured,
    number,
    recorded,
    state,
    why,
    worst_first,
)

OTHER = "Other"  # row of the proof matrix for rules of no topic
EXPLAINED = 4  # findings named beside a cause
AXLE_RULES = ("axle-direction", "axle-witness")
DIRECTIONS = ("forward", "reverse")
ROW_WORDS = {
    **STATE_WORDS,
    "partly": "proven in part",
    "advice": "unproven, not required",
    "absent": "nothing judged",
}
VERDICT_SHAPES = {"pass": "proven", "fail": "failed", "unproven": "unproven"}


def verdict(report: Report) -> str:
    """Verdict in shape, word and sentence, with the vehicle, the stage and the date."""
    stage = safe(report.stage)
    facts = f"<b>{safe(report.vehicle or 'vehicle not named')}</b><br>stage <b>{stage}</b>"
    return (
        f'<section class="verdict {safe(report.verdict)}">'
        f"<div class=big>{shape(VERDICT_SHAPES.get(report.verdict, 'unproven'))}"
        f"<strong>{safe(VERDICT_WORDS.get(report.verdict, report.verdict))}</strong></div>"
        f"<div class=said>{_headline(report)}<p>{safe(meaning(report))}</p>"
        f"<p class=counts>Findings: {safe(counts(report.findings))}.</p></div>"
        f"<p class=facts>{facts}<br>recorded {safe(recorded(report.capture)[0])}</p></section>"
    )


def _headline(report: Report) -> str:
    # The bare word stands beside it already, larger.
    bare = report.headline in ("", report.verdict)
    return "" if bare else f"<p class=headline>{safe(report.headline)}</p>"


def look_first(report: Report, anchors: Mapping[Key, str]) -> str:
    """What to look at first, and the probable causes, each with the check that decides."""
    sentences = [_lead(report, text, anchors) for text in report.look_first]
    deciding = [f for f in worst_first(report.findings) if state(f) in ("failed", "unproven")]
    if not sentences:
        sentences = [_lead(report, finding.sentence, anchors) for finding in deciding[:3]]
    if not sentences:
        sentences = ["Nothing failed and nothing required is missing. Read the cautions and sign."]
    drawn = items(sentences, kind="ol")
    if report.diagnosis:
        causes = [f"<b>{safe(_sentence(found.cause))}</b>" for found in report.diagnosis]
        for place, found in enumerate(report.diagnosis):
            if decides(report.diagnosis, place):
                causes[place] += f"<br>To decide: {safe(found.check)}."
            if all(found.findings != earlier.findings for earlier in report.diagnosis[:place]):
                explained = _explained(report, found, anchors)
                causes[place] += f"<br><small>explains {explained}</small>"
        drawn += (
            f"<p class=next>Probable causes, the likeliest first:</p>{items(causes, kind='ol')}"
        )
    return f'<section class="first"><h2>Look at this first</h2>{drawn}</section>'


def _lead(report: Report, text: str, anchors: Mapping[Key, str]) -> str:
    """One sentence, what would prove it on a line of its own, and where the report tells it."""
    told, deed, rest = safe(text).partition("To prove it:")
    told += f"<br><b>{deed}</b>{rest}" if deed else ""
    of = next((f for f in report.findings if f.sentence and text.startswith(f.sentence)), None)
    return told + (f" <small>See {link(of, anchors)}.</small>" if of else "")


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _explained(report: Report, found: Cause, anchors: Mapping[Key, str]) -> str:
    links = [
        link(finding, anchors)
        for finding in report.findings
        if f"{finding.rule}, {finding.subject}" in found.findings
    ]
    return "; ".join(links[:EXPLAINED]) + (" and more" if len(links) > EXPLAINED else "")


def matrix(report: Report, anchors: Mapping[Key, str]) -> str:
    """The proof matrix: axles by direction, then everything else by topic."""
    placed = [f for f in report.findings if f.rule in AXLE_RULES and _axle(f)]
    rest = [f for f in report.findings if not (f.rule in AXLE_RULES and _axle(f))]
    home = {rule: topic for topic, rules in report.topics.items() for rule in rules}
    rows = []
    for topic in (*report.topics, OTHER):
        members = [finding for finding in rest if home.get(finding.rule, OTHER) == topic]
        absent = [rule for rule in report.not_applicable if home.get(rule, OTHER) == topic]
        if members or absent or topic != OTHER:
            rows.append(_topic(topic, members, absent, anchors))
    return (
        '<section class="matrix"><h2>What is proven</h2>'
        f"{_axles(placed, anchors)}"
        f"{table(('subject', 'state', 'what is wrong, missing or proven'), rows, kind='topics')}"
        f"{_key()}</section>"
    )


def link(finding: Finding, anchors: Mapping[Key, str]) -> str:
    """A finding's name as a link to where the report tells it."""
    name = f"{safe(finding.rule)}, {safe(finding.subject)}"
    return f'<a href="#{anchors[finding.key]}">{name}</a>'


def _axle(finding: Finding) -> tuple[str, str] | None:
    axle, _, direction = finding.subject.rpartition(" ")
    return (axle, direction) if axle and direction in DIRECTIONS else None


def _axles(placed: Sequence[Finding], anchors: Mapping[Key, str]) -> str:
    cells = {(finding.rule, _axle(finding)): finding for finding in placed}
    axles = dict.fromkeys(axle[0] for axle in map(_axle, placed) if axle)
    head = [
        "axle",
        *(f"{d}, {by}" for d in DIRECTIONS for by in ("by CAN", "a person saw the same")),
    ]
    rows = [
        [
            f"<b>{safe(axle)}</b>",
            *(
                _cell(cells.get((rule, (axle, direction))), anchors)
                for direction in DIRECTIONS
                for rule in AXLE_RULES
            ),
        ]
        for axle in axles
    ]
    empty = "Direction of the axles: nothing judged in this stage."
    return table(head, rows, kind="axles", empty=empty)


def _cell(finding: Finding | None, anchors: Mapping[Key, str]) -> str:
    if finding is None:
        return f"{shape('absent')} nothing judged"
    short = state(finding)
    word = f'<a href="#{anchors[finding.key]}">{STATE_WORDS[short]}</a>'
    reason = _reason(finding)
    return f"{shape(short)} {word}" + (f"<br><small>{reason}</small>" if reason else "")


def _topic(
    topic: str, members: Sequence[Finding], absent: Sequence[str], anchors: Mapping[Key, str]
) -> list[str]:
    short = _together(members)
    lines = [
        f"<li>{_word(f)}: {link(f, anchors)}: {_reason(f)}</li>"
        for f in worst_first(members)
        if state(f) in ("failed", "unproven", "accepted")
    ]
    advice = [link(f, anchors) for f in members if state(f) == "advice"]
    if advice:
        lines.append(f"<li><small>unproven, not required: {'; '.join(advice)}</small></li>")
    proven = list(dict.fromkeys(f.rule for f in members if state(f) == "proven"))
    if proven:
        count = sum(state(f) == "proven" for f in members)
        lines.append(f"<li><small>{count} proven: {safe(', '.join(proven))}</small></li>")
    if absent:
        lines.append(f"<li><small>not applicable: {safe(', '.join(absent))}</small></li>")
    told = f"<ul>{''.join(lines)}</ul>" if lines else "<small>no finding</small>"
    return [f"<b>{safe(topic)}</b>", f"{shape(short)} {ROW_WORDS[short]}", told]


def _word(finding: Finding) -> str:
    short = state(finding)
    return f"{shape(short)} <b>{STATE_WORDS[short]}</b>"


def _reason(finding: Finding) -> str:
    if state(finding) == "failed" and finding.unit == STATE:  # a yes or no, told in words
        return safe(finding.sentence)
    if state(finding) == "failed":
        limit = (
            f", limit {number(finding.limit, finding.unit)}" if finding.limit is not None else ""
        )
        return safe(f"{measured(finding)}{limit}")
    return safe(why(finding))


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


def _key() -> str:
    told = "".join(f"<span>{shape(name)} {word}</span> " for name, word in ROW_WORDS.items())
    return f"<p class=key>{told}</p>"
