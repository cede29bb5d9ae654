"""What every adapter does: it opens silently, gives frames in batches, and closes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import ClassVar, Protocol

from canscope.model.errors import CanscopeError

WAIT_S = 0.004  # the longest that a read waits for traffic; its stamps are that sure


class AdapterError(CanscopeError):
    """An adapter cannot be opened, or not silently; ``absent``: it is not plugged in."""

    absent = False


@dataclass(frozen=True)
class Opened:
    """What opening an adapter found out, in words for run.toml and for the person.

    ``silent`` is True only if listen-only was confirmed; ``error_frames`` is ``recorded``,
    ``not carried``, ``unknown`` or, of a replayed file, ``as the file has them``.
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


class Adapter(Protocol):
    """One adapter, made from its ``Address``; a new kind of them is entered in ``kinds``.

    ``read`` raises EOFError at the end of a replayed file, and OSError (or what derives from it)
    or AdapterError when the adapter is gone; ``open`` may then be tried again.
    """

    # The longest time from a frame on the bus to its stamp, as a recording states it.
    stamp_late_ms: ClassVar[float]
    period_ns: int  # after which the device's stamps start over; 0: never

    @property
    def never_silent(self) -> str:
        """Why no adapter of this kind can be known to listen only; empty where one can."""

    def open(self) -> Opened:
        """Open it, silently. Raises AdapterError."""

    def flush(self) -> None:
        """Discard frames that came while other adapters were opened: their time is not known.

        Raises as ``read`` does.
        """

    def read(self) -> Batch:
        """The frames that have come; ``NOTHING`` after ``WAIT_S`` without any."""

    def close(self) -> None:
        """Close it; never raises for an adapter that is gone."""
