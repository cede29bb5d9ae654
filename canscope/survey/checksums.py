"""Checksums: bytes that the other bytes of the frame determine.

A CRC is affine: the checksums of two frames differ by the CRC of the difference of the frames,
whatever it begins with and is inverted with. So each polynomial is tried on differences, and only
what begins it is looked up afterwards. Polynomials: the catalogue of parametrised CRC algorithms
(G. Cook, reveng.sourceforge.io/crc-catalogue); 8H2F: AUTOSAR, Specification of CRC Routines.
Sums and exclusive or: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache

import numpy as np

from canscope.model.survey import CHECKSUM, Field
from canscope.survey.payloads import Bytes, Payloads

SAMPLE = 400  # rows in which it is looked for; all rows must then bear it out
BORNE_OUT = 0.98  # share of the rows: a frame may be damaged on its way
LEAST_RANK = 4  # independent differences; fewer could fit one of the many ways by chance
# name -> polynomial, reflected, initial value, final exclusive or
CRC8 = {
    "crc8-sae-j1850": (0x1D, False, 0xFF, 0xFF),
    "crc8-8h2f": (0x2F, False, 0xFF, 0xFF),
    "crc8-smbus": (0x07, False, 0x00, 0x00),
    "crc8-nrsc-5": (0x31, False, 0xFF, 0x00),
    "crc8-maxim": (0x31, True, 0x00, 0x00),
    "crc8-darc": (0x39, True, 0x00, 0x00),
    "crc8-opensafety": (0x2F, False, 0x00, 0x00),
    "crc8-lte": (0x9B, False, 0x00, 0x00),
    "crc8-dvb-s2": (0xD5, False, 0x00, 0x00),
    "crc8-autosar-zero": (0x1D, False, 0x00, 0x00),
}


def checksums(payloads: Payloads) -> list[Field]:
    """The checksum bytes of an identifier."""
    data = payloads.data
    distinct = np.unique(data[: 4 * SAMPLE], axis=0)
    if len(distinct) < 2 * LEAST_RANK or data.shape[1] < 2 or data.shape[1] > 64:
        return []
    sample = distinct[np.linspace(0, len(distinct) - 1, min(SAMPLE, len(distinct))).astype(int)]
    found = []
    changing = np.flatnonzero((data != data[0]).any(axis=0)).tolist()
    # The last byte first, where most checksums lie; then the first one, then the rest.
    for place in sorted(changing, key=lambda p: (p != data.shape[1] - 1, p != 0, p)):
        if len(np.unique(sample[:, place])) < 8:
            continue
        found = [_field(place, about) for about in _ways(sample, data, place, changing)][:1]
        if found:
            break
    return found


def _field(place: int, about: str) -> Field:
    return Field(CHECKSUM, 8 * place, 8 * place + 7, 8, confidence=0.99, about=about)


def _ways(sample: Bytes, data: Bytes, place: int, changing: list[int]) -> Iterator[str]:
    """How this byte follows from the others, if it does."""
    others = [p for p in range(data.shape[1]) if p != place]
    spans = [others]
    if 0 < place < data.shape[1] - 1:
        spans.append(list(range(place)))
    for span in spans:
        live = [p for p in span if p in changing]
        if len(live) == 0 or _rank(sample[:, live]) < LEAST_RANK:
            continue
        where = "all other bytes" if span is others else "the bytes before it"
        # A copy of one byte, or its complement, is no checksum.
        if len(live) == 1 and _constant(sample[:, place] ^ sample[:, live[0]], 0.9):
            continue
        if len(live) >= 2:
            yield from _sums(sample, data, place, span, where)
        yield from _crcs(sample, data, place, span, where)


def _sums(sample: Bytes, data: Bytes, place: int, span: list[int], where: str) -> Iterator[str]:
    if _constant(_of_sum(sample, place, span), 1.0) or _constant(
        _of_negative_sum(sample, place, span), 1.0
    ):
        for text, left in (
            ("sum", _of_sum(data, place, span)),
            ("negative sum", _of_negative_sum(data, place, span)),
        ):
            if _constant(left, BORNE_OUT):
                yield f"{text} of {where}, modulo 256{_plus(left)}"
    left = np.bitwise_xor.reduce(data[:, [place, *span]], axis=1)
    if _constant(left, BORNE_OUT):
        yield f"exclusive or of {where}{_plus(left)}"


def _of_sum(rows: Bytes, place: int, span: list[int]) -> Bytes:
    left: Bytes = (rows[:, place] - rows[:, span].sum(axis=1, dtype=np.int64)).astype(np.uint8)
    return left


def _of_negative_sum(rows: Bytes, place: int, span: list[int]) -> Bytes:
    left: Bytes = rows[:, [place, *span]].sum(axis=1, dtype=np.int64).astype(np.uint8)
    return left


def _plus(left: Bytes) -> str:
    constant = int(np.bincount(left).argmax())
    return f", with {constant:#04x}" if constant else ""


def _crcs(sample: Bytes, data: Bytes, place: int, span: list[int], where: str) -> Iterator[str]:
    known, tables = _polynomials()
    few = sample[:: max(1, len(sample) // 16)][:16]
    left = _remainders(few, span, tables) ^ few[:, place]
    for at in np.flatnonzero((left == left[:, :1]).all(axis=1)).tolist():
        whole = _remainders(data, span, tables[at : at + 1])[0] ^ data[:, place]
        if _constant(whole, BORNE_OUT):
            yield _named(*known[at], tables[at : at + 1], len(span), whole) + f" over {where}"
            return


def _named(polynomial: int, reflected: bool, table: Bytes, length: int, left: Bytes) -> str:
    """The catalogued name, if it begins and ends as that one does."""
    constant = int(np.bincount(left).argmax())
    zeros = np.zeros((1, length), np.uint8)
    for name, (its, turned, begin, end) in CRC8.items():
        if (its, turned) == (polynomial, reflected):
            bare = int(_remainders(zeros, range(length), table, begin)[0, 0])
            if bare ^ end == constant:
                return f"{name} (polynomial {polynomial:#04x})"
    return f"CRC with polynomial {polynomial:#04x}{', reflected' if reflected else ''}"


@cache
def _polynomials() -> tuple[list[tuple[int, bool]], Bytes]:
    """The catalogued ones, then every other that has its constant term, and their tables."""
    every = [(p, turned) for turned in (False, True) for p in range(3, 256, 2)]
    known = list(dict.fromkeys([(p, turned) for p, turned, _, _ in CRC8.values()] + every))
    return known, np.stack([_table(*one) for one in known])


def _table(polynomial: int, reflected: bool) -> Bytes:
    """The remainder of every byte."""
    crc = np.arange(256)
    turned = int(f"{polynomial:08b}"[::-1], 2)
    for _ in range(8):
        if reflected:
            crc = (crc >> 1) ^ np.where(crc & 1, turned, 0)
        else:
            crc = (crc << 1 & 0xFF) ^ np.where(crc & 0x80, polynomial, 0)
    return crc.astype(np.uint8)


def _remainders(rows: Bytes, span: Sequence[int], tables: Bytes, begin: int = 0) -> Bytes:
    """The remainder of each row for each table: tables x rows."""
    crc = np.full((len(tables), len(rows)), begin, np.uint8)
    each = np.arange(len(tables))[:, None]
    for place in span:
        crc = tables[each, crc ^ rows[:, place]]
    return crc


def _constant(column: Bytes, share: float) -> bool:
    """Whether this share of the rows has one and the same value."""
    return bool(np.bincount(column, minlength=256).max() >= share * len(column))


def _rank(rows: Bytes) -> int:
    """How many independent differences the rows have over GF(2), up to what is enough."""
    basis: list[int] = []
    first = int.from_bytes(rows[0].tobytes(), "little")
    for row in rows[1:]:
        value = int.from_bytes(row.tobytes(), "little") ^ first
        for known in basis:
            value = min(value, value ^ known)
        if value:
            basis.append(value)
            if len(basis) >= LEAST_RANK:
                break
    return len(basis)
