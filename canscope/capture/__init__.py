"""Captures: bytes -> Frames, one file a format."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import BinaryIO

from canscope.model.registry import Registry
from canscope.model.tables import Frames

# A reader takes an open binary stream and the name to show in messages, and yields chunks.
Reader = Callable[[BinaryIO, str], Iterator[Frames]]
READERS: Registry[Reader] = Registry("capture format", __name__, __path__[0])
