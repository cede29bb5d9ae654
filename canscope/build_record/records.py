"""The record of each vehicle whose runs lie in a folder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from canscope.build_record.changes import read_notes
from canscope.build_record.runs import rows_of
from canscope.build_record.stages import record_of
from canscope.model.build_record import RunRow, VehicleRecord
from canscope.model.errors import CanscopeError, Where
from canscope.model.report import Report


def records_of(
    folder: Path, judge: Callable[[Path], Report]
) -> tuple[list[VehicleRecord], list[RunRow]]:
    """The record of each vehicle in a folder, and the runs of which nobody knows the vehicle.

    ``judge`` gives the report of a run that has none.

    Raises CanscopeError if it is no folder, has no run, or its changes cannot be read.
    """
    if not folder.is_dir():
        hint = "give the folder in which the run folders lie side by side"
        raise CanscopeError("no folder of that name", where=Where(str(folder)), hint=hint)
    notes = read_notes(folder)
    runs: dict[str, tuple[list[RunRow], list[RunRow]]] = {}
    uncounted = []
    for vehicle, row, is_replay in rows_of(folder, judge):
        if not vehicle:
            uncounted.append(row)
        else:
            runs.setdefault(vehicle, ([], []))[is_replay].append(row)
    if not runs and not uncounted:
        hint = "a run folder holds a capture (*.log) and its plan.toml"
        raise CanscopeError("no run in this folder", where=Where(str(folder)), hint=hint)
    records = [record_of(name, real, replays, notes) for name, (real, replays) in runs.items()]
    return records, uncounted
