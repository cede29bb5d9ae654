"""Rule ``precharge-attempts``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from canscope.model.bench import Bench
from canscope.model.events import Event
from canscope.model.outcome import Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import Rule, limit, unjudged
from canscope.rules import RULES

NAME = "pre-charge"
PRECHARGE, POSITIVE = "contactors.precharge", "contactors.positive"


@dataclass(frozen=True)
class Tried:
    """Closings of pre-charge since positive last closed."""

    count: int = 0
    first_ns: int = 0


@RULES.add("precharge-attempts")
@dataclass(frozen=True, kw_only=True)
class PrechargeAttempts(Rule):
    """High voltage comes up within few attempts; each one heats the pre-charge resistor.

    Judged
        When the positive contactor closes: how often pre-charge closed since positive closed the
        last time. When pre-charge closes more often than allowed without that: at once.
    Margin
        ``most`` minus that number. A number has no uncertainty.
    Unproven
        Positive never closed after a pre-charge (not-exercised): then nobody knows how many
        attempts it would have taken. A closing shorter than a sample is not seen.
    """

    most: int = limit(
        3, "attempts", low=1.0, high=10.0, note="until positive closes", looser="higher"
    )

    unit: ClassVar[str] = "attempts"
    limit_parameter: ClassVar[str] = "most"
    says: ClassVar[dict[str, str]] = {
        "pass": "positive closed after few enough attempts",
        "fail": "it was tried too often before positive closed",
    }
    exercise: ClassVar[str] = "close the contactors the way the vehicle does, until positive closes"
    causes: ClassVar[tuple[str, ...]] = (
        "the link does not charge: a load draws from it, or the pre-charge circuit is open",
        "the controller expects a voltage that it does not read, by a wrong factor or threshold",
        "the 12 V breaks down when a coil pulls in, and the controller starts anew",
    )
    next: ClassVar[str] = (
        "let the resistor cool for minutes, then look at the link's curve of the first attempt"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The pre-charge circuit."""
        return [Subject(NAME, (PRECHARGE, POSITIVE))]

    def start(self, bench: Bench) -> Tried:
        return Tried()

    def fold(self, state: Tried, piece: Piece) -> tuple[Tried, Sequence[Outcome]]:
        """Count the closings of this piece."""
        found: list[Outcome] = []
        for event in piece.events_of("pole"):
            if event.value != 1:
                continue
            if event.subject == "precharge":
                first_ns = state.first_ns if state.count else event.time_ns
                state = Tried(state.count + 1, first_ns)
                if state.count > self.most:
                    found.append(self._row(state, event))
            elif event.subject == "positive":
                if state.count:
                    found.append(self._row(state, event))
                state = Tried()
        return state, found

    def close(self, state: Tried, piece: Piece) -> Sequence[Outcome]:
        """Attempts after which positive never closed."""
        text = "positive was never seen to close after a pre-charge"
        if state.count:
            text = f"it was tried {state.count} times without positive closing afterwards"
        return [unjudged(NAME, "not-exercised", text)]

    def _row(self, tried: Tried, event: Event) -> Outcome:
        return margins(
            NAME,
            event.time_ns,
            self.most - tried.count,
            measured=tried.count,
            limit=self.most,
            start_ns=tried.first_ns,
        )
