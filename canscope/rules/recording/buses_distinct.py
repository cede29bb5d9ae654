"""Rule ``buses-distinct``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.findings import COMMON_PRACTICE
from canscope.model.outcome import Outcome, Subject, deciding_rows, margins
from canscope.model.piece import Piece
from canscope.model.rule import ALL_STAGES, CardStep, Rule, unjudged
from canscope.rules import RULES
from canscope.trust.sources.same_frames import (
    FEWEST_TELLING,
    SAME_PERCENT,
    Comparison,
    Pair,
    Rows,
    begin,
    compare,
)

JITTER_MS = 3.0  # a smaller delay is not told


@RULES.add("buses-distinct")
@dataclass(frozen=True, kw_only=True)
class BusesDistinct(Rule):
    """Two buses of the plan carry different frames: what each shows is a source of its own.

    Two adapters on one bus, or one bus recorded under two names, show one unit twice. Everything
    looks right then, and nothing about the second unit is proven, nor which of the two it is.

    Judged
        For each two buses on which the plan binds messages with the same identifier, from the 40th
        telling frame of such a message on: a frame of the second bus in which a number changed, or
        whose payload the first bus does not have within 300 ms. Such a frame is the same if the
        first bus had its payload anew, at the distance in time (within 9 ms) at which most of them
        agree; counters and checksums need not be known. By chance two units alike share some tens
        of percent of such frames, and never nearly all. The first 2,000 are compared.
    Margin
        80 % minus the share of telling frames that are the same.
    Unproven
        Too few telling frames came (not-exercised): what stands still at the same values cannot be
        told apart. Where two buses are the same, all that rests on a role of either is unproven
        (sensor-suspect).
    """

    unit: ClassVar[str] = "%"
    required_in: ClassVar[frozenset[str]] = ALL_STAGES
    limit_source: ClassVar[str] = COMMON_PRACTICE
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.POWER_UP, CardStep.SPIN})
    says: ClassVar[dict[str, str]] = {
        "pass": "the two buses carry different frames (which of them is which axle rests on the"
        " plan alone, unless somebody marked one axle while it turned by itself); telling frames of"
        " {second} that {first} has as well",
        "fail": "the two buses carry the same frames, those of {second} {delay}: this is one"
        " source, so nothing about the second unit is proven, nor which of the two it is; telling"
        " frames that are the same",
    }
    codes: ClassVar[tuple[str, ...]] = ("same-bus",)
    missed: ClassVar[str] = "too few frames changed, and those that came are alike on both buses"
    exercise: ClassVar[str] = "record both buses while the contactors close"
    causes: ClassVar[tuple[str, ...]] = (
        "two adapters are plugged into the same bus",
        "one adapter's frames were recorded under two names, or a gateway repeats one bus on the"
        " other",
    )
    next: ClassVar[str] = (
        "unplug one unit's bus from its adapter: only the frames of that unit may stop"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every two buses that bind messages with the same identifier."""
        roles: dict[str, dict[str, None]] = {}
        for pair in begin(bench).pairs:
            for key in (pair.first, pair.second):
                roles.setdefault(_name(pair), {}).update(dict.fromkeys(bench.bound_messages[key]))
        return [Subject(name, shows=tuple(of)) for name, of in roles.items()]

    def start(self, bench: Bench) -> Comparison:
        return begin(bench)

    def fold(self, state: Comparison, piece: Piece) -> tuple[Comparison, Sequence[Outcome]]:
        """Judge the frames that could be compared."""
        after = compare(state, piece)
        rows = after.rows if after is not state else ()
        return after, [_outcome(after.pairs[some.pair], some) for some in rows]

    def close(self, state: Comparison, piece: Piece) -> Sequence[Outcome]:
        """Buses that could not be told apart."""
        few = [pair for pair in state.pairs if pair.telling < FEWEST_TELLING]
        return [unjudged(_name(pair), "not-exercised") for pair in few]


def _outcome(pair: Pair, rows: Rows) -> Outcome:
    """How far the second bus of a pair is from showing only what the first one shows."""
    share = rows.same_percent
    some = deciding_rows(SAME_PERCENT - share)
    first, second = pair.buses
    return margins(
        _name(pair),
        rows.time_ns[some],
        SAME_PERCENT - share[some],
        measured=share[some],
        limit=SAME_PERCENT,
        code="same-bus",
        first=first,
        second=second,
        delay=np.array([_delay(ms) for ms in rows.delay_ms[some].tolist()]),
    )


def _name(pair: Pair) -> str:
    return " and ".join(pair.buses)


def _delay(ms: float) -> str:
    if abs(ms) < JITTER_MS:
        return "at the same time"
    return f"{abs(ms):.0f} ms {'later' if ms > 0 else 'earlier'}"
