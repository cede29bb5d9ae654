"""Captures: bytes -> Frames, a folder a format, whose ``reader.py`` holds its ``Reader``."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, BinaryIO, ClassVar

from canscope.model.registry import Registry

if TYPE_CHECKING:
    from canscope.model.tables import Frames  # which needs numpy; names of formats do not

UNNAMED = ""  # the channel of a format that does not say on which bus a frame was seen


class Reader(ABC):
    """One capture format: how its files are recognised, and how they are read."""

    by_lines: ClassVar[bool] = False
    """Whether the format has no magic number and is recognised by what its lines look like."""

    columns: Mapping[str, str] = MappingProxyType({})
    """What the user says that columns mean: meaning -> heading. Only tables have any use for it."""

    def recognises(self, head: bytes) -> bool:
        """Whether a file that begins with these bytes (at most 64 KiB) is of this format.

        A format that does not say so is read only where the user names it.
        """
        return False

    @abstractmethod
    def read(self, stream: BinaryIO, file: str) -> Iterator[Frames]:
        """The frames of an open file in the order in which they are stored, in chunks.

        ``file`` is the name to show in messages. A reader that needs a file instead of a stream
        gets one from ``input.on_disk``. What cannot be read as a frame is counted in the ``Tally``
        of a chunk. Frames of an unknown bus are on the channel ``UNNAMED``, which whoever opened
        the capture renames.

        Raises ``CaptureError`` if the file is not of this format.
        """


READERS: Registry[type[Reader]] = Registry(
    "capture format",
    __name__,
    __path__[0],
    main="reader",
    not_entries=("read", "order", "input", "clocks"),
)
