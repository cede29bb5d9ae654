"""What a person reads first: the findings that the diagnosis starts from, or what is missing."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterator, Mapping, Sequence

from canscope.judge.diagnosis import MOST
from canscope.model.findings import LIVE, Finding, Key, Verdict
from canscope.model.report import Cause
from canscope.model.rule import Rule

LATE, APART = "heard-late", "clocks-apart"
OF_A_SENSOR = ("sensor-suspect", "stale", "not-available", "out-of-range")
KEY = re.compile(r"[^:]+:[^:]+\.[^:.]+")  # channel:Message.Signal
NUMBER = re.compile(r"(?<![\w:])[\d.]+")  # the digits within a name are no number


def look_first(
    findings: Sequence[Finding], diagnosis: Sequence[Cause], rules: Mapping[str, Rule]
) -> tuple[str, ...]:
    """At most three sentences that a person should read first.

    Each fault is represented by the finding that its diagnosis starts from, so that no consequence
    hides it. Fails that no cause explains follow, then fails that stop a run although the finding
    that their diagnosis starts from does not. Where nothing failed, the sentences are what a pass
    still lacks, one for each reason.
    """
    named = {f"{finding.rule}, {finding.subject}": finding for finding in findings}
    leads = [named[cause.findings[0]] for cause in diagnosis]
    if not any(finding.verdict is Verdict.FAIL for finding in findings):
        consequences = {
            member.key
            for cause, lead in zip(diagnosis, leads, strict=True)
            for member in map(named.__getitem__, cause.findings)
            if member.code != lead.code
        }
        return tuple(_missing(findings, leads, consequences, rules))[:MOST]
    explained = {name for cause in diagnosis for name in cause.findings}
    left = [f for n, f in named.items() if n not in explained and f.verdict is Verdict.FAIL]
    left.sort(key=lambda finding: _weight(finding, rules))
    first = dict[str, Finding]()
    for finding in left:
        first.setdefault(finding.rule, finding)
    leads += first.values()
    leads += _failing(diagnosis, named, rules)
    leads.sort(key=lambda finding: finding.verdict is not Verdict.FAIL)
    told = list(dict.fromkeys(finding.sentence for finding in leads))
    # Somebody may be about to touch it: that is told whatever else failed.
    live = [finding.sentence for finding in findings if finding.code == LIVE]
    if live and not set(live) & set(told[:MOST]):
        told.insert(min(len(told), MOST - 1), live[0])
    return tuple(told[:MOST])


def _failing(
    diagnosis: Sequence[Cause], named: Mapping[str, Finding], rules: Mapping[str, Rule]
) -> Iterator[Finding]:
    """What a cause is to be told by besides its first finding.

    Where that did not fail, the first fail; where it does not stop a run, the first that does.
    """
    for cause in diagnosis:
        members = [named[name] for name in cause.findings]
        fails = [f for f in members if f.verdict is Verdict.FAIL]
        fails.sort(key=lambda finding: _weight(finding, rules))
        if members[0].verdict is not Verdict.FAIL:
            yield from fails[:1]
        elif not rules[members[0].rule].stops:
            yield from [f for f in fails if rules[f.rule].stops][:1]


def _missing(
    findings: Sequence[Finding],
    leads: Sequence[Finding],
    consequences: Collection[Key],
    rules: Mapping[str, Rule],
) -> Iterator[str]:
    """One sentence for each reason, of what is required and unproven.

    What the diagnosis knows as a consequence of one of the ``leads`` is not told by itself.
    A link that was live as the recording ended comes first: somebody may be about to touch it. What
    is in the way of a proof comes before what only did not happen: repeating alone would not help.
    """
    groups: dict[tuple[str, ...], list[Finding]] = {}
    lacking = [f for f in findings if f.verdict is Verdict.UNPROVEN and f.required and not f.waived]
    lacking = [f for f in lacking if f in leads or f.key not in consequences or f.code == LIVE]
    lacking.sort(
        key=lambda finding: (
            finding.code != LIVE,
            finding not in leads,
            finding.reason == "not-exercised",
            *_weight(finding, rules),
        )
    )
    unseen = {f.subject for f in lacking if f.rule == "message-presence"}
    for finding in lacking:
        groups.setdefault(_why(finding, unseen), []).append(finding)
    for first, *others in groups.values():
        also = ""
        if others:
            alike = all(finding.rule == first.rule for finding in others)
            names = [finding.subject if alike else finding.rule for finding in others]
            listed = ", ".join(dict.fromkeys(names))
            also = f" Unproven for the same reason: {len(others)} more ({listed})."
        yield first.sentence + also


def _why(finding: Finding, unseen: Collection[str]) -> tuple[str, ...]:
    """What findings have in common that one action would prove; ``unseen`` are message keys.

    What was first heard late is a matter of its bus.
    Doubts are compared with one another, numbers left out; no word is looked for in them.
    """
    if finding.subject in unseen:
        return "not-seen", finding.subject
    reason = finding.reason or ""
    if finding.code == APART:
        return (APART,)
    if finding.code == LATE and finding.signals:
        return LATE, finding.signals[0].partition(":")[0]
    if reason in OF_A_SENSOR:
        first = finding.doubt.partition(" ")[0]  # most doubts begin with the signal's key
        return (reason, first) if KEY.fullmatch(first) else (reason, *finding.signals[:1])
    if reason == "not-seen":  # the doubt begins with the signal that was not seen
        messages = (key for key in unseen if finding.doubt.startswith(f"{key}."))
        return reason, next(messages, finding.subject)
    return reason, NUMBER.sub("", finding.doubt) or finding.rule


def _weight(finding: Finding, rules: Mapping[str, Rule]) -> tuple[bool, bool, float]:
    when = math.inf if finding.first_failed_s is None else finding.first_failed_s
    return not rules[finding.rule].stops, not finding.required, when
