"""Checksums over payload bytes, whole columns of frames at a time.

CRC-8 SAE J1850 and CRC-8 8H2F as in the AUTOSAR specification of its CRC library; exclusive or and
sum modulo 256 are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cache, partial

import numpy as np

from canscope.model.definition import SignalSpec
from canscope.rules.shared.payloads import Bytes

Profile = Callable[[Sequence[Bytes]], Bytes]


def _crc8(data: Sequence[Bytes], *, polynomial: int) -> Bytes:
    """CRC-8 that begins with FF and is inverted at the end, not reflected."""
    crc = np.full_like(data[0], 0xFF)
    for byte in data:
        crc = _table(polynomial).take(crc ^ byte)
    return crc ^ np.uint8(0xFF)


@cache
def _table(polynomial: int) -> Bytes:
    """The remainder of every byte."""
    crc = np.arange(256)
    for _ in range(8):
        crc = (crc << 1 & 0xFF) ^ np.where(crc & 0x80, polynomial, 0)
    return crc.astype(np.uint8)


def _xor8(data: Sequence[Bytes]) -> Bytes:
    """Exclusive or of all bytes."""
    xor: Bytes = np.bitwise_xor.reduce(np.stack(data), axis=0)
    return xor


def _sum8(data: Sequence[Bytes]) -> Bytes:
    """Sum of all bytes modulo 256."""
    total: Bytes = np.add.reduce(np.stack(data), axis=0, dtype=np.uint8)
    return total


PROFILES: Mapping[str, Profile] = {
    "crc8-sae-j1850": partial(_crc8, polynomial=0x1D),
    "crc8-8h2f": partial(_crc8, polynomial=0x2F),
    "xor8": _xor8,
    "sum8": _sum8,
}
WIDTH_BITS = 8  # of every profile


def places_of(spec: SignalSpec) -> list[int]:
    """Payload bits of a signal, the lowest first, numbered as in a DBC file."""
    if not spec.big_endian:
        return list(range(spec.start_bit, spec.start_bit + spec.length_bits))
    places, at = [], spec.start_bit
    for _ in range(spec.length_bits):
        places.append(at)
        at = at + 15 if at % 8 == 0 else at - 1
    return places[::-1]


def bytes_of(spec: SignalSpec) -> set[int]:
    """Payload bytes that a signal occupies."""
    return {place // 8 for place in places_of(spec)}


def id_bytes(data_id: int | None) -> bytes:
    """The bytes of a data identifier, the lowest first, that follow the payload in the checksum."""
    if data_id is None:
        return b""
    return data_id.to_bytes(max(1, (data_id.bit_length() + 7) // 8), "little")
