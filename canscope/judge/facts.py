"""Facts for the report beside the findings: the recording, the roles, the rules as applied."""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence, Set
from dataclasses import dataclass, field, fields
from typing import Any, Protocol

import numpy as np

from canscope.capture.clocks import YEAR_2001_NS
from canscope.judge.causes.pattern import is_named
from canscope.judge.ledger import Ledger
from canscope.model.findings import COMMON_PRACTICE, Finding, Verdict
from canscope.model.report import (
    ANCHOR,
    EARLIER_ANCHOR,
    CaptureFacts,
    Input,
    RoleFacts,
    RuleFacts,
)
from canscope.model.rule import Rule
from canscope.model.signals import DecodeTally, Signals
from canscope.model.tables import Flag, Tally
from canscope.plan.plan import Plan
from canscope.rules import RULES

CARRIERS = ("voltage-agreement",)  # rules that hold two roles to each other within a few percent


class Source(Protocol):
    """Where the frames came from; its facts are complete once it has been read."""

    @property
    def inputs(self) -> tuple[Input, ...]:
        """The files read, with their hashes."""

    @property
    def sha256(self) -> str:
        """One hash for all of them."""


@dataclass
class Counts:
    """What is counted of the recording itself."""

    frames: int = 0
    tally: Tally = field(default_factory=Tally)
    decoded: DecodeTally = field(default_factory=DecodeTally)
    channels: dict[str, int] = field(default_factory=dict)
    errors: dict[str, int] = field(default_factory=dict)
    sent: int = 0  # by the recording machine itself
    first_ns: int | None = None
    last_ns: int | None = None

    def add(self, signals: Signals) -> None:
        """Count one piece."""
        frames = signals.frames
        self.frames += len(frames)
        self.tally += frames.tally
        self.decoded += signals.tally
        if not len(frames):
            return
        for code, name in enumerate(frames.channels):
            mine = frames.channel == code
            self.channels[name] = self.channels.get(name, 0) + int(mine.sum())
            wrong = int((mine & ((frames.flags & Flag.ERROR) != 0)).sum())
            self.errors[name] = self.errors.get(name, 0) + wrong
        self.sent += int(np.count_nonzero(frames.flags & Flag.TRANSMITTED))
        if self.first_ns is None:
            self.first_ns = int(frames.time_ns[0])
        self.last_ns = int(frames.time_ns[-1])

    def facts(self, capture: Source | None, segments: int) -> CaptureFacts:
        """How good the recording is, for the report."""
        first = self.first_ns or 0
        return CaptureFacts(
            frames=self.frames,
            lines=self.tally.lines,
            skipped=self.tally.skipped,
            skipped_examples=self.tally.examples,
            dropped=self.tally.dropped,
            cut_end=self.tally.cut_end,
            first_ns=self.first_ns,
            last_ns=self.last_ns,
            relative_time=first < YEAR_2001_NS,
            segments=segments,
            channels=self.channels,
            error_frames=self.errors,
            short_frames=self.decoded.short_frames,
            undefined_multiplexer=self.decoded.undefined_multiplexer,
            undefined_ids=self.decoded.undefined_ids,
            sha256=capture.sha256 if capture else "",
            notes=(*self.tally.notes, *_not_silent(self.sent)),
        )


def role_facts(
    ledger: Ledger, findings: Sequence[Finding], contradicted: Set[str]
) -> tuple[RoleFacts, ...]:
    """What each role was bound to, how it fared, and which rules' passes confirm it.

    ``contradicted`` are roles that a hand reading of this run disagrees with.
    """
    passed = [finding for finding in findings if finding.verdict is Verdict.PASS]
    anchors = _anchors(ledger, passed, contradicted)
    # The rules that can hold a role against something independent.
    comparing = {name: checks for name in RULES if (checks := RULES[name].cross_checks)}
    confirmed = {(finding.rule, role) for finding in passed for role in finding.roles}
    rows = []
    for role, binding in ledger.bench.bindings.items():
        healths = [health.roles[role] for health in ledger.healths]
        lowest = min(h.lowest for h in healths)
        highest = max(h.highest for h in healths)
        seen = lowest <= highest
        able = tuple(n for n, checks in comparing.items() if any(is_named(role, c) for c in checks))
        rows.append(
            RoleFacts(
                role=role,
                signal=binding.key,
                unit=binding.unit,
                samples=sum(h.samples for h in healths),
                lowest=lowest if seen else None,
                highest=highest if seen else None,
                cycle_ms=ledger.cycles_ms.get(role),
                not_available=sum(h.not_available for h in healths),
                out_of_range=sum(h.out_of_range for h in healths),
                uncertainty=binding.u,
                checked_by=tuple(rule for rule in able if (rule, role) in confirmed),
                checkable_by=able,
                anchored_by=tuple(anchors.get(role, ())),
            )
        )
    return tuple(rows)


def _anchors(
    ledger: Ledger, passed: Sequence[Finding], contradicted: Set[str]
) -> dict[str, list[str]]:
    """Role -> what ties its scale to an instrument: rules of this run, readings of earlier ones.

    A role that agrees closely with an anchored one is anchored through it.
    """
    bound = ledger.bench.bindings
    anchors: dict[str, list[str]] = {}
    for finding in passed:
        if finding.rule == ANCHOR and finding.roles[0] in bound:
            anchors.setdefault(finding.roles[0], []).append(ANCHOR)
    _carry(anchors, passed, bound)
    for role, run in ledger.bench.anchored_before.items():
        if role in bound and role not in contradicted:
            anchors.setdefault(role, []).append(f"{EARLIER_ANCHOR}{run}")
    _carry(anchors, passed, bound)
    return {role: by for role, by in anchors.items() if role not in contradicted}


def _carry(anchors: dict[str, list[str]], passed: Sequence[Finding], bound: Container[str]) -> None:
    """Anchor what agrees closely with an anchored role, and say by which run's reading."""
    for finding in (*passed, *passed):  # twice: from one link over the pack to the other link
        known = [by for role in finding.roles for by in anchors.get(role, ())]
        if finding.rule not in CARRIERS or not known:
            continue
        earlier = [by[by.index(EARLIER_ANCHOR) :] for by in known if EARLIER_ANCHOR in by]
        through = f"{finding.rule}, {earlier[0]}" if len(earlier) == len(known) else finding.rule
        for role in finding.roles:
            if role in bound and _is_voltage(role):
                anchors.setdefault(role, [through])


def _is_voltage(role: str) -> bool:
    return role.endswith("voltage")


def unanchored(roles: Sequence[RoleFacts]) -> tuple[str, ...]:
    """The roles that a factor could falsify unseen: numbers that no instrument was held against."""
    return tuple(
        fact.role for fact in roles if fact.unit and fact.unit != "%" and not fact.anchored_by
    )


def rule_facts(plan: Plan) -> Iterator[RuleFacts]:
    """How each rule was applied: its parameters, and where they come from."""
    for name, rule in plan.rules.items():
        given = plan.bench.given.get(name, frozenset())
        summary = (type(rule).__doc__ or "").strip().split("\n\n")[0].replace("\n    ", " ")
        off = plan.bench.off.get(name, "")
        yield RuleFacts(name, summary, tuple(_parameters(rule, given)), off)


def _not_silent(sent: int) -> tuple[str, ...]:
    if not sent:
        return ()
    return (f"{sent} frames were sent by the recording machine itself: it was no silent listener",)


def _parameters(rule: Rule, given: frozenset[str]) -> Iterator[tuple[str, Any, str, str]]:
    for parameter in fields(rule):
        facts = parameter.metadata
        source = "plan" if parameter.name in given else facts.get("source", COMMON_PRACTICE)
        value = getattr(rule, parameter.name)
        yield parameter.name, value, str(facts.get("unit", "")), str(source)
