"""Fields: neighbouring bits that are digits of one number.

A pair of neighbours is weighed by what flips together. In a number, a bit that flips takes its
lower neighbour along: a carry (the two go opposite ways) or a change of sign (the same way). Bits
of two fields flip together only as often as the lower one flips anyway.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from canscope.model.survey import ENUMERATION, FLAG, NUMBER, UNEXPLAINED, Field
from canscope.model.tables import Floats, Int64s
from canscope.survey.counters import positions
from canscope.survey.flips import Flips
from canscope.survey.payloads import Payloads, field_values, raw_values

CURVE = 120  # points kept of a field's values
WIDEST = 32  # bits of one field
TOGETHER = (0.97, 0.8, 0.55)  # how often a number's bit takes its lower neighbour along
PRIOR = 0.3  # log odds that two neighbours that both flip belong together
COIN = 4.0  # log odds that a bit that flips like a tossed coin has a higher digit above it
BUSY = 0.3  # share of frames from which on a bit counts as noise too
MORE = 0.25  # share by which a higher digit may flip more often
ALONG = 0.3  # ... unless it takes the lower one along that often: a number that jumps
GAP = 3  # constant bits between two parts of a number or code that only ever change together
COIN_SIGMAS, COIN_ABOVE = 5.0, 0.02  # what such a bit is, and how often the one above must flip
NOISE = 6.0  # standard deviations by which a bit must differ from a tossed coin
CODES = 8  # values of an enumeration at most


def fields(
    payloads: Payloads, flips: Flips, taken: Sequence[Field], *, big_endian: bool
) -> list[Field]:
    """The fields of an identifier, apart from the bits that are ``taken`` already."""
    used = {bit for one in taken for bit in positions(one)}
    order = _order(payloads.data.shape[1], big_endian)
    links = _links(flips, order, used)
    runs: list[list[int]] = []
    last = -1  # the place in the order of the last bit that changes
    for place, bit in enumerate(order):
        if flips.count[bit] == 0 or bit in used:
            continue
        between = order[last + 1 : place]
        if last < 0:
            joined = False
        elif between:
            joined = _as_one(flips, order[last], bit, between, used)
        else:
            joined = links[place - 1] > 0
        if joined and len(runs[-1]) + len(between) < WIDEST:
            runs[-1] += [*between, bit]
        else:
            runs.append([bit])
        last = place
    found = [_field(payloads, flips, run, big_endian) for run in runs]
    occupied = used | {bit for one in found for bit in positions(one)}
    return [_widened(payloads, one, occupied) for one in found]


def _as_one(flips: Flips, low: int, high: int, between: Sequence[int], used: set[int]) -> bool:
    """Whether two bits change together and never apart, with a few constant bits between them."""
    if len(between) > GAP or used & set(between):
        return False
    both = float(flips.both(np.array([low]), np.array([high]))[0])
    return bool(both >= 2 and both == flips.count[low] == flips.count[high])


def order_evidence(payloads: Payloads, flips: Flips, taken: Sequence[Field]) -> float:
    """Log odds that numbers run over bytes as big endian; negative: as little endian."""
    used = {bit for one in taken for bit in positions(one)}
    width = payloads.data.shape[1]
    weights = {}
    for big in (False, True):
        order = _order(width, big)
        links = _links(flips, order, used)[7::8]
        weights[big] = float(np.clip(links, 0, 20).sum())
    return weights[True] - weights[False]


def _order(width: int, big_endian: bool) -> list[int]:
    """All bits from the least significant, as if the payload were one number."""
    spots = range(width - 1, -1, -1) if big_endian else range(width)
    return [8 * byte + bit for byte in spots for bit in range(8)]


def _links(flips: Flips, order: Sequence[int], used: set[int]) -> Floats:
    """For each pair of neighbours the log odds that they are digits of one number."""
    low, high = np.array(order[:-1], int), np.array(order[1:], int)
    a, b = flips.count[low], flips.count[high]
    both, opposite = np.zeros(len(low)), np.zeros(len(low))
    alive = np.flatnonzero((a > 0) & (b > 0))
    both[alive] = flips.both(low[alive], high[alive])
    opposite[alive] = flips.opposite(low[alive], high[alive])
    n = max(flips.n, 1)
    rate = np.clip(a / n, 0.5 / n, 0.999)
    alone = b - both
    # READ: towards the more significant bits of a number, flips never become more frequent.
    more = (b - a) > np.maximum(3 * np.sqrt(np.maximum(alone + (a - both), 1)), MORE * a)
    more &= both < ALONG * b
    chance = both * np.log(rate) + alone * np.log1p(-rate)
    ways = [
        both * np.log(np.maximum(share, rate)) + alone * np.log1p(-np.maximum(share, rate))
        for share in TOGETHER
    ]
    # Digits below the noise of a number flip like coins, each for itself.
    ways.append(np.where(rate > BUSY, chance, -np.inf))
    together = np.logaddexp.reduce(np.stack(ways), axis=0) - np.log(len(ways)) - chance
    same = both - opposite
    senses = np.stack([
        opposite * np.log(share) + same * np.log1p(-share) for share in (0.95, 0.5, 0.05)
    ])  # fmt: skip
    sense = np.logaddexp.reduce(senses, axis=0) - np.log(3) + both * np.log(2)
    # A number's highest digit does not flip at random: something belongs above such a bit.
    coin = (np.abs(a / n - 0.5) < COIN_SIGMAS * 0.5 / np.sqrt(n)) | (rate > BUSY)
    odds = together + sense + np.where(coin & (b / n > COIN_ABOVE), COIN, PRIOR)
    dead = (a == 0) | (b == 0) | more
    dead |= np.isin(low, list(used)) | np.isin(high, list(used))
    return np.where(dead, -50.0, odds)


def _field(payloads: Payloads, flips: Flips, run: list[int], big_endian: bool) -> Field:
    bits = len(run)
    value = raw_values(payloads.data, run[0], bits, big_endian=big_endian, signed=False)
    step = np.diff(value)[payloads.same]
    changes = int(np.count_nonzero(step))
    if not _structured(value, step, flips, run):
        about = "changes as if at random"
        return Field(UNEXPLAINED, run[0], run[-1], bits, big_endian, about=about, changes=changes)
    kind, signed, about = NUMBER, False, ""
    codes = np.unique(value) if bits <= 8 else np.arange(CODES + 1)
    if bits == 1:
        kind = FLAG
    elif len(codes) <= CODES and changes < 0.05 * max(len(step), 1):
        kind, about = ENUMERATION, "codes " + ", ".join(map(str, codes.tolist()))
    else:
        signed = _signed(value, payloads, bits)
    return Field(
        kind, run[0], run[-1], bits, big_endian, signed,
        confidence=_confidence(step, bits, changes), about=about, changes=changes,
    )  # fmt: skip


def _structured(value: Int64s, step: Int64s, flips: Flips, run: list[int]) -> bool:
    """Whether it differs from tossed coins: in some bit's flips, or in how slowly it moves."""
    if len(step) < 8:
        return False
    rates = flips.count[run] / flips.n
    if np.abs(rates - 0.5).max() > NOISE * 0.5 / np.sqrt(flips.n):
        return True
    # Two coins agree in a quarter of the throws (standard deviation sqrt(3)/4).
    pairs = flips.both(np.array(run[:-1], int), np.array(run[1:], int)) / flips.n
    if len(pairs) and np.abs(pairs - 0.25).max() > NOISE * 0.433 / np.sqrt(flips.n):
        return True
    variance = float(value.var())
    ratio = float((step.astype(float) ** 2).mean()) / (variance or 1.0)
    return variance > 0 and ratio < 2 - NOISE * 2 / np.sqrt(len(step))


def _signed(value: Int64s, payloads: Payloads, bits: int) -> bool:
    """Whether it moves in smaller steps when read as two's complement (after CAN-D)."""
    signed = value - ((value >> (bits - 1)) << bits)
    plain = np.abs(np.diff(value)[payloads.same]).sum()
    complement = np.abs(np.diff(signed)[payloads.same]).sum()
    return bool(complement < 0.8 * plain)


def _confidence(step: Int64s, bits: int, changes: int) -> float:
    """How much was seen of it: few changes, or jumps over half of its range, say little."""
    seen = changes / (changes + 10)
    if bits == 1:
        return round(0.9 * seen, 2)
    calm = 1 - min(1.0, float(np.abs(step).mean()) / (1 << (bits - 1)))
    return round(0.95 * seen * (0.5 + 0.5 * calm), 2)


def _widened(payloads: Payloads, field: Field, occupied: set[int]) -> Field:
    """With the constant bits above it, in which larger values would show, and its values."""
    if field.kind == NUMBER and not field.signed and field.bits >= 3:
        field = replace(field, spare=_spare(payloads, field, occupied))
        occupied |= set(positions(replace(field, bits=field.length_bits)))
    if field.low % 8 + field.length_bits <= 8:
        field = replace(field, big_endian=False)  # within one byte there is no order
    value = field_values(payloads, field)
    keep = np.argsort(payloads.time_ns, kind="stable")[:: max(1, len(value) // CURVE)]
    return replace(
        field,
        lowest=int(value.min()),
        highest=int(value.max()),
        curve=tuple(value[keep].tolist()),
    )


def _spare(payloads: Payloads, field: Field, occupied: set[int]) -> int:
    """To the end of its byte, or of the next one if it fills no more than one."""
    whole = replace(field, bits=8 * len(payloads.data[0]))
    first = payloads.data[0]
    spare = 0
    for bit in positions(whole)[field.bits :]:
        byte = bit // 8
        if not 0 <= byte < len(first) or bit in occupied:
            break
        # A whole byte that is set is more often one that is not used.
        if bit % 8 == 0 and (first[byte] == 0xFF or field.bits + spare > 8):
            break
        spare += 1
    return spare
