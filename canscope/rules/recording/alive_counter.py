"""Rule ``alive-counter``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.cycle import UNLEARNED_NS
from canscope.model.outcome import Outcome, Subject, deciding_rows, margins
from canscope.model.piece import Piece
from canscope.model.rule import Rule, limit
from canscope.model.tables import Floats, Int64s
from canscope.rules import RULES


@dataclass(frozen=True)
class Counter:
    """One counter so far."""

    time_ns: int | None = None  # of the last count
    raw: int = 0
    wrong: int = 0  # steps that were not by one


@RULES.add("alive-counter")
@dataclass(frozen=True, kw_only=True)
class AliveCounter(Rule):
    """The rolling counter in a unit's frames counts on by one from frame to frame.

    A counter that stands still while frames go on tells that the program behind it hangs.

    Judged
        For each unit with a rolling counter, at every frame: the step from the frame before,
        modulo ``modulus`` of the binding, else two to the power of its bits. Not judged: a step
        over a gap of more than ``gap_cycles`` (cycle-time speaks of it), steps until the cycle
        is known, and a frame that comes again with the same count within half a cycle (a repeat
        on the bus is no new frame).
    Margin
        Minus the number of wrong steps so far; none is allowed.
    Unproven
        No two frames came close enough to each other (not-exercised).
    """

    gap_cycles: float = limit(1.5, "cycles", low=1, high=10)

    unit: ClassVar[str] = "step"
    limit_source: ClassVar[str] = "plan"  # the modulus
    cross_checks: ClassVar[tuple[str, ...]] = ("units.*.alive",)
    says: ClassVar[dict[str, str]] = {
        "pass": "the rolling counter counted on by one from frame to frame; wrong steps",
        "fail": "the rolling counter did not count on by one (there it went from {before} to {now},"
        " modulo {modulus}); wrong so far",
    }
    exercise: ClassVar[str] = "record the bus with the unit powered"
    causes: ClassVar[tuple[str, ...]] = (
        "the program in the unit hangs while its bus driver goes on",
        "frames were lost without a gap in the stamps, or arrived in a wrong order",
        "the modulus in the plan is not the counter's own",
        "two nodes send with the same identifier",
    )
    next: ClassVar[str] = "look whether the other signals of these frames still change"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every unit with a rolling counter."""
        return [
            Subject(unit.name, needs=(unit.role("alive"),))
            for unit in bench.units
            if bench.has(unit.role("alive"))
        ]

    def start(self, bench: Bench) -> Mapping[str, Counter]:
        return {subject.name: Counter() for subject in self.subjects(bench)}

    def fold(
        self, state: Mapping[str, Counter], piece: Piece
    ) -> tuple[Mapping[str, Counter], Sequence[Outcome]]:
        """Judge the steps to the new counts of every unit."""
        found: list[Outcome] = []
        after = dict(state)
        for name, counter in state.items():
            role = piece.bench.unit(name).role("alive")
            samples = piece[role]
            if not len(samples):
                continue
            times, raw = samples.time_ns, samples.raw
            if counter.time_ns is not None:
                times = np.concatenate((np.array([counter.time_ns]), times))
                raw = np.concatenate((np.array([counter.raw]), raw))
            after[name] = replace(counter, time_ns=int(times[-1]), raw=int(raw[-1]))
            if len(times) > 1:
                outcome, wrong = self._steps(name, piece, role, times, raw, counter.wrong)
                after[name] = replace(after[name], wrong=wrong)
                found.append(outcome)
        return after, found

    def _steps(
        self, name: str, piece: Piece, role: str, time_ns: Int64s, raw: Int64s, before: int
    ) -> tuple[Outcome, int]:
        """Outcome of the steps between these counts, and how many were wrong up to the last one."""
        binding = piece.bench.bindings[role]
        modulus = binding.modulus
        times, way, step = time_ns[1:], np.diff(time_ns), np.diff(raw) % modulus
        cycle = piece.history.cycle_ns(role, times)
        judged = way <= self.gap_cycles * cycle
        judged &= (cycle != UNLEARNED_NS) | (binding.cycle_ns is not None)
        judged &= (step != 0) | (way >= cycle / 2)
        wrong = judged & ((step != 1) | (raw[1:] >= modulus))
        count = before + np.cumsum(wrong)
        measured: Floats = np.where(wrong, count, 0).astype(np.float64)
        some = deciding_rows(np.where(judged, -measured, np.nan))
        outcome = margins(
            name,
            times[some],
            -measured[some],
            measured=measured[some],
            limit=0.0,
            before=raw[:-1][some],
            now=raw[1:][some],
            modulus=modulus,
        )
        return outcome, int(count[-1])
