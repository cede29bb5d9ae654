"""Files in, report out: read, decode, judge."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.checking.inputs import Inputs
from canscope.checking.memory import collecting_garbage, returning_freed_memory
from canscope.model.errors import UnknownNameError, Where
from canscope.model.report import ReadAs, Report

if TYPE_CHECKING:
    from canscope.model.tables import Frames
    from canscope.plan.plan import Plan


def judge_files(
    inputs: Inputs,
    *,
    marks: Path | None = None,
    format: str | None = None,
    channel: Sequence[str] | None = None,
    offsets: Mapping[str, float] | None = None,
    columns: Mapping[str, str] | None = None,
    passing: Callable[[Any], Iterable[Frames]] = iter,
    written_at: str | None = None,
) -> Report:
    """Read, decode and judge; the report is not written anywhere yet.

    ``passing`` is given the opened capture and passes its chunks on, to show how far it has come.
    """
    from canscope.capture.order import gathered
    from canscope.capture.read import read_capture
    from canscope.checking.coarse_stamps import fine_enough
    from canscope.decoding.columns import decode
    from canscope.judge.check import check
    from canscope.plan.load import read_plan

    plan = read_plan(inputs.plan, marks=marks or inputs.marks)
    if inputs.run_file is not None:
        from canscope.live.run_folder.earlier_runs import as_recorded

        plan = as_recorded(plan, inputs.run_file)
    capture = read_capture(
        *inputs.captures,
        format=format,
        channel=_channel(channel, plan),
        offsets=offsets,
        columns=columns,
    )
    chunks = gathered(fine_enough(passing(capture), ", ".join(inputs.captures)))
    signals = decode(chunks, plan.definitions, wanted=plan.wanted)
    now = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    with collecting_garbage():
        report = check(
            returning_freed_memory(signals), plan, capture=capture, written_at=written_at or now
        )
    read_as = ReadAs(format, tuple(channel or ()), dict(offsets or {}), dict(columns or {}))
    warnings = (*inputs.notes, *capture.notes, *report.warnings)
    return replace(_with_overlooked(report, plan), warnings=warnings, read_as=read_as)


def _with_overlooked(report: Report, plan: Plan) -> Report:
    """The report with signals that look like roles which the plan says are not there."""
    if not report.not_on_vehicle:
        return report
    from canscope.draft.overlooked import overlooked

    found = overlooked(plan)
    checks = (replace(one, looks_like=found.get(one.role, "")) for one in report.not_on_vehicle)
    return replace(report, not_on_vehicle=tuple(checks))


def _channel(given: Sequence[str] | None, plan: Plan) -> str | Sequence[str] | None:
    """The bus of captures that do not name it: as given, else the plan's if it has only one."""
    buses = {message.channel for message in plan.definitions.messages} | {*plan.bench.bitrates}
    for name in given or ():
        if name not in buses:
            raise UnknownNameError("bus", name, buses, where=Where(str(plan.path)))
    return given or (next(iter(buses)) if len(buses) == 1 else None)
