"""Whether the blocks of an MF4 file lead to where they should, and to an end.

asammdf follows their links without looking: for ever if they lead back, and in some places whatever
kind of block they lead to.
Source: ASAM MDF 4.2, which links each kind of block begins with; from memory.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import BinaryIO

HEADER, HEAD = 64, 24  # where the header block is; bytes of a block before its links
LISTS = (b"##DL", b"##HL", b"##LD")
# kind of block -> its links along which lists go on and nested ones begin, and to what they lead
MUST: dict[bytes, dict[int, tuple[bytes, ...]]] = {
    b"##HD": {0: (b"##DG",), 1: (b"##FH",), 3: (b"##AT",), 4: (b"##EV",)},
    b"##DG": {0: (b"##DG",), 1: (b"##CG",)},
    b"##CG": {0: (b"##CG",), 1: (b"##CN",)},
    b"##CN": {0: (b"##CN",), 1: (b"##CN", b"##CA")},
    b"##FH": {0: (b"##FH",)},
    b"##AT": {0: (b"##AT",)},
    b"##EV": {0: (b"##EV",)},
    b"##DL": {0: (b"##DL",)},
    b"##LD": {0: (b"##LD",)},
}
MAY: dict[
    bytes, dict[int, tuple[bytes, ...]]
] = {  # the same, but it may as well lead to something that leads no further
    b"##DG": {2: LISTS},
    b"##CN": {5: LISTS},
    b"##CA": {0: (b"##CA", b"##CN")},
    b"##HL": {0: LISTS},
}


def problem(file: BinaryIO) -> str:
    """What is wrong with the links, in words; empty if nothing is."""
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
            return "its blocks lead back to themselves"
        elif following < 0:
            return f"the block at byte {at} leads to something else than it should"
        elif following not in closed:
            open_.add(following)
            path.append((following, _links(file, following)))
    return ""


def _links(file: BinaryIO, at: int) -> Iterator[int]:
    """The places that a block leads to, -1 for one where no such block is."""
    kind = _kind(file, at)
    for links, fallback in ((MUST, -1), (MAY, 0)):
        for link, kinds in links.get(kind, {}).items():
            file.seek(at + HEAD + 8 * link)
            place = int.from_bytes(file.read(8), "little")
            if place and (found := place if _kind(file, place) in kinds else fallback):
                yield found


def _kind(file: BinaryIO, at: int) -> bytes:
    """The kind of the block there, empty beyond the end of the file."""
    if at + HEAD > file.seek(0, os.SEEK_END):
        return b""
    file.seek(at)
    return file.read(4)
