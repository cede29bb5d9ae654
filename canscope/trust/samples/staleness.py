"""From when on a role's values are stale, and where they stopped coming in time.

A value is stale when it is older than three cycles of its role (``canscope.model.cycle``: stated,
else learned), the same live and offline. Roles here are also messages (``#channel:Message``), whose
samples are their arrivals.
"""

from __future__ import annotations

import numpy as np

from canscope.model.history import History
from canscope.model.tables import Int64s


def stale_after_ns(history: History, role: str, last_ns: int) -> int:
    """The last instant at which a sample of ``last_ns`` is fresh, if none comes after it."""
    return last_ns + int(history.patience_ns(role, np.array([last_ns]))[0])


def gaps(history: History, role: str, times_ns: Int64s) -> Int64s:
    """The rows of these samples after which the next one came too late.

    ``times_ns``: stamps of consecutive samples; the answer has no row for the last of them.
    """
    later = times_ns[1:]
    apart, patience_ns = later - times_ns[:-1], history.constant_patience_ns(role, later)
    late = apart > (history.patience_ns(role, later) if patience_ns is None else patience_ns)
    return late.nonzero()[0]
