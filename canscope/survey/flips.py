"""How often bits flip, alone and together: the numbers from which READ and CAN-D read fields."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from canscope.model.tables import Floats
from canscope.survey.payloads import Bytes, Payloads

Places = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Flips:
    """Flips between one frame and the next; bits are counted from the lowest of byte 0.

    ``count`` has the flips of each bit. ``flipped`` and ``risen`` have a row a bit, with one bit a
    transition, packed: a million frames of eight bytes are 16 MB so, and a pair of bits is
    compared in the time of an exclusive or.
    """

    n: int
    count: Floats
    flipped: Bytes  # bits x n/8, padded
    risen: Bytes

    def both(self, a: Places, b: Places) -> Floats:
        """In how many transitions bits ``a`` and ``b`` flipped together, pair by pair."""
        return np.array([_ones(self.flipped[i] & self.flipped[j]) for i, j in _pairs(a, b)], float)

    def opposite(self, a: Places, b: Places) -> Floats:
        """... of these, one rose while the other fell, as when a carry passes."""
        found = [
            _ones(self.flipped[i] & self.flipped[j] & (self.risen[i] ^ self.risen[j]))
            for i, j in _pairs(a, b)
        ]
        return np.array(found, float)


def count_flips(payloads: Payloads) -> Flips:
    """Counted over rows that follow one of the same selector."""
    new, old = payloads.data[1:], payloads.data[:-1]
    if not payloads.same.all():
        new, old = new[payloads.same], old[payloads.same]
    flipped, risen = _planes(new ^ old), _planes(new)
    return Flips(len(new), np.array([_ones(row) for row in flipped], float), flipped, risen)


def _planes(data: Bytes) -> Bytes:
    """A row a bit, with one bit a row of the data; padded to whole words of 16 bits."""
    rows = -(-len(data) // 16) * 2
    planes = np.zeros((8 * data.shape[1], rows), np.uint8)
    for byte in range(data.shape[1]):
        bits = np.unpackbits(data[:, byte, None], axis=1, bitorder="little")
        packed = np.packbits(bits, axis=0)
        planes[8 * byte : 8 * byte + 8, : len(packed)] = packed.T
    return planes


def _pairs(a: Places, b: Places) -> list[tuple[int, int]]:
    return list(zip(np.asarray(a).tolist(), np.asarray(b).tolist(), strict=True))


def _ones(row: Bytes) -> int:
    return int(_table()[row.view(np.uint16)].sum(dtype=np.int64))


@cache
def _table() -> Bytes:
    """How many bits are set in each word of 16 bits."""
    byte = np.unpackbits(np.arange(256, dtype=np.uint8)[:, None], axis=1).sum(axis=1)
    words: Bytes = (byte[:, None] + byte[None, :]).ravel().astype(np.uint8)
    return words
