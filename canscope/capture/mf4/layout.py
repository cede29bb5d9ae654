"""Where the fields of a bus logging group lie in its records, and their columns.

What asammdf read of the group's channels is all that is used; a layout that is not understood
(``layout`` gives None) is left to asammdf's own reading where ``is_safe``.
Source: ASAM MDF 4.2, CNBLOCK, numbers from memory (asammdf 8, ``v4_constants``).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canscope.capture.input.table import Bytes
from canscope.capture.mf4.blocks import KINDS, BlockDamageError, Blocks, Values
from canscope.capture.mf4.frames import NUMBERS, PAYLOAD, Payload, Records

VALUE, VARIABLE, MASTER, SIZED = 0, 1, 2, 5  # types of channels
UNSIGNED, UNSIGNED_BIG, REAL, BYTE_ARRAY = 0, 1, 4, 10  # types of data
MAY_BE_INVALID = 3  # flags of a channel: always, or where a bit of the record says so
REMOTE_MASTER = 8  # flag of a group whose times are in another one
SIZES = (1, 2, 4, 8)
ROWS = 1 << 16  # records a piece
LONGEST = 1 << 16  # bytes of a record; no CAN frame needs a hundredth of it
WORD = 8  # bytes: payloads are read in such pieces


@dataclass(frozen=True)
class Field:
    """An unsigned number in a record, ``size`` bytes from ``byte`` on, of which these bits."""

    byte: int
    size: int
    shift: int = 0
    bits: int = 64
    kind: str = "<u"  # of numpy

    def column(self, rows: Bytes) -> NDArray[Any]:
        """One number a record; ``rows`` has the records, shape n x their size."""
        kind = np.dtype(f"{self.kind}{self.size}")
        if rows.strides[1] == 1:
            column: NDArray[Any] = np.ndarray(len(rows), kind, rows, self.byte, rows.strides[:1])
        else:
            part = rows[:, self.byte : self.byte + self.size]
            column = np.ascontiguousarray(part).view(kind)[:, 0]
        if self.shift:
            column = column >> column.dtype.type(self.shift)
        if self.bits < 8 * self.size:
            column = column & column.dtype.type((1 << self.bits) - 1)
        return column


@dataclass(frozen=True)
class Layout:
    """The fields of one group's records by the last part of their names."""

    size: int  # bytes of a record
    count: int
    infos: tuple[Any, ...]  # its data blocks
    time: Field
    conversion: Any  # of the times, or None
    fields: dict[str, Field]
    payload: tuple[Field, int] | None  # DataBytes: where they begin and how many there are
    variable: tuple[Any, ...] | None  # blocks of them if they lie elsewhere


def layout(group: Any, kind: str) -> Layout | None:
    """How the records of a group are laid out, None if any of it is not understood."""
    size = _size(group)
    plain = not group.uses_ld and not group.channel_group.flags & REMOTE_MASTER
    plain &= not any(channel.flags & MAY_BE_INVALID for channel in group.channels)
    if not plain or not 0 < size <= LONGEST:
        return None
    if any(info.block_type not in KINDS for info in group.data_blocks):
        return None
    masters = [channel for channel in group.channels if channel.channel_type == MASTER]
    time = _field(masters[0], size) if len(masters) == 1 else None
    if time is None:
        return None
    found = Layout(
        size=size,
        count=int(group.channel_group.cycles_nr),
        infos=tuple(group.data_blocks),
        time=time,
        conversion=masters[0].conversion,
        fields={},
        payload=None,
        variable=None,
    )
    for number, channel in enumerate(group.channels):
        parent, _, name = str(channel.name).rpartition(".")
        if parent != kind or name not in (*NUMBERS, PAYLOAD):
            continue
        field = _field(channel, size)
        if name == PAYLOAD:
            if found.payload or group.channel_dependencies[number]:
                return None
            if channel.channel_type == VARIABLE and field is not None:
                blocks = tuple(group.signal_data[number] or ())
                if any(info.block_type not in KINDS for info in blocks):
                    return None
                found = replace(found, payload=(field, 0), variable=blocks)
            elif (width := _width(channel, size)) is not None:
                found = replace(found, payload=(Field(channel.byte_offset, 1), width))
            else:
                return None
        elif field is None or name in found.fields or channel.channel_type != VALUE:
            return None
        else:
            found.fields[name] = field
    return found if "ID" in found.fields else None


def _size(group: Any) -> int:
    """Bytes of a record, its invalidation bytes included."""
    return int(group.channel_group.samples_byte_nr + group.channel_group.invalidation_bytes_nr)


def is_safe(group: Any) -> bool:
    """Whether asammdf can be left to read a group, if its file is damaged as well.

    It reserves memory for any size of a record, reads beyond the end of a record, and follows a
    wrong offset of a value of variable length.
    """
    size = _size(group)
    ends = [
        channel.byte_offset + max(0 if parts else channel.dtype_fmt.itemsize, -(-bits // 8))
        for channel, parts in zip(group.channels, group.channel_dependencies, strict=True)
        if (bits := channel.bit_offset + channel.bit_count)
    ]
    fixed = all(channel.channel_type != VARIABLE for channel in group.channels)
    return bool(fixed and size <= LONGEST and max(ends, default=0) <= size)


def _field(channel: Any, size: int) -> Field | None:
    """The number that a channel of a record of ``size`` bytes is, None if it is none of ours."""
    byte, shift, bits = channel.byte_offset, channel.bit_offset, channel.bit_count
    if channel.channel_type not in (VALUE, VARIABLE, MASTER) or 8 * byte + shift + bits > 8 * size:
        return None
    whole = shift == 0 and bits in (8, 16, 32, 64)
    if channel.data_type == REAL and whole and bits >= 32:
        return Field(byte, bits // 8, kind="<f")
    if channel.data_type == UNSIGNED_BIG and whole:
        return Field(byte, bits // 8, kind=">u")
    unsigned = UNSIGNED if channel.channel_type != VARIABLE else channel.data_type
    if channel.data_type != unsigned or not 0 < bits <= 64:
        return None
    least = next((n for n in SIZES if 8 * n >= shift + bits), None)
    if least is None or least > size:
        return None
    back = max(byte + least - size, 0)  # a number at the end is read with bytes before it
    if 8 * least < 8 * back + shift + bits:
        return None
    return Field(byte - back, least, shift + 8 * back, bits)


def _width(channel: Any, size: int) -> int | None:
    """How many bytes a channel of a record has, None if it is not made of bytes."""
    width, rest = divmod(channel.bit_count, 8)
    is_bytes = channel.data_type == BYTE_ARRAY and channel.channel_type in (VALUE, SIZED)
    if not is_bytes or rest or channel.bit_offset or channel.byte_offset + width > size:
        return None
    return int(width)


def records(found: Layout, blocks: Blocks) -> Iterator[Records | str]:
    """Records, a stretch at a time; at the end, in words, the damage that stops it."""
    left = found.count
    values = None if found.variable is None else Values(blocks, found.variable)
    try:
        for rows in blocks.records(found.infos, found.size):
            for begin in range(0, min(len(rows), left), ROWS):
                yield _piece(found, rows[begin : min(begin + ROWS, left)], values)
            left -= min(len(rows), left)
    except BlockDamageError as error:
        yield str(error)


def _piece(found: Layout, rows: Bytes, values: Values | None) -> Records:
    seconds = found.time.column(rows)
    if found.conversion is not None:
        with np.errstate(over="ignore", invalid="ignore"):
            seconds = found.conversion.convert(seconds)
    columns = {name: field.column(rows) for name, field in found.fields.items()}
    payload = None
    if found.payload is not None:
        field, width = found.payload
        if values is None:
            payload = partial(_fixed, rows, field.byte, width)
        else:
            variable = Payload(*values.at(field.column(rows).astype(np.int64)))
            payload = partial(_as_it_is, variable)
    return Records(np.asarray(seconds, np.float64), columns, payload)


def _fixed(rows: Bytes, byte: int, width: int, longest: int) -> Payload:
    """The bytes of records where they lie; of records that lie in columns, a copy of the first."""
    count = len(rows)
    if rows.strides[1] == 1:
        return Payload(rows.ravel(), np.arange(count) * rows.shape[1] + byte, np.full(count, width))
    width = min(width, longest)
    copy = np.zeros((count, -(-max(width, 1) // WORD) * WORD), np.uint8)
    copy[:, :width] = rows[:, byte : byte + width]
    return Payload(copy.ravel(), np.arange(count) * copy.shape[1], np.full(count, width))


def _as_it_is(payload: Payload, longest: int) -> Payload:
    return payload
