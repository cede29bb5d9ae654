"""Why a role has no value at an instant."""

from __future__ import annotations

import numpy as np

from canscope.model.piece import Past


def absence_at(past: Past, role: str, time_ns: int) -> str:
    """``not-available`` if its last fresh sample said so, else ``stale``."""
    samples = past.history.samples(role)
    last = int(np.searchsorted(samples.time_ns, time_ns, "right")) - 1
    said = last >= 0 and np.isnan(samples.value[last])
    return "not-available" if said and not past.at(role, time_ns).stale[0] else "stale"
