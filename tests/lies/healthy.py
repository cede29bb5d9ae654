"""Random healthy vehicles with what real ones have, several traits each; none of them may fail."""

from __future__ import annotations

import tempfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from canscope.capture.read import read_capture
from canscope.decoding.columns import decode
from canscope.judge.check import check
from canscope.model.report import Report
from canscope.plan.load import read_plan
from canscope.simulate.folder import write_run
from canscope.simulate.nodes import record
from canscope.simulate.physics import simulate
from canscope.simulate.random_vehicle import draw
from canscope.simulate.runs import Run, witness
from canscope.simulate.sensors import readings
from tests.lies.real import Real, every_trait

STAGES = ("dry-spin", "dry-spin", "wet-spin", "power-up", "unit-alone")


@dataclass(frozen=True)
class Healthy:
    """One healthy run, by its seed, and the traits that it has."""

    seed: int
    stage: str
    traits: tuple[str, ...]


@dataclass(frozen=True)
class Told:
    """What became of one: its traits in words, the verdict, what failed, what is unproven."""

    case: Healthy
    words: tuple[str, ...]
    verdict: str
    failed: tuple[str, ...]
    unproven: tuple[str, ...]  # only what is required and not waived
    unproven_rules: tuple[str, ...]
    failed_rules: tuple[str, ...]

    def __str__(self) -> str:
        return f"{self.case.seed} {self.case.stage}: " + "; ".join(self.words)


def healthy_cases(count: int, seed: int, only: list[str]) -> Iterator[Healthy]:
    """So many, always the same ones for a seed; one to four traits each."""
    names = only or list(every_trait())
    for number in range(count):
        own = zlib.crc32(f"healthy-{seed}-{number}".encode())
        rng = np.random.default_rng(own)
        most = min(4, len(names))
        traits = rng.choice(names, int(rng.integers(1, most + 1)), replace=False)
        stage = "wet-spin" if "rolling" in traits else str(rng.choice(STAGES))
        yield Healthy(own, stage, tuple(map(str, traits)))


def told_of(case: Healthy) -> Told:
    """Draw the vehicle, give it its traits, act the run out and check it."""
    try:
        report, words = report_of(case)
    except Exception as bug:  # which of the many cases it was is what is looked for first
        bug.add_note(str(case))
        raise
    bad = [f for f in report.findings if f.verdict == "fail"]
    open_ = [f for f in report.findings if f.verdict == "unproven" and f.required and not f.waived]
    return Told(
        case,
        words,
        str(report.verdict),
        tuple(f"{f.rule} {f.subject}: {f.sentence}" for f in bad),
        tuple(f"{f.rule} {f.subject}: {f.sentence}" for f in open_),
        tuple(sorted({f.rule for f in open_})),
        tuple(sorted({f.rule for f in bad})),
    )


def report_of(case: Healthy) -> tuple[Report, tuple[str, ...]]:
    """The report on such a run, by way of its files, and its traits in words."""
    with tempfile.TemporaryDirectory() as name:
        plan_file, capture_file, words = written(case, Path(name))
        plan = read_plan(plan_file)
        signals = decode(read_capture(capture_file), plan.definitions, wanted=plan.wanted)
        return check(signals, plan), words


def written(case: Healthy, folder: Path) -> tuple[Path, Path, tuple[str, ...]]:
    """Plan and capture of such a run, and its traits in words."""
    vehicle, story = draw(
        case.seed, stage=case.stage, units=2 if "rolling" in case.traits else None
    )
    real = Real(vehicle, story, np.random.default_rng(case.seed))
    words = tuple(w for name in case.traits if (w := every_trait()[name](real)) is not None)
    script, rows = real.script, round(real.script.end_s * 1000)
    load_W = sum((load(np.arange(rows) / 1000) for load in real.loads_W), np.zeros(rows))
    truth = simulate(real.vehicle, script, extra_load_W=load_W)
    real.seen = readings(truth, real.vehicle)
    for change in real.sensed:
        change(real, truth, real.seen)
    recording = record(real.vehicle, script, real.seen, np.random.default_rng(case.seed))
    late_s = 0.8 if "gentle" in case.traits else 0.0  # a person needs to see it turn first
    seen, first_s = witness(truth, script, recording), float(recording.since_s()[0])
    for later in real.sent:
        recording = later(real, recording)
    late_s += first_s - float(recording.since_s()[0])  # marks count from the first frame
    marks = tuple(replace(mark, at_s=round(mark.at_s + late_s, 3)) for mark in seen)
    run = Run("healthy", real.vehicle, script, None, case.seed, truth, recording, marks)
    real.first_s = float(recording.since_s()[0])
    files = write_run(run, folder)
    for file in [*folder.glob("*.toml"), *folder.glob("*.dbc")]:
        text = file.read_text("utf-8")
        for planned in real.planned:
            text = planned(file.name, text)
        file.write_text(text, "utf-8", newline="\n")
    return files.plan, files.capture, words
