"""The requested direction as persons marked it, for vehicles whose lever is on no bus.

A mark lies within its uncertainty of the moment that it means. So what was asked at an instant is
known only once every mark that may mean an earlier moment has been made: a rule that judges by
marks judges ``lag_ns`` behind the run.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from canscope.model.bench import Bench, Mark
from canscope.model.piece import Piece
from canscope.model.signals import NEVER
from canscope.model.tables import Int64s
from canscope.rules.shared.persistence import LabelAt, to_ns

CODES = {"forward": 1.0, "reverse": -1.0, "neutral": 0.0}
MOST = 256  # marks kept; far more than a person makes within the time that a rule looks back


def lag_ns(bench: Bench) -> int:
    """How far behind the run something is judged by marks."""
    return to_ns(bench.mark_s)


def behind(piece: Piece, *, closing: bool = False) -> Piece:
    """The same piece as far behind as marks may be; ``closing``: what is left of the run."""
    lag = lag_ns(piece.bench)
    until_ns = piece.until_ns if closing else piece.until_ns - lag
    return replace(piece, start_ns=piece.start_ns - lag, until_ns=until_ns, _backs={}, _known={})


@dataclass(frozen=True)
class Asked:
    """The marks so far that say what was asked, in time order."""

    marks: tuple[Mark, ...] = ()

    def after(self, new: Sequence[Mark]) -> Asked:
        """With the marks of one more piece."""
        made = tuple(mark for mark in new if mark.asked in CODES)
        return Asked((*self.marks, *made)[-MOST:]) if made else self

    def of(self, axle: str) -> AskedOf:
        """What was asked of one axle: by marks that name it, and by those that name none."""
        return AskedOf(tuple(mark for mark in self.marks if mark.axle in (None, axle)))


NOTHING_ASKED = Asked()


@dataclass(frozen=True)
class AskedOf:
    """What was asked of one axle; read like the stretches of a signal."""

    marks: tuple[Mark, ...]

    def at(self, piece: Piece, times_ns: Int64s) -> LabelAt:
        """What was asked at these instants; NaN before the first mark and close to any.

        It is known to hold from the latest moment that its mark may mean to the earliest of the
        next one, and may have held from the earliest moment of its own: that is ``since_ns``.
        """
        label = np.full(len(times_ns), np.nan)
        since_ns = np.full(len(times_ns), NEVER)
        for mark in self.marks:
            earliest, latest = mark.time_ns - mark.u_ns, mark.time_ns + mark.u_ns
            label[times_ns >= earliest] = np.nan
            label[times_ns >= latest] = CODES[str(mark.asked)]
            since_ns[times_ns >= earliest] = earliest
        return LabelAt(label, since_ns, since_ns)
