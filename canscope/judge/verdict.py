"""Findings and the overall verdict, from how every subject stands."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from canscope.judge import inferred, sentences
from canscope.judge.ledger import Ledger
from canscope.judge.standing import Standing
from canscope.model.bench import Kind
from canscope.model.events import Window
from canscope.model.findings import BY_LINKS, LIVE, Finding, Verdict, mend
from canscope.model.outcome import Doubt, Subject
from canscope.model.roles import role_of
from canscope.model.rule import Rule, Worst
from canscope.plan.plan import Waiver

# Why a subject is unproven if there was no window in which to judge it.
NO_WINDOW = {
    Window.ATTEMPT: "no closing of the contactors was recorded",
    Window.OPENING: "no opening of the contactors was recorded",
    Window.BURST: "no unit was seen to turn",
}


def findings_of(ledger: Ledger) -> list[Finding]:
    """One finding for each subject of each rule, in the order of the rule book."""
    return [
        _finding(ledger, name, subject)
        for name, rule in ledger.rules.items()
        for subject in ledger.subjects[name]
        if ledger.standings[name, subject.name].judged or not rule.silent(ledger.bench)
    ]


def _finding(ledger: Ledger, name: str, subject: Subject) -> Finding:
    bench, rule, standing = ledger.bench, ledger.rules[name], ledger.standings[name, subject.name]
    verdict, doubt = _conclude(ledger, name, subject, standing)
    signals, worst = bench.keys(subject.shown), standing.worst
    exercise = rule.exercise_in(bench)
    if doubt and doubt.reason == "inferred" and inferred.unproven_by(bench, name, subject):
        exercise = inferred.NEXT
    at_s = worst.at_s if worst else None
    if worst is not None and (doubt is None or doubt.reason == "too-close-to-call"):
        sentence = sentences.judged(rule, subject, verdict, worst, signals)
    else:
        assert doubt is not None
        since_s = _seconds(doubt.at_ns, ledger.origin)
        seen = _seen(ledger, subject)
        sentence = sentences.unjudged(
            subject, doubt, signals, worst, since_s, seen, rule.unit, exercise
        )
        at_s = since_s if since_s is not None else at_s
    measured = worst.measured if worst else (doubt.measured if doubt else None)
    return Finding(
        rule=name,
        subject=subject.name,
        verdict=verdict,
        reason=doubt.reason if doubt else None,
        doubt=doubt.text if doubt else "",
        code=_code(verdict, doubt, worst),
        required=rule.required(bench) or (rule.silent(bench) and standing.judged > 0),
        sentence=sentence,
        measured=_finite(measured),
        limit=_finite(worst.limit if worst else None),
        margin=_finite(worst.margin if worst else None),
        uncertainty=_finite(worst.uncertainty if worst else None),
        unit=subject.unit or rule.unit,
        at_s=at_s,
        window_s=_window_s(worst, ledger.origin),
        signals=signals,
        causes=rule.causes if verdict is Verdict.FAIL else (),
        next=rule.next_in(bench) if verdict is Verdict.FAIL else _next(doubt, exercise),
        limit_source=rule.source(bench.given.get(name, frozenset())),
        first_failed_s=_seconds(standing.first_failed_ns, ledger.origin),
        roles=subject.shown,
        facts=dict(worst.facts) if worst else {},
        short=sentences.short(rule, subject, verdict, worst, doubt),
    )


def _next(doubt: Doubt | None, exercise: str) -> str:
    """What would prove it: what is in the way comes first, for repeating alone would not help."""
    if doubt is None:
        return ""
    first = mend(doubt.reason, doubt.code)
    between = ": " if first.endswith("record again") else "; then "
    return between.join(filter(None, (first, exercise)))


def _seconds(time_ns: int | None, origin_ns: int) -> float | None:
    return None if time_ns is None else (time_ns - origin_ns) / 1e9


def _window_s(worst: Worst | None, origin_ns: int) -> tuple[float, float] | None:
    if worst is None:
        return None
    return (worst.start_ns - origin_ns) / 1e9, (worst.end_ns - origin_ns) / 1e9


def _code(verdict: Verdict, doubt: Doubt | None, worst: Worst | None) -> str:
    """What the diagnosis matches: which way it failed, or why it is unproven."""
    if doubt is not None:
        return doubt.code or doubt.reason
    return worst.code if worst is not None and verdict is Verdict.FAIL else ""


def _seen(ledger: Ledger, subject: Subject) -> str:
    """The range in which the number that the subject is about was seen."""
    binding = ledger.bench.bindings.get(next(iter(subject.shown), ""))
    if binding is None or binding.kind is not Kind.NUMBER:
        return ""
    healths = [health.roles[binding.role] for health in ledger.healths]
    lowest = min((h.lowest for h in healths), default=math.inf)
    highest = max((h.highest for h in healths), default=-math.inf)
    if lowest > highest:
        return "it had no value in the whole run"
    low, high = sentences.number(lowest), sentences.number(highest)
    if low == high:
        return f"it read {low} {binding.unit} all the time"
    return f"it read between {low} and {high} {binding.unit}"


def _conclude(
    ledger: Ledger, name: str, subject: Subject, standing: Standing
) -> tuple[Verdict, Doubt | None]:
    """The standing's own verdict, then what no rule need know: bindings and a damaged clock.

    What follows the standing's verdict can only turn a pass into unproven, or explain an unproven.
    """
    rule = ledger.rules[name]
    verdict, doubt = standing.conclude()
    if doubt and doubt.reason == "not-exercised" and not doubt.text:
        doubt = replace(doubt, text=rule.missed or NO_WINDOW.get(rule.window, ""))
    if verdict is Verdict.FAIL:
        return verdict, None
    unbound = [r for r in subject.needs if r not in ledger.bench.bindings]
    if unbound and _goes_by_links(ledger, rule, unbound):
        if verdict is Verdict.PASS:
            text = "no signals tell of both main contactors, so that only its own voltage shows it"
            return Verdict.UNPROVEN, Doubt(subject.name, "inferred", text, code=BY_LINKS)
    elif unbound:
        seen = f"; {doubt.text}" if doubt and doubt.text and doubt.at_ns is not None else ""
        text, code = ", ".join(unbound) + seen, LIVE if doubt and doubt.code == LIVE else ""
        return Verdict.UNPROVEN, Doubt(subject.name, "not-bound", text, code=code)
    unseen = [
        ledger.bench.bindings[role].key
        for role in subject.needs
        if role not in unbound and not any(health.roles[role].samples for health in ledger.healths)
    ]
    if unseen:
        return Verdict.UNPROVEN, Doubt(subject.name, "not-seen", ", ".join(unseen))
    if subject.no_limit and (verdict is Verdict.PASS or not standing.judged):
        return Verdict.UNPROVEN, Doubt(subject.name, "no-limit", subject.no_limit)
    if verdict is Verdict.PASS and len(ledger.healths) > 1 and rule.window is Window.RUN:
        text = "the clock stepped, and nothing is judged across a step"
        return Verdict.UNPROVEN, Doubt(subject.name, "capture-damaged", text)
    if verdict is Verdict.PASS and rule.timed and _too_late(ledger, rule, standing):
        text = f"stamps were up to {ledger.bench.latest_stamp_ms:.0f} ms late, more than was stated"
        return Verdict.UNPROVEN, Doubt(subject.name, "capture-damaged", text)
    if verdict is Verdict.PASS and (found := inferred.unproven_by(ledger.bench, name, subject)):
        text = f"it rests on {', '.join(found)}, found by a survey and not defined by its maker"
        return Verdict.UNPROVEN, Doubt(subject.name, "inferred", text)
    return verdict, doubt


def _goes_by_links(ledger: Ledger, rule: Rule, unbound: Sequence[str]) -> bool:
    """Whether a rule judges by the links in place of main contactors that are not both bound."""
    bench, mains = ledger.bench, [role.startswith("contactors.") for role in unbound]
    return rule.by_links and bench.has("pack.voltage") and not bench.mains_tell and all(mains)


def _too_late(ledger: Ledger, rule: Rule, standing: Standing) -> bool:
    """Whether a time is no longer proven by the stamps as they turned out in the end."""
    more_ms = ledger.bench.latest_stamp_ms - ledger.bench.clock_ms
    worst = standing.worst
    if more_ms <= 0 or worst is None:
        return False
    more = more_ms if rule.unit == "ms" else more_ms / 1000
    return worst.margin < worst.uncertainty + more


def waive(findings: Sequence[Finding], waivers: Sequence[Waiver]) -> list[Finding]:
    """The findings, with those marked as accepted that are required, unproven and waived."""
    return [_waived(finding, waivers) for finding in findings]


def _waived(finding: Finding, waivers: Sequence[Waiver]) -> Finding:
    if finding.verdict is not Verdict.UNPROVEN or not finding.required:
        return finding
    for waiver in waivers:
        if waiver.rule == finding.rule and waiver.subject in (None, finding.subject):
            return replace(finding, waived=waiver.reason, waived_by=waiver.by)
    return finding


def waive_absent(ledger: Ledger, findings: Sequence[Finding]) -> list[Finding]:
    """The findings, with those marked as accepted that rest only on roles not on this vehicle.

    Whoever signed for these roles accepts them, except where the rule cannot be waived.
    """
    return [_without_role(ledger, finding) for finding in findings]


def _without_role(ledger: Ledger, finding: Finding) -> Finding:
    unbound = finding.code in ("not-bound", BY_LINKS)  # not what was live as the recording ended
    unbound &= finding.required and not finding.waived
    if not unbound or not ledger.rules[finding.rule].waivable:
        return finding
    lacks = lacking(ledger, finding)
    signed = [a for a in map(ledger.bench.not_on_vehicle.get, lacks) if a is not None]
    if not signed or len(signed) < len(lacks):
        return finding
    reasons = "; ".join(dict.fromkeys(absent.reason for absent in signed))
    names = ", ".join(dict.fromkeys(absent.by for absent in signed))
    reason = f"not on this vehicle: {', '.join(lacks)}; {reasons}"
    by_hand = "; ".join(dict.fromkeys(role_of(role).hand_check for role in lacks))
    return replace(finding, waived=reason, waived_by=names, next=by_hand)


def lacking(ledger: Ledger, finding: Finding) -> list[str]:
    """The roles that a finding needs and that the plan does not bind."""
    subjects = ledger.subjects[finding.rule]
    needs = next(s.needs for s in subjects if s.name == finding.subject)
    return [role for role in needs if role not in ledger.bench.bindings]


def overall(
    findings: Sequence[Finding],
    *,
    looser: int = 0,
    off: int = 0,
    off_failed: Sequence[str] = (),
) -> tuple[str, str, int]:
    """The verdict on the run, its headline, and how many items were accepted by a person.

    ``looser`` limits and ``off`` rules are those that the plan weakens; ``off_failed`` are rules
    that would have failed if they were not switched off.
    """
    waived = [finding for finding in findings if finding.waived]
    failed = sum(finding.verdict is Verdict.FAIL for finding in findings)
    missing = sum(f.verdict is Verdict.UNPROVEN and f.required and not f.waived for f in findings)
    if failed:
        verdict = Verdict.FAIL
        parts = [f"{verdict}: {_count(failed, 'finding')} failed"]
        parts += [f"{_count(missing, 'required finding')} unproven"] if missing else []
    elif missing:
        verdict = Verdict.UNPROVEN
        parts = [f"{verdict}: {_count(missing, 'required finding')} unproven"]
    elif not any(finding.verdict is Verdict.PASS for finding in findings):
        verdict = Verdict.UNPROVEN
        parts = [f"{verdict}: nothing was proven"]
    else:
        verdict = Verdict.PASS
        parts = [str(verdict)]
    if looser:
        parts.append(f"{_count(looser, 'limit')} looser than usual")
    if off:
        parts.append(f"{_count(off, 'rule')} switched off")
    if off_failed:
        parts.append(f"{' and '.join(off_failed)} would have failed")
    if waived:
        names = ", ".join(sorted({f.waived_by for f in waived}))
        parts.append(f"{_count(len(waived), 'item')} accepted by {names}")
    return str(verdict), ", ".join(parts), len(waived)


def _count(number: int, word: str) -> str:
    return f"{number} {word}" + ("" if number == 1 else "s")


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
