"""How a recorder is doing at one instant, as it reports it every 50 ms."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from canscope.live.run_folder.run_file_schema import Bus, RunEnd


@dataclass(frozen=True)
class RecorderStatus:
    """One report of a recorder; times are ns since 1970 UTC by the run's clock."""

    now_ns: int = 0  # of a replay, the stamp up to which the file has been played
    replays: bool = False
    hurried: bool = False  # of a replay that is faster than the recording was
    played: bool = False  # of a replay that has come to its end
    recording_ns: int = 0  # when recording began; 0 before
    anchor_ns: int = 0  # the run's clock minus this computer's ticks
    not_silent: str = ""
    buses: Mapping[str, Bus] = field(default_factory=dict)
    per_s: Mapping[str, int] = field(default_factory=dict)  # frames a second, by bus
    hung: tuple[str, ...] = ()  # buses whose reader died or gives no answer
    gone: tuple[str, ...] = ()  # captures that somebody deleted or renamed
    queued: int = 0  # bytes that wait for the disk
    disk_free: int | None = None  # bytes
    disk_low: bool = False
    events: int = 0
    last_event: str = ""
    end: RunEnd | None = None  # set in the last report
