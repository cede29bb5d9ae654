"""Readings that moved faster than what they measure can: the sensor went, not the quantity.

All thresholds are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from canscope.model.differences import differences_from
from canscope.model.outcome import Doubt
from canscope.model.piece import Past, Piece
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS

# No part of a unit cools so far between two readings so close.
FALL_K, FALL_NS = 15.0, 300 * 10**6
# The same without coolant, at an ordinary temperature.
DRY_FALL_K, DRY_K_PER_S, DRY_NS, DRY_BELOW_DEGC = 4.0, 4.0, 3 * SECOND_NS, 60.0

# The same with coolant, within FALL_NS: it is hardly colder than a part that is still cool.
COOL_BELOW_DEGC = 30.0

# No part warms or cools so far at once, nor so fast; readings on either side, and how near.
JUMP_K, JUMP_K_PER_S, BESIDE, JUMP_NS = 1.5, 8.0, 3, 300 * 10**6

# A link that holds at least so much does not lose most of it so fast, unless it did so before.
HELD_V = 120.0
AT_ONCE_NS = 50 * 10**6
EARLY_NS = 300 * 10**6  # before a contactor reads open
FASTEST_TAU_S = 0.02  # 20 A through any bleed of 1 mF at 400 V
FASTER = 4.0  # times the energy a second that it lost just before
LEAST_V = 1.0  # what is left of it counts as so much


def temperature_fall(
    piece: Piece, last_ns: int, last_degC: float, good: Samples, least_K: float, *, dry: bool
) -> tuple[int, float] | None:
    """When a temperature first fell too far from one reading to the next, and by how many K.

    ``last_ns``, ``last_degC``: the reading before the first of these. ``least_K``: the least fall
    that the sensor's steps show surely. ``dry``: no coolant is around it. A node that is being
    switched off may send anything, and so may one before poles close.
    """
    fall_K = -differences_from(last_degC, good.value)
    if not np.fmax.reduce(fall_K, initial=0.0) >= min(FALL_K, max(DRY_FALL_K, least_K)):
        return None  # nearly always
    apart_ns = differences_from(last_ns, good.time_ns)
    too_far = (fall_K >= FALL_K) & (apart_ns <= FALL_NS)
    # Dry metal near the air's own temperature cools by tenths of a kelvin a second.
    small_K = np.maximum(max(DRY_FALL_K, least_K), DRY_K_PER_S * apart_ns / SECOND_NS)
    within_ns, below_degC = (DRY_NS, DRY_BELOW_DEGC) if dry else (FALL_NS, COOL_BELOW_DEGC)
    cool = good.value + fall_K < below_degC
    too_far |= (fall_K >= small_K) & (apart_ns <= within_ns) & cool
    far = np.flatnonzero(too_far)
    if len(far):
        awake = piece.at("@awake", good.time_ns[far]).value == 1
        far = far[awake & (piece.at("@engaged", good.time_ns[far]).value == 1)]
    return (int(good.time_ns[far[0]]), float(fall_K[far[0]])) if len(far) else None


def temperature_jump(
    piece: Piece, tail: Sequence[tuple[int, float]], good: Samples
) -> tuple[int, float] | None:
    """When a temperature jumped farthest to another level, and by how many K; None if it did not.

    On either side of it lie three readings. ``tail``: (stamp, degC) of the last ones before these.
    """
    stamps = np.concatenate((np.array([at_ns for at_ns, _ in tail], np.int64), good.time_ns))
    degC = np.concatenate(([value for _, value in tail], good.value))
    if len(degC) < 2 * BESIDE or degC.max() - degC.min() < JUMP_K:
        return None
    values, times = (sliding_window_view(column, 2 * BESIDE) for column in (degC, stamps))
    before, after = values[:, :BESIDE], values[:, BESIDE:]
    jumps_K = np.maximum(
        after.min(axis=1) - before.max(axis=1), before.min(axis=1) - after.max(axis=1)
    )
    apart_ns = times[:, BESIDE] - times[:, BESIDE - 1]
    far = jumps_K >= np.maximum(JUMP_K, JUMP_K_PER_S * apart_ns / SECOND_NS)
    far &= (apart_ns <= JUMP_NS) & (times[:, -1] - times[:, 0] <= 2 * BESIDE * JUMP_NS)
    if far.any():
        at_ns = times[far, BESIDE]
        far[far] = (piece.at("@awake", at_ns).value == 1) & (piece.at("@engaged", at_ns).value == 1)
    if not far.any():
        return None
    row = int(np.argmax(np.where(far, jumps_K, 0.0)))
    return int(times[row, BESIDE]), float(jumps_K[row])


def link_fall(past: Past, role: str, start_ns: int, end_ns: int) -> Doubt | None:
    """A doubt, without subject, where a link voltage fell faster than links do.

    An inverter that loses its own supply, or its measuring at low voltage, reads nothing at once
    while the link is still charged. Loads of constant power empty a link ever faster, but lose no
    more energy (V^2) a second than just before.
    """
    # A state comes late, so that it may have gone before it.
    samples = past.back(role, start_ns - EARLY_NS).between(0, end_ns).known
    if len(samples) < 2:
        return None
    before, now = samples.value[:-1], np.maximum(samples.value[1:], LEAST_V)
    way_ns = np.maximum(np.diff(samples.time_ns), 1)
    lost = (before**2 - now**2) / way_ns
    lately = np.maximum(np.concatenate(([0.0], lost[:-1])), np.concatenate(([0.0, 0.0], lost))[:-2])
    fell = (before >= HELD_V) & (now < before / 2) & (way_ns <= AT_ONCE_NS)
    fell &= lost > FASTER * lately
    tau_s = way_ns[fell] / SECOND_NS / np.log(before[fell] / now[fell])
    fell[fell] = tau_s < FASTEST_TAU_S
    rows = np.flatnonzero(fell)
    if not len(rows):
        return None
    row = int(rows[0])
    text = f"the link read {before[row]:.0f} V and {way_ns[row] / 1e6:.0f} ms later "
    text += f"{samples.value[row + 1]:.0f} V: no bleed empties it so fast, its sensor may have gone"
    return Doubt("", "sensor-suspect", text, int(samples.time_ns[row + 1]))
