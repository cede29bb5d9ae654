"""Runs: a driver's script acted out on a vehicle and recorded, with the marks of a witness."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from canscope.simulate.faults.catalogue import find_fault
from canscope.simulate.faults.fault import Fault
from canscope.simulate.nodes import record
from canscope.simulate.physics import Truth, simulate
from canscope.simulate.recording import Recording, candump_text
from canscope.simulate.script import FORWARD, DrySpin, PowerUp, Script, Story
from canscope.simulate.sensors import readings
from canscope.simulate.vehicle import VEHICLES, Vehicle

STILL_RPM = 30.0
SEEN = {1: "forward", -1: "reverse", 0: "still"}


@dataclass(frozen=True)
class WitnessMark:
    """What the witness beside the vehicle saw one wheel do; ``at_s`` from the first frame."""

    at_s: float
    axle: str
    seen: str
    text: str


@dataclass(frozen=True, eq=False)
class Run:
    """One run, ready to be written. ``vehicle`` is as planned, faults of its build left out."""

    name: str
    vehicle: Vehicle
    script: Script
    fault: Fault | None
    seed: int
    truth: Truth
    recording: Recording
    marks: tuple[WitnessMark, ...]

    @property
    def expected(self) -> str:
        """The verdict that a check of it has to reach."""
        return self.fault.expected if self.fault else "pass"

    def capture_text(self) -> str:
        """The capture as candump text, damaged by the fault if there is one."""
        text = candump_text(self.recording)
        return self.fault.spoil(text) if self.fault else text


def make_run(
    vehicle: str | Vehicle = "bramble",
    *,
    stage: str = "dry-spin",
    story: Story | None = None,
    fault: str | Fault | None = None,
    severity: float = 1.0,
    seed: int = 1,
) -> Run:
    """Make one run; the same arguments always give the same run.

    ``vehicle`` is a key of ``VEHICLES`` or a vehicle itself; ``story`` is what the driver does
    (default: the usual story of the ``stage``); ``fault`` a name from ``fault_names()`` or a fault
    itself.

    Raises:
        UnknownNameError: no fault of that name.
        ValueError: a fault in a stage that it is not made for.
    """
    wrong = find_fault(fault, severity=severity) if isinstance(fault, str) else fault
    planned = built = VEHICLES[vehicle] if isinstance(vehicle, str) else vehicle
    acted = story or (PowerUp() if stage == "power-up" else DrySpin(stage=stage))
    if wrong:
        stage = acted.script().stage
        if stage not in wrong.stages:
            made = " or ".join(wrong.stages)
            raise ValueError(f"fault {wrong.name!r} is made for the {made}, not for {stage!r}")
        acted = wrong.story(acted)
        built = wrong.vehicle(planned)
    script = acted.script()
    rows = round(script.end_s * 1000)
    load = wrong.load_W(np.arange(rows) / 1000, script, planned) if wrong else None
    truth = simulate(built, script, extra_load_W=load)
    shown = readings(truth, built)
    if wrong:
        wrong.distort(shown, truth, built, script)
    recording = record(built, script, shown, np.random.default_rng(seed))
    marks = witness(truth, script, recording)
    if wrong:
        recording = wrong.damage(recording, script, planned)
    name = planned.name if isinstance(vehicle, Vehicle) else vehicle
    name += f"-{script.stage}" + (f"-{wrong.name}" if wrong else "")
    return Run(name, planned, script, wrong, seed, truth, recording, marks)


def witness(truth: Truth, script: Script, recording: Recording) -> tuple[WitnessMark, ...]:
    """What a person at the wheels notes for each burst and axle, as the wheels really turned."""
    first_s = float(recording.since_s()[0])
    marks = []
    for spin in script.spins:
        asked = "forward" if spin.direction == FORWARD else "reverse"
        rows = slice(round((spin.start_s + 0.4) * 1000), round(spin.end_s * 1000))
        for number, (axle, speed) in enumerate(truth.speed_rpm.items()):
            middle = float(np.mean(speed[rows])) if len(speed[rows]) else 0.0
            sense = 0 if abs(middle) < STILL_RPM else int(np.sign(middle))
            at_s = round(spin.end_s - 0.7 + 2.0 * number - first_s, 3)
            if at_s < script.end_s:
                text = f"{asked} asked for, left {axle} wheel watched"
                marks.append(WitnessMark(at_s, axle, SEEN[sense], text))
    return tuple(marks)


def excerpt(run: Run, from_s: float, until_s: float) -> Run:
    """A part of a run, in seconds from its start; marks keep only those that fall inside."""
    since = run.recording.since_s()
    part = run.recording.take((since >= from_s) & (since < until_s))
    moved = float(part.since_s()[0]) - float(since[0])
    inside = (replace(mark, at_s=round(mark.at_s - moved, 3)) for mark in run.marks)
    marks = tuple(m for m in inside if 0 <= m.at_s <= until_s - from_s)
    return replace(run, recording=part, marks=marks)
