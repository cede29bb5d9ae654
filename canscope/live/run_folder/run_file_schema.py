"""What run.toml holds: the tables that a recorder writes and that every later check reads.

These dataclasses are the schema: run.toml is written from them, in the order of their fields
(``None`` is left out), and is read and checked by them (``run_file.read_run_file``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from canscope.live.plain_data import Amount

REPLAYED = "the stamps of the replayed file"  # what run.toml says of the clock of a replay

# Why a run ended that nobody ended at the screen.
TERMINAL_CLOSED = "its terminal was closed"
UNWATCHED = "the watching process ended"
ALONE = "somebody told the recorder alone to end"


@dataclass(frozen=True)
class RoleAsBound:
    """A role of which a run has shown something: its signal, and as what that was defined then."""

    role: str = ""
    signal: str = ""
    definition: str = ""  # hash of all that turns its raw codes into values


@dataclass(frozen=True)
class AnchoredRole(RoleAsBound):
    """A role whose scale a hand reading confirmed in an earlier run."""

    run: str = ""


@dataclass(frozen=True)
class EarlierRuns:
    """What the earlier runs of a vehicle have shown together; names are those of run folders."""

    runs: tuple[str, ...] = ()  # that were counted
    uncounted: tuple[str, ...] = ()  # of this vehicle, but what they have shown is not known
    strangers: tuple[str, ...] = ()  # recorded without a plan: the vehicle is not known
    replays: tuple[str, ...] = ()  # of a file: nothing turned in them, and they vouch for nothing
    alive: tuple[RoleAsBound, ...] = ()  # sensors that one of them has seen to live
    anchored: tuple[AnchoredRole, ...] = ()  # by a hand reading that no later run contradicts
    turned_dry_s: Mapping[str, Amount] = field(default_factory=dict)  # by unit


@dataclass(frozen=True)
class ShownByRun:
    """What one run adds to the build record."""

    alive: tuple[RoleAsBound, ...] = ()
    anchored: tuple[RoleAsBound, ...] = ()  # roles that a hand reading agreed with
    contradicted: tuple[RoleAsBound, ...] = ()  # roles that a hand reading disagreed with
    turned_dry_s: Mapping[str, Amount] = field(default_factory=dict)


@dataclass(frozen=True)
class RunClock:
    """The clock that stamped the frames, and how far it can be trusted."""

    kind: str = ""
    anchor_ns: int | None = None
    anchor_uncertainty_ms: float | None = None
    stamps: str | None = None
    uncertainty_ms: Amount | None = None  # stated; none for a replayed file
    uncertainty: str | None = None
    wall_clock_apart_ms: float | None = None


@dataclass
class Bus:
    """How one bus is doing. The recorder counts in it; a status holds copies."""

    address: str = ""
    state: str = "closed"  # closed, recording, lost, ended; replayed: one of a played file
    found: str = ""
    silent: bool = False
    silent_how: str = ""
    error_frames_are: str = "unknown"  # recorded, not carried, unknown, as the file has them
    bitrate: int | None = None
    frames: int = 0
    error_frames: int = 0
    garbled: int = 0
    dropped: int = 0
    gaps: int = 0
    lost_why: str = ""  # why the adapter was last away, and why it was refused since
    refused: str = ""
    last_ns: int = 0
    late_by_at_most_ms: Amount = 0.0  # of stamps: the longest time for which nobody read


@dataclass
class RunBus(Bus):
    """One bus as run.toml keeps it."""

    device_stamps: bool = False
    stamp_jitter_ms: float | None = None  # measured against the device's own stamps


@dataclass(frozen=True)
class RunEnd:
    """How a recording ended; without one the recorder was killed, or still runs."""

    at_ns: int = 0
    reason: str = ""
    in_order: bool = False
    listened_until_ns: int | None = None
    frames: int | None = None
    dropped: int | None = None
    run_file: str | None = None  # why run.toml could not be written


@dataclass(frozen=True)
class RunEvent:
    """Something that happened to the recorder while it recorded."""

    at_ns: int = 0
    what: str = ""
    bus: str | None = None


@dataclass(frozen=True)
class RunAlarm:
    """One alarm that was raised while the run was watched."""

    rule: str = ""
    subject: str = ""
    stop: bool = False
    at_ns: int = 0  # of the frame that shows it
    raised_ns: int = 0
    text: str = ""


@dataclass(frozen=True)
class RunWatch:
    """How late the live judging was, and every alarm.

    ``delay_ms`` is the time from a frame's stamp to its judgement; the oldest frame of each piece
    counts, so these are the longest ones.
    """

    pieces: int = 0
    delay_ms: Mapping[str, float] = field(default_factory=dict)  # median, p99, longest
    slow_s: Amount | None = None  # the longest round of judging, if it was long
    broken: str | None = None  # traceback of the judge's own bug
    unseen: str | None = None  # why what was shown reached nobody any more
    alarms: tuple[RunAlarm, ...] = ()


@dataclass(frozen=True)
class RunFile:
    """All of run.toml. ``run`` says who recorded what, when and with what."""

    format: int = 1
    run: Mapping[str, str] = field(default_factory=dict)
    earlier: EarlierRuns | None = None
    clock: RunClock | None = None
    buses: Mapping[str, RunBus] = field(default_factory=dict)
    end: RunEnd | None = None
    events: tuple[RunEvent, ...] = ()
    shown: ShownByRun | None = None
    watch: RunWatch | None = None
    sha256: Mapping[str, str] | None = None  # of the run's other files, by name

    @property
    def is_replay(self) -> bool:
        """Whether a file was played instead of a vehicle being recorded."""
        played = any(bus.state == "replayed" for bus in self.buses.values())
        return played or (self.clock is not None and self.clock.kind == REPLAYED)
