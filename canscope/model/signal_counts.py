"""How often a signal came, had no value, left its range and changed: counted chunk by chunk."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.definition import SignalSpec
from canscope.model.differences import differences_from
from canscope.model.signals import NOT_AVAILABLE, OUT_OF_RANGE, Series
from canscope.model.tables import Int64s


@dataclass
class SignalCounts:
    """The counts of one signal over a capture, and its last raw code."""

    spec: SignalSpec
    count: int = 0
    absent: int = 0
    outside: int = 0
    changes: int = 0
    last_raw: int | None = None

    def count_in(self, series: Series) -> Int64s:
        """Take in the values of one chunk; how far each raw code lies from the one before it."""
        raw = series.raw
        if not len(raw):
            return raw
        self.count += len(raw)
        self.absent += int((series.status == NOT_AVAILABLE).sum())
        self.outside += int((series.status == OUT_OF_RANGE).sum())
        before = raw[0] if self.last_raw is None else self.last_raw
        steps = differences_from(before, raw)
        self.changes += int(np.count_nonzero(steps))
        self.last_raw = int(raw[-1])
        return steps
