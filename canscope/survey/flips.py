"""How often bits flip, alone and together: the numbers from which READ and CAN-D read fields."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.tables import Floats
from canscope.survey.payloads import Payloads

ROWS = 1 << 16  # unpacked at a time


@dataclass(frozen=True, eq=False)
class Flips:
    """Flips between one frame and the next; bits are counted from the lowest of byte 0.

    ``both[a, b]`` counts the frames in which both flipped (on the diagonal, a alone), and
    ``opposite[a, b]`` those in which one rose while the other fell, as when a carry passes.
    """

    n: int
    both: Floats  # bits x bits
    opposite: Floats

    @property
    def count(self) -> Floats:
        """Flips of each bit."""
        return np.diagonal(self.both)


def count_flips(payloads: Payloads) -> Flips:
    """Counted over rows that follow one of the same selector."""
    bits = 8 * payloads.data.shape[1]
    both, signed = np.zeros((bits, bits)), np.zeros((bits, bits))
    new, old = payloads.data[1:][payloads.same], payloads.data[:-1][payloads.same]
    for start in range(0, len(new), ROWS):
        after = _unpacked(new[start : start + ROWS])
        step = after - _unpacked(old[start : start + ROWS])
        flipped = np.abs(step)
        both += flipped.T @ flipped
        signed += step.T @ step
    return Flips(len(new), both, (both - signed) / 2)


def _unpacked(data: np.ndarray) -> np.ndarray:
    return np.unpackbits(data, axis=1, bitorder="little").astype(np.float32)
