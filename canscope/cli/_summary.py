"""A report in the terminal: the verdict in words, what to look at first, what is not proven."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canscope.model.findings import Finding
from canscope.model.report import Report
from canscope.report.wording import (
    STATE_WORDS,
    counts,
    decides,
    meaning,
    overall,
    state,
    visible,
    weakened,
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
    for line in weakened(report):
        say(line, "cyan")
    if report.look_first:
        say("\nLook at this first", "bold")
        for place, sentence in enumerate(report.look_first, start=1):
            say(f"{place}. {sentence}", indent=2)
    if report.diagnosis:
        say("\nProbable causes, the likeliest first", "bold")
        for place, found in enumerate(report.diagnosis, start=1):
            say(f"{place}. {found.cause}", indent=2)
            if decides(report.diagnosis, place - 1):
                say(f"to decide: {found.check}", indent=5)
            if len(found.findings) > 1 and _is_new(report, place - 1):
                say(f"explains: {'; '.join(found.findings)}", indent=5)
    findings = worst_first(report.findings)
    for short in ("failed", "unproven", "accepted", *(("proven",) if everything else ())):
        rows = [f for f in findings if state(f) == short]
        if not rows:
            continue
        say(f"\n{STATE_WORDS[short].capitalize()}", STYLES[short])
        grid = Table.grid(padding=(0, 2, 0, 2))
        grid.add_column(max_width=32, overflow="fold")
        grid.add_column(overflow="fold")
        for finding in rows:
            name = Text(visible(f"{finding.rule}, {finding.subject}"))
            grid.add_row(name, Text(visible(_sentence(finding))))
        console.print(grid)
    advice = [f"{f.rule} ({f.subject})" for f in findings if state(f) == "advice"]
    if advice:
        say(f"\n{STATE_WORDS['advice'].capitalize()}", STYLES["advice"])
        say("; ".join(advice), indent=2)
    say(f"\nfindings: {counts(report.findings)}")
    for warning in report.warnings:
        say(f"warning: {warning}", "yellow")
    say("A value on the bus never proves a circuit dead: measure before touching.")


def _is_new(report: Report, place: int) -> bool:
    """Whether no cause before this one explains the same findings."""
    known = [found.findings for found in report.diagnosis[:place]]
    return report.diagnosis[place].findings not in known


def _sentence(finding: Finding) -> str:
    if state(finding) == "accepted":  # a fail is never shown as accepted
        return f"accepted by {finding.waived_by}: {finding.waived}. {finding.sentence}"
    return finding.sentence
