"""What a plan can prove before anything is recorded, and which rules need which role."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

from canscope.model.bench import STAGES, Bench, Binding, DriveUnit
from canscope.model.definition import MessageSpec, SignalSpec
from canscope.model.roles import ROLES, Role
from canscope.plan.plan import Plan
from canscope.plan.stage import fluid_state
from canscope.rules import RULES
from canscope.rules.shared.checksums import PROFILES

UNITS, TEMPERATURE, PROFILE = ("front", "rear"), "winding", next(iter(PROFILES))


@dataclass(frozen=True)
class Prospect:
    """One subject of one rule; ``lacks`` are unbound roles, ``no_limit`` a limit not given."""

    rule: str
    subject: str
    required: bool
    lacks: tuple[str, ...] = ()
    no_limit: str = ""
    accepted: str = ""  # by whom, if its unproven is waived

    @property
    def provable(self) -> bool:
        """Whether a run can prove it at all."""
        return not self.lacks and not self.no_limit

    @property
    def obstacle(self) -> str:
        """In words, what is missing that keeps it unproven; empty if it is provable."""
        parts = [f"no signal for {', '.join(self.lacks)}"] if self.lacks else []
        parts += [f"no limit: {self.no_limit}"] if self.no_limit else []
        return "; ".join(parts)


def prospects(plan: Plan) -> Iterator[Prospect]:
    """Every subject of every rule that applies, in the rules' order."""
    for name, rule in plan.rules.items():
        required = rule.applies(plan.bench) and rule.required(plan.bench)
        if not rule.applies(plan.bench) or (name in plan.bench.off and not required):
            continue
        for subject in rule.subjects(plan.bench):
            lacks = tuple(role for role in subject.needs if not plan.bench.has(role))
            by = _accepted(plan, name, subject.name, lacks)
            yield Prospect(name, subject.name, required, lacks, subject.no_limit, by)


def _accepted(plan: Plan, rule: str, subject: str, lacks: Sequence[str]) -> str:
    for waiver in plan.waivers:
        if waiver.rule == rule and waiver.subject in (None, subject):
            return waiver.by
    absent = [plan.bench.not_on_vehicle.get(role) for role in lacks]
    if absent and all(absent) and plan.rules[rule].waivable:
        return ", ".join(dict.fromkeys(one.by for one in absent if one))
    return str(plan.job.get("tester", "the tester")) if rule in plan.bench.off else ""


def full_bench(stage: str) -> Bench:
    """A vehicle of two units with a signal for every role there is, as far as rules look at it."""
    bindings = {}
    for unit, role in product(UNITS, ROLES):
        name = role.name.replace("*", unit, 1).replace("*", TEMPERATURE)
        signal = SignalSpec("can0", "Message", name, 0, 8)
        options = {"profile": PROFILE} if "profile" in role.keys else {}
        bindings[name] = Binding(name, signal, role.kind, role.unit, options=options)
    signals = tuple(binding.signal for binding in bindings.values())
    message = MessageSpec("can0", "Message", 1, False, 8, signals)
    fluid = fluid_state(None, stage)
    return Bench(
        stage=stage,
        coolant=fluid,
        oil=fluid,
        units=tuple(DriveUnit(unit, temperatures=(TEMPERATURE,)) for unit in UNITS),
        bindings=bindings,
        messages={message.key: message},
    )


@dataclass(frozen=True)
class RuleNeeds:
    """What one rule needs of any plan; roles of units with ``*`` in place of the unit."""

    roles: tuple[str, ...]
    required_in: tuple[str, ...]
    judged_in: tuple[str, ...]  # stages in which it applies and is not required


def needs_of(name: str) -> RuleNeeds:
    """The roles that a rule needs for any of its subjects, and the stages it belongs to."""
    rule = RULES[name]()
    benches = [bench for bench in map(full_bench, STAGES) if rule.applies(bench)]
    found = {need for bench in benches for one in rule.subjects(bench) for need in one.needs}
    roles = tuple(role.name for role in ROLES if any(role.covers(need) for need in found))
    required = tuple(bench.stage for bench in benches if rule.required(bench))
    return RuleNeeds(roles, required, tuple(b.stage for b in benches if b.stage not in required))


def needed_by(role: Role) -> dict[str, tuple[str, ...]]:
    """Rule -> stages that require it, for each rule that needs the role for one of its subjects.

    In the rules' order. A rule that no stage requires is judged wherever its roles are bound.
    """
    benches = [full_bench(stage) for stage in STAGES]
    found: dict[str, tuple[str, ...]] = {}
    for name in RULES:
        rule = RULES[name]()
        here = [bench for bench in benches if rule.applies(bench)]
        subjects = [subject for bench in here for subject in rule.subjects(bench)]
        if any(role.covers(need) for subject in subjects for need in subject.needs):
            found[name] = tuple(bench.stage for bench in here if rule.required(bench))
    return found
