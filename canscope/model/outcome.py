"""What a rule answers: margins where it could judge, doubts where it could not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canscope.model.median import distinct
from canscope.model.tables import Floats, Int64s


@dataclass(frozen=True)
class Subject:
    """One thing that a rule judges, and the roles it rests on.

    ``needs`` are roles without which nothing is proven: one of them unbound, never seen, stale,
    not available, out of range or stuck turns a pass into unproven. ``shows`` are the roles that
    prove and plot it (default: ``needs``); the first is the one named in the sentence. ``own_word``
    are contactor states that must be the contact's own word: nothing else in the run shows them.
    """

    name: str
    needs: tuple[str, ...] = ()
    shows: tuple[str, ...] = ()
    no_limit: str = ""  # names the limit that is missing, where a rule needs one
    unit: str = ""  # where it differs from the rule's
    own_word: tuple[str, ...] = ()

    @property
    def shown(self) -> tuple[str, ...]:
        """The roles that show it."""
        return self.shows or self.needs


@dataclass(frozen=True, eq=False)
class Margins:
    """Distances to a limit for one subject, at the instants that decide; made by ``margins``.

    ``margin`` is positive on the good side, in the rule's unit; ``uncertainty`` is never negative
    (0 for counts, states, presence). ``measured`` and ``limit`` are what a person compares; limit
    is NaN where there is no single number. ``code`` names what a fail of that row means, one of
    the rule's ``codes``. ``facts`` are further columns for the sentence. All columns have one row
    an instant; ``start_ns``/``end_ns`` are the window of each. Most rows change no finding, so
    these further columns are only worked out when somebody asks for them.
    """

    subject: str
    time_ns: Int64s
    margin: Floats
    uncertainty: Floats
    _rows: Int64s | slice
    _shape: tuple[int, ...]  # of columns that have a value for each of the rule's rows
    _columns: Mapping[str, ArrayLike | None]
    _facts: Mapping[str, ArrayLike]

    @property
    def measured(self) -> Floats:
        """What a person compares with the limit."""
        return self._column(self._columns["measured"], np.float64)

    @property
    def limit(self) -> Floats:
        """The limit as a number."""
        return self._column(self._columns["limit"], np.float64)

    @property
    def code(self) -> NDArray[Any]:
        """What a fail of each row means, in a word; empty where there is only one way to fail."""
        return self._column(self._columns["code"])

    @property
    def start_ns(self) -> Int64s:
        """Where the window of each row begins."""
        return self._instant("start_ns")

    @property
    def end_ns(self) -> Int64s:
        """Where the window of each row ends."""
        return self._instant("end_ns")

    @property
    def facts(self) -> dict[str, NDArray[Any]]:
        """What the sentence needs besides."""
        return {name: self._column(values) for name, values in self._facts.items()}

    def _instant(self, name: str) -> Int64s:
        values = self._columns[name]
        return self.time_ns if values is None else self._column(values, np.int64)

    def _column(self, values: ArrayLike | None, dtype: Any = None) -> NDArray[Any]:
        array = np.asarray(values, dtype)
        if array.shape == self._shape:
            return array[self._rows]
        # Not np.broadcast_to, which takes longer than all the rest here.
        column = np.empty(len(self.time_ns), array.dtype)
        column[:] = array
        return column


def margins(
    subject: str,
    time_ns: ArrayLike,
    margin: ArrayLike,
    *,
    measured: ArrayLike,
    limit: ArrayLike,
    uncertainty: ArrayLike = 0.0,
    start_ns: ArrayLike | None = None,
    end_ns: ArrayLike | None = None,
    code: ArrayLike = "",
    **facts: ArrayLike,
) -> Margins:
    """Make Margins from columns or scalars, a row an instant that could be judged.

    Rows whose margin is NaN are left out: not judged. Of the others only those are kept that can
    decide (``deciding_rows``). The default of start and end is the instant itself.
    """
    time = np.asarray(time_ns, np.int64)
    if time.ndim == 0:
        time = time.reshape(1)
    distance = np.asarray(margin, np.float64)
    if distance.shape != time.shape:
        distance = np.broadcast_to(distance, time.shape)
    spread = np.asarray(uncertainty, np.float64)
    rows = _deciding(distance, spread, time)
    instant = time[rows]
    u = spread[rows] if spread.shape == time.shape else np.full(len(instant), spread)
    columns = {
        "measured": measured,
        "limit": limit,
        "start_ns": start_ns,
        "end_ns": end_ns,
        "code": code,
    }
    return Margins(subject, instant, distance[rows], u, rows, time.shape, columns, facts)


def deciding_rows(margin: Floats, uncertainty: ArrayLike = 0.0) -> Int64s:
    """Of rows in time order those that decide, so that a rule need not work out the others.

    Of the fails, the passes and the rest the smallest margin each, the earliest of equals; the
    first fail and the first negative margin. So a verdict, its worst instant and the instant at
    which it first failed are those of all rows.
    """
    rows = _deciding(margin, np.asarray(uncertainty, np.float64))
    return np.arange(rows.start, rows.stop) if isinstance(rows, slice) else rows


def _deciding(margin: Floats, u: Floats, time_ns: Int64s | None = None) -> Int64s | slice:
    """The rows that decide; ``time_ns`` are their instants where they are in any order."""
    if not len(margin):
        return slice(0, 0)
    row = int(margin.argmin())
    smallest = float(margin[row])
    good = smallest >= 0 and (smallest >= u if u.ndim == 0 else (margin >= u).all())
    if good:  # nearly always
        if time_ns is not None and len(margin) > 1:
            rows = (margin == smallest).nonzero()[0]
            if len(rows) > 1:
                row = int(rows[time_ns[rows].argmin()])
        return slice(row, row + 1)
    if np.isnan(smallest):  # what is NaN is not judged
        judged = (~np.isnan(margin)).nonzero()[0]
        when = None if time_ns is None else time_ns[judged]
        return judged[_deciding(margin[judged], u[judged] if u.ndim else u, when)]
    time_ns = np.arange(len(margin)) if time_ns is None else time_ns
    fails, passes = margin < -u, margin >= u
    found = []
    for some in (fails, passes, ~fails & ~passes):
        of = np.flatnonzero(some)
        if len(of):
            worst = of[margin[of] == margin[of].min()]
            found.append(worst[np.argmin(time_ns[worst])])
    for some in (fails, margin < 0):
        of = np.flatnonzero(some)
        if len(of):
            found.append(of[np.argmin(time_ns[of])])
    return distinct(np.array(found, np.int64))


@dataclass(frozen=True)
class Doubt:
    """Why a subject is, or may be, unproven. It can only lower a pass, never lift a fail.

    ``reason`` is one of ``findings.REASONS``; ``text`` a plain clause for the sentence; ``code``
    one of the rule's ``codes`` where the reason has several causes. Without ``lowers`` it only
    explains why nothing was judged and leaves a pass alone.
    """

    subject: str
    reason: str
    text: str = ""
    at_ns: int | None = None
    lowers: bool = True
    measured: float | None = None
    code: str = ""


Outcome = Margins | Doubt
