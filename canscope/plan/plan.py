"""Plan: a bench plan after every check, ready to judge by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from canscope.model.bench import Bench
from canscope.model.definition import Definitions
from canscope.model.report import Input, Looser
from canscope.model.rule import Rule


@dataclass(frozen=True)
class Waiver:
    """Something unproven that somebody accepts; without a subject, all of the rule's."""

    rule: str
    subject: str | None
    reason: str
    by: str


@dataclass(frozen=True)
class PlanMark:
    """What a person saw; exactly one of ``at_s`` (since the first frame) and ``time_ns`` is set."""

    at_s: float | None
    time_ns: int | None
    axle: str | None
    seen: str | None
    text: str = ""
    asked: str | None = None
    within_s: float | None = None


@dataclass(frozen=True)
class Plan:
    """Everything that a run is judged by.

    ``rules``: name -> every rule there is, with this plan's parameters, including those that are
    switched off (``bench.off`` has the reasons). ``warnings`` are those of the plan and of its
    definitions.
    """

    path: Path
    text: str  # as read, included files below it
    bench: Bench
    definitions: Definitions
    wanted: frozenset[str]  # signal keys that a role is bound to
    rules: Mapping[str, Rule]
    waivers: tuple[Waiver, ...] = ()
    looser: tuple[Looser, ...] = ()
    marks: tuple[PlanMark, ...] = ()
    job: Mapping[str, Any] = field(default_factory=dict)
    inputs: tuple[Input, ...] = ()
    files: Mapping[str, Path] = field(default_factory=dict)  # input's name -> where it lies
    warnings: tuple[str, ...] = ()
    mounting: tuple[Mapping[str, Any], ...] = ()

    def __repr__(self) -> str:
        job = f"{self.bench.vehicle!r}, {self.bench.stage}"
        return f"<Plan {self.path}: {job}, {len(self.wanted)} signals bound>"
