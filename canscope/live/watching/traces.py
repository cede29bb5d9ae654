"""The last minute of every number as curves: the least and the greatest value of each step.

A spike of one sample stays what it was, however narrow the drawing.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from canscope.model.signals import Samples

STEP_NS = 50_000_000
STEPS = 1200  # kept: 60 s


class Traces:
    """Memory does not grow: each role has ``STEPS`` steps, which are used again and again."""

    def __init__(self, roles: Iterable[str]) -> None:
        self.last = 0  # number of the latest step: its time divided by ``STEP_NS``
        self._number = {role: np.full(STEPS, -1, np.int64) for role in roles}
        self._low = {role: np.zeros(STEPS) for role in self._number}
        self._high = {role: np.zeros(STEPS) for role in self._number}

    def feed(self, role: str, samples: Samples) -> None:
        """Take in a role's new samples; one that is no curve is left out."""
        if role not in self._number or not len(samples):
            return
        known = ~np.isnan(samples.value)
        value, steps = samples.value[known], samples.time_ns[known] // STEP_NS
        if not len(steps):
            return
        first = np.r_[0, np.flatnonzero(np.diff(steps)) + 1]
        rows = zip(
            steps[first].tolist(),
            np.minimum.reduceat(value, first).tolist(),
            np.maximum.reduceat(value, first).tolist(),
            strict=True,
        )
        number, lows, highs = self._number[role], self._low[role], self._high[role]
        for step, low, high in rows:
            at = step % STEPS
            if number[at] == step:
                low, high = min(low, lows[at]), max(high, highs[at])
            number[at], lows[at], highs[at] = step, low, high
        self.last = int(steps[-1])

    def since(self, step: int) -> dict[str, Any]:
        """All steps from this one on, as plain data: ``{"from", "roles": {role: [low, high]}}``.

        A step without a sample is None in both lists.
        """
        first = max(step, self.last - STEPS + 1)
        wanted = np.arange(first, self.last + 1)
        at = wanted % STEPS
        roles = {}
        for role, number in self._number.items():
            there = (number[at] == wanted).tolist()
            low, high = self._low[role][at].tolist(), self._high[role][at].tolist()
            roles[role] = [_known(low, there), _known(high, there)]
        return {"from": first, "roles": roles}


def _known(values: list[float], there: list[bool]) -> list[float | None]:
    return [round(v, 3) if known else None for v, known in zip(values, there, strict=True)]
