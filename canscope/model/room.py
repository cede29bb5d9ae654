"""Arrays that are used again once nobody looks at them any more.

Fresh memory is dear: the system hands it out page by page, each one zeroed.
"""

from __future__ import annotations

import sys
import threading
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

LINE = 64  # bytes
ALONE = 3  # references to an array that only its room knows: the list, a variable, the asking


class Room:
    """Gives arrays whose contents are whatever was there; at most ``most`` are held of a name."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._held: dict[str, list[NDArray[np.uint8]]] = {}
        self._lock = threading.Lock()

    def take(self, name: str, *columns: tuple[int, DTypeLike]) -> list[NDArray[Any]]:
        """Arrays of so many numbers of a kind each, nobody else's while one of them is held.

        They lie behind one another, each from the beginning of a line of the processor's cache on.
        """
        places, end = [], 0
        for count, kind in columns:
            size = count * np.dtype(kind).itemsize
            places.append((end, end + size, kind))
            end += size + -size % LINE
        memory = self._memory(name, end)
        return [memory[begin:stop].view(kind) for begin, stop, kind in places]

    def _memory(self, name: str, size: int) -> NDArray[np.uint8]:
        with self._lock:
            those = self._held.setdefault(name, [])
            for place in reversed(range(len(those))):  # the last one is nearest to the processor
                held = those[place]
                if sys.getrefcount(held) == ALONE and len(held) >= size:
                    del those[place]
                    break
            else:
                held = np.empty(size + size // 4, np.uint8)  # the next one may be a little larger
            those.append(held)
            del those[: -self._most]
            return held
