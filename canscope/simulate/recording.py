"""What the silent recorder wrote down: a table of frames, and its candump text."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canscope.simulate.bits import Bytes

START_US = 1_715_677_200_000_000  # an invented morning, 14 May 2024 09:00 UTC


@dataclass(frozen=True, eq=False)
class Recording:
    """Frames in the order of their stamps.

    ========= ======== ======= ==========================================================
    column    dtype    shape   meaning
    ========= ======== ======= ==========================================================
    time_us   int64    n       since 1970 UTC
    channel   int64    n       index into ``channels``
    can_id    int64    n       11 bits, or an error frame's class with its flag 0x20000000
    length    int64    n       payload bytes
    payload   uint8    n x 8   zero-filled
    ========= ======== ======= ==========================================================
    """

    time_us: NDArray[np.int64]
    channel: NDArray[np.int64]
    can_id: NDArray[np.int64]
    length: NDArray[np.int64]
    payload: Bytes
    channels: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.time_us)

    def take(self, rows: NDArray[np.bool_] | NDArray[np.int64]) -> Recording:
        """The rows asked for."""
        return Recording(
            self.time_us[rows],
            self.channel[rows],
            self.can_id[rows],
            self.length[rows],
            self.payload[rows],
            self.channels,
        )

    def of(self, channel: str, can_id: int | None = None) -> NDArray[np.bool_]:
        """Which rows are on that channel, of that identifier if one is given."""
        rows: NDArray[np.bool_] = self.channel == self.channels.index(channel)
        return rows if can_id is None else rows & (self.can_id == can_id)

    def since_s(self) -> NDArray[np.float64]:
        """Seconds since the start of the simulation, a row a frame."""
        return np.asarray((self.time_us - START_US) / 1e6)


def candump_text(recording: Recording) -> str:
    """The recording as candump log lines, six decimals."""
    digits, width = recording.payload.tobytes().hex().upper(), 2 * recording.payload.shape[1]
    ids = set(recording.can_id.tolist())
    names = {can_id: f"{can_id:03X}" if can_id < 0x800 else f"{can_id:08X}" for can_id in ids}
    rows = zip(
        recording.time_us.tolist(),
        recording.channel.tolist(),
        recording.can_id.tolist(),
        recording.length.tolist(),
        range(0, len(digits), width),
        strict=True,
    )
    return "".join(
        f"({time_us // 1_000_000}.{time_us % 1_000_000:06d}) {recording.channels[channel]} "
        f"{names[can_id]}#{digits[at : at + 2 * length]}\n"
        for time_us, channel, can_id, length, at in rows
    )
