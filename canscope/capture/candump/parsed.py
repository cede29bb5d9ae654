"""The result of parsing a block of candump text by the compiled kernel."""

from __future__ import annotations

from dataclasses import dataclass

from canscope.model.tables import Frames, Int64s


@dataclass(frozen=True, eq=False)
class Parsed:
    """The frames of a block, and the lines that hold none.

    ``rejected`` has a row for each line that is neither a frame nor blank nor a comment: its number
    in the block, from 0, and where it begins and ends. ``names`` are the channels. If there were
    more of them than codes, ``is_whole`` is False and the rest of the lines is missing.
    """

    chunks: list[Frames]
    rejected: Int64s
    lines: int
    names: frozenset[str]
    is_whole: bool
