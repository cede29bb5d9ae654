"""Rule ``capture-gaps``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.outcome import Doubt, Margins, Outcome, Subject, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import Rule, limit, unjudged
from canscope.rules import RULES
from canscope.rules._quiet import Silences, allowed_ns, idle, least_allowed_ns, silences

MS = 10**6
NAME = "recording"


@dataclass(frozen=True)
class Heard:
    """What was recorded so far, of whatever kind and bus."""

    frame_ns: int | None = None  # the last frame
    longest_ns: int = 0  # the longest silence that was no gap, and when it ended
    longest_end_ns: int = 0
    longest_allowed_ns: int = 0


@RULES.add("capture-gaps")
@dataclass(frozen=True, kw_only=True)
class CaptureGaps(Rule):
    """The recording has no gap: while nodes are awake, something is always heard on some bus.

    One node's silence is no gap as long as others are heard; cycle-time speaks of it.

    Judged
        While a bound node is awake: every stretch without a frame of any kind on any bus, as soon
        as it lasts too long. The fastest message is the one of shortest cycle among the bound ones
        that speak when it begins. A silence that begins while all poles are open and nothing
        turns may be a shutdown; it is judged when it ends.
    Margin
        ``cycles`` times the cycle of the fastest message minus the silence, in ms.
    Unproven
        No bound node was ever awake (not-exercised); all nodes fell silent like in a shutdown,
        with the ignition not known to be off, and came back (capture-damaged).

    Plan::

        [rules.capture-gaps]
        cycles = 3              # as ISO 11783-7: 100 ms heartbeat, error beyond 300 ms
    """

    cycles: float = limit(
        3.0, "cycles", "ISO 11783-7: heartbeat 100 ms, error beyond 300 ms", low=1
    )

    unit: ClassVar[str] = "ms"
    limit_parameter: ClassVar[str] = "cycles"
    says: ClassVar[dict[str, str]] = {
        "pass": "no gap while nodes were awake; the longest silence of all buses together",
        "fail": "nothing at all was recorded, on no bus, although nodes were awake",
    }
    exercise: ClassVar[str] = "record with every node powered"
    causes: ClassVar[tuple[str, ...]] = (
        "the recorder was too slow, paused or lost its connection",
        "the 12 V supply of all nodes together broke down",
        "the recording was cut and joined",
    )
    next: ClassVar[str] = "look at the recorder's own log and at the 12 V at that instant"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The recording as a whole."""
        return [Subject(NAME)]

    def start(self, bench: Bench) -> Heard:
        """Nothing heard yet."""
        return Heard()

    def fold(self, state: Heard, piece: Piece) -> tuple[Heard, Sequence[Outcome]]:
        """Judge the silences that end in this piece, and the one that is going on."""
        every = silences(piece, state.frame_ns)
        least = least_allowed_ns(piece, self.cycles)
        some = every[every.length_ns > min(state.longest_ns, least)]
        found: list[Outcome] = []
        if len(some):
            state, found = self._over(state, piece, some)
        if len(piece.frames):
            state = replace(state, frame_ns=int(piece.frames.time_ns[-1]))
        return state, [*found, *self._going_on(state, piece)]

    def _over(self, state: Heard, piece: Piece, some: Silences) -> tuple[Heard, list[Outcome]]:
        """Silences that are over: gaps, and the longest of the others."""
        allowed = allowed_ns(piece, some.start_ns, self.cycles)
        judged = (allowed > 0) & (piece.at("@awake", some.start_ns).value == 1)
        some, allowed = some[judged], allowed[judged]
        if not len(some):
            return state, []
        long = some.length_ns > allowed
        slept = piece.at("@awake", some.end_ns, before=True).value == 0
        found: list[Outcome] = []
        for row in np.flatnonzero(long & ~slept).tolist():
            start_ns, allow = int(some.start_ns[row]), int(allowed[row])
            if not idle(piece, start_ns + allow):
                found.append(_row(start_ns, start_ns + allow, allow, allow + 1))
            found.append(_row(start_ns, int(some.end_ns[row]), allow))
        if (long & slept).any():
            row = int(np.argmax(long & slept))
            length = int(some.length_ns[row]) / S
            text = f"all nodes were silent for {length:.3f} s: asleep, or not recorded"
            found.append(Doubt(NAME, "capture-damaged", text, int(some.start_ns[row])))
        short = np.where(long, 0, some.length_ns)
        row = int(np.argmax(short))
        if short[row] > state.longest_ns:
            of = int(short[row]), int(some.end_ns[row]), int(allowed[row])
            state = Heard(state.frame_ns, *of)
        return state, found

    def _going_on(self, state: Heard, piece: Piece) -> list[Outcome]:
        """The silence that lasts to the end of this piece, if it is a gap by then."""
        start_ns = state.frame_ns
        if start_ns is None or piece.until_ns - start_ns <= least_allowed_ns(piece, self.cycles):
            return []
        allow = int(allowed_ns(piece, start_ns, self.cycles)[0])
        deadline_ns = start_ns + allow
        awake = piece.at("@awake", start_ns).value[0] == 1
        if not allow or not awake or piece.until_ns <= deadline_ns or idle(piece, deadline_ns):
            return []
        return [_row(start_ns, deadline_ns, allow, allow + 1)]

    def close(self, state: Heard, piece: Piece) -> Sequence[Outcome]:
        """The longest silence that was no gap, and a gap that lasts to the end."""
        found: list[Outcome] = []
        if state.frame_ns is not None and (told := self._going_on(state, piece)):
            allow = int(allowed_ns(piece, state.frame_ns, self.cycles)[0])
            found += [*told, _row(state.frame_ns, piece.until_ns - 1, allow)]
        if state.longest_ns:
            start_ns = state.longest_end_ns - state.longest_ns
            found.append(_row(start_ns, state.longest_end_ns, state.longest_allowed_ns))
        return found or [unjudged(NAME, "not-exercised", "no bound message was ever heard")]


def _row(start_ns: int, end_ns: int, allow: int, length_ns: int | None = None) -> Margins:
    """A silence, as long as it is known to have lasted at ``end_ns``."""
    length = end_ns - start_ns if length_ns is None else length_ns
    return margins(
        NAME,
        end_ns,
        (allow - length) / MS,
        measured=length / MS,
        limit=allow / MS,
        start_ns=start_ns,
    )
