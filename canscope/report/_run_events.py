"""What the run itself showed: the bursts, and everything that happened, in order of time."""

from __future__ import annotations

from canscope.model.report import Report
from canscope.report._html import safe, table
from canscope.report.wording import number, seconds

NOT_KNOWN = "not known"  # "none" would read as nothing at all


def bursts(report: Report) -> str:
    """The burst table."""
    head = (
        "unit",
        "no.",
        "start",
        "length",
        "requested",
        "peak speed",
        "peak current",
        "lowest voltage",
        "heat gained",
    )
    rows = [
        (
            safe(burst.unit),
            str(burst.number),
            seconds(burst.start_s),
            seconds(burst.length_s),
            safe(burst.requested),
            _known(burst.peak_speed_rpm, "rpm"),
            _known(burst.peak_current_A, "A"),
            _known(burst.lowest_voltage_V, "V"),
            "<br>".join(
                f"{safe(word)} {number(gain, 'K')}" for word, gain in burst.heat_gained_K.items()
            )
            or NOT_KNOWN,
        )
        for burst in report.bursts
    ]
    return (
        '<section class="bursts"><h2>Bursts</h2>'
        f"{table(head, rows, empty='No unit turned in this recording.')}</section>"
    )


def events(report: Report) -> str:
    """What happened, each between the last sample before it and the first after it."""
    rows = [
        (
            safe(
                f"up to {seconds(event.at_s)}"
                if event.since_s is None
                else f"{seconds(event.since_s)} to {seconds(event.at_s)}"
            ),
            safe(event.what),
            safe(event.source),
        )
        for event in report.events
    ]
    return (
        '<section class="events"><h2>What happened</h2>'
        f"{table(('between', 'event', 'told by'), rows, empty='nothing was seen to happen')}"
        "</section>"
    )


def _known(value: float | None, unit: str) -> str:
    return NOT_KNOWN if value is None else number(value, unit)
