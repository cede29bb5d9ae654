"""Rule ``pedal-tracks``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import Rule, limit
from canscope.model.signals import NEVER
from canscope.model.tables import Floats
from canscope.rules import RULES
from canscope.rules.shared.persistence import (
    NO_LABEL,
    LastLabel,
    fresh,
    kept_up,
    patience,
    present,
    recent,
    stretches,
    to_ns,
)

NAME, TRACKS = "pedal", ("driver.pedal", "driver.pedal_2")


@dataclass(frozen=True)
class State:
    """What is carried over from piece to piece."""

    known: LastLabel = NO_LABEL  # since when both tracks have been known
    lost_ns: int | None = None  # when the second was first missing although nodes were awake
    lowest: tuple[float, ...] = field(default=(np.inf, np.inf))  # of each track
    highest: tuple[float, ...] = field(default=(-np.inf, -np.inf))


@RULES.add("pedal-tracks")
@dataclass(frozen=True, kw_only=True)
class PedalTracks(Rule):
    """The two tracks of the accelerator pedal agree.

    Judged
        Where a second track is bound, at every reading of the first one: by how much the two have
        been apart throughout the last ``tolerated_s``.
    Margin
        ``apart_percent`` minus that difference, in percent of travel.
    Unproven
        The pedal never travelled more than ``apart_percent`` on both tracks, so that a track that
        does not move could not show (not-exercised); a track stale or not available.
    """

    apart_percent: float = limit(
        10.0,
        "%",
        "Formula SAE rules T.4.2.5, from memory",
        high=30.0,
        note="of travel",
        looser="higher",
    )
    tolerated_s: float = limit(
        0.1, "s", "Formula SAE rules T.4.2.5, from memory", high=1.0, looser="higher"
    )

    unit: ClassVar[str] = "%"
    limit_parameter: ClassVar[str] = "apart_percent"
    cross_checks: ClassVar[tuple[str, ...]] = TRACKS
    says: ClassVar[dict[str, str]] = {
        "pass": "the two tracks agreed within what is allowed",
        "fail": "the two tracks stayed further apart than is allowed",
        "close": "the two tracks were apart by about what is allowed",
    }
    exercise: ClassVar[str] = "press the pedal slowly down and let it up again, in neutral"
    causes: ClassVar[tuple[str, ...]] = (
        "one track's zero or span is not taught, or its factor in the definition is wrong",
        "one track comes late or is renewed seldom: then they differ only while the pedal moves",
        "one track's supply, ground or wire is broken, or its mechanics stick",
    )
    next: ClassVar[str] = (
        "hold the pedal still at rest, half way and fully pressed, and read both tracks each time"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The pedal, where it has a second track."""
        return [Subject(NAME, needs=TRACKS)] if bench.has(TRACKS[1]) else []

    def start(self, bench: Bench) -> State:
        return State()

    def fold(self, state: State, piece: Piece) -> tuple[State, Sequence[Outcome]]:
        """Judge every new reading of the first track."""
        travel = [piece[role].value for role in TRACKS]
        lowest = tuple(_least(low, v) for low, v in zip(state.lowest, travel, strict=True))
        highest = tuple(-_least(-high, -v) for high, v in zip(state.highest, travel, strict=True))
        first, second = TRACKS
        if not len(piece[first]) or not piece.bench.has(second):
            return State(state.known, state.lost_ns, lowest, highest), []
        width_ns = to_ns(self.tolerated_s)
        samples = recent(piece, first, width_ns)
        times = samples.time_ns
        apart = np.abs(samples.value - piece.at(second, times).value)
        new_ns, new = fresh(piece, first, samples)
        patience_ns = patience(piece, first, new_ns)
        known = stretches(first, state.known, new_ns, present(apart[new]), patience_ns)
        at_ns = known.new.sampled_ns
        absent = np.isnan(apart)
        lost = new_ns[absent[new]]
        if absent.any():
            times, apart = times[~absent], apart[~absent]
        judged = known.new.held(at_ns, 0.0, width_ns)
        kept = kept_up(times, apart, judged, width_ns)
        found = margins(
            NAME,
            at_ns[judged],
            self.apart_percent - kept,
            measured=kept,
            limit=self.apart_percent,
            uncertainty=sum(piece.bench.u(role) for role in TRACKS),
            start_ns=at_ns[judged] - width_ns,
        )
        lost_ns = state.lost_ns
        begun = known.time_ns[known.time_ns > NEVER][:1]  # both were known once
        lost = lost[(lost > begun) if len(begun) else slice(0, 0)]
        awake = piece.at("@awake", lost).value == 1
        if lost_ns is None and awake.any():
            lost_ns = int(lost[awake][0])
        return State(known.last, lost_ns, lowest, highest), [found]

    def close(self, state: State, piece: Piece) -> Sequence[Outcome]:
        """A pedal that did not move proves nothing, nor does a track that went missing."""
        if state.lost_ns is not None:
            text = "the second track had no value while the first one had"
            return [Doubt(NAME, "not-available", text, state.lost_ns)]
        travel = min(high - low for low, high in zip(state.lowest, state.highest, strict=True))
        if travel > self.apart_percent or not piece.bench.has(TRACKS[1]):
            return ()
        text = f"a track travelled no more than {max(travel, 0.0):.3g} %"
        return [Doubt(NAME, "not-exercised", text)]


def _least(before: float, values: Floats) -> float:
    known = values[~np.isnan(values)]
    return min(before, float(known.min())) if len(known) else before
