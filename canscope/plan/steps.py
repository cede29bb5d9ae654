"""The steps at the vehicle for each stage, with the plan's own limits filled in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from canscope.model.roles import role_of
from canscope.model.rule import CardStep
from canscope.plan.plan import Plan

IN = {"forward": "forward", "reverse": "in reverse"}
RUN_S = 3.0  # one burst: long enough to judge a direction, short enough for a dry unit
REST_S = 60.0  # pause of a dry unit where the plan gives none: common practice, no source
WET_REST_S = 10.0  # with coolant and oil; likewise
WATCH_S = 60.0  # heat soaks out after the stop; likewise


@dataclass(frozen=True)
class Step:
    """Things to do, each with a box to tick, and the rules that they exercise."""

    title: str
    do: tuple[str, ...]
    proves: tuple[str, ...] = ()


class Values:
    """The numbers that the steps name."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        dry = plan.bench.dry
        self.burst_s = self._of("dry-exposure", "burst_s") if dry else None
        self.total_s = self._of("dry-exposure", "total_s") if dry else None
        self.given_pause_s = self._of("dry-exposure", "pause_s") if dry else None
        self.current_A = self._of("current-ceiling", "dry_current_A" if dry else "current_A")
        self.speed_rpm = self._of("speed-ceiling", "speed_rpm")
        self.run_s = min(RUN_S, self.burst_s or RUN_S)
        rest_s = REST_S if dry else WET_REST_S
        self.pause_s = self.given_pause_s if self.given_pause_s is not None else rest_s
        self.watch_s = max(WATCH_S, self._of("temperature-rise", "watch_s") or WATCH_S)
        self.settle_s = self._of("insulation-resistance", "settle_s") or 30.0
        self.held_s = max(5.0, self._of("contactor-weld", "judged_s") or 10.0)
        self.opening_A = self._of("opening-current", "limit_A") or 2.0
        ceilings = getattr(plan.rules.get("temperature-ceiling"), "ceiling_degC", None)
        self.ceilings: Mapping[str, float] = ceilings or {}

    def _of(self, rule: str, parameter: str) -> float | None:
        value: Any = getattr(self._plan.rules.get(rule), parameter, None)
        return None if value is None else float(value)


def steps(plan: Plan) -> Iterator[Step]:
    """The steps of the plan's stage; the last one closes the run."""
    value, stage = Values(plan), plan.bench.stage
    yield _record(plan)
    if stage != "unit-alone":
        yield from _power_up(plan, value)
    if stage != "power-up":
        yield from _spins(plan, value)
    yield _open(plan, value)
    if plan.bench.not_on_vehicle:
        yield _by_hand(plan)
    yield _close(plan)


def _exercised(plan: Plan, *steps: CardStep) -> tuple[str, ...]:
    """The rules that one of these steps exercises, as each rule says of itself."""
    return tuple(name for name, rule in plan.rules.items() if rule.card_steps & {*steps})


def _record(plan: Plan) -> Step:
    return Step(
        "Before power",
        (
            "Cautions above read aloud; who stands at the emergency stop is agreed",
            "Pack voltage and link measured with an instrument; the link is below 60 V",
            "Recorder started on every bus of the plan before anything is switched on; it counts "
            "frames on each of them",
            "12 V on, contactors open, 10 s of quiet recorded",
        ),
        _exercised(plan, CardStep.BEFORE_POWER),
    )


def _by_hand(plan: Plan) -> Step:
    """What no bus of this vehicle answers, role by role."""
    checks = tuple(
        f"{role}: {role_of(role).hand_check}: ______" for role in plan.bench.not_on_vehicle
    )
    return Step("By hand, what no bus of this vehicle carries", checks)


def _power_up(plan: Plan, value: Values) -> Iterator[Step]:
    yield Step(
        "Power up",
        (
            "Ignition on, direction neutral, pedal free, brake released: stand still for 3 s",
            "Brake pressed; contactors closed the way the vehicle does it, by no other way",
            f"Everything closed and at rest for {value.settle_s + 5:g} s: nothing turns, no load",
        ),
        _exercised(plan, CardStep.POWER_UP),
    )
    if plan.bench.stage == "power-up":
        yield from _openings(plan, value)
        yield _emergency_stop(plan)


def _openings(plan: Plan, value: Values) -> Iterator[Step]:
    for first, then in (("negative", "positive"), ("positive", "negative")):
        yield Step(
            f"Open {first} first",
            (
                f"At rest, below {value.opening_A:g} A: {first} opened, {then} kept closed for "
                f"{value.held_s:g} s",
                f"{then.capitalize()} opened; 12 V stays on until the link is below 60 V",
                "Powered up once more, as before",
            ),
            _exercised(plan, CardStep.OPEN_ONE_POLE),
        )


def _emergency_stop(plan: Plan) -> Step:
    return Step(
        "Emergency stop",
        (
            "Contactors closed, nothing turning: emergency stop pressed by the second person",
            "All contactors heard to open at once; the link falls below 60 V with the 12 V on",
            "Emergency stop released; nothing closes or moves by itself; powered up once more",
        ),
        _exercised(plan, CardStep.EMERGENCY_STOP),
    )


def _spins(plan: Plan, value: Values) -> Iterator[Step]:
    units = [unit.name for unit in plan.bench.units]
    rolling = plan.bench.stage == "rolling"
    if plan.bench.stage in ("wet-spin", "rolling"):
        look = "Coolant pump running, flow seen, no leak at either unit; oil level checked"
        yield Step("Coolant and oil", (look,), _exercised(plan, CardStep.COOLANT))
    if rolling:
        both = _exercised(plan, CardStep.SPIN, CardStep.SPIN_TOGETHER)
        yield _spin("Drive", plan, "the vehicle", "the vehicle", value, both)
        return
    for name in units:
        alone = _exercised(plan, CardStep.SPIN)
        watched = f"one wheel of axle {name}"
        yield _spin(f"Axle {name}", plan, f"axle {name}", watched, value, alone)
    if len(units) > 1:
        yield _together(plan, value)
    yield _budget(plan, value)


def _spin(
    title: str, plan: Plan, what: str, watched: str, value: Values, proves: tuple[str, ...]
) -> Step:
    most = [f"{value.current_A:g} A"] if value.current_A is not None else []
    most += [f"{value.speed_rpm:g} rpm"] if value.speed_rpm is not None else []
    gently = f"pedal gently, never above {' and '.join(most)}" if most else "pedal gently"
    marked = "" if plan.bench.has("driver.direction") else "; what was asked for is marked at once"
    tasks = []
    for way in ("forward", "reverse"):
        tasks += [
            f"Standing still, brake pressed: direction {way}; brake released{marked}",
            f"{gently[0].upper()}{gently[1:]}: {what} turns {IN[way]} for {value.run_s:g} s",
            "Pedal released; wait for a full stop",
            f"Second person says which way {watched} turned, and it is marked within 30 s: ______",
            f"Rest {value.pause_s:g} s; temperatures looked at",
        ]
    tasks.append("Brake pressed, direction neutral, pedal free: stand still for 3 s")
    return Step(title, tuple(tasks), proves)


def _together(plan: Plan, value: Values) -> Step:
    tasks = [
        f"Both axles at once, brake first: {way} for {value.run_s:g} s, full stop, "
        f"rest {value.pause_s:g} s"
        for way in ("forward", "reverse")
    ]
    proves = _exercised(plan, CardStep.SPIN_TOGETHER)
    return Step("Both axles together", tuple(tasks), proves)


def _budget(plan: Plan, value: Values) -> Step:
    """Record on after the last stop, because heat soaks out then; add up the dry turning time."""
    units = len(plan.bench.units)
    turning_s = 2 * value.run_s * (units + (units > 1))
    tasks = [f"After the last stop the recording goes on for {value.watch_s:g} s: heat soaks out"]
    if value.total_s is not None:
        fits = "fits into" if turning_s <= value.total_s else "is MORE THAN"
        tasks.append(
            f"The bursts above turn for {turning_s:g} s together; that {fits} the plan's "
            f"{value.total_s:g} s. Earlier dry runs count as well: ______ s"
        )
    return Step("Watch the heat", tuple(tasks), _exercised(plan, CardStep.WATCH_HEAT))


def _open(plan: Plan, value: Values) -> Step:
    return Step(
        "Open",
        (
            f"All stands still, pack current below {value.opening_A:g} A; contactors opened",
            "12 V and recorder stay ON until the link is below 60 V; a passive bleed takes minutes",
            "Ignition off",
        ),
        _exercised(plan, CardStep.OPEN),
    )


def _close(plan: Plan) -> Step:
    witness = f" by {plan.job['witness']}" if plan.job.get("witness") else ""
    return Step(
        "Close the run",
        (
            "Recorder stopped first, 12 V off after it; the file is complete",
            "Link and pack measured with an instrument before anybody touches anything",
            f"Marks of what was seen written down{witness}; run checked with canscope check",
        ),
        _exercised(plan, CardStep.CLOSE),
    )
