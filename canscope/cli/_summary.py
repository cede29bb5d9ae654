"""A report in the terminal: the verdict in words, what to look at first, what is not proven."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canscope.model.report import Report
from canscope.report._words import (
    STATE_WORDS,
    counts,
    meaning,
    measured,
    number,
    overall,
    seconds,
    state,
    visible,
    why,
    worst_first,
)

if TYPE_CHECKING:
    from rich.console import Console

STYLES = {
    "failed": "bold red",
    "unproven": "bold yellow",
    "accepted": "cyan",
    "advice": "yellow",
    "proven": "green",
}
VERDICT_STYLES = {"pass": STYLES["proven"], "fail": STYLES["failed"]}


def print_summary(
    report: Report, console: Console | None = None, *, everything: bool = False
) -> None:
    """Print the report; findings that pass are only counted unless ``everything`` is asked for."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = console or Console()

    def say(text: str, style: str = "", indent: int = 0) -> None:
        # Text, never markup: a signal named [red] stays what it is.
        console.print(Text(" " * indent + visible(text), style))

    say(overall(report), VERDICT_STYLES.get(report.verdict, STYLES["unproven"]))
    say(f"{report.vehicle or 'vehicle not named'}, stage {report.stage}")
    say(meaning(report))
    if report.look_first:
        say("\nLook at this first", "bold")
        for place, sentence in enumerate(report.look_first, start=1):
            say(f"{place}. {sentence}", indent=2)
    shown = [f for f in worst_first(report.findings) if everything or state(f) != "proven"]
    if shown:
        table = Table(show_edge=False, pad_edge=False)
        for name in ("state", "finding", "measured", "limit", "worst at", "what"):
            table.add_column(name, overflow="fold")
        for finding in shown:
            short = state(finding)
            what = why(finding) if short not in ("failed", "proven") else finding.sentence
            cells = (
                f"{finding.rule}, {finding.subject}",
                measured(finding),
                number(finding.limit, finding.unit),
                seconds(finding.at_s),
                f"{what.rstrip('.')}. Check next: {finding.next}" if finding.next else what,
            )
            table.add_row(
                Text(STATE_WORDS[short], STYLES[short]), *(Text(visible(c)) for c in cells)
            )
        console.print()
        console.print(table)
    say(f"\nfindings: {counts(report.findings)}")
    for warning in report.warnings:
        say(f"warning: {warning}", "yellow")
    say("A value on the bus never proves a circuit dead: measure before touching.")
