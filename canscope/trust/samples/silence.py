"""Was nothing at all recorded, on any bus, or is one node silent by itself?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from canscope.model.bench import POLES, SAFE_V
from canscope.model.cycle import UNLEARNED_NS
from canscope.model.history import step_at
from canscope.model.piece import Piece
from canscope.model.signals import NEVER
from canscope.model.tables import Bools, Int64s

SILENT_NS = np.int64(2**62)  # the cycle of a message that does not speak


@dataclass(frozen=True, eq=False)
class Silences:
    """Pairs of frames that follow each other, of whatever kind and bus; a row a pair."""

    start_ns: Int64s  # the frame before it
    end_ns: Int64s  # the frame that ends it

    def __len__(self) -> int:
        return len(self.start_ns)

    def __getitem__(self, rows: Bools | Int64s) -> Silences:
        return Silences(self.start_ns[rows], self.end_ns[rows])

    @property
    def length_ns(self) -> Int64s:
        """How long each lasted."""
        return self.end_ns - self.start_ns


def silences(piece: Piece, last_ns: int | None) -> Silences:
    """The silences that end in this piece; ``last_ns`` is the last frame before it."""
    times = piece.frames.time_ns
    if last_ns is not None:
        times = np.concatenate((np.array([last_ns], np.int64), times))
    return Silences(times[:-1], times[1:])


def allowed_ns(piece: Piece, times_ns: ArrayLike, cycles: float) -> Int64s:
    """How long all buses may be silent after these instants, in ns, a row an instant.

    That is so many cycles of the fastest of the bound messages that are not stale then; 0 where all
    are.
    """
    times = np.atleast_1d(np.asarray(times_ns, np.int64))
    fastest = np.full(len(times), SILENT_NS)
    for key in piece.bench.bound_messages:
        cycle = piece.history.cycle_ns(f"#{key}", times)
        speaks = ~piece.at(f"#{key}", times).stale
        fastest = np.where(speaks, np.minimum(fastest, cycle), fastest)
    return np.rint(np.where(fastest == SILENT_NS, 0, fastest) * cycles).astype(np.int64)


def least_allowed_ns(piece: Piece, cycles: float) -> int:
    """A lower bound of ``allowed_ns`` in this piece, by which most silences are seen to be none."""
    end = np.array([piece.until_ns], np.int64)
    known = (int(piece.history.cycle_ns(f"#{k}", end)[0]) for k in piece.bench.bound_messages)
    return int(min((UNLEARNED_NS, *known)) * cycles)


def gaps(piece: Piece, last_ns: int | None, cycles: float) -> Silences:
    """The silences of all buses together that last longer than ``allowed_ns``."""
    every = silences(piece, last_ns)
    long = every[every.length_ns > least_allowed_ns(piece, cycles)]
    if not len(long):
        return long
    allowed = allowed_ns(piece, long.start_ns, cycles)
    return long[(allowed > 0) & (long.length_ns > allowed)]


def before_poles(piece: Piece, time_ns: int) -> bool:
    """Whether some pole is bound and had not been heard yet, and nothing was known to be live."""
    poles = [f"contactors.{pole}" for pole in POLES if piece.bench.has(f"contactors.{pole}")]
    unheard = any(piece.at(pole, time_ns).sampled_ns[0] == NEVER for pole in poles)
    return unheard and bool(piece.at("@engaged", time_ns).value[0] != 1)


def idle(piece: Piece, time_ns: int) -> bool:
    """Whether nothing turns and all poles are known to be open, so that nodes may fall asleep.

    Where no pole is bound, every link has to have been last read below 60 V instead.
    """
    engaged = piece.at("@engaged", time_ns).value[0]
    poles = [f"contactors.{pole}" for pole in POLES if piece.bench.has(f"contactors.{pole}")]
    if poles:
        known = all(piece.at(pole, time_ns).sampled_ns[0] != NEVER for pole in poles)
        return known and bool(engaged == 0)
    links = piece.bench.link_roles().values()
    at = np.array([time_ns])
    # Of one that has fallen silent the last reading counts.
    last = [step_at(piece.history.samples(role), at)[0] for role in links]
    dead = bool(last) and all(value < SAFE_V for value in last)
    return dead and bool(engaged != 1)
