"""Why a role has no value at an instant."""

from __future__ import annotations

import numpy as np

from canscope.model.piece import Past
from canscope.model.signals import OUT_OF_RANGE


def absence_at(past: Past, role: str, time_ns: int) -> str:
    """``not-available`` or ``out-of-range`` if its last fresh sample was so, else ``stale``."""
    samples = past.history.samples(role)
    last = int(np.searchsorted(samples.time_ns, time_ns, "right")) - 1
    if last < 0 or not np.isnan(samples.value[last]) or past.at(role, time_ns).stale[0]:
        return "stale"
    return "out-of-range" if samples.status[last] == OUT_OF_RANGE else "not-available"
