"""The page and the data of a vehicle's build record."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import cache

from jinja2 import Environment

from canscope.model.build_record import RunRow, Step, VehicleRecord
from canscope.model.report import Plot, Trace
from canscope.report import templating
from canscope.report._plotly_chart import chart
from canscope.report._svg_drawing import drawing
from canscope.report.json import plain

SHAPES = {"pass": "proven", "fail": "failed", "unproven": "unproven"}


def page(records: Sequence[VehicleRecord]) -> list[bytes]:
    """The page in its parts: one file that opens offline."""
    shown = [(record, trends(record)) for record in records]
    return templating.whole(_templates(), "build_record.html", records=shown)


def data(records: Sequence[VehicleRecord]) -> str:
    """The records as JSON."""
    tree = {"format": 1, "vehicles": [plain(record) for record in records]}
    return json.dumps(tree, indent=1, ensure_ascii=False) + "\n"


def when(at_ns: int | None) -> str:
    """An instant in UTC to the minute."""
    if at_ns is None:
        return "no date"
    return f"{datetime.fromtimestamp(at_ns // 10**9, UTC):%Y-%m-%d %H:%M}"


def trends(record: VehicleRecord) -> list[tuple[str, Plot]]:
    """A plot for each value that two runs or more have, by the number of the run."""
    numbers = {run.name: float(number) for number, run in enumerate(record.runs, start=1)}
    plots = []
    for name, values in record.trends.items():
        if len(values) < 2:
            continue
        unit = name.rpartition(", ")[2]
        trace = Trace(
            name, name, unit, tuple(numbers[run] for run, _ in values), tuple(v for _, v in values)
        )
        plots.append((name, Plot((trace,), 0.5, len(record.runs) + 0.5)))
    return plots


def _step_shape(step: Step) -> str:
    if not step.earned:
        return "unproven"
    return "accepted" if step.accepted else "proven"


def _run_shape(run: RunRow) -> str:
    return SHAPES.get(run.verdict, "absent") if run.counts else "absent"


@cache
def _templates() -> Environment:
    environment = templating.environment()
    # A row of a table is one object in each of its cells.
    environment.filters.update(triple=lambda row: [row] * 3, five=lambda row: [row] * 5)
    environment.globals.update(
        chart=chart, drawing=drawing, run_shape=_run_shape, step_shape=_step_shape, when=when
    )
    return environment
