"""Rule ``alive-counter``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.cycle import UNLEARNED_NS
from canscope.model.findings import Verdict
from canscope.model.outcome import Outcome, Subject, deciding_rows, margins
from canscope.model.piece import Piece
from canscope.model.rule import Rule, Worst, limit
from canscope.model.tables import Floats, Int64s
from canscope.rules import RULES
from canscope.rules.recording._losses import MOST_CYCLES, lost_over_gap
from canscope.rules.shared.waking import Woken, waking
from canscope.trust.samples.even_stamps import LATEST_NS
from canscope.trust.samples.sent_order import Waiting, in_order


@dataclass(frozen=True)
class Counter:
    """One counter so far."""

    time_ns: int | None = None  # of the last count
    raw: int = 0
    wrong: int = 0  # steps that were not by one
    frames: int = 0  # that came
    lost: int = 0  # that the counter counted and nobody recorded
    waiting: Waiting = field(default_factory=Waiting)
    woken: Woken = field(default_factory=Woken)
    boots: bool = True  # it has shown its first value alone since its node woke


@RULES.add("alive-counter")
@dataclass(frozen=True, kw_only=True)
class AliveCounter(Rule):
    """The rolling counter in a unit's frames counts on by one from frame to frame.

    A counter that stands still while frames go on tells that the program behind it hangs; one
    that jumps over a gap tells that the frames in between were sent and are not in the recording.

    Judged
        For each unit with a rolling counter, at every frame: the step from the frame before,
        modulo ``modulus`` of the binding, else two to the power of its bits. Over a gap of more
        than ``gap_cycles`` and at most 3 cycles any step but one is wrong. Over a longer one, of at
        most as many cycles as the counter has counts, it is wrong if the counter went on as if the
        missing frames had been there (within a quarter of them). Not judged: other steps over
        longer gaps (the node paused or restarted; cycle-time speaks of it), the first second after
        a restart at rest, its first value again in the second after a node wakes with all poles
        open, steps until the cycle is known, and a frame that comes again with the
        same count within half a cycle (a repeat on the bus is no new frame). Frames whose late
        stamps exchanged them with others of the next 25 ms, so that each count is there once, are
        put back in order first; capture-integrity counts them.
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
        " modulo {modulus}){missing}; wrong so far",
    }
    codes: ClassVar[tuple[str, ...]] = ("wrong-count", "frames-lost")
    exercise: ClassVar[str] = "record the bus with the unit powered"
    causes: ClassVar[tuple[str, ...]] = (
        "the program in the unit hangs while its bus driver goes on",
        "the recorder, its adapter or a gateway lost frames, or changed their order",
        "the modulus in the plan is not the counter's own",
        "two nodes send with the same identifier",
    )
    next: ClassVar[str] = (
        "look whether the other signals of these frames still change, and whether other messages"
        " are missing at the same instants"
    )

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
            if piece.restarted(piece.bench.bindings[role].signal.message_key):
                after[name] = replace(counter, time_ns=None, boots=True, waiting=Waiting())
            found += self._counted(after, name, piece, samples.time_ns, samples.raw, piece.until_ns)
        return after, found

    def close(self, state: Mapping[str, Counter], piece: Piece) -> Sequence[Outcome]:
        """Judge the last counts, with which none can be exchanged any more."""
        found: list[Outcome] = []
        for name in state:
            none = np.zeros(0, np.int64)
            found += self._counted(dict(state), name, piece, none, none, piece.until_ns + LATEST_NS)
        return found

    def _counted(
        self,
        after: dict[str, Counter],
        name: str,
        piece: Piece,
        new_ns: Int64s,
        new_raw: Int64s,
        until_ns: int,
    ) -> Sequence[Outcome]:
        """The outcome of new counts, put in the order in which they were sent."""
        counter, role = after[name], piece.bench.unit(name).role("alive")
        last = None if counter.time_ns is None else counter.raw
        modulus = piece.bench.bindings[role].modulus
        times, raw, waiting = in_order(counter.waiting, new_ns, new_raw, last, modulus, until_ns)
        after[name] = counter = replace(counter, waiting=waiting)
        if not len(times):
            return ()
        found: list[Outcome] = []
        heard = counter.frames + len(times)
        new, woken = waking(piece, role, times, counter.woken)
        first = raw[0] if counter.time_ns is None else counter.raw
        booting = np.logical_and.accumulate(new & (raw == first) & counter.boots)
        counter = replace(counter, woken=woken, boots=bool(booting.all()))
        if booting.any():
            last_ns, known = int(times[booting][-1]), counter.frames + int(booting.sum())
            counter = replace(counter, time_ns=last_ns, raw=int(first), frames=known)
            times, raw = times[~booting], raw[~booting]
        if counter.time_ns is not None:
            times = np.concatenate((np.array([counter.time_ns]), times))
            raw = np.concatenate((np.array([counter.raw]), raw))
        if len(times) > 1:
            outcome, counter = self._steps(name, piece, role, times, raw, counter)
            found.append(outcome)
        after[name] = replace(counter, time_ns=int(times[-1]), raw=int(raw[-1]), frames=heard)
        return found

    def _steps(
        self, name: str, piece: Piece, role: str, time_ns: Int64s, raw: Int64s, before: Counter
    ) -> tuple[Outcome, Counter]:
        """Outcome of the steps between these counts, and the counter after the last one."""
        binding = piece.bench.bindings[role]
        modulus = binding.modulus
        times, way, step = time_ns[1:], np.diff(time_ns), np.diff(raw) % modulus
        cycle = piece.history.cycle_ns(role, times)
        known = (cycle != UNLEARNED_NS) | (binding.cycle_ns is not None)
        lost = np.where(known, lost_over_gap(way, step, raw[1:], cycle, binding), 0)
        judged = way <= self.gap_cycles * cycle
        judged |= (step != 1) & (way <= MOST_CYCLES * cycle)
        judged |= lost > 0
        judged &= known
        judged &= (step != 0) | (way >= cycle / 2)
        wrong = judged & ((step != 1) | (raw[1:] >= modulus))
        count = before.wrong + np.cumsum(wrong)
        missing = before.lost + np.cumsum(np.where(wrong, lost, 0))
        measured: Floats = np.where(wrong, count, 0).astype(np.float64)
        some = deciding_rows(np.where(judged, -measured, np.nan))
        outcome = margins(
            name,
            times[some],
            -measured[some],
            measured=measured[some],
            limit=0.0,
            code=np.where(missing[some] > 0, "frames-lost", "wrong-count"),
            before=raw[:-1][some],
            now=raw[1:][some],
            modulus=modulus,
            lost=missing[some],
            heard=before.frames + some + (1 if before.time_ns is None else 0) + 1,
        )
        return outcome, replace(before, wrong=int(count[-1]), lost=int(missing[-1]))

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """Say how many frames are missing, where the counter proves it."""
        lost, missing = worst.facts["lost"], ""
        if lost:
            total = lost + worst.facts["heard"]
            missing = f": it jumped over gaps, and {lost} of {total} frames are missing"
        return super().clause(verdict, replace(worst, facts={**worst.facts, "missing": missing}))
