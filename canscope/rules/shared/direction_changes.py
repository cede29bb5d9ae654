"""Enterings of forward and reverse, and the trade's words for a direction."""

from __future__ import annotations

from canscope.model.events import Event
from canscope.model.piece import Piece

WORDS = {1.0: "forward", -1.0: "reverse", 0.0: "neutral"}
SENSES = {"forward": 1.0, "reverse": -1.0, "still": 0.0}


def entered(piece: Piece) -> list[Event]:
    """The events of this piece that entered forward or reverse from something else."""
    return [e for e in piece.events_of("direction") if e.value in (1, -1) and e.before != e.value]


def axle_and_sense(subject: str) -> dict[str, str]:
    """The parts of a subject such as ``front forward``, for sentences."""
    axle, _, direction = subject.rpartition(" ")
    return {"axle": axle, "direction": direction}
