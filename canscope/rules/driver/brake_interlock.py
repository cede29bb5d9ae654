"""Rule ``brake-interlock``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.events import Event
from canscope.model.findings import COMMON_PRACTICE
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import SPINNING, CardStep, Rule
from canscope.rules import RULES
from canscope.rules.shared.direction_changes import WORDS, entered
from canscope.trust.samples.staleness import stale_after_ns

BRAKE = "driver.brake"
Waiting = tuple[Event, ...]  # enterings whose brake state is not settled yet


@RULES.add("brake-interlock")
@dataclass(frozen=True, kw_only=True)
class BrakeInterlock(Rule):
    """Forward and reverse are only ever entered with the brake pressed.

    A refusal (the driver tried without the brake and the controller said no) changes nothing on the
    bus, so it cannot be seen; the sentence says so.

    Judged
        At every entering of forward or reverse, as soon as the brake has been read again: a state
        is known to have lasted only between two readings that agree.
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
        return ()

    def fold(self, state: Waiting, piece: Piece) -> tuple[Waiting, Sequence[Outcome]]:
        """Judge the enterings whose brake state has settled."""
        waiting, found = [], []
        for event in (*state, *entered(piece)):
            outcome = _settled(piece, event)
            if outcome is None:
                waiting.append(event)
            else:
                found.append(outcome)
        return tuple(waiting), found

    def close(self, state: Waiting, piece: Piece) -> Sequence[Outcome]:
        """Enterings after which the brake was not read again."""
        return [_unknown("stale", event, event.time_ns) for event in state]


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
