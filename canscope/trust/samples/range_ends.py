"""Does a reading stand at an end of its range? Then the true value may lie beyond it.

Every rule about a number asks this. Of temperatures the rules also ask for rails: readings at which
a broken probe or wire stands.
"""

from __future__ import annotations

import numpy as np

from canscope.model.bench import Binding
from canscope.model.piece import Past, Piece
from canscope.model.signals import Samples
from canscope.model.tables import Bools, Floats

COLD_RAIL_DEGC, RAIL_WIDTH_K = -40.0, 2.0  # an open or shorted probe; common practice, no source


def at_end_of_range(binding: Binding, samples: Samples) -> Bools:
    """Which samples stand at an end of their raw or declared range; absent ones do not.

    An end at which the value is zero is an ordinary reading (an unsigned speed at standstill).
    """
    spec = binding.signal
    ends = np.zeros(len(samples), bool)
    if not len(samples):
        return ends
    if not spec.is_float and spec.length_bits < 63:
        bits = spec.length_bits - 1 if spec.signed else spec.length_bits
        low, high = -(1 << bits) if spec.signed else 0, (1 << bits) - 1
        if samples.raw.max() >= high or samples.raw.min() <= low:
            ends |= (samples.raw == high) | (samples.raw == low)
    if spec.minimum is not None and spec.maximum is not None:
        lowest, highest = np.fmin.reduce(samples.value), np.fmax.reduce(samples.value)
        for sense, declared in ((-1.0, spec.minimum), (1.0, spec.maximum)):
            turned = sense if binding.factor >= 0 else -sense
            end = declared * binding.factor + binding.offset
            # Rounding keeps the order, so that the outermost value tells whether any is beyond.
            if turned * ((highest if turned > 0 else lowest) - end) >= 0:
                ends |= turned * (samples.value - end) >= 0
    return ends & (np.abs(samples.value) > binding.half_step) if ends.any() else ends


def first_at_end(binding: Binding, samples: Samples) -> int | None:
    """When a reading first stood at an end of its range in these samples, if it ever did."""
    ends = at_end_of_range(binding, samples)
    return int(samples.time_ns[ends][0]) if ends.any() else None


def last_at_end(past: Past, role: str, time_ns: int) -> bool:
    """Whether a role's last reading by an instant stood at an end of its range."""
    return bool(at_end_of_range(past.bench.bindings[role], past.last(role, time_ns)).any())


def at_cold_rail(degC: Floats) -> Bools:
    """Which temperatures are those of an open or shorted probe."""
    return np.asarray(np.abs(degC - COLD_RAIL_DEGC) <= RAIL_WIDTH_K)


def railed(binding: Binding, samples: Samples) -> Bools:
    """Which temperatures are those of a broken sensor or wire rather than real ones."""
    return np.asarray(at_cold_rail(samples.value) | at_end_of_range(binding, samples))


def railed_new(piece: Piece, role: str) -> tuple[Samples, Bools]:
    """The known new samples of a temperature, and which of them are railed."""

    def found() -> tuple[Samples, Bools]:
        samples = piece[role].known
        return samples, railed(piece.bench.bindings[role], samples)

    return piece.once((railed_new, role), found)
