"""MF4 files made block by block: layouts that asammdf reads but does not write.

Source: ASAM MDF 4.1, block by block (IDBLOCK, HDBLOCK, DGBLOCK, CGBLOCK, CNBLOCK, CCBLOCK, TXBLOCK,
DTBLOCK, SDBLOCK, DLBLOCK, DZBLOCK), from memory; asammdf must be able to read them.
"""

import struct
import zlib
from dataclasses import dataclass, field

import numpy as np

from tests.capture.traffic import DLC, EXT, FD, START_US, mf4_kind

# name, byte, first bit, bits: identifier and mark in one word, states in one byte, as loggers do
PACKED = (
    ("ID", 8, 0, 29),
    ("IDE", 11, 7, 1),
    ("DLC", 12, 0, 4),
    ("Dir", 12, 4, 1),
    ("EDL", 12, 5, 1),
    ("BRS", 12, 6, 1),
    ("ESI", 12, 7, 1),
    ("DataLength", 13, 0, 7),
    ("BusChannel", 14, 2, 4),
)
HEAD, WIDTH = 15, 64  # bytes of a record before DataBytes, and these
VALUE, VARIABLE, MASTER = 0, 1, 2
UNSIGNED, FLOAT, BYTES = 0, 4, 10


@dataclass
class Layout:
    """How to write: times as a float or as counted ``tick_ns``; where the data bytes are.

    ``data``: "fixed", "apart" (signal data of their own) or "among" (among the other records).
    ``zip``: None, 0 deflated, 1 transposed. ``cut``: bytes of the blocks of a list, 0: one block.
    """

    tick_ns: int = 0
    data: str = "fixed"
    zip: int | None = None
    cut: int = 0
    invalid: int = 0  # invalidation bytes behind each record
    flags: int = 0  # of the channel of the whole frame: 2, a bit says if it is invalid
    parts: list = field(default_factory=list)
    at: int = 168  # behind identification and header

    def block(self, kind, links, body):
        """Append a block; its address."""
        body += bytes(-len(body) % 8)
        size = 24 + 8 * len(links) + len(body)
        head = struct.pack("<4s4xQQ", b"##" + kind, size, len(links))
        self.parts.append(head + struct.pack(f"<{len(links)}Q", *links) + body)
        self.at += size
        return self.at - size

    def data_block(self, kind, data, columns):
        """A data block as it is or compressed."""
        if self.zip is None:
            # not padded: the length of a data block is that of its data
            self.parts.append(struct.pack("<4s4xQQ", b"##" + kind, 24 + len(data), 0) + data)
            self.parts.append(bytes(-len(data) % 8))
            self.at += 24 + len(data) + -len(data) % 8
            return self.at - 24 - len(data) - -len(data) % 8
        stored = data
        if self.zip:
            used = len(data) // columns * columns
            rows = np.frombuffer(data[:used], np.uint8).reshape(-1, columns)
            stored = rows.T.tobytes() + data[used:]
        stored = zlib.compress(stored)
        head = struct.pack("<2sBxIQQ", kind, self.zip, columns, len(data), len(stored))
        return self.block(b"DZ", (), head + stored)

    def data_list(self, kind, data, columns):
        """One block, or a list of them."""
        if not self.cut:
            return self.data_block(kind, data, columns)
        begins = range(0, max(len(data), 1), self.cut)
        blocks = [self.data_block(kind, data[at : at + self.cut], columns) for at in begins]
        body = struct.pack(f"<B3xI{len(blocks)}Q", 0, len(blocks), *begins)
        listed = self.block(b"DL", (0, *blocks), body)
        return self.block(b"HL", (listed,), struct.pack("<HB5x", 0, self.zip or 0))

    def text(self, words):
        return self.block(b"TX", (), words.encode() + b"\0")

    def channel(self, name, following, byte, bit, bits, *, kind=VALUE, data=UNSIGNED, **links):
        conversion = links.get("conversion", 0)
        where = (following, links.get("parts", 0), self.text(name), 0, conversion)
        head = (kind, kind == MASTER, data, bit, byte, bits, links.get("flags", 0))
        body = struct.pack("<BBBBIIIIBBH6d", *head, *[0] * 10)
        return self.block(b"CN", (*where, links.get("apart", 0), 0, 0), body)

    def group(self, kind, count, following, number, apart):
        """The channel group of a kind of frame."""
        parts = 0
        if kind != "CAN_RemoteFrame":
            wide = 64 if apart else 8 * WIDTH
            parts = self.channel(
                f"{kind}.DataBytes", 0, HEAD, 0, wide, kind=VARIABLE if apart else VALUE,
                data=BYTES, apart=apart,
            )  # fmt: skip
        for name, byte, bit, bits in PACKED:
            parts = self.channel(f"{kind}.{name}", parts, byte, bit, bits)
        size = self.size(kind)
        whole = self.channel(
            kind, 0, 8, 0, 8 * (size - 8), data=BYTES, parts=parts, flags=self.flags
        )
        factor = 0
        if self.tick_ns:
            values = struct.pack("<BBHHH4d", 1, 0, 0, 0, 2, 0, 0, 0, self.tick_ns / 1e9)
            factor = self.block(b"CC", (0, 0, 0, 0), values)
        time = self.channel(
            "t", whole, 0, 0, 64, kind=MASTER, data=UNSIGNED if factor else FLOAT, conversion=factor
        )
        body = struct.pack("<QQHHIII", number, count, 6, 46, 0, size, self.invalid)
        return self.block(b"CG", (following, time, 0, 0, 0, 0), body)

    def size(self, kind):
        if kind == "CAN_RemoteFrame":
            return HEAD
        return HEAD + (WIDTH if self.data == "fixed" else 8)

    def record(self, row, offset):
        at, channel, can_id, flags, length, data = row
        flags = int(flags)
        states = DLC[length] | bool(flags & FD) << 5 | bool(flags & 16) << 6 | bool(flags & 32) << 7
        states |= bool(flags & 64) << 4
        word = can_id | bool(flags & EXT) << 31
        number = int(channel.removeprefix("can")) << 2 | 3  # bits that are nobody's, all set
        time = struct.pack("<Q", at * 1000 // self.tick_ns) if self.tick_ns else (
            struct.pack("<d", at / 1e6)
        )  # fmt: skip
        head = time + struct.pack("<IBBB", word, states, length | 0x80, number)
        if flags & 2:
            body = head
        elif self.data == "fixed":
            body = head + data.ljust(WIDTH, b"\xee")
        else:
            body = head + struct.pack("<Q", offset)
        return body + bytes(self.invalid)


def write(path, traffic, layout):
    """A file with a group for each kind of frame in the traffic; its records in that order."""
    kinds = list(dict.fromkeys(mf4_kind(row[3]) for row in traffic))
    rows = {kind: [row for row in traffic if mf4_kind(row[3]) == kind] for kind in kinds}
    if layout.data == "among":
        first = _among(layout, kinds, rows, traffic)
    else:
        first = 0
        for kind in reversed(kinds):
            values, records = b"", b""
            for row in rows[kind]:
                records += layout.record(row, len(values))
                values += struct.pack("<I", len(row[5])) + row[5]
            apart = layout.data_list(b"SD", values, 1) if layout.data == "apart" else 0
            group = layout.group(kind, len(rows[kind]), 0, 0, apart)
            blocks = layout.data_list(b"DT", records, layout.size(kind) + layout.invalid)
            first = layout.block(b"DG", (first, group, blocks, 0), bytes(8))
    body = struct.pack("<Qhh4B2d", START_US * 1000, 0, 0, 0, 0, 0, 0, 0, 0)
    header = struct.pack("<4s4xQQ6Q", b"##HD", 104, 6, first, *[0] * 5) + body
    name = struct.pack("<8s8s8s4xH30xHH", b"MDF     ", b"4.10    ", b"by hand ", 410, 0, 0)
    path.write_bytes(name + header + b"".join(layout.parts))


def _among(layout, kinds, rows, traffic):
    """One stream of records of all groups, each with its number before it; the data group."""
    numbers, offsets, stream = {kind: 2 * n + 1 for n, kind in enumerate(kinds)}, {}, b""
    for row in traffic:
        kind = mf4_kind(row[3])
        number, offset = numbers[kind], offsets.setdefault(kind, 0)
        stream += bytes([number]) + layout.record(row, offset)
        if kind != "CAN_RemoteFrame":
            stream += bytes([number + 1]) + struct.pack("<I", len(row[5])) + row[5]
            offsets[kind] += 4 + len(row[5])
    following = 0
    for kind in reversed(kinds):
        apart = 0
        if kind != "CAN_RemoteFrame":
            size = offsets.get(kind, 0)
            body = struct.pack("<QQHHIII", numbers[kind] + 1, len(rows[kind]), 1, 0, 0, size, 0)
            apart = following = layout.block(b"CG", (following, 0, 0, 0, 0, 0), body)
        following = layout.group(kind, len(rows[kind]), following, numbers[kind], apart)
    return layout.block(
        b"DG", (0, following, layout.data_list(b"DT", stream, 1), 0), struct.pack("<B7x", 1)
    )
