"""What a sensor reads of nothing: its noise, and how many readings in a row are more than that.

Noise comes with both signs; a current or a torque has one and keeps it.
"""

from __future__ import annotations

import math

import numpy as np

from canscope.model.tables import Floats

FIRST = 32  # readings that tell the noise, and the zero that it lies around
UNSURE = 1.3  # times the noise, which so few tell to within a quarter
CHANCE = 1e-7  # that noise alone reads more than the limit so often in a row
MOST = 12  # readings in a row, which are never noise
# All common practice, no source.


def in_a_row(noise: float, limit: float, least: int) -> int:
    """How many readings in a row above a limit, all of one sign, such noise does not bring about.

    ``least`` are asked for where there is none.
    """
    if noise <= 0.0:
        return least
    beyond = math.erfc(limit / (UNSURE * noise) / math.sqrt(2.0)) / 2
    if beyond <= CHANCE:
        return least
    return min(MOST, max(least, math.ceil(math.log(CHANCE) / math.log(beyond))))


def kept(values: Floats, before: Floats, count: int) -> Floats:
    """What each reading and those just before it, ``count`` in all, have in common on one side.

    ``before``: ``count - 1`` readings at least, those before the first.
    """
    if not len(values):
        return np.zeros(0)
    column = np.concatenate((before[len(before) - count + 1 :], values))
    last = np.lib.stride_tricks.sliding_window_view(column, count)
    found: Floats = np.maximum(np.maximum(last.min(axis=1), -last.max(axis=1)), 0.0)
    return found
