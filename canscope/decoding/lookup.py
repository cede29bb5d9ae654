"""Which message a frame is: channel and identifier -> message code, for whole columns."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canscope.model.definition import MessageSpec
from canscope.model.tables import Flag, Frames, Int64s

Codes = NDArray[np.int32]

UNDEFINED, NO_DATA = -1, -2  # codes of frames that are no message; NO_DATA: remote or error frames
ANY_SOURCE = 0xFE  # J1939 null address: in a definition, "from any source"
STANDARD_IDS = 0x800


def group_of(can_id: Any) -> Any:
    """Parameter group number of a J1939 identifier (int or array).

    Below PDU format 240 the next byte is a destination and no part of the number
    (linux j1939.rst: 1823FF40 and 18234140 are both group 02300).
    """
    group = (can_id >> 8) & 0x3FFFF
    return group & ~((group & 0xFF) * (group & 0xFF00 < 0xF000))


def from_any_source(message: MessageSpec) -> bool:
    """Whether a message is its parameter group from any source."""
    return message.j1939 and message.can_id & 0xFF == ANY_SOURCE


def identity(message: MessageSpec) -> Hashable:
    """What two messages of one channel may not share."""
    if message.j1939:
        return "group", group_of(message.can_id), message.can_id & 0xFF
    return message.extended, message.can_id


class Lookup:
    """Finds messages by frame; a message's code is its place in ``messages``.

    A whole 29-bit identifier is a closer match than a parameter group, and a group with a source
    address is closer than the group from any source.
    """

    def __init__(self, channels: Mapping[str, int], messages: Sequence[MessageSpec]) -> None:
        self.standard = np.full((max(len(channels), 1), STANDARD_IDS), UNDEFINED, np.int32)
        self.whole: dict[int, int] = {}
        self.group: dict[int, int] = {}
        for code, message in enumerate(messages):
            place = channels[message.channel]
            if message.j1939:
                key = int(group_of(message.can_id)) << 8 | message.can_id & 0xFF
                self.group[place << 32 | key] = code
            elif message.extended:
                self.whole[place << 32 | message.can_id] = code
            elif message.can_id < STANDARD_IDS:
                self.standard[place, message.can_id] = code
        self._whole, self._group = _Table(self.whole), _Table(self.group)

    def codes(self, frames: Frames, place: Int64s) -> Codes:
        """One code a frame; ``place`` is the row's channel as a place in ``channels``."""
        extended = (frames.flags & Flag.EXTENDED) != 0
        codes = self.standard[place, np.minimum(frames.can_id, STANDARD_IDS - 1)]
        if extended.any():
            rows = np.flatnonzero(extended)
            codes[rows] = self._extended(frames.can_id[rows].astype(np.int64), place[rows])
        # An 11-bit identifier cannot be larger; such a recording is not interpreted.
        codes[~extended & (frames.can_id >= STANDARD_IDS)] = UNDEFINED
        codes[(frames.flags & (Flag.REMOTE | Flag.ERROR)) != 0] = NO_DATA
        return codes

    def _extended(self, can_id: Int64s, place: Int64s) -> Codes:
        high = place << 32
        codes = self._whole.find(high | can_id)
        if len(self._group):
            group = high | group_of(can_id) << 8
            for source in (can_id & 0xFF, ANY_SOURCE):
                codes = np.where(codes < 0, self._group.find(group | source), codes)
        return codes


class _Table:
    """Sorted keys with their codes."""

    def __init__(self, entries: Mapping[int, int]) -> None:
        self._keys = np.array(sorted(entries), np.int64)
        self._codes = np.array([entries[key] for key in sorted(entries)], np.int32)

    def __len__(self) -> int:
        return len(self._keys)

    def find(self, keys: Int64s) -> Codes:
        """The code of each key, UNDEFINED where there is none."""
        if not len(self):
            return np.full(len(keys), UNDEFINED, np.int32)
        at = np.minimum(np.searchsorted(self._keys, keys), len(self) - 1)
        return np.where(self._keys[at] == keys, self._codes[at], np.int32(UNDEFINED))
