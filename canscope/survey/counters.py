"""Counters: bits of which each flips exactly when its lower neighbour falls."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from canscope.model.survey import COUNTER, Field
from canscope.survey.payloads import Payloads, raw_values

LEAST = 16  # transitions; below, a counter and a ramp look the same
STEADY = 0.9  # share of frames that must count on by the usual step
WIDEST = 16


def counters(payloads: Payloads, rates: np.ndarray, taken: Iterable[int]) -> list[Field]:
    """Every counter of an identifier; ``rates`` are the flip rates of its bits."""
    found: list[Field] = []
    used = set(taken)
    if payloads.same.sum() < LEAST:
        return found
    for low in range(len(rates)):
        if rates[low] < 0.8 or low in used:
            continue
        best = None
        for big in (False, True):
            one = _counter(payloads, rates, low, big, used)
            if one and (best is None or one.bits > best.bits):
                best = one
        if best:
            found.append(best)
            used |= set(positions(best))
    return found


def positions(field: Field) -> list[int]:
    """The bits of a field from the least significant."""
    byte, bit = divmod(field.low, 8)
    step = -1 if field.big_endian else 1
    return [8 * (byte + step * ((bit + i) // 8)) + (bit + i) % 8 for i in range(field.bits)]


def _counter(
    payloads: Payloads, rates: np.ndarray, low: int, big: bool, used: set[int]
) -> Field | None:  # fmt: skip
    bits, last = 0, 0.0
    for width in range(1, WIDEST + 1):
        field = Field(COUNTER, low, low, width, big)
        place = positions(field)[-1]
        if not 0 <= place < len(rates) or place in used or rates[place] == 0:
            break
        # Each bit flips half as often as the one below; a modulus below a power of two bends that.
        if width > 1 and not 0.35 * last <= rates[place] <= 0.72 * last:
            break
        bits, last = width, float(rates[place])
    while bits >= 2:
        value = raw_values(payloads.data, low, bits, big_endian=big, signed=False)
        step = np.diff(value)[payloads.same]
        modulus = int(value.max()) + 1
        share = float((step % modulus == 1).mean())
        # A modulus other than a power of two must have wrapped often enough to be believed.
        wraps = int((step < 0).sum())
        if share >= STEADY and wraps >= 3 and modulus > 1 << (bits - 1):
            high = positions(Field(COUNTER, low, low, bits, big))[-1]
            return Field(
                COUNTER, low, high, bits, big,
                confidence=round(share, 3),
                about=f"counts 0 to {modulus - 1}",
                changes=int((step != 0).sum()),
                lowest=int(value.min()), highest=int(value.max()),
            )  # fmt: skip
        bits -= 1
    return None
