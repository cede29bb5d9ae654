"""The card for the person at the vehicle: what to do, in order, so that a run can prove its stage.

Every rule that the stage requires is exercised by one of the steps; a rule that none of the written
steps exercises adds a step with its own ``exercise``. Seconds and amperes are the plan's, else the
rules' defaults.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from canscope.model.bench import DriveUnit
from canscope.plan import steps
from canscope.plan.coverage import Prospect, prospects
from canscope.plan.mounting import CAUTION
from canscope.plan.plan import Plan

CAUTIONS = (
    "High voltage kills. A value on the bus never proves a circuit dead: isolate, lock, wait, and "
    "measure with a rated instrument before touching.",
    "Everything that can turn is clear of hands, hair and clothes. A second person stands at the "
    "emergency stop the whole time. This tool only listens; it cannot stop a motor.",
    "Follow the parts' own documentation and local rules. Work on high voltage belongs to "
    "qualified people. This card and its report are no approval for the road.",
)
ON_STANDS = (
    "The wheels are off the ground: vehicle on rated stands, chocked, and it cannot be shaken off."
)
ON_BENCH = "The unit is bolted down, its shaft is guarded, and nothing lies loose beside it."
ON_GROUND = "The area is closed and clear on all sides; the brakes alone can stop the vehicle."
DRY = (
    "Nothing carries the heat away: least current, a few seconds, then rest. Never a long run "
    "without coolant and oil."
)


@dataclass(frozen=True)
class Card:
    """Everything that the card shows, as plain text that is not escaped."""

    title: str
    facts: tuple[tuple[str, str], ...]
    limits: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    steps: tuple[steps.Step, ...]
    cannot: tuple[str, ...] = ()  # what stays unproven whatever is done
    inspections: tuple[str, ...] = ()


def card(plan: Plan) -> Card:
    """The card of a plan."""
    bench = plan.bench
    required = [prospect for prospect in prospects(plan) if prospect.required]
    return Card(
        title=f"{bench.vehicle}: {bench.stage}",
        facts=tuple(_facts(plan)),
        limits=tuple(_limits(plan)),
        cautions=tuple(_cautions(plan)),
        steps=tuple(_steps(plan, {prospect.rule for prospect in required})),
        cannot=tuple(_cannot(p) for p in required if not p.provable),
        inspections=tuple(_inspection(u) for u in bench.units if u.lubrication_caution),
    )


def _steps(plan: Plan, required: set[str]) -> Iterator[steps.Step]:
    """The steps of the stage, then one for every required rule that none of them exercises."""
    written = list(steps.steps(plan))
    exercised = {rule for step in written for rule in step.proves}
    last = len(written) - 1  # the closing step stays the last one
    yield from written[:last]
    for name in sorted(required - exercised):
        what = plan.rules[name].exercise_in(plan.bench) or "see the rule's manual page"
        yield steps.Step(f"For {name}", (what[:1].upper() + what[1:],), (name,))
    yield from written[last:]


def _facts(plan: Plan) -> Iterator[tuple[str, str]]:
    bench = plan.bench
    yield "Coolant, oil", f"{bench.coolant}, {bench.oil}"
    if bench.ambient_degC is not None:
        yield "Ambient", f"{bench.ambient_degC:g} degC"
    for key in ("job_number", "customer", "place", "notes"):
        if plan.job.get(key):
            yield key.replace("_", " ").capitalize(), str(plan.job[key])
    for unit in bench.units:
        sense = "kept" if unit.sign > 0 else "reversed"
        swapped = ", phases swapped" if unit.phases_swapped else ""
        sits = unit.mounting
        yield (
            f"Unit {unit.name}",
            f"roll {sits.roll:g}, pitch {sits.pitch:g}, yaw {sits.yaw:g}{swapped}: "
            f"the sign of its speed and torque is {sense}",
        )


def _limits(plan: Plan) -> Iterator[tuple[str, str]]:
    value = steps.Values(plan)
    limits = [
        ("Pack current, at most", value.current_A, "A"),
        ("Motor speed, at most", value.speed_rpm, "rpm"),
    ]
    if plan.bench.dry:
        limits += [
            ("Each dry burst, at most", value.burst_s, "s"),
            ("All dry turning, at most", value.total_s, "s"),
            ("Pause between dry bursts, at least", value.given_pause_s, "s"),
        ]
    for name, number, unit in limits:
        yield name, "not given in the plan" if number is None else f"{number:g} {unit}"
    for word, degrees in value.ceilings.items():
        yield f"Temperature {word}, at most", f"{degrees:g} degC"


def _cautions(plan: Plan) -> Iterator[str]:
    yield from CAUTIONS
    stage = plan.bench.stage
    if stage == "unit-alone":
        yield ON_BENCH
    elif stage != "power-up":
        yield ON_GROUND if stage == "rolling" else ON_STANDS
    if plan.bench.dry and stage != "power-up":
        yield DRY
    if any(unit.lubrication_caution for unit in plan.bench.units):
        yield CAUTION


def _cannot(prospect: Prospect) -> str:
    accepted = f" (accepted by {prospect.accepted})" if prospect.accepted else ""
    return f"{prospect.rule}, {prospect.subject}: {prospect.obstacle}{accepted}"


def _inspection(unit: DriveUnit) -> str:
    return f"Oil reaches the gears of unit {unit.name} as it is mounted: inspected"
