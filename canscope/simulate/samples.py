"""Writes the examples that come with canscope: ``dbc_examples`` and ``sample_logs``."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

from canscope.simulate.folder import definition_files, write_capture
from canscope.simulate.plans import stage_toml, vehicle_toml
from canscope.simulate.runs import Run, excerpt, make_run
from canscope.simulate.vehicle import VEHICLES

SEED = 1
STAGES = {"dry_spin.toml": "dry-spin", "power_up.toml": "power-up"}


def example_files() -> dict[str, str]:
    """Path below ``dbc_examples`` -> text: definitions and plans of both demo vehicles."""
    files: dict[str, str] = {}
    for name in ("bramble", "thistle"):
        vehicle = VEHICLES[name]
        own = definition_files(vehicle) | {"vehicle.toml": vehicle_toml(vehicle)}
        own |= {file: stage_toml(vehicle, stage) for file, stage in STAGES.items()}
        files |= {f"{name}/{file}": text for file, text in own.items()}
    return files


def sample_runs() -> dict[str, Run]:
    """Capture's file name below ``sample_logs`` -> run."""
    wrong = make_run("bramble", fault="front-axle-wrong-way", seed=SEED)
    return {
        "bramble_dry_spin.log.gz": make_run("bramble", seed=SEED),
        "bramble_front_axle_wrong_way.log": excerpt(wrong, 3.0, 18.0),
    }


def marks_jsonl(run: Run) -> str:
    """The witness's marks as JSON Lines, as ``--marks`` takes them."""
    return "".join(json.dumps(asdict(mark)) + "\n" for mark in run.marks)


def write_samples(root: Path) -> None:
    """Write both folders below ``root``; the files are always the same, byte for byte."""
    for name, text in example_files().items():
        file = root / "dbc_examples" / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, "utf-8", newline="\n")
    logs = root / "sample_logs"
    logs.mkdir(parents=True, exist_ok=True)
    for name, run in sample_runs().items():
        write_capture(run, logs / name)
        marks = logs / f"{name.split('.')[0]}.marks.jsonl"
        marks.write_text(marks_jsonl(run), "utf-8", newline="\n")
