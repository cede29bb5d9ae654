"""Cases of lies, judged from their files as a user's run is, and which of them may pass."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase

import numpy as np

from canscope.model.events import Window
from canscope.model.report import Report
from canscope.rules import RULES
from canscope.simulate.random_vehicle import draw
from canscope.simulate.vehicle import Vehicle
from canscope.trust.evidence import unseen
from tests.lies.lies import Lie
from tests.lies.telling import every_kind, lying
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
NOT_BELIEVED = ("sensor-suspect", "stale")  # of a finding that is not required in this stage
OPTIONAL = {  # what tells of it where the stage does not ask for that
    "early-end": "link-discharge",
    "late-start": "contactor-sequence",
    "stop-from-poles": "emergency-stop",
    "state-freezes": "link-discharge",
    "pole-stuck": "contactor-sequence",
}
# What no signal of such a run contradicts: (kind, what it is about, with shell wildcards) -> why.
UNSEEN: dict[tuple[str, str], str] = {
    ("exchanged", "* alike"): (
        "units that turn together, ask for the same sense of their signals and bear no mark of"
        " their own: which axle is which rests on the plan alone, and buses-distinct says so"
    ),
    ("early-end", "all, after it had discharged,"): (
        "whoever stops a recording once the links are below 60 V has recorded all that is judged"
    ),
    ("same-sensor", "*:UnitFast.LinkVoltage"): (
        "both units hang on one link, and two sensors of it may well agree down to their noise"
    ),
    ("same-sensor", "*.Torque"): "two units may report the one torque that both were told to give",
    ("stop-wrong", "always on"): "nodes go on sending to the end, and no rule needs a key-off",
    ("same-sensor", "twin *"): "the same part of two units alike warms alike",
    ("message-copied", "hardly different *"): (
        "it carries no counter, and what it says differs by less than three steps (3 K) from what "
        "the other unit's says: parts alike that nothing warms read alike"
    ),
    ("same-sensor", "hardly moving *"): (
        "it moves by too few of its steps, or by too little beside the noise of both, for two "
        "sensors to differ visibly"
    ),
}


@dataclass(frozen=True)
class Case:
    """One run and the kinds of lies told in it."""

    seed: int
    stage: str
    kinds: tuple[str, ...]
    about: tuple[str, ...] = ()


@dataclass(frozen=True)
class Answer:
    """What became of a case."""

    case: Case
    lies: tuple[Lie, ...]
    verdict: str
    unseen: tuple[str, ...]  # a reason for each lie that nobody can see, or that nothing rests on
    told: tuple[str, ...] = ()  # what says so of each lie on which nothing rests that is required

    @property
    def is_false_pass(self) -> bool:
        """Whether it passes though somebody could have seen that it is not true."""
        known = len(self.unseen) + len(self.told)
        return self.verdict == "pass" and bool(self.lies) and known < len(self.lies)

    def __str__(self) -> str:
        case = f"{self.case.seed} {self.case.stage} {','.join(self.case.kinds)}: "
        return case + "; ".join(map(str, self.lies))


def cases(
    count: int, lies: int, seed: int, only: list[str], about: tuple[str, ...] = ()
) -> Iterator[Case]:
    """So many cases, always the same ones for a seed."""
    names = only or list(every_kind())
    for number in range(count):
        own = zlib.crc32(f"{seed}-{lies}-{number}".encode())
        rng = np.random.default_rng(own)
        kinds = tuple(str(name) for name in rng.choice(names, lies, replace=False))
        yield Case(own, str(rng.choice(STAGES)), kinds, about)


def judged(case: Case) -> Answer:
    """Draw the vehicle, act the run out, lie, and check."""
    vehicle, story = draw(case.seed, stage=case.stage)
    run, lies = lying(vehicle, story.script(), case.seed, list(case.kinds), case.about)
    if not lies:
        return Answer(case, (), "nothing changed", ())
    try:
        report = decoded(run).report()
    except Exception as bug:  # which of the many cases it was is what is looked for first
        bug.add_note(f"Judging {Answer(case, tuple(lies), 'nothing', ())}")
        raise
    whys = [
        why_unseen(lie, vehicle) or _unseen(lie) or _unclaimed(lie, report) or "" for lie in lies
    ]
    # A recording that begins late has no closing, so rules about it are not exercised.
    begins_late = any(lie.kind == "late-start" for lie in lies)
    told = [
        _told(report, lie, vehicle, begins_late)
        for lie, why in zip(lies, whys, strict=True)
        if not why
    ]
    return Answer(
        case, tuple(lies), str(report.verdict), tuple(filter(None, whys)), tuple(filter(None, told))
    )


def _told(report: Report, lie: Lie, vehicle: Vehicle, begins_late: bool) -> str:
    """The rule that cannot believe what a lie changed, where none that does is required here."""
    roles = roles_of(lie, vehicle)
    if lie.kind == "state-echo":
        for note in report.warnings:
            if "echo of the command" in note and lie.keys[0] in note:
                return note
    resting = [finding for finding in report.findings if roles & set(finding.roles)]
    reasons = NOT_BELIEVED
    if lie.kind in OPTIONAL:  # in a stage that does not ask for it
        rule = OPTIONAL[lie.kind]
        resting = [f for f in report.findings if f.rule == rule and not f.required]
        reasons = (*NOT_BELIEVED, "not-exercised", "capture-damaged")
    return next(
        (
            f"{finding.rule}: {finding.sentence}"
            for finding in resting
            if finding.verdict == "unproven"
            and (
                finding.reason in reasons
                or (begins_late and finding.reason == "not-exercised" and _closes(finding.rule))
            )
        ),
        "",
    )


def _closes(rule: str) -> bool:
    """Whether a rule is about the closing of the contactors."""
    return getattr(RULES[rule], "window", None) is Window.ATTEMPT


def roles_of(lie: Lie, vehicle: Vehicle) -> set[str]:
    """The roles of the signals that a lie changed."""
    units = {unit.channel: unit.name for unit in vehicle.units}
    return {
        ROLES[key.rpartition(".")[2]].format(unit=units.get(key.partition(":")[0], ""))
        for key in lie.keys
    }


def why_unseen(lie: Lie, vehicle: Vehicle) -> str:
    """Why the evidence table says that nobody can see this lie; empty if somebody can."""
    units = {unit.channel: unit.name for unit in vehicle.units}
    roles = roles_of(lie, vehicle)
    if lie.kind == "exchanged" and not lie.keys:
        roles = {f"units.{name}.speed" for name in units.values()}
    if (lie.kind, lie.about) == ("clock-fast", "all"):
        roles = {f"units.{name}.alive" for name in units.values()}
    if lie.kind == "early-end" and lie.about in units:
        roles = {f"units.{units[lie.about]}.link_voltage"}
    if lie.kind == "early-end" and lie.about == "can0":
        roles = {"contactors.negative", "contactors.precharge", "contactors.positive"}
    if lie.kind == "message-late" and lie.size is not None:
        return _late_together(roles, lie.size)
    told = [unit for unit in vehicle.units if any(f"units.{unit.name}." in r for r in roles)]
    stated = {"inertia_kgm2"} if any(unit.states_inertia for unit in told) else set()
    return unseen(lie.kind, frozenset(roles), lie.size, frozenset(stated))


def _late_together(roles: set[str], late_s: float) -> str:
    """Why nobody can see that a whole message is late: nobody could of any role that it carries.

    What they are late of lies in other messages, so that together they show no more than alone.
    """
    ways = [("delay", late_s), ("late-feedback", 1000 * late_s)]
    sets = [frozenset(roles)], [frozenset([role]) for role in sorted(roles)]
    for parts in sets:
        whys = [next(filter(None, (unseen(k, part, s) for k, s in ways)), "") for part in parts]
        if roles and all(whys):
            return "; ".join(dict.fromkeys(whys))
    return ""


def _unclaimed(lie: Lie, report: Report) -> str:
    """Whether no passed finding rests on what was changed, though the run as a whole passes.

    That a message was there and in its range says nothing of what it meant.
    """
    passed = {
        key
        for finding in report.findings
        if finding.verdict == "pass" and RULES.file(finding.rule).parent.name != "recording"
        for key in finding.signals
    }
    return "" if not lie.keys or passed & set(lie.keys) else "nothing that passed rests on it"


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
