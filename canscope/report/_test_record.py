"""What a test report owes its reader besides the findings (ISO/IEC 17025:2017, 7.8.2 and 7.8.6).

The functions give the cells of the tables and lists that are laid out in the page's templates.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from canscope.model.findings import Verdict
from canscope.model.quantities import with_unit
from canscope.model.report import CaptureFacts, Report
from canscope.report.wording import identity, number, plain_value, recorded, seconds

NOT_KNOWN = "not known"  # "none" would read as nothing at all
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
_SHOWN_ELSEWHERE = {"vehicle", "stage", "cold", *_JOB}

Names = Sequence[str]
Rows = list[Sequence[str]]


def view(report: Report) -> dict[str, Any]:
    """Everything that the template of this part shows, by the name it has there."""
    return {
        "about": about(report),
        "bursts": bursts(report),
        "events": events(report),
        "length_s": _length_s(report.capture),
        "channels": channels(report.capture),
        "accepted": [
            f
            for f in report.findings
            if f.verdict == Verdict.UNPROVEN and (f.waived or f.waived_by)
        ],
        "switched_off": [rule for rule in report.rules if rule.off],
        # A wrong reading of one of these that looks right would not be noticed.
        "unchecked": [fact for fact in report.roles if not fact.checked_by],
        "mounting": _columns(report.mounting, without=("note", "caution")),
        "mounting_notes": list(
            dict.fromkeys(entry["note"] for entry in report.mounting if entry.get("note"))
        ),
        "mounting_cautions": [entry for entry in report.mounting if entry.get("caution")],
        "marks": _columns(report.marks),
        "roles": roles(report),
        "parameters": parameters(report),
        "rules_without_parameters": [fact.rule for fact in report.rules if not fact.parameters],
        "inputs": [(i.kind, i.name, str(i.size), i.sha256) for i in report.inputs],
        "cautions": list(dict.fromkeys((*CAUTIONS, *report.cautions))),
        "signatures": [
            (who, _stated(report.job.get(key)), None, None)
            for who, key in (("tested by", "tester"), ("witness", "witness"), ("released by", ""))
        ],
    }


def about(report: Report) -> list[tuple[str, str | None]]:
    """What was tested, for whom, when and how; None is left to be written by hand."""
    first, last = recorded(report.capture)
    plans = [entry.name for entry in report.inputs if entry.kind == "plan"]
    method = (
        f"recorded CAN frames analysed by canscope {report.version}, which only listened, against"
        f" the bench plan {', '.join(plans) or '(not named)'}; the rules and their parameters are"
        " listed below. No sampling: the whole recording was judged."
    )
    number_in_run = "" if report.number is None else f", number {report.number} of its run"
    conditions = (
        f"{key.replace('_', ' ')} {plain_value(value)}" for key, value in report.conditions.items()
    )
    condition = "; ".join(conditions) or "no condition stated"
    return [
        ("report", f"{identity(report)}{number_in_run}"),
        ("item tested", report.vehicle or "not named"),
        ("condition of the item", f"stage {report.stage}; {condition}"),
        *((word, _stated(report.job.get(key))) for key, word in _JOB.items()),
        *(
            (key.replace("_", " "), plain_value(value))
            for key, value in report.job.items()
            if key not in _SHOWN_ELSEWHERE and key not in report.conditions
        ),
        ("tested (recorded)", f"{first} to {last}"),
        ("report written", _stated(report.written_at)),
        ("method", method),
    ]


def bursts(report: Report) -> list[tuple[str | list[str], ...]]:
    """The burst table; the last cell is a list, a line for each thermometer."""
    return [
        (
            burst.unit,
            str(burst.number),
            seconds(burst.start_s),
            seconds(burst.length_s),
            burst.requested,
            _known(burst.peak_speed_rpm, "rpm"),
            _known(burst.peak_current_A, "A"),
            _known(burst.lowest_voltage_V, "V"),
            [f"{word} {number(gain, 'K')}" for word, gain in burst.heat_gained_K.items()]
            or [NOT_KNOWN],
        )
        for burst in report.bursts
    ]


def events(report: Report) -> Rows:
    """What happened, each between the last sample before it and the first after it."""
    return [
        (
            f"up to {seconds(event.at_s)}"
            if event.since_s is None
            else f"{seconds(event.since_s)} to {seconds(event.at_s)}",
            event.what,
            event.source,
        )
        for event in report.events
    ]


def channels(capture: CaptureFacts) -> Rows:
    """How many frames of each kind every channel brought."""
    counts = (
        capture.channels,
        capture.error_frames,
        capture.short_frames,
        capture.undefined_ids,
        capture.undefined_multiplexer,
    )
    names = dict.fromkeys(name for count in counts for name in count)
    return [(name, *(str(count.get(name, 0)) for count in counts)) for name in names]


def roles(report: Report) -> Rows:
    """What every role was bound to and how it fared."""
    return [
        (
            fact.role,
            fact.signal,
            str(fact.samples),
            number(fact.lowest, fact.unit),
            number(fact.highest, fact.unit),
            number(fact.uncertainty, fact.unit),
            number(fact.cycle_ms, "ms"),
            str(fact.not_available),
            str(fact.out_of_range),
            ", ".join(fact.checked_by) or "nothing",
            ", ".join(fact.anchored_by) or ("nothing" if fact.role in report.unanchored else ""),
        )
        for fact in report.roles
    ]


def parameters(report: Report) -> list[tuple[str, list[tuple[str, str]]]]:
    """Each rule with its parameters: values with units, by the source that they have in common."""
    rows = []
    for fact in report.rules:
        sources: dict[str, list[str]] = {}
        for name, value, unit, source in fact.parameters:
            shown = "not set" if value is None else with_unit(plain_value(value), unit)
            sources.setdefault(source or "not stated", []).append(f"{name} = {shown}")
        if sources:
            rows.append((fact.rule, [(source, "; ".join(of)) for source, of in sources.items()]))
    return rows


def _columns(
    entries: Sequence[Mapping[str, Any]], *, without: Iterable[str] = ()
) -> tuple[list[str], Rows]:
    """Names of the columns and the rows of entries that may have different keys."""
    keys = [k for k in dict.fromkeys(key for entry in entries for key in entry) if k not in without]
    rows: Rows = [[plain_value(entry.get(key)) for key in keys] for entry in entries]
    return keys, rows


def _length_s(capture: CaptureFacts) -> float | None:
    if capture.first_ns is None or capture.last_ns is None:
        return None
    return (capture.last_ns - capture.first_ns) / 1e9


def _known(value: float | None, unit: str) -> str:
    return NOT_KNOWN if value is None else number(value, unit)


def _stated(value: object) -> str | None:
    return None if value is None or value == "" else plain_value(value)
