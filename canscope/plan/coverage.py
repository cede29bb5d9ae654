"""What a plan can prove before anything is recorded: rules, subjects, and the roles they lack."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from canscope.plan.plan import Plan


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


def prospects(plan: Plan) -> Iterator[Prospect]:
    """Every subject of every rule that applies, in the rules' order."""
    for name, rule in plan.rules.items():
        required = rule.applies(plan.bench) and rule.required(plan.bench)
        if not rule.applies(plan.bench) or (name in plan.bench.off and not required):
            continue
        for subject in rule.subjects(plan.bench):
            lacks = tuple(role for role in subject.needs if not plan.bench.has(role))
            by = _accepted(plan, name, subject.name)
            yield Prospect(name, subject.name, required, lacks, subject.no_limit, by)


def _accepted(plan: Plan, rule: str, subject: str) -> str:
    for waiver in plan.waivers:
        if waiver.rule == rule and waiver.subject in (None, subject):
            return waiver.by
    return str(plan.job.get("tester", "the tester")) if rule in plan.bench.off else ""
