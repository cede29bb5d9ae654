"""Writes a run into a folder: capture, plan, definitions, and the truth for comparison."""

from __future__ import annotations

import gzip
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from canscope.simulate.messages import all_messages, dbc_text
from canscope.simulate.physics import Truth
from canscope.simulate.plans import definition_file, stage_toml, vehicle_toml
from canscope.simulate.recording import START_US
from canscope.simulate.runs import STILL_RPM, Run
from canscope.simulate.vehicle import Vehicle

TRUTH_EVERY = 50  # milliseconds: 20 Hz


@dataclass(frozen=True)
class RunFiles:
    """Where the parts of a written run lie."""

    capture: Path
    plan: Path
    truth: Path


def write_run(
    run: Run, folder: Path, *, capture: str = "capture.log", truth: bool = True
) -> RunFiles:
    """Write a run; files of the same names are replaced. ``capture`` may end in ``.gz``.

    Without ``truth`` only what a check reads is written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    where = RunFiles(folder / capture, folder / "plan.toml", folder / "truth.csv")
    files = definition_files(run.vehicle) | {
        "vehicle.toml": vehicle_toml(run.vehicle),
        where.plan.name: stage_toml(run.vehicle, run.script.stage, run.marks),
    }
    if truth:
        files[where.truth.name] = truth_csv(run.truth)
    for name, text in files.items():
        (folder / name).write_text(text, "utf-8", newline="\n")
    write_capture(run, where.capture)
    return where


def write_capture(run: Run, file: Path) -> None:
    """Write the capture alone, compressed if the name ends in ``.gz``."""
    data = run.capture_text().encode()
    # Without a time in the header the same text always gives the same file.
    file.write_bytes(gzip.compress(data, 9, mtime=0) if file.suffix == ".gz" else data)


def definition_files(vehicle: Vehicle) -> dict[str, str]:
    """File name -> text of the vehicle's definitions."""
    messages = all_messages(vehicle)
    # Units of one kind share a file: the first one's.
    return {
        definition_file(vehicle, channel): dbc_text(own)
        for channel, own in reversed(messages.items())
    }


def truth_csv(truth: Truth) -> str:
    """What really happened, at 20 Hz: SI values, and the sense in which each axle's wheels turn.

    ``AXLE_wheels`` is 1 rolling the vehicle forward, -1 backward, 0 below 30 rpm of the motor.
    """
    rows = slice(None, None, TRUTH_EVERY)
    columns = {
        "pack_voltage_V": truth.pack_V,
        "pack_current_A": truth.pack_A,
        "link_voltage_V": truth.link_V,
    }
    columns |= {f"{pole}_closed": column for pole, column in truth.closed.items()}
    columns |= dict(truth.inputs)
    for name, speed in truth.speed_rpm.items():
        columns[f"{name}_speed_rpm"] = speed
        columns[f"{name}_torque_Nm"] = truth.torque_Nm[name]
        columns[f"{name}_wheels"] = np.where(np.abs(speed) < STILL_RPM, 0.0, np.sign(speed))
        for body in ("winding", "inverter", "case"):
            heat = truth.heat[name]
            columns[f"{name}_{body}_degC"] = np.interp(truth.time_s, heat["time_s"], heat[body])
    table = np.column_stack([column[rows] for column in columns.values()])
    lines = [",".join(["time_ns", *columns])]
    for time_s, values in zip(truth.time_s[rows].tolist(), table.tolist(), strict=True):
        time_ns = (START_US + round(time_s * 1e6)) * 1000
        lines.append(",".join([str(time_ns), *(f"{value:.5g}" for value in values)]))
    return "\n".join(lines) + "\n"
