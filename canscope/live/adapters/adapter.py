"""What a recorder hears a bus through: opens silently, gives frames in batches, closes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from canscope.live.adapters.address import Address
from canscope.model.errors import CanscopeError

WAIT_S = 0.05  # the longest that a read waits for traffic
# From a frame on the bus to its stamp: serial chips hand over what they have every 16 ms unless
# told otherwise (from memory), and frames are gathered for 3 ms. Common practice, no source.
SLCAN_LATE_MS, OTHERS_LATE_MS = 20.0, 5.0


class AdapterError(CanscopeError):
    """An adapter cannot be opened, or not silently."""


@dataclass(frozen=True)
class Opened:
    """What opening an adapter found out, in words for run.toml and for the person.

    ``silent`` is True only if listen-only was confirmed; ``error_frames`` is ``recorded``,
    ``not carried`` or ``unknown``.
    """

    found: str
    silent: bool
    silent_how: str
    error_frames: str
    bitrate: int | None = None


@dataclass(frozen=True)
class Batch:
    """What one read gave: frames as candump writes them after the channel, ``123#1122``.

    ``garbled`` counts pieces that arrived damaged, ``errors`` error frames among ``frames``.
    ``device_ns`` is the device's own stamp of the last frame, if there is one.
    A replay gives ``text`` instead, whole lines with stamps of their own, ``counts`` by channel as
    (frames, error frames), and the last stamp.
    """

    frames: list[bytes] = field(default_factory=list)
    garbled: int = 0
    errors: int = 0
    device_ns: int | None = None
    text: bytes = b""
    counts: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    last_ns: int = 0


NOTHING = Batch()


class Source(Protocol):
    """One adapter. ``read`` returns at once with what there is, or after ``WAIT_S`` with nothing.

    ``read`` raises EOFError at the end of a replayed file, and OSError (or what derives from it)
    or AdapterError when the adapter is gone; ``open`` may then be tried again.
    """

    period_ns: int  # after which the device's stamps start over; 0: never
    gather_ms: float  # how long a read waits for more once there is something

    def open(self) -> Opened:
        """Open it, silently. Raises AdapterError."""

    def flush(self) -> None:
        """Throw away what came before now, while other adapters were opened: its time is unknown.

        Raises as ``read`` does.
        """

    def read(self) -> Batch:
        """The frames that have come."""

    def close(self) -> None:
        """Let go of it; never raises for an adapter that is gone."""


def stamp_uncertainty_ms(addresses: Iterable[Address]) -> float:
    """How late a stamp may be, as a recording states it when it starts; 0 for a replayed file."""
    late = {"slcan": SLCAN_LATE_MS, "replay": 0.0}
    return max((late.get(address.kind, OTHERS_LATE_MS) for address in addresses), default=0.0)


def source_of(address: Address) -> Source:
    """The source that an address names."""
    if address.kind == "slcan":
        from canscope.live.adapters.slcan import Slcan

        return Slcan(address)
    if address.kind == "replay":
        from canscope.live.adapters.replay import Replay

        return Replay(address)
    from canscope.live.adapters.python_can import PythonCan

    return PythonCan(address)
