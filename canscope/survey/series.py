"""Fields over time: what may carry a thing that a person knows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile

import numpy as np

from canscope.model.survey import CHECKSUM, COUNTER, NUMBER, UNEXPLAINED, Candidate, Field
from canscope.model.tables import SECOND_NS, Floats, Int64s
from canscope.survey.counters import positions
from canscope.survey.payloads import field_values
from canscope.survey.survey import Surveyed

APART = 8  # bits from one field to the next that may be its high digits
JOINED = 3.0  # log odds against each further field being part of one
WIDER = 2.0  # log odds against constant bits that are set being a field's highest
LONGEST = 24  # bits of such a one
AS_ONE = "neighbouring fields read as one"
NOT_FOLLOWING = (UNEXPLAINED, COUNTER, CHECKSUM)


@dataclass(frozen=True, eq=False)
class Series:
    """One field (of one selector's value) over time, seconds from the first frame."""

    candidate: Candidate
    at_s: Floats
    raw: Int64s
    cost: float  # log odds against its being one field


def series_of(one: Surveyed, origin: int) -> Iterator[Series]:
    """Every field of an identifier that may follow something; ``origin`` is the first frame's."""
    payloads = one.payloads
    costs = dict.fromkeys(one.identifier.fields, 0.0) | dict(_joined(one)) | dict(_wider(one))
    for field, cost in costs.items():
        if field.kind in NOT_FOLLOWING or (payloads.selector and field.low < 8):
            continue
        raw = field_values(payloads, field)
        for selected in payloads.selector or (None,):
            rows = np.arange(len(raw))
            if selected is not None:
                rows = np.flatnonzero(payloads.data[:, 0] == selected)
            rows = rows[np.argsort(payloads.time_ns[rows], kind="stable")]
            at_s = (payloads.time_ns[rows] - origin) / SECOND_NS
            start = Candidate(one.identifier, field, selected, 0.0)
            yield Series(start, at_s, raw[rows], cost)


def _joined(one: Surveyed) -> Iterator[tuple[Field, float]]:
    """Neighbouring fields read as one: a number whose high digits hardly moved looks like two."""
    usable = [f for f in one.identifier.fields if f.kind not in NOT_FOLLOWING]
    taken = {bit for f in one.identifier.fields for bit in positions(f)}
    width = 8 * one.payloads.data.shape[1]
    for first in usable:
        for big in (False, True):
            line = positions(replace(first, bits=min(LONGEST, width), big_endian=big))
            line = [bit for bit in line if 0 <= bit < width]
            own: set[int] = set()
            parts = 0
            for bits, bit in enumerate(line, start=1):
                ends = [f for f in usable if f.high == bit and set(positions(f)) <= set(line)]
                own |= {bit for f in ends for bit in positions(f)}
                parts += len(ends)
                if not taken & set(line[:bits]) <= own | _pending(usable, line, bits):
                    break
                if ends and len(own) > first.bits and bits - len(own) <= APART:
                    field = _as_one(first, ends[0], bits, big and line[0] // 8 != bit // 8)
                    yield field, JOINED * (parts - 1)


def _wider(one: Surveyed) -> Iterator[tuple[Field, float]]:
    """Numbers with the constant bits above them, some of which are set: an offset stands there."""
    data = one.payloads.data
    width = 8 * data.shape[1]
    taken = {bit for f in one.identifier.fields for bit in _whole(f)}
    for field in one.identifier.fields:
        if field.kind != NUMBER or field.signed or field.length_bits >= LONGEST:
            continue
        line = positions(replace(field, bits=LONGEST))[field.length_bits :]
        free = list(takewhile(lambda bit: 0 <= bit < width and bit not in taken, line))
        is_set = [bool(data[0, bit // 8] >> (bit % 8) & 1) for bit in free]
        # A whole byte that is set is more often one that is not used.
        if any(is_set) and not all(is_set[-8:]):
            highest = max(place for place, value in enumerate(is_set, start=1) if value)
            yield replace(field, spare=field.spare + highest), WIDER


def _whole(field: Field) -> list[int]:
    return positions(replace(field, bits=field.length_bits))


def _pending(usable: Sequence[Field], line: Sequence[int], bits: int) -> set[int]:
    """Bits of the field that has begun but not ended at this place."""
    for field in usable:
        own = set(positions(field))
        if line[bits - 1] in own and own <= set(line):
            return own
    return set()


def _as_one(first: Field, last: Field, bits: int, big_endian: bool) -> Field:
    return replace(
        first,
        high=last.high,
        bits=bits,
        spare=min(last.spare, 7 - last.high % 8),  # those in the byte where both orders agree
        big_endian=big_endian,
        signed=last.signed,
        kind=NUMBER,
        confidence=round(min(first.confidence, last.confidence) / 2, 2),
        about=AS_ONE,
    )
