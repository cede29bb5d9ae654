"""Values to payload bits, a whole column at a time; and the checksum over the bytes before it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from canscope.model.definition import MessageSpec, SignalSpec
from canscope.simulate.script import Floats

Bytes = NDArray[np.uint8]
POLYNOMIAL = 0x1D  # CRC-8 SAE J1850: x^8+x^4+x^3+x^2+1, start and final xor 0xFF


def raw_codes(spec: SignalSpec, value: Floats) -> NDArray[np.int64]:
    """Physical values as raw codes: rounded to the step, clipped to the width."""
    bits = spec.length_bits
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if spec.signed else (0, (1 << bits) - 1)
    codes = np.rint((value - spec.offset) / spec.factor).astype(np.int64)
    return np.clip(codes, low, high)


def put(payload: Bytes, spec: SignalSpec, codes: NDArray[np.int64]) -> None:
    """Write one signal's codes into the payloads (rows x bytes), numbered as in a DBC file."""
    at = spec.start_bit
    for number in range(spec.length_bits):
        # Little endian counts up from the lowest bit; big endian walks down from the highest one.
        shift = spec.length_bits - 1 - number if spec.big_endian else number
        payload[:, at // 8] |= ((codes >> shift & 1) << at % 8).astype(np.uint8)
        at = at + 1 if not spec.big_endian else (at + 15 if at % 8 == 0 else at - 1)


def _table() -> NDArray[np.uint8]:
    crc = np.arange(256)
    for _ in range(8):
        crc = (crc << 1 ^ POLYNOMIAL * (crc >> 7)) & 0xFF
    return crc.astype(np.uint8)


TABLE = _table()


def crc8_j1850(data: Bytes) -> Bytes:
    """CRC-8 SAE J1850 of every row."""
    crc = np.full(len(data), 0xFF, np.uint8)
    for column in data.T:
        crc = TABLE[crc ^ column]
    return crc ^ np.uint8(0xFF)


def pack(message: MessageSpec, codes: dict[str, NDArray[np.int64]]) -> Bytes:
    """Payloads (rows x ``message.length``) from raw codes by signal name.

    A signal called Checksum is filled in last, over all bytes before its own.
    """
    rows = len(next(iter(codes.values())))
    payload = np.zeros((rows, message.length), np.uint8)
    for spec in message.signals:
        if spec.name in codes:
            put(payload, spec, codes[spec.name])
    checksum = message.signal("Checksum")
    if checksum is not None and "Checksum" not in codes:
        before = payload[:, : checksum.start_bit // 8]
        put(payload, checksum, crc8_j1850(before).astype(np.int64))
    return payload
