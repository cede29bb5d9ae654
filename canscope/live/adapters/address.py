"""``NAME=KIND:ADDRESS``: a bus and the adapter it is heard through, from the command line."""

from __future__ import annotations

import re
from dataclasses import dataclass

from canscope.model.errors import CanscopeError

SYNTAX = "NAME=KIND:ADDRESS, as can0=socketcan:can0 or can1=slcan:/dev/ttyACM0@500000"
NAME = re.compile(r"[^\x00-\x20\x7f#()=]{1,16}")  # what a channel may be called in candump text
EVERY = "*"  # a replayed file's channels under their own names
FASTEST = float("inf")


@dataclass(frozen=True)
class Address:
    """One bus to be recorded.

    ``kind`` is ``slcan``, ``replay`` or the name of a python-can interface. ``speed`` is how many
    times faster than recorded a file is replayed; ``serial_baud`` the speed of an slcan adapter's
    own line, which USB adapters do not mind.
    """

    name: str
    kind: str
    address: str
    bitrate: int | None = None
    serial_baud: int = 115_200
    speed: float = 1.0

    def __str__(self) -> str:
        return f"{self.name}={self.kind}:{self.address}"


def parse_address(text: str) -> Address:
    """Read one ``--bus``. Raises CanscopeError if it is not of that form."""
    name, equals, rest = text.partition("=")
    if not equals and text.startswith("replay:"):
        name, rest = EVERY, text
    kind, colon, place = rest.partition(":")
    if not kind or not colon or not place:
        raise CanscopeError(f"--bus {text}: not a bus", hint=SYNTAX)
    if not NAME.fullmatch(name) or (name == EVERY and kind != "replay"):
        hint = "one word of at most 16 letters, as the plan calls the bus: can0"
        raise CanscopeError(f"--bus {text}: {name!r} cannot name a bus", hint=hint)
    where, at, rate = place.rpartition("@")
    if not at:
        return Address(name, kind, place)
    if not where:
        raise CanscopeError(f"--bus {text}: no address before '@'", hint=SYNTAX)
    if kind == "replay":
        return Address(name, kind, where, speed=_speed(rate, text))
    bitrate, comma, baud = rate.partition(",")
    numbers = [bitrate, baud] if comma else [bitrate]
    if not all(re.fullmatch(r"[1-9]\d{3,8}", number) for number in numbers):
        hint = "bit/s after '@', as @500000; for a serial line's own speed @500000,2000000"
        raise CanscopeError(f"--bus {text}: {rate!r} is not a bit rate", hint=hint)
    return Address(name, kind, where, int(bitrate), int(baud) if comma else 115_200)


def _speed(text: str, whole: str) -> float:
    if text == "max":
        return FASTEST
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0 < speed < FASTEST:
        hint = "times the recorded speed, as @20, or @max"
        raise CanscopeError(f"--bus {whole}: {text!r} is not a speed", hint=hint)
    return speed
