"""Rule ``capture-integrity``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.outcome import Margins, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import ALL_STAGES, Rule, limit
from canscope.model.tables import Flag, Tally
from canscope.rules import RULES

S = 10**9


@dataclass(frozen=True)
class Recorded:
    """What was read of this segment so far."""

    frames: int = 0
    error_frames: int = 0
    tally: Tally = field(default_factory=Tally)
    stepped: bool = False  # the clock step in front of this segment was told


@RULES.add("capture-integrity")
@dataclass(frozen=True, kw_only=True)
class CaptureIntegrity(Rule):
    """The recording is whole: nothing unreadable, nothing lost, its clock never jumped.

    Judged
        A clock step (more than 100 ms back, or its return) where it happened. Lines or records
        that could not be read, a last one that is cut off and frames that the recorder itself says
        it lost, at the end. Whether the recorder was silent and whether it recorded error frames
        is told, not judged.
    Margin
        ``skipped_percent`` minus the percentage of lines that could not be read; minus the number
        of lost frames; -1 for a cut end; -1 for a clock step. It can be neither waived nor
        switched off.
    Unproven
        Nothing was recorded (not-exercised).

    Plan::

        [rules.capture-integrity]
        skipped_percent = 1.0   # % of lines or records; common practice, no source
    """

    skipped_percent: float = limit(1.0, "%", high=100.0)

    required_in: ClassVar[frozenset[str]] = ALL_STAGES
    waivable: ClassVar[bool] = False
    limit_parameter: ClassVar[str] = "skipped_percent"
    says: ClassVar[dict[str, str]] = {"pass": "{what}", "fail": "{what}"}
    exercise: ClassVar[str] = "record again, and stop the recorder before taking power away"
    causes: ClassVar[tuple[str, ...]] = (
        "the recorder was too slow, or its disk was full",
        "the recorder was switched off while writing",
        "the recorder's clock was set during the recording, or files were joined in wrong order",
        "the file was edited or copied incompletely",
    )
    next: ClassVar[str] = "open the capture at the place named and look; then record again"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The capture."""
        return [Subject("capture")]

    def start(self, bench: Bench) -> Recorded:
        """Nothing read yet."""
        return Recorded()

    def fold(self, state: Recorded, piece: Piece) -> tuple[Recorded, Sequence[Outcome]]:
        """Count, and tell the clock step in front of this segment."""
        frames = piece.frames
        found = []
        if frames.segment > 0 and not state.stepped:
            found.append(_step(piece))
        after = Recorded(
            state.frames + len(frames),
            state.error_frames + int(np.count_nonzero(frames.flags & Flag.ERROR)),
            state.tally + frames.tally,
            stepped=True,
        )
        return after, found

    def close(self, state: Recorded, piece: Piece) -> Sequence[Outcome]:
        """Judge the counts; stamps are those of the end of the recording."""
        tally, at_ns = state.tally, piece.until_ns - 1
        lines = max(tally.lines, state.frames + tally.skipped)
        if not lines:
            return ()
        percent = 100.0 * tally.skipped / lines
        what = f"{tally.skipped} of {lines} lines or records could not be read"
        if tally.skipped:
            what += f" (first: {'; '.join(tally.examples[:1])})"
            what += f", that is {percent:.2g} %"
        whole = f"{what}, none was lost, and the clock ran on; {_told(state)}; percent unreadable"
        skipped = self.skipped_percent - percent
        found = [
            margins(
                "capture",
                at_ns,
                skipped,
                measured=percent,
                limit=self.skipped_percent,
                what=whole if skipped >= 0 else f"{what}; percent unreadable",
            )
        ]
        if tally.dropped:
            lost = f"the recorder says that it lost frames ({tally.dropped}); number lost"
            found.append(_fault(at_ns, tally.dropped, lost))
        if tally.cut_end:
            cut = "the recording is cut off in the middle of its last line or record; cut ends"
            found.append(_fault(at_ns, 1, cut))
        return found


def _step(piece: Piece) -> Margins:
    size_ns = piece.frames.step_ns
    jump, at_ns = "by an unknown time", piece.start_ns
    if size_ns:
        at_ns -= size_ns  # the last stamp before the step: that is where a reader looks
        way = "back" if size_ns < 0 else "forward"
        jump = f"{way} by {abs(size_ns) / S:.3f} s"
    what = f"the recording's clock stepped {jump}, and nothing is judged across the step; steps"
    return _fault(at_ns, 1, what)


def _fault(at_ns: int, count: int, what: str) -> Margins:
    return margins("capture", at_ns, -float(count), measured=float(count), limit=0.0, what=what)


def _told(state: Recorded) -> str:
    """What the capture cannot vouch for."""
    errors = "no error frame was recorded, which proves nothing"
    if state.error_frames:
        errors = f"error frames were recorded ({state.error_frames})"
    notes = "".join(f"; {note}" for note in state.tally.notes)
    return f"{errors}; whether the recorder was silent is not known from the frames{notes}"
