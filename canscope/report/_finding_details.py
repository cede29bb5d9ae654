"""Each finding told in full: numbers, sentence, causes, next check and its curve."""

from __future__ import annotations

import math
from collections.abc import Mapping

from canscope.model.findings import Finding, Key
from canscope.model.quantities import with_unit
from canscope.model.report import Plot, Report, RuleFacts
from canscope.report._html import items, pairs, safe, shape
from canscope.report._plotly_chart import chart
from canscope.report._svg_drawing import drawing
from canscope.report.wording import (
    STATE_WORDS,
    measured,
    number,
    plain_value,
    seconds,
    state,
    to_digits_of,
    why,
    worst_first,
)

FULL = ("failed", "unproven", "accepted")  # told at full length; the others fold into a line


def findings(report: Report, anchors: Mapping[Key, str]) -> str:
    """All findings, what failed first; what is proven or not required folds into a line each."""
    facts = {rule.rule: rule for rule in report.rules}
    told: dict[bool, list[str]] = {True: [], False: []}
    for finding in worst_first(report.findings):
        full = state(finding) in FULL
        tell = _full if full else _folded
        anchor, plot = anchors[finding.key], _plot(report, finding)
        told[full].append(tell(finding, anchor, facts.get(finding.rule), plot))
    whole = "".join(told[True]) or "<p class=empty>nothing failed, nothing required is missing</p>"
    rest = "".join(told[False]) or "<p class=empty>none</p>"
    return (
        f'<section class="findings"><h2>Failed, missing or accepted</h2>{whole}'
        f"<h2>Proven, and what this stage does not require</h2>{rest}</section>{_curves(report)}"
    )


def _plot(report: Report, finding: Finding) -> Plot | None:
    return report.plots.get(f"{finding.rule}|{finding.subject}")


def _full(finding: Finding, anchor: str, facts: RuleFacts | None, plot: Plot | None) -> str:
    short = state(finding)
    words = [
        f"<h3>{_name(finding)}</h3>",
        _standing(finding),
        _about(facts),
        f"<p class=sentence>{safe(finding.sentence)}</p>",
        _advice(finding),
    ]
    figure = _figure(finding, plot) if plot else "<p class=empty>no curve for this finding</p>"
    parts = f"<div>{''.join(words)}</div><div class=shown>{figure}{pairs(_numbers(finding))}</div>"
    return f'<article id="{anchor}" class="{short}">{parts}</article>'


def _folded(finding: Finding, anchor: str, facts: RuleFacts | None, plot: Plot | None) -> str:
    """One line that has the result; the curve and the rest unfold below it."""
    margin = with_unit(to_digits_of(finding.margin, finding.uncertainty), finding.unit)
    source = finding.limit_source or "not stated"
    room = "" if finding.margin is None else f"Margin {margin}; limit from: {source}."
    figure = _figure(finding, plot, drawn=False) if plot else ""
    return (
        f'<article id="{anchor}" class="{state(finding)} folded"><details>'
        f"<summary><b>{_name(finding)}</b> {safe(finding.sentence)}"
        f" <small>{safe(room)}</small></summary>"
        f"<div>{_standing(finding)}{_about(facts)}{_advice(finding)}"
        f"{pairs(_numbers(finding))}</div>{figure}</details></article>"
    )


def _name(finding: Finding) -> str:
    return f"{shape(state(finding))} {safe(finding.rule)}: {safe(finding.subject)}"


def _standing(finding: Finding) -> str:
    asked = "required in this stage" if finding.required else "not required in this stage"
    reason = f": {safe(why(finding))}" if why(finding) else ""
    return f"<p class=state><b>{STATE_WORDS[state(finding)]}</b>{reason}; {asked}</p>"


def _about(facts: RuleFacts | None) -> str:
    return f"<p class=summary>{safe(facts.summary)}</p>" if facts and facts.summary else ""


def _curves(report: Report) -> str:
    """For paper: of each rule that proved something required, the curve nearest to its limit."""
    nearest: dict[str, Finding] = {}
    for finding in report.findings:
        limited = finding.required and finding.limit is not None
        if state(finding) == "proven" and limited and _plot(report, finding):
            known = nearest.setdefault(finding.rule, finding)
            nearest[finding.rule] = min(known, finding, key=_room)
    drawn = [
        f"<figure>{drawing(plot, f'{f.rule}, {f.subject}')}<figcaption>{safe(f.rule)},"
        f" {safe(f.subject)}: {safe(measured(f))}, limit {safe(number(f.limit, f.unit))}"
        "</figcaption></figure>"
        for f in nearest.values()
        if (plot := _plot(report, f))
    ]
    title = "Curves of what is proven: of each rule the one nearest to its limit"
    told = f"<h2>{title}</h2><div>{''.join(drawn)}</div>"
    return f'<section class="paper">{told}</section>' if drawn else ""


def _room(finding: Finding) -> float:
    """How far from the limit, in parts of it."""
    margin, limit = finding.margin, finding.limit
    return math.inf if margin is None or not limit else margin / abs(limit)


def _advice(finding: Finding) -> str:
    told = ""
    if finding.causes:
        causes = items((safe(cause) for cause in finding.causes), kind="ol")
        told += f"<p class=label>Probable causes, most probable first</p>{causes}"
    if finding.next:
        told += f"<p><b>Check next:</b> {safe(finding.next)}</p>"
    return told


def _numbers(finding: Finding) -> list[tuple[str, str]]:
    unit = finding.unit
    told = [
        ("measured", safe(measured(finding))),
        ("limit", safe(number(finding.limit, unit))),
        ("limit from", safe(finding.limit_source or "not stated")),
    ]
    if finding.margin is not None:
        margin = to_digits_of(finding.margin, finding.uncertainty)
        told.append(("margin", safe(with_unit(margin, unit))))
    if finding.uncertainty is not None:
        told.append(("uncertainty", safe(number(finding.uncertainty, unit))))
    if finding.at_s is not None:
        told.append(("worst instant", safe(seconds(finding.at_s))))
    if finding.window_s is not None:
        start, end = finding.window_s
        told.append(("window", f"{safe(seconds(start))} to {safe(seconds(end))}"))
    if finding.first_failed_s is not None:
        told.append(("first failed", safe(seconds(finding.first_failed_s))))
    if finding.reason:
        told.append(("reason", safe(finding.reason)))
    if finding.waived or finding.waived_by:
        told.append(("accepted", safe(f"{finding.waived} ({finding.waived_by or 'no name'})")))
    told.append(("signals", "<br>".join(safe(name) for name in finding.signals) or "none"))
    told += [
        (safe(name.replace("_", " ")), safe(plain_value(value)))
        for name, value in finding.facts.items()
    ]
    return told


def _figure(finding: Finding, plot: Plot, *, drawn: bool = True) -> str:
    """The curve as data for the screen, and as a drawing for paper where it stands unfolded."""
    title = f"{finding.rule}, {finding.subject}"
    kind = "" if drawn else ' class="unfolded"'
    return (
        f'<figure{kind} aria-label="{safe(title)}">{drawing(plot, title) if drawn else ""}'
        f'<script type="application/json">{chart(plot)}</script></figure>'
    )
