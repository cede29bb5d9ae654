"""Why a role has no value at an instant.

The reasons are those of an unproven finding: ``stale`` (nothing fresh came), ``not-available`` (the
node said that it has none, or sent a code that means nothing) or ``out-of-range`` (it lay outside
the range that the definition declares).
"""

from __future__ import annotations

import numpy as np

from canscope.model.piece import Past
from canscope.model.signals import NOT_AVAILABLE, OUT_OF_RANGE

REASON_OF_STATUS = {OUT_OF_RANGE: "out-of-range", NOT_AVAILABLE: "not-available"}


def absence_at(past: Past, role: str, time_ns: int) -> str:
    """The reason why ``past.at(role, time_ns)`` has no value; ``stale`` also where it has one."""
    last = past.last(role, time_ns)
    if not len(last) or not np.isnan(last.value[0]) or past.at(role, time_ns).stale[0]:
        return "stale"
    return REASON_OF_STATUS.get(int(last.status[0]), "not-available")
