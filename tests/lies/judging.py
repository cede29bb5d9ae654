"""Cases of lies, judged from their files as a user's run is, and which of them may pass."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase

import numpy as np

from canscope.simulate.random_vehicle import draw
from canscope.simulate.vehicle import Vehicle
from canscope.trust.evidence import unseen
from tests.lies.lies import Lie, every_kind, lying
from tests.matrix.judging import decoded

STAGES = ("dry-spin", "dry-spin", "wet-spin", "power-up", "unit-alone")
ROLES = {  # of the signals that the demo vehicles send
    "PackVoltage": "pack.voltage",
    "PackCurrent": "pack.current",
    "Resistance": "pack.insulation",
    "ControlVoltage": "supply.voltage",
    "Ignition": "driver.ignition",
    "BrakePressed": "driver.brake",
    "EmergencyStop": "driver.emergency_stop",
    "Pedal": "driver.pedal",
    "Pedal2": "driver.pedal_2",
    "Direction": "driver.direction",
    "Flow": "cooling.flow",
    "NegativeClosed": "contactors.negative",
    "PrechargeClosed": "contactors.precharge",
    "PositiveClosed": "contactors.positive",
    "NegativeCommand": "contactors.negative.command",
    "PrechargeCommand": "contactors.precharge.command",
    "PositiveCommand": "contactors.positive.command",
    "MotorSpeed": "units.{unit}.speed",
    "Torque": "units.{unit}.torque",
    "LinkVoltage": "units.{unit}.link_voltage",
    "Fault": "units.{unit}.fault",
    "Alive": "units.{unit}.alive",
    "Checksum": "units.{unit}.checksum",
    "InverterTemp": "units.{unit}.temperatures.inverter",
    "WindingTemp": "units.{unit}.temperatures.winding",
}
# What no signal of such a run contradicts: (kind, what it is about, with shell wildcards) -> why.
UNSEEN: dict[tuple[str, str], str] = {
    ("exchanged", "* alike"): (
        "units that turn together, ask for the same sense of their signals and bear no mark of"
        " their own: which axle is which rests on the plan alone, and buses-distinct says so"
    ),
    ("same-sensor", "*:UnitFast.LinkVoltage"): (
        "both units hang on one link, and two sensors of it may well agree down to their noise"
    ),
    ("same-sensor", "*.Torque"): "two units may report the one torque that both were told to give",
    ("same-sensor", "twin *"): "the same part of two units alike warms alike",
    ("same-sensor", "hardly moving *"): (
        "it moves by too few of its steps for two sensors to differ visibly"
    ),
}


@dataclass(frozen=True)
class Case:
    """One run and the kinds of lies told in it."""

    seed: int
    stage: str
    kinds: tuple[str, ...]


@dataclass(frozen=True)
class Answer:
    """What became of a case."""

    case: Case
    lies: tuple[Lie, ...]
    verdict: str
    unseen: tuple[str, ...]  # a reason for each lie that nobody can see

    @property
    def is_false_pass(self) -> bool:
        """Whether it passes though somebody could have seen that it is not true."""
        return self.verdict == "pass" and bool(self.lies) and len(self.unseen) < len(self.lies)

    def __str__(self) -> str:
        return f"{self.case.seed} {self.case.stage}: " + "; ".join(map(str, self.lies))


def cases(count: int, lies: int, seed: int, only: list[str]) -> Iterator[Case]:
    """So many cases, always the same ones for a seed."""
    names = only or list(every_kind())
    for number in range(count):
        own = zlib.crc32(f"{seed}-{lies}-{number}".encode())
        rng = np.random.default_rng(own)
        kinds = tuple(str(name) for name in rng.choice(names, lies, replace=False))
        yield Case(own, str(rng.choice(STAGES)), kinds)


def judged(case: Case) -> Answer:
    """Draw the vehicle, act the run out, lie, and check."""
    vehicle, story = draw(case.seed, stage=case.stage)
    run, lies, changed = lying(vehicle, story.script(), case.seed, list(case.kinds))
    if not changed:
        return Answer(case, (), "nothing changed", ())
    report = decoded(run).report()
    whys = [why for lie in lies if (why := why_unseen(lie, vehicle) or _unseen(lie))]
    return Answer(case, tuple(lies), str(report.verdict), tuple(whys))


def why_unseen(lie: Lie, vehicle: Vehicle) -> str:
    """Why the evidence table says that nobody can see this lie; empty if somebody can."""
    units = {unit.channel: unit.name for unit in vehicle.units}
    roles = {
        ROLES[key.rpartition(".")[2]].format(unit=units.get(key.partition(":")[0], ""))
        for key in lie.keys
    }
    if lie.kind == "exchanged":
        roles = {f"units.{name}.speed" for name in units.values()}
    told = [unit for unit in vehicle.units if any(f"units.{unit.name}." in r for r in roles)]
    stated = {"inertia_kgm2"} if any(unit.states_inertia for unit in told) else set()
    return unseen(lie.kind, frozenset(roles), lie.size, frozenset(stated))


def _unseen(lie: Lie) -> str | None:
    """Why nobody can see it, if that is so."""
    return next(
        (
            reason
            for (kind, about), reason in UNSEEN.items()
            if kind == lie.kind and fnmatchcase(lie.about, about)
        ),
        None,
    )
