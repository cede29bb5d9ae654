"""Captures: bytes -> Frames, one file a format.

A format's file holds its reader, entered in ``READERS``, and ``recognises(head: bytes) -> bool``,
which says whether a file that begins with these bytes (at most 64 KiB) is one of its own. A format
that has no magic number and goes by its lines also says ``BY_LINES = True``, and is asked last.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import BinaryIO

from canscope.model.registry import Registry
from canscope.model.tables import Frames

# A reader takes an open binary stream and the name to show in messages, and yields chunks. One that
# must have a file gets it from ``_on_disk``. One whose format does not say on which bus a frame
# was seen calls that channel UNNAMED; whoever reads the capture names it.
Reader = Callable[[BinaryIO, str], Iterator[Frames]]
UNNAMED = ""
READERS: Registry[Reader] = Registry(
    "capture format",
    __name__,
    __path__[0],
    main="reader",
    not_entries=("read", "order", "input"),
)
