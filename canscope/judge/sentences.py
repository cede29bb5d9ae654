"""The one plain sentence of a finding: it names number, limit, time and signal."""

from __future__ import annotations

import math
from collections.abc import Sequence

from canscope.model.findings import REASONS, TO_PROVE, Verdict
from canscope.model.outcome import Doubt, Subject
from canscope.model.quantities import STATE, with_unit
from canscope.model.rule import Rule, Worst


def number(value: float, uncertainty: float = 0.0) -> str:
    """A number with as many decimals as its uncertainty deserves, at least four digits shown."""
    if not math.isfinite(value):
        return "no number"
    if uncertainty > 0:
        decimals = max(0, 1 - math.floor(math.log10(uncertainty)))
        rounded = round(value, min(decimals, 6)) or 0.0  # without it a -0 stays one
        return f"{rounded:.{min(decimals, 6)}f}"
    value = value or 0.0
    return f"{value:.5g}" if abs(value) < 1e5 else f"{value:.0f}"


def measured(worst: Worst, unit: str) -> str:
    """ "-182.0 ± 0.5 rpm, limit 0 rpm": what was measured against what; empty for a state."""
    if unit == STATE:  # the clause has it in words
        return ""
    text = number(worst.measured, worst.uncertainty)
    if worst.uncertainty > 0:
        text += f" ± {number(worst.uncertainty, worst.uncertainty)}"
    text = with_unit(text, unit)
    if math.isfinite(worst.limit):
        text += f", limit {with_unit(number(worst.limit), unit)}"
    return text


def judged(
    rule: Rule, subject: Subject, verdict: Verdict, worst: Worst, signals: Sequence[str]
) -> str:
    """The sentence of something that was judged."""
    kind = "close" if verdict is Verdict.UNPROVEN else str(verdict)
    clause = rule.clause(kind, worst)
    if kind == "close":
        clause = f"too close to call; {clause}" if clause else "too close to call"
    shown = f" ({signals[0]})" if signals else ""
    lead = f"{_capital(subject.name)}: {clause}" if clause else _capital(subject.name)
    numbers = measured(worst, subject.unit or rule.unit)
    return f"{lead}{numbers and ': '}{numbers}, at {worst.at_s:.3f} s{shown}."


def unjudged(
    subject: Subject,
    doubt: Doubt,
    signals: Sequence[str],
    worst: Worst | None,
    at_s: float | None,
    seen: str,
    unit: str,
    exercise: str,
) -> str:
    """The sentence of something that stays unproven, and what would prove it.

    ``at_s`` is the time of the doubt, ``seen`` the range in which its signal was seen; ``unit`` and
    ``exercise`` are the rule's.
    """
    text = f"{_capital(subject.name)}: unproven"
    if doubt.reason != "not-exercised" or not doubt.text:  # else the clause alone is enough
        text += f", {REASONS[doubt.reason]}"
    text += f": {doubt.text}" if doubt.text else ""
    if at_s is not None:
        text += f", at {at_s:.3f} s"
    if worst is not None:
        numbers = measured(worst, subject.unit or unit)
        text += f"; what was judged: {numbers}{numbers and ', '}at {worst.at_s:.3f} s"
    elif seen:
        text += f"; {seen}"
    if signals:
        text += f" ({', '.join(signals[:3])})"
    text += "."
    if doubt.reason == "not-bound":
        text += f" {TO_PROVE} bind it to a signal in the plan."
    if exercise and doubt.reason in ("not-exercised", "not-seen", "inferred"):
        text += f" {TO_PROVE} {exercise}."
    return text


def short(
    rule: Rule, subject: Subject, verdict: Verdict, worst: Worst | None, doubt: Doubt | None
) -> str:
    """What was found, as a person would say it: no signal, no uncertainty, rounded numbers.

    "The front axle turned against the requested direction (forward): -690 rpm."
    """
    if worst is None or (doubt is not None and doubt.reason != "too-close-to-call"):
        return f"{_capital(subject.name)}: {_why(doubt) if doubt is not None else ''}."
    kind = "close" if verdict is Verdict.UNPROVEN else str(verdict)
    clause = rule.clause(kind, worst) or ("too close to call" if kind == "close" else "")
    numbers = _rounded(worst, subject.unit or rule.unit)
    if subject.name.split(" ", 1)[0] in clause.split()[:5]:  # the clause says it itself
        text = _capital(clause)
    else:
        text = f"{_capital(subject.name)}: {clause}" if clause else _capital(subject.name)
    return f"{text}{numbers and ': '}{numbers}."


def _why(doubt: Doubt) -> str:
    """Why something is unproven; a doubt that only names what is missing needs its reason."""
    if not doubt.text or doubt.reason in ("not-bound", "not-seen", "no-limit"):
        return REASONS[doubt.reason] + (f" ({doubt.text})" if doubt.text else "")
    return doubt.text


def _rounded(worst: Worst, unit: str) -> str:
    """ "19 %, limit 10 %"; a limit of 0 is only a sign, which the clause has in words."""
    if unit == STATE or not math.isfinite(worst.measured):
        return ""
    negligible = math.isfinite(worst.limit) and abs(worst.measured) < abs(worst.limit) / 1000
    text = with_unit("0" if negligible else _spoken(worst.measured), unit)
    if math.isfinite(worst.limit) and worst.limit:
        text += f", limit {with_unit(_spoken(worst.limit), unit)}"
    return text


def _spoken(value: float) -> str:
    """A number in two digits, or in all before the point; three where it begins with a 1."""
    if value == 0:
        return "0"
    digits = 3 if f"{abs(value):e}"[0] == "1" else 2
    decimals = digits - 1 - math.floor(math.log10(abs(value)))
    text = f"{value:.{max(decimals, 0)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _capital(text: str) -> str:
    first = text.split(" ", 1)[0]
    if ":" in first or first[-1:].isdigit():  # a channel's name stays as it is
        return text
    return text[:1].upper() + text[1:]
