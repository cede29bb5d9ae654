"""What a recorder is told, and how each of its buses is doing."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from canscope.live.adapters.address import Address


@dataclass(frozen=True)
class Orders:
    """What a recorder is told."""

    folder: Path
    addresses: tuple[Address, ...]
    not_silent: str = ""  # the person's signature where listen-only cannot be confirmed
    rotate_bytes: int = 256 << 20
    low_disk_bytes: int = 1 << 30
    rotate_s: float = 3600.0  # a capture file is closed after so long
    about: dict[str, Any] = field(default_factory=dict)  # goes into run.toml as [run]
    earlier: dict[str, Any] | None = None  # what earlier runs have shown, as [earlier]


@dataclass
class Bus:
    """How one bus is doing."""

    address: str
    state: str = "closed"  # closed, recording, lost, ended; replayed: one of a played file
    found: str = ""
    silent: bool = False
    silent_how: str = ""
    error_frames_are: str = "unknown"
    bitrate: int | None = None
    frames: int = 0
    error_frames: int = 0
    garbled: int = 0
    dropped: int = 0
    gaps: int = 0
    last_ns: int = 0
    late_by_at_most_ms: float = 0.0  # of stamps: the longest time for which nobody read
