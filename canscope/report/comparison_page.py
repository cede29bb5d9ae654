"""The page and the data of a comparison of two reports."""

from __future__ import annotations

import dataclasses
import json
from functools import cache
from typing import Any

from jinja2 import Environment

from canscope.model.comparison import CHANGED, OPEN, SAME, Comparison, Difference, Overlay
from canscope.model.findings import Finding
from canscope.model.quantities import STATE, with_unit
from canscope.report import templating, wording
from canscope.report._glance import shown_at_first
from canscope.report._plotly_chart import chart
from canscope.report._svg_drawing import drawing
from canscope.report.json import plain


def page(found: Comparison) -> list[bytes]:
    """The page in its parts: one file that opens offline."""
    return templating.whole(
        _templates(),
        "comparison.html",
        found=found,
        facts=_facts(found),
        kinds=[
            # A row is one difference in each of its five cells.
            (kind, [[one] * 5 for one in found.differences if one.kind == kind])
            for kind in (CHANGED, OPEN, SAME)
        ],
        first=[one for one in found.overlays if shown_at_first(one.role)],
        others=[one for one in found.overlays if not shown_at_first(one.role)],
    )


def data(found: Comparison) -> str:
    """The same as JSON, without the curves: those are in the two reports."""
    tree: dict[str, Any] = {
        "format": 1,
        "reports": [
            {
                "id": report.unique_id,
                "vehicle": report.vehicle,
                "stage": report.stage,
                "verdict": report.verdict,
            }
            for report in (found.a, found.b)
        ],
        "counts": {kind: found.count(kind) for kind in (CHANGED, SAME, OPEN)},
        "notes": list(found.notes),
        "findings": [_row(one) for one in found.differences],
    }
    return json.dumps(plain(tree), indent=1, ensure_ascii=False) + "\n"


def _facts(found: Comparison) -> list[list[str]]:
    """What the two reports are."""
    both = (found.a, found.b)
    return [
        ["verdict", *(wording.VERDICT_WORDS.get(one.verdict, one.verdict) for one in both)],
        ["vehicle", *(one.vehicle or "not named" for one in both)],
        ["stage", *(one.stage for one in both)],
        ["recorded", *(wording.recorded(one.capture)[0] for one in both)],
        ["report", *(wording.identity(one) for one in both)],
    ]


def _row(one: Difference) -> dict[str, Any]:
    row = dataclasses.asdict(dataclasses.replace(one, a=None, b=None))
    for name, finding in (("a", one.a), ("b", one.b)):
        row[name] = finding and {
            "verdict": finding.verdict,
            "measured": finding.measured,
            "uncertainty": finding.uncertainty,
            "sentence": finding.sentence,
        }
    return row | {"unit": one.unit}


@cache
def _templates() -> Environment:
    environment = templating.environment()
    environment.globals.update(
        chart=chart, drawing=drawing, value=value, difference=change, title=_title,
        state=wording.state,
    )  # fmt: skip
    return environment


def value(finding: Finding | None) -> str:
    """A finding's number, or its state where it has none."""
    if finding is None:
        return "no finding"
    if finding.measured is None or finding.unit == STATE:
        return wording.STATE_WORDS[wording.state(finding)]
    return wording.measured(finding)


def change(one: Difference) -> str:
    """``+3.20 ± 0.50 rpm``."""
    if one.difference is None:
        return ""
    digits = wording.to_digits_of(one.difference, one.uncertainty)
    sign = "" if digits.startswith("-") else "+"
    u = f" ± {wording.to_digits_of(one.uncertainty, one.uncertainty)}" if one.uncertainty else ""
    return with_unit(f"{sign}{digits}{u}", one.unit)


def _title(one: Overlay) -> str:
    return f"{one.role}, seconds after {one.after}"
