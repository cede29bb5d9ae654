"""``python -m tests.lies.feedback``: contactor states and buses that come late, and what is said.

Each case is a vehicle of the demo or a random one whose contactors really do something wrong, or
nothing, and whose states, or whose bus, show it late. The answer expected stands beside it.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from canscope.model.report import Report
from canscope.simulate.messages import all_messages
from canscope.simulate.nodes import record
from canscope.simulate.physics import simulate
from canscope.simulate.random_vehicle import draw
from canscope.simulate.recording import Recording
from canscope.simulate.runs import Run, witness
from canscope.simulate.script import PowerUp, Script
from canscope.simulate.sensors import Readings, readings
from canscope.simulate.vehicle import BRAMBLE, THISTLE, Vehicle
from tests.lies.lies import joined
from tests.matrix.judging import decoded

Spoil = Callable[[Readings], None]


@dataclass(frozen=True)
class Case:
    """What is done, the rule that it concerns, and the verdicts on it that are right."""

    name: str
    vehicle: Vehicle
    script: Script
    rule: str
    right: tuple[str, ...]
    states: dict[str, int]  # pole -> ms late
    buses: dict[str, int]  # channel -> ms late
    noise: float = 0.0  # of the link, in parts of the pack


def late(column: np.ndarray, ms: int) -> np.ndarray:
    """A column so much later."""
    return np.concatenate((np.full(ms, column[0]), column[: len(column) - ms]))


def run_of(case: Case, seed: int = 7) -> Run:
    """Act it out."""
    truth = simulate(case.vehicle, case.script)
    seen = readings(truth, case.vehicle)
    rng = np.random.default_rng(seed)
    for pole, ms in case.states.items():
        key = f"can0:ContactorBox.{pole.capitalize()}Closed"
        seen[key] = late(seen[key], ms)
    for key in [key for key in seen if key.endswith("LinkVoltage")] if case.noise else []:
        spread = case.noise * case.vehicle.pack.open_circuit_V
        seen[key] = seen[key] + rng.normal(0, spread, len(seen[key]))
    recording = record(case.vehicle, case.script, seen, rng)
    marks = witness(truth, case.script, recording)
    return Run(
        "late", case.vehicle, case.script, None, seed, truth, shifted(recording, case), marks
    )


def shifted(recording: Recording, case: Case) -> Recording:
    """Some buses stamped late."""
    moved = recording.time_us.copy()
    for channel, ms in case.buses.items():
        moved[recording.of(channel)] += ms * 1000
    return joined(replace(recording, time_us=moved))


def cases() -> Iterator[Case]:
    """All of them."""
    for name, base in (("bramble", BRAMBLE), ("thistle", THISTLE)):
        for cycle in (20, 100) if name == "bramble" else (20,):
            wiring = replace(base.wiring, contactor_cycle_ms=cycle, commands=name == "thistle")
            for share in (0.75, 0.85, 0.9, 0.97):
                box = replace(base.box, close_at_share=share, settle_s=0.0)
                vehicle = replace(base, box=box, wiring=wiring)
                right = ("fail",) if share < 0.8 else ("fail", "unproven")
                right = right if share < 0.95 else ("pass",)
                for ms in (0, 60, 100, 150, 200):
                    about = f"{name} {cycle} ms, closes at {share:.0%}, state {ms} ms late"
                    late_state = {"positive": ms}
                    script = PowerUp().script()
                    yield Case(about, vehicle, script, "precharge-level", right, late_state, {})
    for seed in range(40):
        vehicle, story = draw(seed, stage="power-up" if seed % 2 else "dry-spin")
        script = story.script()
        bad = replace(vehicle, box=replace(vehicle.box, close_at_share=0.75, settle_s=0.0))
        ms = (60, 100, 150, 200)[seed // 2 % 4]
        known = ("fail", "unproven")
        about = f"random {seed}, closes at 75 %, state {ms} ms late"
        yield Case(about, bad, script, "precharge-level", known, {"positive": ms}, {})
        about = f"random {seed}, link noise 0.5 %"
        yield Case(about, vehicle, script, "precharge-level", ("pass",), {}, {}, 0.005)
        bus = list(all_messages(vehicle))[seed % 3 % (1 + len(vehicle.units))]
        ms = (150, 300, 700, 1000)[seed // 3 % 4]
        about = f"random {seed}, {bus} {ms} ms late"
        yield Case(about, vehicle, script, "", ("unproven",), {}, {bus: ms})


def judged(case: Case) -> tuple[Case, Report]:
    """The report of one."""
    return case, decoded(run_of(case)).report()


def main(words: list[str]) -> int:
    """Print what is not right."""
    wrong = count = 0
    for case in cases():
        if not all(word in case.name for word in words):
            continue
        count += 1
        report = judged(case)[1]
        of = [f for f in report.findings if f.rule == case.rule]
        verdicts = {str(f.verdict) for f in of} if case.rule else {str(report.verdict)}
        if case.rule and "fail" in verdicts:
            verdicts = {"fail"}
        if not verdicts <= set(case.right):
            wrong += 1
            print(f"{case.name}: {sorted(verdicts)}")
            for finding in of or [f for f in report.findings if f.verdict == "fail"]:
                print(f"    {finding.rule}: {finding.sentence}")
    print(f"{wrong} of {count} are not right")
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
