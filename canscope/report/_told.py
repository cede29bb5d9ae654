"""Each finding told in full: numbers, sentence, causes, next check and its curve."""

from __future__ import annotations

import json
from collections.abc import Mapping

from canscope.model.findings import Finding
from canscope.model.report import Plot, Report, RuleFacts
from canscope.report._chart import chart
from canscope.report._html import items, pairs, safe, shape
from canscope.report._svg import drawing
from canscope.report._words import (
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


def findings(report: Report, anchors: Mapping[int, str]) -> str:
    """All findings, what failed first."""
    facts = {rule.rule: rule for rule in report.rules}
    told = [
        _finding(finding, anchors[id(finding)], facts.get(finding.rule), _plot(report, finding))
        for finding in worst_first(report.findings)
    ]
    told = told or ["<p class=empty>no finding: no rule applied</p>"]
    return f'<section class="findings"><h2>Findings</h2>{"".join(told)}</section>'


def as_data(value: object) -> str:
    """JSON to stand inside a ``<script>``: nothing in it can end the element or begin another."""
    text = json.dumps(value, allow_nan=False, separators=(",", ":"), ensure_ascii=False)
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def _plot(report: Report, finding: Finding) -> Plot | None:
    return report.plots.get(f"{finding.rule}|{finding.subject}")


def _finding(finding: Finding, anchor: str, facts: RuleFacts | None, plot: Plot | None) -> str:
    short = state(finding)
    asked = "required in this stage" if finding.required else "not required in this stage"
    reason = f": {safe(why(finding))}" if why(finding) else ""
    about = f"<p class=summary>{safe(facts.summary)}</p>" if facts and facts.summary else ""
    words = [
        f"<h3>{shape(short)} {safe(finding.rule)}: {safe(finding.subject)}</h3>",
        f"<p class=state><b>{STATE_WORDS[short]}</b>{reason}; {asked}</p>",
        about,
        f"<p class=sentence>{safe(finding.sentence)}</p>",
        _advice(finding),
    ]
    figure = _figure(finding, plot) if plot else "<p class=empty>no curve for this finding</p>"
    parts = f"<div>{''.join(words)}</div><div class=shown>{figure}{pairs(_numbers(finding))}</div>"
    return f'<article id="{anchor}" class="{short}">{parts}</article>'


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
        told.append(("margin", safe(f"{margin} {unit}")))
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


def _figure(finding: Finding, plot: Plot) -> str:
    title = f"{finding.rule}, {finding.subject}"
    return (
        f'<figure aria-label="{safe(title)}">{drawing(plot, title)}'
        f'<script type="application/json">{as_data(chart(plot))}</script></figure>'
    )
