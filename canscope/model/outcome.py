"""What a rule answers: margins where it could judge, doubts where it could not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canscope.model.tables import Floats, Int64s


@dataclass(frozen=True)
class Subject:
    """One thing a rule speaks about, and the roles it rests on.

    ``needs`` are roles without which nothing can be said: one of them unbound, never seen, stale,
    not available, out of range or stuck turns a pass into unproven. ``shows`` are the roles that
    prove and plot it (default: ``needs``); the first is the one named in the sentence.
    """

    name: str
    needs: tuple[str, ...] = ()
    shows: tuple[str, ...] = ()
    no_limit: str = ""  # says which limit is missing where a rule needs one
    unit: str = ""  # where it differs from the rule's

    @property
    def shown(self) -> tuple[str, ...]:
        """The roles that show it."""
        return self.shows or self.needs


@dataclass(frozen=True, eq=False)
class Margins:
    """Distances to a limit for one subject, at the instants that decide; made by ``margins``.

    ``margin`` is positive on the good side, in the rule's unit; ``uncertainty`` is never negative
    (0 for counts, states, presence). ``measured`` and ``limit`` are what a person compares; limit
    is NaN where there is no single number. ``facts`` are further columns for the sentence. All
    columns have one row an instant; ``start_ns``/``end_ns`` are the window of each.
    """

    subject: str
    time_ns: Int64s
    margin: Floats
    uncertainty: Floats
    measured: Floats
    limit: Floats
    start_ns: Int64s
    end_ns: Int64s
    facts: Mapping[str, NDArray[Any]] = field(default_factory=dict)


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
    **facts: ArrayLike,
) -> Margins:
    """Make Margins from columns or scalars, a row an instant that could be judged.

    Rows whose margin is NaN are left out: not judged. Of the others only those are kept that can
    decide (``telling``). The default of start and end is the instant itself.
    """
    time = np.atleast_1d(np.asarray(time_ns, np.int64))
    distance = np.asarray(margin, np.float64)
    if distance.shape != time.shape:
        distance = np.broadcast_to(distance, time.shape)
    spread = np.asarray(uncertainty, np.float64)
    rows = _deciding(distance, spread, time)
    instant = time[rows]

    def column(values: ArrayLike, dtype: Any = None) -> NDArray[Any]:
        array = np.asarray(values, dtype)
        if array.shape == time.shape:
            return array[rows]
        # Not np.broadcast_to, which takes longer than all the rest here.
        column = np.empty(len(instant), array.dtype)
        column[:] = array
        return column

    return Margins(
        subject,
        instant,
        distance[rows],
        column(spread),
        column(measured, np.float64),
        column(limit, np.float64),
        instant if start_ns is None else column(start_ns, np.int64),
        instant if end_ns is None else column(end_ns, np.int64),
        {name: column(values) for name, values in facts.items()},
    )


def telling(margin: Floats, uncertainty: ArrayLike = 0.0) -> Int64s:
    """Of rows in time order those that decide, so that a rule need not work out the others.

    Of the fails, the passes and the rest the smallest margin each, the earliest of equals; the
    first fail and the first negative margin. So a verdict, its worst instant and the instant at
    which it first failed are those of all rows.
    """
    place = np.arange(len(margin))
    return place[_deciding(margin, np.asarray(uncertainty, np.float64), place)]


def _deciding(margin: Floats, u: Floats, time_ns: Int64s) -> Int64s | slice:
    """The same of rows in any order."""
    if not len(margin):
        return slice(0, 0)
    row = int(margin.argmin())
    smallest = float(margin[row])
    good = smallest >= 0 and (smallest >= u if u.ndim == 0 else (margin >= u).all())
    if good:  # nearly always
        if len(margin) > 1 and np.count_nonzero(equal := margin == smallest) > 1:
            rows = np.flatnonzero(equal)
            row = int(rows[np.argmin(time_ns[rows])])
        return slice(row, row + 1)
    fails, passes = margin < -u, margin >= u
    found = []
    for some in (fails, passes, ~fails & ~passes & ~np.isnan(margin)):
        of = np.flatnonzero(some)
        if len(of):
            worst = of[margin[of] == margin[of].min()]
            found.append(worst[np.argmin(time_ns[worst])])
    for some in (fails, margin < 0):
        of = np.flatnonzero(some)
        if len(of):
            found.append(of[np.argmin(time_ns[of])])
    return np.unique(np.array(found, np.int64))


@dataclass(frozen=True)
class Doubt:
    """Why a subject is, or may be, unproven. It can only lower a pass, never lift a fail.

    ``reason`` is one of ``findings.REASONS``; ``text`` a plain clause for the sentence. Without
    ``lowers`` it only explains why nothing was judged and leaves a pass alone.
    """

    subject: str
    reason: str
    text: str = ""
    at_ns: int | None = None
    lowers: bool = True
    measured: float | None = None


Outcome = Margins | Doubt
