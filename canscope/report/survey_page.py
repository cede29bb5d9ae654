"""The page, the data and the words of a survey."""

from __future__ import annotations

import json
from collections.abc import Iterator

from markupsafe import Markup

from canscope.model.survey import WEAK, Candidate, Field, Identifier, Ranking, Survey
from canscope.report import templating
from canscope.report.json import plain

WIDTH, HEIGHT = 240, 34  # of a curve, in pixels

STYLE = """
.bits { display: flex; flex-wrap: wrap; gap: 4px 14px; margin: .4em 0; }
.bits svg { display: block; }
.curve { color: var(--ink); }
td.plot { width: 250px; }
"""

# From never to always: how often a bit flips.
SHADES = ((0.0, "."), (0.001, "_"), (0.03, "-"), (0.2, "+"), (0.45, "*"), (0.9, "#"))


def data(survey: Survey) -> str:
    """The survey as JSON."""
    return json.dumps({"format": 1, **plain(survey)}, indent=1, ensure_ascii=False) + "\n"


def rhythm(one: Identifier) -> str:
    """Frames, rate, cycle, jitter and lengths in words."""
    parts = [f"{one.frames} frames"]
    if one.rate_hz:
        parts.append(f"{one.rate_hz:.4g}/s")
    if one.cycle_ms is not None:
        parts.append(f"every {one.cycle_ms:.4g} ms +-{one.jitter_ms:.3g}")
    parts.append(" or ".join(str(size) for size in one.lengths) + " bytes")
    if one.selector:
        parts.append(f"byte 0 selects among {', '.join(map(str, one.selector))}")
    return ", ".join(parts)


def flip_map(one: Identifier) -> Iterator[str]:
    """A line for each eight bytes: bit 7 to 0 of each byte, as often as it flips."""
    if not one.flips:
        return
    constant = dict(one.constants)
    for start in range(0, len(one.flips), 64):
        words = []
        for byte in range(start // 8, min(start // 8 + 8, len(one.flips) // 8)):
            if byte in constant:
                words.append(f"{f'={constant[byte]:02X}':8}")
            else:
                words.append("".join(shade(one.flips[8 * byte + bit]) for bit in range(7, -1, -1)))
        yield " ".join(words)


def shade(rate: float) -> str:
    """A character that is fuller the more often the bit flips."""
    if rate == 0:
        return SHADES[0][1]
    return [sign for least, sign in SHADES[1:] if rate >= least or sign == "_"][-1]


def values(field: Field) -> str:
    """Least and greatest raw value, and how often it changed."""
    return f"{field.lowest} to {field.highest}, changed {field.changes} times"


def fit(one: Candidate) -> str:
    """How a raw value becomes what the reference says, and how far it is off."""
    sign = "-" if one.offset < 0 else "+"
    shift = f" {sign} {abs(one.offset):g}" if one.offset else ""
    percent = abs(one.gain - 1) * 100
    side = "more" if one.gain > 1 else "less"
    reads = f"; the meter reads {percent:.1f} % {side}" if percent >= 0.05 else ""
    return f"raw * {one.factor:g}{shift}, off by {one.error:g}{reads}"


def outcome(ranking: Ranking) -> str:
    """What a ranking comes to, and what to do where it names no single field."""
    if not ranking.candidates:
        return "no field follows it"
    if ranking.picked:
        return f"the first, number {ranking.picked} by its fit, was picked by hand"
    if ranking.candidates[0].score <= WEAK:
        return "no field follows it well: check the times, which count from the first frame"
    if ranking.clear:
        return "the first is clearly better than all others"
    pick = f"or pick one: --pick {ranking.role}=NUMBER"
    if ranking.tied == 1:
        more = "marks at three moments" if ranking.kind == "marks" else "readings at four values"
        return f"the first fits best, but that may be chance: give {more} at least, {pick}"
    return f"{_undecided(ranking)}, {pick}"


def _undecided(ranking: Ranking) -> str:
    """Which fields a reference leaves open, and what would tell them apart."""
    group = ranking.candidates[: ranking.tied]
    text = (
        f"undecided: the first {ranking.tied} follow it equally well, within what "
        f"{ranking.points} {ranking.kind} leave open. "
    )
    one = "mark" if ranking.kind == "marks" else "reading"
    parting = ranking.parting
    if parting is None:
        text += f"Give more {one}s, at times at which they differ"
    elif parting.enough and ranking.kind == "marks":
        text += f"At {parting.at_s:g} s they move apart: if it was pressed then, mark it; give more"
        text += " marks"
    elif parting.enough:
        said = ", ".join(f"{value:g}" for value in parting.said)
        text += f"They differ most at {parting.at_s:g} s ({said}): give a reading from there"
    else:
        text += f"Nowhere in this capture do they differ enough for a {one} to tell them apart: "
        text += "they may be one quantity sent twice. Record while only one of them changes"
    if len({each.identifier.channel for each in group}) > 1:
        text += f", or say which bus it is on: --reference {group[0].identifier.channel}:"
        text += f"{ranking.role}=..."
    return text


def page(survey: Survey) -> list[bytes]:
    """The page: one file that opens offline and runs no script."""
    text = templating.without_script(
        "survey.html",
        style=STYLE,
        survey=survey,
        curve=curve,
        fit=fit,
        outcome=outcome,
        rhythm=rhythm,
        squares=squares,
        values=values,
    )
    return [text.encode("utf-8", "backslashreplace")]


def curve(field: Field) -> Markup:
    """A field's raw values over time, small; numbers only, so nothing needs escaping."""
    if len(field.curve) < 2:
        return Markup("")
    low, high = min(field.curve), max(field.curve)
    across, up = WIDTH / (len(field.curve) - 1), (HEIGHT - 4) / ((high - low) or 1)
    points = " ".join(
        f"{i * across:.1f},{HEIGHT - 2 - (value - low) * up:.1f}"
        for i, value in enumerate(field.curve)
    )
    return Markup(
        f'<svg class="curve" width="{WIDTH}" height="{HEIGHT}" role="img" '
        f'aria-label="{low} to {high}"><polyline points="{points}" fill="none" '
        'stroke="currentColor"/></svg>'
    )


def squares(one: Identifier) -> Markup:
    """The flip map: a row of eight squares a byte, or the value of a byte that never changes."""
    constant = dict(one.constants)
    parts = []
    for byte in range(len(one.flips) // 8):
        rects = []
        for bit in range(8):
            rate = one.flips[8 * byte + bit]
            ink = 0.0 if rate == 0 else 0.15 + 0.85 * min(1.0, rate / 0.5)
            rects.append(
                f'<rect x="{14 * (7 - bit) + 1}" y="1" width="13" height="13" fill="#1a1a1a" '
                f'fill-opacity="{ink:.2f}" stroke="#bbb"/>'
            )
        if byte in constant:
            rects.append(f'<text x="48" y="12" font-size="11">{constant[byte]:02X}</text>')
        parts.append(
            f'<svg width="115" height="16" role="img" aria-label="byte {byte}">{"".join(rects)}'
            "</svg>"
        )
    return Markup("".join(parts))
