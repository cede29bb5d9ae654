"""What a kernel says of a block of candump text."""

from __future__ import annotations

from dataclasses import dataclass

from canscope.model.tables import Frames, Int64s


@dataclass(frozen=True, eq=False)
class Parsed:
    """What is on the lines of a block.

    ``rejected`` has a row for each line that is no frame and nothing else known: its number in the
    block, from 0, and where it begins and ends. ``names`` are the channels; ``is_whole`` is False
    if there were more of them than codes, and then the rest of the lines is missing.
    """

    chunks: list[Frames]
    rejected: Int64s
    lines: int
    names: frozenset[str]
    is_whole: bool
