"""What a person reads first: the findings that the diagnosis starts from, or what is missing."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence

from canscope.judge.diagnosis import MOST
from canscope.model.findings import Finding, Verdict
from canscope.model.report import Cause
from canscope.model.rule import Rule

OF_A_SENSOR = ("sensor-suspect", "stale", "not-available", "out-of-range")
NUMBER = re.compile(r"(?<![\w:])[\d.]+")  # in a clause; the digits of a name are none


def look_first(
    findings: Sequence[Finding], diagnosis: Sequence[Cause], rules: Mapping[str, Rule]
) -> tuple[str, ...]:
    """At most three sentences that a person should read first.

    Each fault is told by the finding that its diagnosis starts from, so that no consequence hides
    it; then come fails that no cause explains, and those that stop a run although what their
    diagnosis starts from does not. Where nothing failed, it is what a pass still lacks, one
    sentence a reason.
    """
    named = {f"{finding.rule}, {finding.subject}": finding for finding in findings}
    led = [named[cause.findings[0]] for cause in diagnosis]
    if not any(finding.verdict is Verdict.FAIL for finding in findings):
        return tuple(_missing(findings, led, rules))[:MOST]
    explained = {name for cause in diagnosis for name in cause.findings}
    left = [f for n, f in named.items() if n not in explained and f.verdict is Verdict.FAIL]
    left.sort(key=lambda finding: _weight(finding, rules))
    first = dict[str, Finding]()
    for finding in left:
        first.setdefault(finding.rule, finding)
    led += first.values()
    led += _stopping(diagnosis, named, rules)
    led.sort(key=lambda finding: finding.verdict is not Verdict.FAIL)
    return tuple(dict.fromkeys(finding.sentence for finding in led))[:MOST]


def _stopping(
    diagnosis: Sequence[Cause], named: Mapping[str, Finding], rules: Mapping[str, Rule]
) -> Iterator[Finding]:
    """Of each cause whose first finding does not stop a run, the first fail that does."""
    for cause in diagnosis:
        members = [named[name] for name in cause.findings]
        if not rules[members[0].rule].stops:
            fails = [f for f in members if f.verdict is Verdict.FAIL and rules[f.rule].stops]
            yield from sorted(fails, key=lambda finding: _weight(finding, rules))[:1]


def _missing(
    findings: Sequence[Finding], led: Sequence[Finding], rules: Mapping[str, Rule]
) -> Iterator[str]:
    """One sentence a reason, of what is required and unproven."""
    groups: dict[tuple[str, ...], list[Finding]] = {}
    lacking = [f for f in findings if f.verdict is Verdict.UNPROVEN and f.required and not f.waived]
    lacking.sort(key=lambda finding: (finding not in led, *_weight(finding, rules)))
    unseen = {f.subject for f in lacking if f.rule == "message-presence"}
    for finding in lacking:
        why = ("not-seen", finding.subject) if finding.subject in unseen else _why(finding)
        groups.setdefault(why, []).append(finding)
    for first, *others in groups.values():
        also = ""
        if others:
            alike = all(finding.rule == first.rule for finding in others)
            names = [finding.subject if alike else finding.rule for finding in others]
            told = ", ".join(dict.fromkeys(names))
            also = f" Unproven for the same reason: {len(others)} more ({told})."
        yield first.sentence + also


def _why(finding: Finding) -> tuple[str, ...]:
    """What findings have in common that one deed would prove."""
    reason = finding.reason or ""
    if reason in OF_A_SENSOR:
        return reason, *finding.signals[:1]
    if reason == "not-seen":  # which message, whatever of it was wanted
        return reason, finding.doubt.split(",")[0].rpartition(".")[0] or finding.subject
    return reason, NUMBER.sub("", finding.doubt) or finding.rule


def _weight(finding: Finding, rules: Mapping[str, Rule]) -> tuple[bool, bool, float]:
    when = math.inf if finding.first_failed_s is None else finding.first_failed_s
    return not rules[finding.rule].stops, not finding.required, when
