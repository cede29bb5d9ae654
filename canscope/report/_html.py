"""Small pieces of HTML; every text that comes from outside goes through ``safe``."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from html import escape

from canscope.report.wording import visible

_JSON = json.JSONEncoder(allow_nan=False, separators=(",", ":"), ensure_ascii=False)

# Shape first, colour second: the sheet must read the same on a black-and-white printer.
_SHAPES = {
    "proven": '<circle cx="10" cy="10" r="9" fill="#0f6b3c"/><path d="M5 10.5l3.6 3.6L15 6.6"/>',
    "failed": (
        '<path d="M1 1h18v18H1z" fill="#b00020" stroke="none"/><path d="M5.5 5.5l9 9m0-9l-9 9"/>'
    ),
    "unproven": (
        '<path d="M10 .8L19.2 10 10 19.2.8 10z" fill="#fff" stroke="#8a4b00" stroke-width="1.6"/>'
        '<path d="M7.6 8.2a2.5 2.5 0 1 1 3.4 2.4q-1 .4-1 1.7M10 14.4v.6" stroke="#8a4b00"'
        ' stroke-width="1.7"/>'
    ),
    "advice": (
        '<path d="M10 2.5L17.5 10 10 17.5 2.5 10z" fill="#fff" stroke="#666" stroke-width="1.3"'
        ' stroke-dasharray="2.5 1.5"/>'
    ),
    "accepted": (
        '<path d="M1.5 1.5h17v17h-17z" fill="#fff" stroke="#123a6b" stroke-width="1.8"/>'
        '<path d="M5 15l1-3.4L13 4.6l2.4 2.4-7 7z" stroke="#123a6b" stroke-width="1.5"/>'
    ),
    "partly": (
        '<circle cx="10" cy="10" r="8.5" fill="#fff" stroke="#0f6b3c" stroke-width="1.6"/>'
        '<path d="M10 1.5a8.5 8.5 0 0 0 0 17z" fill="#0f6b3c" stroke="none"/>'
    ),
    "absent": '<path d="M4 10h12" stroke="#666"/>',
}


def symbols() -> str:
    """The shapes, defined once for the whole page."""
    drawn = "".join(
        f'<symbol id="shape-{name}" viewBox="0 0 20 20"><g stroke="#fff" stroke-width="2.2"'
        f' fill="none" stroke-linecap="round" stroke-linejoin="round">{paths}</g></symbol>'
        for name, paths in _SHAPES.items()
    )
    return f'<svg width="0" height="0" class="symbols" aria-hidden="true">{drawn}</svg>'


def shape(name: str) -> str:
    """One shape in the text; the word always stands beside it."""
    return f'<svg class="shape" aria-hidden="true"><use href="#shape-{name}"/></svg>'


def as_data(value: object) -> str:
    """JSON to stand inside a ``<script>``: nothing in it can end the element or begin another."""
    text = _JSON.encode(value)
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def safe(text: object) -> str:
    """Text to be shown, whatever it holds."""
    return escape(visible(text), quote=True)


def table(
    head: Sequence[str], rows: Iterable[Sequence[str]], *, kind: str = "", empty: str = "none"
) -> str:
    """A table of cells that are HTML already; ``empty`` is said where there is no row."""
    body = "".join(_row(head, row) for row in rows)
    if not body:
        return f'<p class="empty">{safe(empty)}</p>'
    names = "".join(f'<th scope="col">{name}</th>' for name in head)
    return (
        f'<div class="scroll"><table class="{kind}"><thead><tr>{names}</tr></thead>'
        f"<tbody>{body}</tbody></table></div>"
    )


def pairs(entries: Iterable[tuple[str, str]]) -> str:
    """A list of names and what they are; values are HTML already."""
    drawn = "".join(f"<div><dt>{name}</dt><dd>{value}</dd></div>" for name, value in entries)
    return f"<dl>{drawn}</dl>"


def items(texts: Iterable[str], *, kind: str = "ul", empty: str = "none") -> str:
    """A list of items that are HTML already."""
    drawn = "".join(f"<li>{text}</li>" for text in texts)
    return f"<{kind}>{drawn}</{kind}>" if drawn else f'<p class="empty">{safe(empty)}</p>'


def _row(head: Sequence[str], row: Sequence[str]) -> str:
    # The column's name again in every cell: a phone shows the cells one below the other.
    cells = zip(head, row, strict=True)
    return "<tr>" + "".join(f'<td data-name="{name}">{cell}</td>' for name, cell in cells) + "</tr>"
