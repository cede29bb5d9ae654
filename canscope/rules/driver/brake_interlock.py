"""Rule ``brake-interlock``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import POLES, Bench
from canscope.model.events import Event
from canscope.model.findings import COMMON_PRACTICE
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import SPINNING, CardStep, Rule
from canscope.rules import RULES
from canscope.rules.shared.direction_changes import WORDS, entered
from canscope.trust.samples.staleness import stale_after_ns

BRAKE = "driver.brake"


@dataclass(frozen=True)
class Waiting:
    """Enterings whose brake state is not settled, and the last one with all poles open."""

    unsettled: tuple[Event, ...] = ()
    unasked: Event | None = None  # until it is left, or a pole closes: nobody drives on it so far


@RULES.add("brake-interlock")
@dataclass(frozen=True, kw_only=True)
class BrakeInterlock(Rule):
    """Forward and reverse are only ever entered with the brake pressed.

    A refusal (the driver tried without the brake and the controller said no) changes nothing on the
    bus, so it cannot be seen; the sentence says so.

    Judged
        At every entering of forward or reverse, as soon as the brake has been read again: a state
        is known to have lasted only between two readings that agree. With all poles open nobody is
        asked: such an entering counts as the first pole closes, if it was not left before.
    Margin
        +1 with the brake pressed throughout the interval in which the direction changed, -1 with
        it released throughout; 0 with uncertainty 1 if the brake changed meanwhile. Brake state, no
        unit.
    Unproven
        No direction was entered (not-exercised); the brake changed within the same samples
        (too-close-to-call); the brake was not known at an entering (stale, not-available).
    """

    unit: ClassVar[str] = "state"
    required_in: ClassVar[frozenset[str]] = SPINNING
    limit_source: ClassVar[str] = COMMON_PRACTICE
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.SPIN})
    says: ClassVar[dict[str, str]] = {
        "pass": "no change of direction happened without the brake pressed,"
        " and no refusal was tried that the bus could show",
        "fail": "{entered} was entered without the brake pressed",
        "close": "{entered} was entered while the brake was just being pressed or released",
    }
    missed: ClassVar[str] = "no direction was entered"
    spins: ClassVar[bool] = True
    at_rest: ClassVar[bool] = True
    exercise: ClassVar[str] = "press the brake, enter forward, later press it and enter reverse"
    causes: ClassVar[tuple[str, ...]] = (
        "the controller does not ask for the brake before it changes direction",
        "the brake switch is out of adjustment, or its signal is inverted",
        "the brake signal is bound to another switch",
    )
    next: ClassVar[str] = "press the brake at standstill and watch its signal change"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The driver."""
        return [Subject("driver", needs=(BRAKE, "driver.direction"))]

    def start(self, bench: Bench) -> Waiting:
        return Waiting()

    def fold(self, state: Waiting, piece: Piece) -> tuple[Waiting, Sequence[Outcome]]:
        """Judge the enterings whose brake state has settled, or under which a pole closed."""
        waiting, found, unasked = [], list[Outcome](), state.unasked
        for event in (*state.unsettled, *entered(piece)):
            if _all_open(piece, event.time_ns):
                found += _closed_on(piece, unasked)
                unasked = event
                continue
            outcome = _settled(piece, event)
            if outcome is None:
                waiting.append(event)
            else:
                found.append(outcome)
        closed_on = _closed_on(piece, unasked)
        if unasked is not None and (closed_on or _left_ns(piece, unasked) is not None):
            unasked = None
        return Waiting(tuple(waiting), unasked), [*found, *closed_on]

    def close(self, state: Waiting, piece: Piece) -> Sequence[Outcome]:
        """Enterings after which the brake was not read again."""
        return [_unknown("stale", event, event.time_ns) for event in state.unsettled]


def _all_open(piece: Piece, time_ns: int) -> bool:
    """Whether no pole is closed, as far as poles are bound; a silent box holds no coil."""
    bound = any(piece.bench.has(f"contactors.{pole}") for pole in POLES)
    return bound and piece.at("@engaged", time_ns).value[0] != 1


def _closes(piece: Piece, event: Event) -> int | None:
    """When the first pole closed in this piece while that direction was still chosen."""
    steps = piece["@engaged"]
    closed_ns = steps.time_ns[(steps.value == 1) & (steps.time_ns >= event.time_ns)]
    left_ns = _left_ns(piece, event)
    if not len(closed_ns) or (left_ns is not None and left_ns <= closed_ns[0]):
        return None
    return int(closed_ns[0])


def _left_ns(piece: Piece, event: Event) -> int | None:
    """When that direction was left in this piece; None if it was not."""
    asked = piece["driver.direction"].known
    left_ns = asked.time_ns[(asked.value != event.value) & (asked.time_ns >= event.time_ns)]
    return int(left_ns[0]) if len(left_ns) else None


def _closed_on(piece: Piece, event: Event | None) -> list[Outcome]:
    """Whether the brake was pressed as a pole closed in this piece with that direction chosen."""
    closed_ns = None if event is None else _closes(piece, event)
    if event is None or closed_ns is None:
        return []
    brake = float(piece.at(BRAKE, closed_ns).value[0])
    if np.isnan(brake):
        return [_unknown("stale", event, closed_ns)]
    return [
        margins(
            "driver",
            closed_ns,
            2 * brake - 1,
            measured=brake,
            limit=1.0,
            start_ns=closed_ns,
            end_ns=closed_ns,
            entered=WORDS[event.value],
        )
    ]


def _settled(piece: Piece, event: Event) -> Outcome | None:
    """The outcome of one entering, or None while the brake has not been read again."""
    held = piece.at(BRAKE, [event.after_ns, event.time_ns])
    if np.isnan(held.value).any():
        reason = "stale" if held.stale.any() else "not-available"
        return _unknown(reason, event, event.time_ns)
    until_ns = stale_after_ns(piece.history, BRAKE, event.time_ns)
    later = piece.back(BRAKE, event.after_ns + 1)
    row = int(np.searchsorted(later.time_ns, event.time_ns))
    if row == len(later) or later.time_ns[row] > until_ns:
        return _unknown("stale", event, until_ns) if piece.until_ns > until_ns else None
    settled_ns = int(later.time_ns[row])
    brake = np.concatenate((held.value[:1], later.value[: row + 1]))
    if np.isnan(brake).any():
        return _unknown("not-available", event, settled_ns)
    changed = bool((brake != brake[0]).any())
    return margins(
        "driver",
        settled_ns,
        0.0 if changed else 2 * brake[0] - 1,
        measured=held.value[1],
        limit=1.0,
        uncertainty=float(changed),
        start_ns=event.after_ns,
        end_ns=event.time_ns,
        entered=WORDS[event.value],
    )


def _unknown(reason: str, event: Event, at_ns: int) -> Doubt:
    text = f"the brake was not known when {WORDS[event.value]} was entered"
    return Doubt("driver", reason, text, at_ns)
