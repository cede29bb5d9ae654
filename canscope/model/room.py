"""Arrays that are used again once nobody looks at them any more.

Fresh memory is dear: the system hands it out page by page, each one zeroed.
"""

from __future__ import annotations

import sys
import threading
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

ALONE = 3  # references to an array that only its room knows: the list, a variable, the asking


class Room:
    """Gives arrays whose contents are whatever was there; at most ``most`` are held of a name."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._held: dict[str, list[NDArray[np.uint8]]] = {}
        self._lock = threading.Lock()

    def take(self, name: str, count: int, kind: DTypeLike) -> NDArray[Any]:
        """An array of ``count`` numbers, nobody else's while it or a view of it is held."""
        size = count * np.dtype(kind).itemsize
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
            return held[:size].view(kind)
