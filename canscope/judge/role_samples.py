"""From signals to roles: what the plan binds, in the role's own unit."""

from __future__ import annotations

import numpy as np

from canscope.model.bench import Binding, Kind
from canscope.model.signals import OK, Samples, Series


def samples_of(binding: Binding, series: Series) -> Samples:
    """The samples of one role from the series of its signal.

    What is not available, out of the declared range or an unknown code becomes NaN: for a rule
    nothing is known then. The status says which it was.
    """
    if binding.kind is Kind.NUMBER:
        value = series.value * binding.factor + binding.offset
        if series.status.any():
            value[series.status != OK] = np.nan
    elif binding.kind is Kind.CODE:
        value = series.raw.astype(np.float64)
    else:
        value = np.full(len(series.raw), np.nan)
        for code, meaning in binding.codes.items():
            value[series.raw == code] = meaning
        value[np.isnan(series.value)] = np.nan
    return Samples(series.time_ns, value, series.raw, series.status)
