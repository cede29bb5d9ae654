"""What a recorder is told before it starts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from canscope.live.adapters.address import Address
from canscope.live.run_folder.run_file_schema import EarlierRuns


@dataclass(frozen=True)
class RecorderConfig:
    """Which buses to record, where to, and what to write into run.toml besides."""

    folder: Path
    addresses: tuple[Address, ...]
    not_silent: str = ""  # the person's signature where listen-only cannot be confirmed
    rotate_bytes: int = 256 << 20  # size at which a new capture file begins
    low_disk_bytes: int = 1 << 30
    rotate_s: float = 3600.0  # age at which a new capture file begins
    about: Mapping[str, str] = field(default_factory=dict)  # goes into run.toml as [run]
    earlier: EarlierRuns | None = None  # goes into run.toml as [earlier]

    @property
    def replays(self) -> bool:
        """Whether a recorded file is played instead of a bus being heard."""
        return any(address.kind == "replay" for address in self.addresses)
