"""Rule ``bus-load``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from canscope.model.bench import Bench
from canscope.model.findings import Verdict
from canscope.model.outcome import Doubt, Outcome, Subject, deciding_rows, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import Rule, Worst, limit, unjudged
from canscope.model.tables import Flag, Floats, Frames, Int64s
from canscope.rules import RULES
from canscope.rules.recording._stuffed_bits import frame_bits
from canscope.rules.shared.persistence import within

REPEATS = 100  # frames in a row that are no longer a message; common practice, no source
BACK_TO_BACK = 2.0  # lengths of a frame, within which the next one follows at once
NONE = np.zeros(0, np.int64)
FRAME = ("time_ns", "can_id", "flags", "length", "data")  # columns carried of the last frame


@dataclass(frozen=True, eq=False)
class Tail:
    """What is carried from piece to piece for one bus: the last window, and repeats so far."""

    time_ns: Int64s = field(default_factory=lambda: NONE)
    bits: Int64s = field(default_factory=lambda: NONE)
    slow_bits: Int64s = field(default_factory=lambda: NONE)
    frame: tuple[int, ...] | None = None  # its FRAME
    repeats: int = 0


@RULES.add("bus-load")
@dataclass(frozen=True, kw_only=True)
class BusLoad(Rule):
    """No bus is loaded beyond what was agreed, not even for a tenth of a second.

    Judged
        For each bus whose bit rate the plan gives, at every frame: the bits of the frames that
        ended within ``window_s``, stuff bits counted exactly from each frame's own content, in
        percent of what the bit rate carries. FD frames that switch to a faster rate (the plan does
        not give it) count half way between no time and the time at the bus's own rate, with that
        much uncertainty. Error frames are not counted.
    Margin
        ``limit_percent`` minus the load, in percent; without a limit 100 minus the load. The
        uncertainty is the frame that may have begun before the window.
    Unproven
        The plan gives no limit (no-limit): the peak is told all the same. Nothing of the bus was
        recorded (not-seen). One frame was repeated back to back over and over, as happens where a
        unit is alone with a silent listener and nobody acknowledges (inferred).
    """

    limit_percent: float | None = limit(None, "%", high=100.0, note="of the bit rate", example=60)
    window_s: float = limit(0.1, "s", low=0.001, high=1.0, looser="higher")

    unit: ClassVar[str] = "%"
    limit_source: ClassVar[str] = "plan"
    says: ClassVar[dict[str, str]] = {
        "pass": "the bus was never loaded beyond its limit; peak",
        "fail": "the bus was loaded beyond its limit",
        "close": "the bus was loaded about as far as its limit",
    }
    exercise: ClassVar[str] = "give the plan a limit and record the bus with every node awake"
    causes: ClassVar[tuple[str, ...]] = (
        "a node sends far more often than it should",
        "a unit is alone on the bus and repeats one frame that nobody acknowledges",
        "the bit rate in the plan is not the bus's own",
    )
    next: ClassVar[str] = "count the frames by identifier around that instant"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every bus whose bit rate is known."""
        missing = "" if self.limit_percent is not None else "limit_percent is not given"
        return [Subject(channel, no_limit=missing) for channel in bench.bitrates]

    def start(self, bench: Bench) -> Mapping[str, Tail]:
        return {channel: Tail() for channel in bench.bitrates}

    def fold(
        self, state: Mapping[str, Tail], piece: Piece
    ) -> tuple[Mapping[str, Tail], Sequence[Outcome]]:
        """Judge the window that ends with each new frame."""
        found: list[Outcome] = []
        after = dict(state)
        frames = piece.frames
        sound = np.flatnonzero((frames.flags & Flag.ERROR) == 0)
        bits, slow_bits = frame_bits(frames, sound)
        channels = frames.channel if len(sound) == len(frames) else frames.channel[sound]
        for channel, tail in state.items():
            if channel in frames.channels:
                mine = np.flatnonzero(channels == frames.channels.index(channel))
                if len(mine):
                    rate, all_bits = piece.bench.bitrates[channel], bits[mine]
                    sizes = (all_bits, all_bits if slow_bits is bits else slow_bits[mine])
                    parts = self._bus(channel, tail, frames, sound[mine], sizes, rate)
                    after[channel], outcomes = parts
                    found += outcomes
        return after, found

    def _bus(
        self,
        channel: str,
        tail: Tail,
        frames: Frames,
        rows: Int64s,
        sizes: tuple[Int64s, Int64s],
        rate: int,
    ) -> tuple[Tail, list[Outcome]]:
        bits, slow_bits = sizes
        width_ns = round(self.window_s * S)
        new = frames.time_ns[rows]
        times = np.concatenate((tail.time_ns, new))
        every = slow = np.concatenate((tail.bits, bits))
        if slow_bits is not bits or tail.slow_bits is not tail.bits:
            slow = np.concatenate((tail.slow_bits, slow_bits))
        first = within(times, np.arange(len(times) - len(new), len(times)), width_ns)
        share = 100.0 / (rate * self.window_s)
        most = _sums(every, first) * share
        least = most if slow is every else _sums(slow, first) * share
        load = (most + least) / 2
        allowed = self.limit_percent
        if allowed is None:  # reported, not judged
            some = deciding_rows(np.maximum(100.0 - load, 0.0))
        else:
            some = deciding_rows(allowed - load, (most - least) / 2 + every[first] * share)
        u = (most[some] - least[some]) / 2 + every[first[some]] * share
        peak = self._rows(channel, new[some], load[some], u)
        repeats, doubts = _repeats(channel, tail, frames, rows, bits / rate * S)
        keep = slice(int(times.searchsorted(new[-1] - width_ns, "right")), None)
        end = int(rows[-1])
        frame = tuple(int(getattr(frames, name)[end]) for name in FRAME)
        kept = every[keep]
        slow_kept = kept if slow is every else slow[keep]
        after = Tail(times[keep], kept, slow_kept, frame, repeats)
        return after, [peak, *doubts]

    def _rows(self, channel: str, time_ns: Int64s, load: Floats, u: Floats) -> Outcome:
        allowed = self.limit_percent
        if allowed is None:
            margin, u = np.maximum(100.0 - load, 0.0), np.zeros_like(u)
        else:
            margin = allowed - load
        return margins(
            channel,
            time_ns,
            margin,
            measured=load,
            limit=np.nan if allowed is None else allowed,
            uncertainty=u,
            start_ns=time_ns - round(self.window_s * S),
        )

    def close(self, state: Mapping[str, Tail], piece: Piece) -> Sequence[Outcome]:
        """Buses without any recorded frame."""
        text = "nothing of this bus was recorded"
        return [unjudged(c, "not-seen", text) for c, tail in state.items() if tail.frame is None]

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """The clause with the length of the window."""
        return f"{super().clause(verdict, worst)} over {self.window_s:g} s"


def _sums(column: Int64s, first: Int64s) -> Int64s:
    """The sum from each of these rows up to the row itself, for the last rows of the column."""
    total = np.zeros(len(column) + 1, np.int64)
    np.cumsum(column, out=total[1:])
    return total[len(total) - len(first) :] - total[first]


def _repeats(
    channel: str, tail: Tail, frames: Frames, rows: Int64s, length_ns: Floats
) -> tuple[int, list[Doubt]]:
    """How often the last frame came in a row, back to back; a doubt at the REPEATS-th time."""

    def column(name: str) -> NDArray[Any]:
        values: NDArray[Any] = getattr(frames, name)[rows]
        if tail.frame is None:
            return values
        return np.concatenate((np.array([tail.frame[FRAME.index(name)]], values.dtype), values))

    ids = column("can_id")
    same = ids[1:] == ids[:-1]
    for name in ("data", "length", "flags"):  # of long frames the first 8 bytes stand for all
        if not same.any():  # nearly always
            return 0, []
        values = column(name)
        same &= values[1:] == values[:-1]
    times = column("time_ns")
    same &= np.diff(times) <= BACK_TO_BACK * length_ns[len(rows) - len(times) + 1 :]
    place = np.arange(1, len(same) + 1)
    broken = np.maximum.accumulate(np.where(same, 0, place))
    count = np.where(broken > 0, place - broken, place + tail.repeats)
    hit = np.flatnonzero(count == REPEATS)
    doubts = []
    if len(hit):
        row = int(hit[0]) + 1
        text = (
            f"frame {int(ids[row]):X} was repeated back to back more than {REPEATS} times:"
            " nobody acknowledges it, as where a unit is alone with a silent listener"
        )
        doubts.append(Doubt(channel, "inferred", text, int(times[row])))
    return (int(count[-1]) if len(count) else 0), doubts
