"""Whether the blocks of an MF4 file lead back to themselves: asammdf would follow them for ever.

Source: ASAM MDF 4.2, which links each kind of block begins with; from memory.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from typing import BinaryIO

HEADER, HEAD = 64, 24  # where the header block is; bytes of a block before its links
FOLLOWED = {  # by kind of block: the links along which lists go on, and nested ones begin
    b"##HD": (0, 1, 3, 4),
    b"##DG": (0, 1, 2),
    b"##CG": (0, 1),
    b"##CN": (0, 1, 5),
    **dict.fromkeys((b"##CA", b"##DL", b"##HL", b"##LD", b"##FH", b"##AT", b"##EV"), (0,)),
}
DATA_OF_CHANNEL, LISTS = (b"##CN", 5), (b"##DL", b"##HL")  # else it is one block, or a group


def is_endless(file: BinaryIO) -> bool:
    """Whether any list of blocks, or blocks within blocks, never end."""
    open_, closed = {HEADER}, set[int]()
    path = [(HEADER, _links(file, HEADER))]
    while path:
        at, links = path[-1]
        following = next(links, None)
        if following is None:
            path.pop()
            open_.discard(at)
            closed.add(at)
        elif following in open_:
            return True
        elif following not in closed:
            open_.add(following)
            path.append((following, _links(file, following)))
    return False


def _links(file: BinaryIO, at: int) -> Iterator[int]:
    """The places that the block there leads to; none if there is no such block."""
    kind, count = _head(file, at)
    links = FOLLOWED.get(kind, ())
    body = file.read(8 * min(count, max(links, default=-1) + 1))
    for link in links:
        if 8 * link + 8 <= len(body):
            (place,) = struct.unpack_from("<Q", body, 8 * link)
            is_list = (kind, link) != DATA_OF_CHANNEL or _head(file, place)[0] in LISTS
            if place and is_list:
                yield place


def _head(file: BinaryIO, at: int) -> tuple[bytes, int]:
    """(kind of the block there, how many links it has); nothing beyond the end of the file."""
    if at + HEAD > file.seek(0, os.SEEK_END):
        return b"", 0
    file.seek(at)
    head = file.read(HEAD)
    return (head[:4], struct.unpack_from("<Q", head, 16)[0]) if len(head) == HEAD else (b"", 0)
