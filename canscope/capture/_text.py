"""Text captures in blocks of whole lines, in bounded memory whatever the file holds."""

from __future__ import annotations

from collections.abc import Iterator
from typing import BinaryIO

BLOCK = 1 << 20  # bytes a read; about 20,000 lines, which still fits a processor's cache
LONGEST = 1 << 14  # bytes of a line that are kept; no frame of any format is written longer
CLIPPED = b"\0"  # stands for the rest of a line that was longer; no text format allows it
BYTE_ORDER_MARK = b"\xef\xbb\xbf"


def blocks(stream: BinaryIO) -> Iterator[tuple[bytes, bytes]]:
    """Cut a stream into (whole lines, unfinished last line); only the last block has the second.

    A line beyond ``LONGEST`` keeps its beginning and ends in ``CLIPPED``.
    """
    carry, clipped, begin = b"", False, True
    while block := stream.read(BLOCK):
        if begin:
            begin, block = False, block.removeprefix(BYTE_ORDER_MARK)
        if clipped:
            end = block.find(b"\n")
            if end < 0:
                continue
            block, clipped = block[end:], False
        cut = block.rfind(b"\n") + 1
        if cut:  # the block itself is not copied twice: it is large, what is carried over is not
            whole, carry = carry + memoryview(block)[:cut], block[cut:]
        else:
            whole, carry = b"", carry + block
        if len(carry) > LONGEST:
            carry, clipped = carry[:LONGEST] + CLIPPED, True
        if whole:
            yield whole, b""
    if carry:
        yield b"", carry


def shown(line: bytes) -> str:
    """The beginning of a line as it can be printed in a message."""
    text = repr(line[:80].decode("utf-8", "backslashreplace"))
    return text if len(line) <= 80 else f"{text} ..."
