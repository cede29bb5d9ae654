"""What a test report owes its reader besides the findings (ISO/IEC 17025:2017, 7.8.2 and 7.8.6)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from canscope.model.findings import COMMON_PRACTICE, Verdict
from canscope.model.report import Report
from canscope.report._html import items, pairs, safe, table
from canscope.report.wording import identity, number, plain_value, recorded, seconds

BLANK = '<span class="blank"></span>'
DECISION = (
    "Decision rule: guard band as wide as the uncertainty, after ILAC-G8:09/2019. The margin is the"
    " distance from the measured value to the limit, positive on the good side; u is its"
    " uncertainty. Margin at least u: pass. Margin below -u: fail. Anything between: unproven, too"
    " close to call. Contributions to u are added linearly: half a raw step of every signal used,"
    " what the value may have changed between two samples at an event, the intervals in which two"
    " compared instants lie, twice the standard error of a fit, and an instrument's own uncertainty"
    " where the plan states it. Counts, states and presence have u = 0. What is missing, stale,"
    " clipped, not available, stuck or never exercised is unproven, never a pass."
)
CAUTIONS = (
    "High voltage kills. A value on the bus never proves a circuit dead: isolate, lock, wait, and"
    " measure with a rated instrument. Measure before touching.",
    "Keep the wheels off the ground, the vehicle on stands and chocked, hands clear of everything"
    " that can turn, and a second person on the emergency stop. This program only listens; it"
    " cannot stop a motor.",
    "Dry runs: the least current, a few seconds, then let it rest. No long run without coolant and"
    " oil.",
    "Local codes, the parts' own documentation and qualified high-voltage persons come before"
    " anything written here.",
    "The report is not a roadworthiness approval.",
)
# Where the job may state it -> what 7.8.2.1 calls it.
_JOB = {
    "laboratory": "workshop",
    "place": "place of the test",
    "customer": "customer",
    "job_number": "job number",
    "tester": "tested by",
    "witness": "witness",
    "notes": "notes",
}
_TOLD_ELSEWHERE = {"vehicle", "stage", "cold", *_JOB}


def about(report: Report) -> str:
    """What was tested, for whom, when, how, under which conditions, and how it was decided."""
    first, last = recorded(report.capture)
    plans = [entry.name for entry in report.inputs if entry.kind == "plan"]
    method = (
        f"recorded CAN frames analysed by canscope {report.version}, which only listened, against"
        f" the bench plan {', '.join(plans) or '(not named)'}; the rules and their parameters are"
        " listed below. No sampling: the whole recording was judged."
    )
    entries = [
        ("report", f"{safe(identity(report))}{_numbered(report)}"),
        ("item tested", safe(report.vehicle or "not named")),
        ("condition of the item", f"stage {safe(report.stage)}; {_conditions(report)}"),
        *((word, _stated(report.job.get(key))) for key, word in _JOB.items()),
        *(
            (safe(key.replace("_", " ")), safe(plain_value(value)))
            for key, value in report.job.items()
            if key not in _TOLD_ELSEWHERE and key not in report.conditions
        ),
        ("tested (recorded)", f"{safe(first)} to {safe(last)}"),
        ("report written", _stated(report.written_at)),
        ("method", safe(method)),
    ]
    return (
        f'<section class="about"><h2>About this test</h2>{pairs(entries)}'
        f"<p>{DECISION}</p><p><b>The results relate only to the item tested, in the condition"
        " described, during the time recorded.</b> Marks and measurements by hand are statements of"
        " the persons named with them, not of this program.</p></section>"
    )


def deviations(report: Report) -> str:
    """Waivers, rules switched off, rules that do not apply, warnings."""
    waived = [
        f"<b>{safe(f.rule)}, {safe(f.subject)}</b>: {safe(f.waived or 'no reason given')};"
        f" accepted by {safe(f.waived_by or 'somebody not named')}"
        for f in report.findings
        if f.verdict == Verdict.UNPROVEN and (f.waived or f.waived_by)
    ]
    off = [f"<b>{safe(r.rule)}</b>: {safe(r.off)}" for r in report.rules if r.off]
    apart = ", ".join(report.not_applicable)
    return (
        '<section class="deviations"><h2>Deviations, acceptances and warnings</h2>'
        f"<h3>Accepted though unproven</h3>{items(waived)}"
        f"<h3>Switched off in the plan</h3>{items(off)}"
        f"<h3>Not applicable to this vehicle or stage</h3><p>{safe(apart or 'none')}</p>"
        f"<h3>Roles that nothing cross-checks</h3>{_unchecked(report)}"
        "<h3>Warnings of plan, definitions and recording</h3>"
        f"{items(safe(text) for text in report.warnings)}</section>"
    )


def _unchecked(report: Report) -> str:
    """Roles of which a wrong reading that looks right would not be noticed."""
    alone = [
        f"<b>{safe(fact.role)}</b> ({safe(fact.signal)}): "
        + (
            f"{safe(' or '.join(fact.checkable_by))} would, but did not pass here"
            if fact.checkable_by
            else "no rule can; compare it by hand"
        )
        for fact in report.roles
        if not fact.checked_by
    ]
    told = "<p>If one of these reads wrong but plausible, nothing in this report notices it.</p>"
    sizes = (
        "<p>Of the others, axle-witness, axle-direction and torque-response confirm the sense, not "
        "the size, and power-balance only that shafts do not give more than the pack: a speed or "
        "torque that reads too small would not be noticed. Compare one reading of each by hand.</p>"
    )
    return (told if alone else "") + items(alone) + sizes


def quality(report: Report) -> str:
    """How good the recording is."""
    capture = report.capture
    length = None
    if capture.first_ns is not None and capture.last_ns is not None:
        length = (capture.last_ns - capture.first_ns) / 1e9
    entries = [
        ("frames", str(capture.frames)),
        ("length", seconds(length)),
        ("lines read", str(capture.lines)),
        ("skipped", str(capture.skipped)),
        ("dropped by the recorder", str(capture.dropped)),
        ("end cut off", plain_value(capture.cut_end)),
        ("stretches of unbroken time", str(capture.segments)),
        ("clock", "not set, times are relative" if capture.relative_time else "set"),
        ("SHA-256", f"<code>{safe(capture.sha256 or 'not known')}</code>"),
    ]
    names = dict.fromkeys(
        name
        for counts in (
            capture.channels,
            capture.error_frames,
            capture.short_frames,
            capture.undefined_ids,
            capture.undefined_multiplexer,
        )
        for name in counts
    )
    rows = [
        (
            safe(name),
            str(capture.channels.get(name, 0)),
            str(capture.error_frames.get(name, 0)),
            str(capture.short_frames.get(name, 0)),
            str(capture.undefined_ids.get(name, 0)),
            str(capture.undefined_multiplexer.get(name, 0)),
        )
        for name in names
    ]
    head = ("channel", "frames", "error", "too short", "no definition", "unknown multiplexer")
    examples = items((safe(text) for text in capture.skipped_examples), empty="nothing skipped")
    if capture.skipped and not capture.skipped_examples:
        examples = "<p>no example kept</p>"
    return (
        f'<section class="quality"><h2>Quality of the recording</h2>{pairs(entries)}'
        f"{table(head, rows, empty='no channel')}<h3>Skipped</h3>{examples}"
        f"<h3>Notes</h3>{items(safe(text) for text in capture.notes)}</section>"
    )


def roles(report: Report) -> str:
    """What every role was bound to and how it fared."""
    head = (
        "role",
        "signal",
        "samples",
        "lowest",
        "highest",
        "u",
        "cycle",
        "no value",
        "outside",
        "agrees by",
    )
    rows = [
        (
            safe(fact.role),
            safe(fact.signal),
            str(fact.samples),
            safe(number(fact.lowest, fact.unit)),
            safe(number(fact.highest, fact.unit)),
            safe(number(fact.uncertainty, fact.unit)),
            number(fact.cycle_ms, "ms"),
            str(fact.not_available),
            str(fact.out_of_range),
            safe(", ".join(fact.checked_by) or "nothing"),
        )
        for fact in report.roles
    ]
    return (
        '<section class="roles"><h2>Roles</h2><p>u: uncertainty of one value as read; no value: the'
        " node said so itself; outside: of the range that the definition declares; agrees by: the"
        " rules that held it against something independent of it, and passed.</p>"
        f"{table(head, rows, empty='no role is bound')}</section>"
    )


def rules(report: Report) -> str:
    """Every rule applied, its parameters and where they come from."""
    rows = [
        (safe(fact.rule), safe(name), safe(_limit(value)), safe(unit), _source(source))
        for fact in report.rules
        for name, value, unit, source in fact.parameters
    ]
    bare = [safe(fact.rule) for fact in report.rules if not fact.parameters]
    told = f"<p>Without parameters: {', '.join(bare)}.</p>" if bare else ""
    head = ("rule", "parameter", "value", "unit", "source")
    return (
        '<section class="rules"><h2>Rules, parameters and limits</h2><p>A value marked'
        f" <em>{COMMON_PRACTICE}</em> rests on the trade's habit alone; the shop is meant to set"
        f" its own in the plan.</p>{table(head, rows, empty='no parameter')}{told}</section>"
    )


def vehicle(report: Report) -> str:
    """How the units sit, with the cautions that somebody must sign for, and what persons marked."""
    sentences = ("note", "caution")
    columns = dict.fromkeys(key for entry in report.mounting for key in entry)
    columns = dict.fromkeys(key for key in columns if key not in sentences)
    head = [safe(name.replace("_", " ")) for name in columns]
    rows = [[safe(plain_value(entry.get(name))) for name in columns] for entry in report.mounting]
    notes = dict.fromkeys(entry["note"] for entry in report.mounting if entry.get("note"))
    turned = [
        f"<b>Unit {safe(entry.get('unit', '(not named)'))}:</b> {safe(entry['caution'])}"
        f" Inspected by {BLANK} on {BLANK}"
        for entry in report.mounting
        if entry.get("caution")
    ]
    oil = items(turned) if turned else ""
    return (
        '<section class="mounting"><h2>How the units are mounted</h2>'
        f"{table(head, rows, empty='no unit in the plan')}"
        f"{''.join(f'<p>{safe(note)}</p>' for note in notes)}{oil}"
        f"<h2>Marks by persons</h2>{_marks(report.marks)}</section>"
    )


def inputs(report: Report) -> str:
    """The files that the report rests on, and the plan itself."""
    rows = [
        (safe(entry.kind), safe(entry.name), str(entry.size), f"<code>{safe(entry.sha256)}</code>")
        for entry in report.inputs
    ]
    plan = (
        f"<details><summary>The bench plan as used</summary><pre>{safe(report.plan_text)}</pre>"
        "</details>"
        if report.plan_text
        else "<p class=empty>the plan's text is not part of this report</p>"
    )
    head = ("kind", "name", "bytes", "SHA-256")
    return f'<section class="inputs"><h2>Files</h2>{table(head, rows)}{plan}</section>'


def cautions(report: Report) -> str:
    """The standing cautions and those of this run."""
    told = dict.fromkeys((*CAUTIONS, *report.cautions))
    return (
        f'<section class="cautions"><h2>Cautions</h2>{items(safe(text) for text in told)}</section>'
    )


def signatures(report: Report) -> str:
    """Who tested, who witnessed, who releases the report; then the clear end of it."""
    head = ("", "name", "signature", "date")
    rows = [
        (who, _stated(report.job.get(key)), BLANK, BLANK)
        for who, key in (("tested by", "tester"), ("witness", "witness"), ("released by", ""))
    ]
    return (
        f'<section class="signatures"><h2>Signatures</h2>{table(head, rows, kind="sign")}'
        f'<p class="end">end of report {safe(identity(report))}</p></section>'
    )


def _numbered(report: Report) -> str:
    return "" if report.number is None else f", number {report.number} of its run"


def _conditions(report: Report) -> str:
    told = (f"{key.replace('_', ' ')} {plain_value(v)}" for key, v in report.conditions.items())
    return safe("; ".join(told) or "no condition stated")


def _stated(value: object) -> str:
    return BLANK if value is None or value == "" else safe(plain_value(value))


def _limit(value: object) -> str:
    return "not set" if value is None else plain_value(value)


def _source(source: str) -> str:
    told = safe(source or "not stated")
    return f"<em>{told}</em>" if source == COMMON_PRACTICE else told


def _marks(marks: Sequence[Mapping[str, Any]]) -> str:
    columns = tuple(dict.fromkeys(key for mark in marks for key in mark))
    rows = [[safe(plain_value(mark.get(name))) for name in columns] for mark in marks]
    return table([safe(name) for name in columns], rows, empty="no mark was made")
