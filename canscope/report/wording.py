"""Words, numbers and states that every renderer writes alike."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from canscope.model.findings import REASONS, Finding, Verdict
from canscope.model.quantities import with_unit
from canscope.model.report import CaptureFacts, Cause, Report

# Control characters, halves of surrogate pairs, and the marks that turn the writing direction:
# text that holds them would not show what it is.
_UNSEEN = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\u202a-\u202e\u2066-\u2069\ufffe\uffff]"
)
_LINE_ENDS = re.compile("\r\n|[\n\r\u2028\u2029]")

# State of a finding -> the word for it; in the order in which a person should read them.
STATE_WORDS: Mapping[str, str] = {
    "failed": "failed",
    "unproven": "unproven",
    "accepted": "accepted",
    "advice": "unproven, not required",
    "proven": "proven",
}
VERDICT_WORDS: Mapping[str, str] = {"pass": "PASS", "fail": "FAIL", "unproven": "UNPROVEN"}
MEANINGS: Mapping[str, str] = {
    "pass": "Everything that this stage requires was proven, as far as this recording can show it.",
    "fail": "At least one finding failed. Do not go on: mend it, then record and check again.",
    "unproven": (
        "Nothing failed, but not everything that this stage requires was proven. "
        "The stage is not earned yet."
    ),
}
ACCEPTED_MEANING = (
    "Everything that this stage requires was proven, as far as this recording can show it, except"
    " what a person accepted unproven."
)


# Of findings that are not required, what a person must read first all the same.
TOLD_CODES = ("read-too-little",)


def meaning(report: Report) -> str:
    """What the verdict means for the person at the vehicle."""
    if report.verdict == "pass" and report.waived:
        return ACCEPTED_MEANING
    return MEANINGS.get(report.verdict, "")


def weakened(report: Report) -> list[str]:
    """What the plan loosens or leaves out, and what no instrument was held against, in lines."""
    lines = [f"Looser than usual: {one.text}." for one in report.looser]
    for rule, reason in report.switched_off.items():
        failed = "; it would have failed" if rule in report.off_failed else ""
        lines.append(f"Switched off: {rule}: {reason}{failed}.")
    bound = {role.signal.partition(":")[0] for role in report.roles}
    for channel, frames in report.capture.channels.items():
        if frames and channel not in bound and not report.misfits:
            lines.append(f"Not judged: {frames} frames on {channel}, where the plan binds nothing.")
    lines += [
        f"Said not to be on this vehicle: {one.role}; {one.looks_like} looks like it: bind it."
        for one in report.not_on_vehicle
        if one.looks_like
    ]
    lines += [
        f"Found, though this stage does not require it: {one.sentence}"
        for one in report.findings
        if one.code in TOLD_CODES and state(one) == "advice"
    ]
    anchors: dict[str, list[str]] = {}
    for role in report.roles:
        if role.anchored_by:
            anchors.setdefault(" and ".join(role.anchored_by), []).append(role.role)
    lines += [f"Scale anchored by {by}: {_grouped(of)}." for by, of in anchors.items()]
    if report.unanchored:
        lines.append(
            f"Nothing anchors the scale of {_grouped(report.unanchored)}: "
            "give a hand reading of each that matters."
        )
    return lines


def _grouped(roles: Iterable[str]) -> str:
    """Roles in few words: ``pack voltage, current; front speed, torque``."""
    groups: dict[str, list[str]] = {}
    for role in roles:
        words = role.removeprefix("units.").split(".")
        groups.setdefault(words[0], []).append(words[-1].replace("_", " "))
    return "; ".join(f"{name} {', '.join(words)}" for name, words in groups.items())


def overall(report: Report) -> str:
    """The overall line with the verdict in capitals: ``PASS, 1 item accepted by A. Tester``."""
    word = VERDICT_WORDS.get(report.verdict, report.verdict)
    if report.headline.startswith(report.verdict):
        return word + report.headline.removeprefix(report.verdict)
    return f"{word}: {report.headline}" if report.headline else word


def visible(text: object) -> str:
    """Text in which every character that cannot be seen stands as the replacement mark."""
    shown = str(text)
    return shown if shown.isprintable() else _UNSEEN.sub("\ufffd", shown)


def one_line(text: object) -> str:
    """The same, with line ends replaced as well: a name cannot pretend to be a line of ours."""
    return _LINE_ENDS.sub("\ufffd", visible(text))


def state(finding: Finding) -> str:
    """One key of ``STATE_WORDS``; a fail stays a fail, whoever accepted it."""
    if finding.verdict == Verdict.FAIL:
        return "failed"
    if finding.verdict == Verdict.PASS:
        return "proven"
    if finding.waived or finding.waived_by:
        return "accepted"
    return "unproven" if finding.required else "advice"


def worst_first(findings: Iterable[Finding]) -> list[Finding]:
    """Failed first, proven last; otherwise in the order given."""
    order = list(STATE_WORDS)
    return sorted(findings, key=lambda finding: order.index(state(finding)))


def counts(findings: Sequence[Finding]) -> str:
    """How many findings are in which state: ``1 failed; 20 proven``."""
    states = [state(finding) for finding in findings]
    parts = [f"{states.count(name)} {word}" for name, word in STATE_WORDS.items() if name in states]
    return "; ".join(parts) or "none"


def why(finding: Finding) -> str:
    """Why a finding is unproven or who accepted it; empty for the others."""
    if finding.verdict != Verdict.UNPROVEN:
        return ""
    reason = REASONS.get(finding.reason or "", finding.reason or "no reason given")
    if finding.waived or finding.waived_by:
        return f"{reason}; accepted by {finding.waived_by or 'somebody not named'}"
    return reason


def number(value: float | None, unit: str = "") -> str:
    """A number to six digits without exponent, with its unit; "none" where there is none."""
    if value is None or math.isnan(value):
        return "none"
    if math.isinf(value):
        text = "unbounded"
    elif value == 0 or 1e-4 <= abs(value) < 1e15:
        text = f"{float(f'{value:.6g}') or 0.0:.10f}".rstrip("0").rstrip(".")
    else:
        text = f"{value:.6g}"
    return with_unit(text, unit)


def measured(finding: Finding) -> str:
    """The measured value with its uncertainty and unit: ``-182.00 ± 0.50 rpm``."""
    if finding.measured is None:
        return "nothing measured"
    u = finding.uncertainty
    plus_minus = f" ± {to_digits_of(u, u)}" if u else ""
    return with_unit(f"{to_digits_of(finding.measured, u)}{plus_minus}", finding.unit)


def to_digits_of(value: float | None, uncertainty: float | None) -> str:
    """A number with as many decimals as two digits of its uncertainty have (JSON has them all)."""
    if value is None or uncertainty is None or not math.isfinite(value):
        return number(value)
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        return number(value)
    decimals = 1 - math.floor(math.log10(uncertainty))
    rounded = round(value, min(max(decimals, 0), 9)) or 0.0  # without it a -0 stays one
    return f"{rounded:.{min(max(decimals, 0), 9)}f}"


def seconds(value: float | None) -> str:
    """An instant or a length in seconds to the millisecond."""
    return "none" if value is None or not math.isfinite(value) else f"{value:.3f} s"


def plain_value(value: Any) -> str:
    """A value out of a mapping, as a person would write it."""
    if value is None or value == "":
        return "not stated"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return number(value)
    if isinstance(value, Mapping):
        return ", ".join(f"{key}: {plain_value(entry)}" for key, entry in value.items()) or "none"
    if isinstance(value, (list, tuple, set, frozenset)):
        entries = sorted(value, key=str) if isinstance(value, (set, frozenset)) else value
        return ", ".join(plain_value(entry) for entry in entries) or "none"
    return visible(value)


def decides(causes: Sequence[Cause], place: int) -> bool:
    """Whether to show the check of a cause here: not where the next cause has the same."""
    return place + 1 == len(causes) or causes[place + 1].check != causes[place].check


def recorded(capture: CaptureFacts) -> tuple[str, str]:
    """First and last instant of the recording in UTC, or what is known of them."""
    if capture.first_ns is None or capture.last_ns is None:
        return "nothing recorded", "nothing recorded"
    if capture.relative_time:
        length = seconds((capture.last_ns - capture.first_ns) / 1e9)
        return "date not known: the recorder's clock was not set", f"{length} later"
    return _utc(capture.first_ns), _utc(capture.last_ns)


def identity(report: Report) -> str:
    """The report's unique number."""
    return visible(report.unique_id or "not given")


def _utc(time_ns: int) -> str:
    moment = datetime.fromtimestamp(time_ns // 10**9, UTC)
    return f"{moment:%Y-%m-%d %H:%M:%S} UTC"
