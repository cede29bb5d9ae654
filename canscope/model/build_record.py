"""The record of a vehicle's build, as data: its runs, its changes, the stage that it has earned."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class RunRow:
    """One run as the record shows it."""

    name: str  # of its folder
    stage: str
    verdict: str
    waived: int = 0
    at_ns: int | None = None  # of its first frame, since 1970 UTC; None where no clock was set
    counts: bool = True
    why_not: str = ""  # a rehearsal, an altered report, no date ...
    wrong: str = ""  # in short what failed or is missing
    serials: Mapping[str, str] = field(default_factory=dict)  # unit -> serial number, "" unknown
    definitions: Mapping[str, str] = field(default_factory=dict)  # file name -> SHA-256
    dry_s: Mapping[str, float] = field(default_factory=dict)  # unit -> seconds turned dry
    anchored: Mapping[str, str] = field(default_factory=dict)  # role -> its signal
    trends: Mapping[str, float] = field(default_factory=dict)  # "bus-sag, pack, %" -> value


@dataclass(frozen=True)
class Change:
    """Something that was done to the vehicle between two runs."""

    what: str  # a key of the table of changes
    needs: str  # the earliest stage that it makes necessary again
    at_ns: int
    unit: str = ""  # "" for the whole vehicle
    text: str = ""
    by: str = ""


@dataclass(frozen=True)
class Step:
    """One stage of the way, for the vehicle or for one unit."""

    stage: str
    unit: str  # only for unit-alone
    earned: bool
    why: str  # which run earned it, or what is missing
    run: str = ""
    accepted: str = ""  # by whom it was accepted without a full pass


@dataclass(frozen=True)
class VehicleRecord:
    """All runs of one vehicle and what follows from them."""

    vehicle: str
    runs: tuple[RunRow, ...]  # in order of time
    rehearsals: tuple[RunRow, ...]  # replays: they count for nothing
    changes: tuple[Change, ...]
    steps: tuple[Step, ...]
    earned: str  # the highest stage that is earned with all before it; "" for none
    missing: str  # one sentence: what the next stage lacks
    dry_s: Mapping[str, float] = field(default_factory=dict)  # unit -> seconds turned dry in all
    anchored: Mapping[str, str] = field(default_factory=dict)  # role -> run that anchored it
    trends: Mapping[str, tuple[tuple[str, float], ...]] = field(default_factory=dict)  # by run name
