"""Rule ``frame-length``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.outcome import Outcome, Subject, deciding_rows, margins
from canscope.model.piece import Piece
from canscope.model.rule import Rule
from canscope.rules import RULES
from canscope.rules.recording._messages import message_subjects
from canscope.rules.shared.payloads import rows_of


@dataclass(frozen=True)
class Counted:
    """Messages by key: how many of their frames were too short so far."""

    short: dict[str, int]


@RULES.add("frame-length")
@dataclass(frozen=True, kw_only=True)
class FrameLength(Rule):
    """Every frame of a bound message is at least as long as its definition says.

    Signals that lie beyond the end of a shorter frame are not there; they are never guessed.

    Judged
        For each bound message, at every one of its data frames. A longer frame is no fault.
    Margin
        Bytes of the frame minus bytes of the definition.
    Unproven
        The message never came (not-exercised).
    """

    unit: ClassVar[str] = "byte"
    limit_source: ClassVar[str] = "the definition"
    says: ClassVar[dict[str, str]] = {
        "pass": "no frame was shorter than its definition; the shortest",
        "fail": "frames were shorter than their definition ({short} by then); this one",
    }
    exercise: ClassVar[str] = "record the bus with the node powered"
    causes: ClassVar[tuple[str, ...]] = (
        "the definition belongs to another software version of the node",
        "another node sends with the same identifier",
    )
    next: ClassVar[str] = "compare the node's software version with the definition's"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every message with a bound signal."""
        return message_subjects(bench)

    def start(self, bench: Bench) -> Counted:
        return Counted(dict.fromkeys(bench.messages, 0))

    def fold(self, state: Counted, piece: Piece) -> tuple[Counted, Sequence[Outcome]]:
        """Judge the frames of every bound message."""
        found: list[Outcome] = []
        short = dict(state.short)
        for key, message in piece.bench.messages.items():
            rows = rows_of(piece, message)
            if not len(rows):
                continue
            length = piece.frames.length[rows].astype(np.float64)
            margin = length - message.length
            some = deciding_rows(margin)
            if margin[some[0]] < 0 or len(some) > 1:
                count = short[key] + np.cumsum(margin < 0)
                short[key] = int(count[-1])
            else:
                count = np.broadcast_to(short[key], margin.shape)
            found.append(
                margins(
                    key,
                    piece.frames.time_ns[rows[some]],
                    margin[some],
                    measured=length[some],
                    limit=message.length,
                    short=count[some],
                )
            )
        return Counted(short), found
