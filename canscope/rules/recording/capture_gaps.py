"""Rule ``capture-gaps``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.outcome import Doubt, Margins, Outcome, Subject, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import Rule, limit, unjudged
from canscope.rules import RULES
from canscope.trust.samples.silence import Silences, allowed_ns, idle, least_allowed_ns, silences

MS = 10**6
NAME = "recording"


@dataclass(frozen=True)
class Gap:
    """A silence of all buses that was too long, and the messages that were due in it.

    If one of them is heard again by its ``until_ns``, the recording was silent and not the node.
    """

    start_ns: int
    end_ns: int
    allowed_ns: int
    until_ns: Mapping[str, int]  # message -> three of its cycles after the end


@dataclass(frozen=True)
class Heard:
    """What was recorded so far, of whatever kind and on whatever bus."""

    frame_ns: int | None = None  # the last frame
    longest_ns: int = 0  # the longest silence that was no gap, and when it ended
    longest_end_ns: int = 0
    longest_allowed_ns: int = 0
    pending: tuple[Gap, ...] = ()


@RULES.add("capture-gaps")
@dataclass(frozen=True, kw_only=True)
class CaptureGaps(Rule):
    """The recording has no gap: while nodes are awake, something is always heard on some bus.

    Judged
        While a bound node is awake: every stretch without a frame of any kind on any bus. The
        fastest message is the one of shortest cycle among the bound ones that speak when it begins.
        Told apart from one node's silence, of which cycle-time speaks: the messages that the
        stretch kept waiting, or one of them, are heard again within three of their cycles after it.
    Margin
        ``cycles`` times the cycle of the fastest message minus the stretch, in ms.
    Unproven
        No bound node was ever awake (not-exercised); all nodes fell silent as in a shutdown, with
        the ignition not known to be off, and came back, or nothing at all was recorded up to the
        end of the run (capture-damaged).
    """

    cycles: float = limit(
        3.0,
        "cycles",
        "ISO 11783-7: heartbeat 100 ms, error beyond 300 ms",
        low=1.0,
        high=10.0,
        looser="higher",
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
        return Heard()

    def fold(self, state: Heard, piece: Piece) -> tuple[Heard, Sequence[Outcome]]:
        """Judge the silences that ended, once it is known which messages came back."""
        every = silences(piece, state.frame_ns)
        least = least_allowed_ns(piece, self.cycles)
        some = every[every.length_ns > min(state.longest_ns, least)]
        found: list[Outcome] = []
        if len(some):
            state, found = self._over(state, piece, some)
        pending = []
        for gap in state.pending:
            at_ns = _back(piece, gap)
            if at_ns is not None:
                found.append(_row(gap.start_ns, gap.end_ns, gap.allowed_ns, at_ns))
            elif max(gap.until_ns.values(), default=0) >= piece.until_ns:
                pending.append(gap)
        frame_ns = int(piece.frames.time_ns[-1]) if len(piece.frames) else state.frame_ns
        return replace(state, frame_ns=frame_ns, pending=tuple(pending)), found

    def _over(self, state: Heard, piece: Piece, some: Silences) -> tuple[Heard, list[Outcome]]:
        """Ended silences: the longest that was short enough, and those that may be gaps."""
        allowed = allowed_ns(piece, some.start_ns, self.cycles)
        judged = (allowed > 0) & (piece.at("@awake", some.start_ns).value == 1)
        some, allowed = some[judged], allowed[judged]
        if not len(some):
            return state, []
        long = some.length_ns > allowed
        slept = piece.at("@awake", some.end_ns, before=True).value == 0
        pending = [
            self._gap(piece, int(some.start_ns[row]), int(some.end_ns[row]), int(allowed[row]))
            for row in np.flatnonzero(long & ~slept)
        ]
        state = replace(state, pending=(*state.pending, *pending))
        short = np.where(long, 0, some.length_ns)
        row = int(np.argmax(short))
        if short[row] > state.longest_ns:
            of = int(short[row]), int(some.end_ns[row]), int(allowed[row])
            state = Heard(state.frame_ns, *of, state.pending)
        if not (long & slept).any():
            return state, []
        row = int(np.argmax(long & slept))
        text = f"all nodes were silent for {some.length_ns[row] / S:.3f} s: asleep, or not recorded"
        return state, [Doubt(NAME, "capture-damaged", text, int(some.start_ns[row]))]

    def _gap(self, piece: Piece, start_ns: int, end_ns: int, allow_ns: int) -> Gap:
        """A silence with the messages that were overdue in it."""
        until = {}
        for key in piece.bench.bound_messages:
            cycle = int(piece.history.cycle_ns(f"#{key}", np.array([start_ns]))[0])
            own_ns = round(cycle * self.cycles)
            last = piece.at(f"#{key}", start_ns)
            if not last.stale[0] and int(last.sampled_ns[0]) + own_ns < end_ns:
                until[key] = end_ns + own_ns
        return Gap(start_ns, end_ns, allow_ns, until)

    def close(self, state: Heard, piece: Piece) -> Sequence[Outcome]:
        """The longest silence that was no gap, and what the end of the recording left open."""
        found: list[Outcome] = []
        if state.longest_ns:
            start_ns = state.longest_end_ns - state.longest_ns
            found.append(_row(start_ns, state.longest_end_ns, state.longest_allowed_ns))
        since_ns = state.pending[0].start_ns if state.pending else state.frame_ns
        end_ns = piece.until_ns - 1
        # A shutdown with all poles open and a recorder that stopped look the same.
        if since_ns is not None and not idle(piece, end_ns):
            allow = int(allowed_ns(piece, since_ns, self.cycles)[0])
            awake = piece.at("@awake", end_ns).value[0] == 1
            if state.pending or (awake and 0 < allow < end_ns - since_ns):
                text = f"hardly anything was recorded in the last {(end_ns - since_ns) / S:.3f} s"
                found.append(Doubt(NAME, "capture-damaged", text, since_ns))
        return found or [unjudged(NAME, "not-exercised", "no bound message was ever heard")]


def _back(piece: Piece, gap: Gap) -> int | None:
    """When the first of the overdue messages was heard again in time."""
    heard = []
    for key, until_ns in gap.until_ns.items():
        times = piece.arrivals.get(key, np.zeros(0, np.int64))
        row = int(np.searchsorted(times, gap.end_ns))
        if row < len(times) and times[row] <= until_ns:
            heard.append(int(times[row]))
    return min(heard, default=None)


def _row(start_ns: int, end_ns: int, allow_ns: int, at_ns: int | None = None) -> Margins:
    """The margin of a silence, at ``at_ns`` or when it ended."""
    length = end_ns - start_ns
    return margins(
        NAME,
        end_ns if at_ns is None else at_ns,
        (allow_ns - length) / MS,
        measured=length / MS,
        limit=allow_ns / MS,
        start_ns=start_ns,
        end_ns=end_ns,
    )
