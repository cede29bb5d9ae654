"""The card as text for the terminal, and as one HTML page that prints on A4."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from html import escape

from canscope.plan.card import Card
from canscope.report.wording import one_line, visible

WIDTH = 92
PAGE = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>{title}</title><style>
@page {{ size: A4; margin: 12mm }}
body {{ font: 10pt/1.35 sans-serif; color: #000; max-width: 186mm; margin: 8mm auto }}
h1 {{ font-size: 15pt; margin: 0 0 2mm }} h2 {{ font-size: 11pt; margin: 4mm 0 1mm }}
table {{ border-collapse: collapse }} td {{ padding: 0 4mm 0 0; vertical-align: top }}
.cautions {{ border: 2px solid #000; padding: 1mm 3mm; margin: 3mm 0 }}
.cautions p {{ margin: 1mm 0 }}
ul {{ list-style: none; margin: 0; padding: 0 }}
li {{ padding: .4mm 0 .4mm 7mm; text-indent: -7mm }}
li::before {{ content: ""; display: inline-block; width: 3.4mm; height: 3.4mm;
  border: 1px solid #000; margin-right: 3mm; vertical-align: -.5mm }}
section {{ break-inside: avoid }}
.proves {{ font-size: 8pt; color: #444; margin: 0 0 0 7mm }}
.plain li {{ padding-left: 0; text-indent: 0 }} .plain li::before {{ content: none; border: 0;
  width: 0; margin: 0 }}
.sign td {{ padding: 9mm 8mm 0 0; white-space: nowrap }}
</style></head><body>
{body}
</body></html>
"""
SIGNATURES = ("Tester", "Witness", "Date, time")


def as_text(card: Card) -> str:
    """The card as plain text."""
    return "\n".join(_text_lines(card)) + "\n"


def _text_lines(card: Card) -> Iterator[str]:
    yield one_line(card.title)
    yield "=" * min(WIDTH, len(card.title))
    width = max((len(name) for name, _ in (*card.facts, *card.limits)), default=0)
    for name, value in (*card.facts, *card.limits):
        yield from _wrapped(f"{name:<{width}}  ", value)
    yield "\nFIRST"
    for caution in card.cautions:
        yield from _wrapped("  ! ", caution)
    for number, step in enumerate(card.steps, start=1):
        yield f"\n{number}. {one_line(step.title)}"
        for task in step.do:
            yield from _wrapped("  [ ] ", task)
        if step.proves:
            yield from _wrapped("      for: ", ", ".join(step.proves))
    if card.cannot:
        yield "\nWITH THIS PLAN THESE STAY UNPROVEN, WHATEVER IS DONE"
        for line in card.cannot:
            yield from _wrapped("  - ", line)
    yield ""
    for line in card.inspections:
        yield from _wrapped("  [ ] ", f"{line}. Signed: ____________________")
    yield "\n" + "   ".join(f"{name}: ____________________" for name in SIGNATURES)


def _wrapped(lead: str, text: str) -> list[str]:
    return textwrap.wrap(
        visible(text), WIDTH, initial_indent=visible(lead), subsequent_indent=" " * len(lead)
    ) or [lead]


def as_html(card: Card) -> str:
    """The card as one HTML page without further files; all text in it is escaped."""
    return PAGE.format(title=_e(card.title), body="\n".join(_html_lines(card)))


def _e(text: str) -> str:
    return escape(visible(text))


def _html_lines(card: Card) -> Iterator[str]:
    yield f"<h1>{_e(card.title)}</h1><table>"
    for name, value in (*card.facts, *card.limits):
        yield f"<tr><td>{_e(name)}</td><td><b>{_e(value)}</b></td></tr>"
    yield "</table><div class='cautions'>"
    yield from (f"<p>{_e(caution)}</p>" for caution in card.cautions)
    yield "</div>"
    for number, step in enumerate(card.steps, start=1):
        yield f"<section><h2>{number}. {_e(step.title)}</h2>"
        yield from _html_list(step.do)
        if step.proves:
            yield f"<p class='proves'>for: {_e(', '.join(step.proves))}</p>"
        yield "</section>"
    if card.cannot:
        yield "<section class='plain'><h2>With this plan these stay unproven, whatever is done</h2>"
        yield from _html_list(card.cannot)
        yield "</section>"
    yield "<section>"
    yield from _html_list([f"{line}. Signed: ____________________" for line in card.inspections])
    cells = "".join(f"<td>{name}: ____________________</td>" for name in SIGNATURES)
    yield f"<table class='sign'><tr>{cells}</tr></table></section>"


def _html_list(lines: tuple[str, ...] | list[str]) -> Iterator[str]:
    yield "<ul>"
    yield from (f"<li>{_e(line)}</li>" for line in lines)
    yield "</ul>"
