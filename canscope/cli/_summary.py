"""A report in the terminal: the verdict in words, what to look at first, what is not proven."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from canscope.model.findings import TO_PROVE, Finding, mend
from canscope.model.report import Report
from canscope.report.first_screen import LEAD_WORDS, do_now, key_numbers, leads, likely
from canscope.report.wording import (
    STATE_WORDS,
    counts,
    meaning,
    one_line,
    overall,
    state,
    weakened,
    why,
    worst_first,
)

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

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
    from rich.text import Text

    console = console or Console()

    def say(text: str, style: str = "", indent: int = 0) -> None:
        # Text, never markup: a signal named [red] stays what it is.
        console.print(Text(" " * indent + one_line(text), style))

    say(overall(report), VERDICT_STYLES.get(report.verdict, STYLES["unproven"]))
    say(f"{report.vehicle or 'vehicle not named'}, stage {report.stage}")
    say(meaning(report))
    for line in weakened(report):
        say(line, "cyan")
    grid = _grid()
    for word, texts in _first(report):
        for place, text in enumerate(texts):
            grid.add_row(Text("" if place else word, "bold"), Text(one_line(text)))
    say("")
    console.print(grid)
    findings = worst_first(report.findings)
    for short in ("failed", "unproven", "accepted", "advice"):
        rows = [f for f in findings if state(f) == short]
        if not rows or (report.misfits and short in ("unproven", "advice")):
            continue
        console.print()
        say(f"{STATE_WORDS[short].capitalize()}", STYLES[short])
        grid = _grid()
        for name, text in _together(rows):
            grid.add_row(Text(one_line(name)), Text(one_line(text)))
        console.print(grid)
    if everything:
        console.print()
        say(f"{STATE_WORDS['proven'].capitalize()}", STYLES["proven"])
        grid = _grid()
        for finding in (f for f in findings if state(f) == "proven"):
            grid.add_row(
                Text(one_line(f"{finding.rule}, {finding.subject}")),
                Text(one_line(finding.sentence)),
            )
        console.print(grid)
    console.print()
    say(f"findings: {counts(report.findings)}")
    for warning in report.warnings:
        say(f"warning: {warning}", "yellow")
    say("A value on the bus never proves a circuit dead: measure before touching.")


def _grid() -> Table:
    """Two columns without lines, the second one folded."""
    from rich.table import Table

    grid = Table.grid(padding=(0, 2, 0, 2))
    grid.add_column(max_width=32, overflow="fold")
    grid.add_column(overflow="fold")
    return grid


def _first(report: Report) -> Iterator[tuple[str, list[str]]]:
    """What is wrong, what it likely is and what to do now, each with its word."""
    found = leads(report)
    if found:
        yield LEAD_WORDS.get(report.verdict, "Missing").upper(), [lead.text for lead in found]
    texts = []
    for place, cause in enumerate(likely(report)):
        text = f"{cause.text}."
        if place and cause.check is not None:  # that of the first is what to do now
            text += f" To decide: {cause.check}."
        texts.append(text)
    if texts:
        yield "LIKELY", texts
    yield "DO NOW", [do_now(report)]
    if report.verdict != "fail" and (report.bursts or any(e.by_hand for e in report.events)):
        yield "SEEN", [f"{name}: {text}" for name, text in key_numbers(report)]


def _together(findings: Sequence[Finding]) -> Iterator[tuple[str, str]]:
    """A name and a sentence for each; what lacks the same for the same reason is one line."""
    groups: dict[tuple[str, ...], list[Finding]] = {}
    for finding in findings:
        alone = state(finding) == "failed"
        to_mend = _mend(finding)
        same = (finding.doubt, to_mend) if to_mend else (finding.next,)
        key = finding.key if alone else (state(finding), why(finding), *same)
        groups.setdefault(key, []).append(finding)
    for first, *others in groups.values():
        if not others and state(first) != "advice":
            yield f"{first.rule}, {first.subject}", _sentence(first)
            continue
        by_rule: dict[str, list[str]] = {}
        for finding in (first, *others):
            by_rule.setdefault(finding.rule, []).append(finding.subject)
        count, rules = 1 + len(others), list(by_rule)
        name = f"{count} {rules[0] if len(rules) == 1 else 'findings'}" if others else rules[0]
        members = "; ".join(f"{rule} ({', '.join(of)})" for rule, of in by_rule.items())
        to_mend = _mend(first)
        text = f"{why(first)}: {members}."
        if to_mend:
            text = f"{why(first)}: {first.doubt}. It bears on {members}."
        if state(first) != "accepted" and (to_mend or first.next):
            text += f" {TO_PROVE} {to_mend or first.next}."
        if state(first) == "accepted":
            text = f"accepted by {first.waived_by}: {first.waived}. {text}"
        yield name, text


def _mend(finding: Finding) -> str:
    """What has to be mended first, where a doubt says what that is; else empty."""
    return mend(finding.reason, finding.code) if finding.doubt else ""


def _sentence(finding: Finding) -> str:
    if state(finding) == "accepted":  # a fail is never shown as accepted
        return f"accepted by {finding.waived_by}: {finding.waived}. {finding.sentence}"
    return finding.sentence
