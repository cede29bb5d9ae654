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
    """Distances to a limit at the instants that could be judged, for one subject.

    ``margin`` is positive on the good side, in the rule's unit; ``uncertainty`` is never negative
    (0 for counts, states, presence). ``measured`` and ``limit`` are what a person compares: give
    ``limit`` NaN where there is no single number. ``facts`` are further columns for the sentence.
    All columns have one row an instant; scalars are repeated. ``start_ns``/``end_ns``: the window
    of each instant (default: the instant itself).
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
    """Make Margins from arrays or scalars; rows whose margin is NaN are left out (not judged)."""
    time = np.atleast_1d(np.asarray(time_ns, np.int64))
    distance = _column(margin, np.float64, len(time))
    unjudged = np.isnan(distance)
    keep = None if not unjudged.any() else ~unjudged

    def column(values: ArrayLike, dtype: Any = None) -> NDArray[Any]:
        whole = _column(values, dtype, len(time))
        return whole if keep is None else whole[keep]

    return Margins(
        subject,
        column(time),
        column(distance),
        column(uncertainty, np.float64),
        column(measured, np.float64),
        column(limit, np.float64),
        column(time if start_ns is None else start_ns, np.int64),
        column(time if end_ns is None else end_ns, np.int64),
        {name: column(values) for name, values in facts.items()},
    )


def _column(values: ArrayLike, dtype: Any, rows: int) -> NDArray[Any]:
    """One value a row; not ``np.broadcast_to``, which takes longer than all the rest here."""
    array = np.asarray(values, dtype)
    if array.shape == (rows,):
        return array
    column = np.empty(rows, array.dtype)
    column[:] = array
    return column


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
