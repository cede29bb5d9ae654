"""Which runs the matrix is made of: healthy ones in every stage, and every fault several times."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

from canscope.simulate.faults.catalogue import fault_names, find_fault
from canscope.simulate.random_vehicle import draw
from canscope.simulate.runs import Run, make_run
from canscope.simulate.vehicle import VEHICLES

HEALTHY = {"dry-spin": 25, "power-up": 20, "wet-spin": 10, "unit-alone": 10}  # random vehicles
TIMES = 5  # each fault, on as many random vehicles
FIFTH = 5
DEMO_STAGES = ("dry-spin", "power-up")


@dataclass(frozen=True)
class Scenario:
    """One run: a fault (or none) in a stage, on the vehicle of that name or number."""

    stage: str
    vehicle: str | int
    fault: str | None = None

    @property
    def name(self) -> str:
        """How it is called in a list of tests."""
        return f"{self.fault or 'healthy'}-{self.stage}-{self.vehicle}"

    @property
    def seed(self) -> int:
        """Each scenario has dice of its own, whatever others there are."""
        return zlib.crc32(self.name.encode())

    def run(self) -> Run:
        """The run, simulated."""
        fault = find_fault(self.fault) if self.fault else None
        if isinstance(self.vehicle, str):
            return make_run(self.vehicle, stage=self.stage, fault=fault, seed=self.seed)
        vehicle, story = draw(self.seed, stage=self.stage, suits=fault.suits if fault else None)
        return make_run(vehicle, story=story, fault=fault, seed=self.seed)


def scenarios() -> list[Scenario]:
    """All of them, always in the same order: every fifth one is run with the tests."""
    found = [Scenario(stage, number) for stage, times in HEALTHY.items() for number in range(times)]
    for name in fault_names():
        stages = find_fault(name).stages
        found += [Scenario(stages[n % len(stages)], n, name) for n in range(TIMES)]
    found += [Scenario(stage, name) for stage in DEMO_STAGES for name in VEHICLES]
    return found


def fifth() -> list[Scenario]:
    """Every fifth random run, and the demo vehicles in good health."""
    numbered = [s for s in scenarios() if isinstance(s.vehicle, int)]
    demos = [s for s in scenarios() if isinstance(s.vehicle, str)]
    return numbered[::FIFTH] + demos
