"""The two files of a folder of curves, and how blocks of rows lie in the larger one.

``curves.bin`` holds blocks one after the other, each the columns of some rows of one series in the
order of time. ``curves.json`` lists the blocks of every series (``Block``):

======== ================================== ====================================================
kind     columns                            what
======== ================================== ====================================================
frames   time_ns, data, can_id, heap_at,    all frames of a message; its signals are decoded
         length, flags, heap                again when few of them are asked for
points   time_ns, value                     of a number the extremes of each bucket of time, a
                                            level for each width; of a state its changes
gaps     from_ns, until_ns                  the last sample before a silence, and the next one
======== ================================== ====================================================

``heap_at`` and ``heap`` are there only where a frame of the block has more than 8 bytes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from canscope import __version__
from canscope.model.definition import Definitions

FORMAT = 1
BLOCKS, INDEX = "curves.bin", "curves.json"
BASE = 28  # the narrowest buckets that are kept are 2**BASE ns wide: 0.27 s
STEP = 2  # each level's buckets are 2**STEP times as wide as those of the one below
ALIGN = 8  # bytes; a block begins at a multiple of it, so that its columns can be mapped

FRAME_COLUMNS: dict[str, np.dtype[Any]] = {
    "time_ns": np.dtype("<i8"),
    "data": np.dtype("<u8"),
    "can_id": np.dtype("<u4"),
    "heap_at": np.dtype("<i4"),
    "length": np.dtype("u1"),
    "flags": np.dtype("u1"),
}


def identity(captures: Sequence[str | Path], definitions: Definitions) -> dict[str, Any]:
    """What the curves of a run rest on: they are written anew when any of it changes."""
    files = [Path(path) for path in captures]
    return {
        "format": FORMAT,
        "version": __version__,
        "captures": [[path.name, path.stat().st_size, path.stat().st_mtime_ns] for path in files],
        "definitions": hashlib.sha256(repr(definitions.messages).encode()).hexdigest(),
    }


class Block(NamedTuple):
    """Where some rows of a series lie, and when they begin."""

    place: int  # byte of the file
    rows: int
    heap: int  # bytes of payloads longer than 8, else 0
    first_ns: int
