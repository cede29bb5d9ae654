"""Rule ``message-presence``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.findings import COMMON_PRACTICE
from canscope.model.outcome import Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import ALL_STAGES, CardStep, Rule, unjudged
from canscope.rules import RULES
from canscope.rules.recording._messages import message_subjects


@RULES.add("message-presence")
@dataclass(frozen=True, kw_only=True)
class MessagePresence(Rule):
    """Every message that a role of the plan rests on was seen.

    Judged
        For each message, at its first frame.
    Margin
        Frames seen, more than none: +1 at the first frame. It never fails, and it can be neither
        waived nor switched off.
    Unproven
        The message never came (not-seen); everything that rests on it is unproven as well.
    """

    unit: ClassVar[str] = "frame"
    required_in: ClassVar[frozenset[str]] = ALL_STAGES
    waivable: ClassVar[bool] = False
    limit_source: ClassVar[str] = COMMON_PRACTICE
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.BEFORE_POWER})
    says: ClassVar[dict[str, str]] = {"pass": "the message was seen"}
    exercise: ClassVar[str] = (
        "switch on every node, record every bus that the plan names, and compare the capture's"
        " identifiers with the definition's"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every message with a bound signal."""
        return message_subjects(bench)

    def start(self, bench: Bench) -> frozenset[str]:
        return frozenset()

    def fold(self, state: frozenset[str], piece: Piece) -> tuple[frozenset[str], Sequence[Outcome]]:
        """Judge the messages that come for the first time."""
        found = []
        for key in piece.bench.bound_messages:
            times = piece.arrivals.get(key)
            if key not in state and times is not None and len(times):
                state |= {key}
                found.append(margins(key, int(times[0]), 1.0, measured=1.0, limit=np.nan))
        return state, found

    def close(self, state: frozenset[str], piece: Piece) -> Sequence[Outcome]:
        """The messages that never came."""
        bench = piece.bench
        return [
            unjudged(key, "not-seen", f"these rest on it: {', '.join(roles)}")
            for key, roles in bench.bound_messages.items()
            if key not in state
        ]
