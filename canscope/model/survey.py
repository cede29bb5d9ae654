"""What a survey finds on a bus without a definition: identifiers, fields, candidates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

NUMBER, ENUMERATION, FLAG = "number", "enumeration", "flag"
COUNTER, CHECKSUM, UNEXPLAINED = "counter", "checksum", "unexplained"

FEW = 8  # transitions of an identifier, below which nothing is said of its bits
WEAK = 0.5  # score up to which a candidate is no answer


@dataclass(frozen=True)
class Field:
    """Bits of one identifier that belong together.

    Bits are counted as in a DBC file: bit 0 is the lowest of byte 0. ``low`` and ``high`` are the
    least and most significant bit that ever changed; ``spare`` counts the constant bits above
    that most likely belong to it (a value that was never large).
    """

    kind: str
    low: int
    high: int
    bits: int
    big_endian: bool = False
    signed: bool = False
    spare: int = 0
    confidence: float = 0.0  # 0 to 1
    about: str = ""  # the polynomial, the modulus, the codes
    changes: int = 0  # frames in which it differed from the one before
    lowest: int = 0  # raw, read with the spare bits
    highest: int = 0
    curve: tuple[int, ...] = ()  # raw values, evenly thinned

    @property
    def length_bits(self) -> int:
        """The width with the spare bits."""
        return self.bits + self.spare

    @property
    def start_bit(self) -> int:
        """As in a DBC file: of a big-endian field the number of its most significant bit."""
        if not self.big_endian:
            return self.low
        byte, bit = divmod(self.low, 8)
        up = bit + self.length_bits - 1
        return 8 * (byte - up // 8) + up % 8

    @property
    def place(self) -> str:
        """Start bit, width, byte order and sign in words."""
        if self.bits == 1 and not self.spare:
            return f"bit {self.low}"
        order = "big endian" if self.big_endian else "little endian"
        sign = "signed" if self.signed else "unsigned"
        return f"bit {self.start_bit}, {self.length_bits} bits, {order}, {sign}"


@dataclass(frozen=True)
class Identifier:
    """One identifier of one channel."""

    channel: str
    can_id: int
    extended: bool
    frames: int
    rate_hz: float | None
    cycle_ms: float | None  # the median interval
    jitter_ms: float | None  # half of the range from the 5th to the 95th percentile of intervals
    lengths: Mapping[int, int]  # payload bytes -> frames
    flips: tuple[float, ...]  # share of frames in which each bit differs from the frame before
    constants: tuple[tuple[int, int], ...] = ()  # byte, value
    selector: tuple[int, ...] = ()  # values of byte 0, if that says whose values follow
    fields: tuple[Field, ...] = ()

    @property
    def is_rare(self) -> bool:
        """Whether it came too seldom for anything to be said of its bits."""
        return self.frames <= FEW

    @property
    def shown_id(self) -> str:
        """Hexadecimal, eight digits where it has 29 bits."""
        return f"{self.can_id:08X}" if self.extended else f"{self.can_id:03X}"

    @property
    def key(self) -> str:
        """``channel:ID``."""
        return f"{self.channel}:{self.shown_id}"


@dataclass(frozen=True)
class Candidate:
    """A field that follows what a person knows: value = raw * factor + offset.

    What the person read was ``gain`` times that: a meter and a sensor are each a bit off.
    """

    identifier: Identifier
    field: Field
    selected: int | None  # value of the selector
    score: float  # 0 to 1
    factor: float = 1.0
    offset: float = 0.0
    gain: float = 1.0
    error: float | None = None  # root mean square of what is left, in the reference's unit


@dataclass(frozen=True)
class Parting:
    """Where in the capture fields differ most that a reference does not tell apart.

    ``said`` is what each says then: values in the reference's unit; of marks 1 for what is fully
    pressed and 0 for its rest. ``apart`` is by how much, beyond what a late frame explains.
    """

    at_s: float
    said: tuple[float, ...]
    apart: float
    enough: bool  # whether a reading or a mark at that instant would tell them apart


@dataclass(frozen=True)
class Ranking:
    """The candidates for one reference, best first."""

    role: str
    kind: str  # values or marks
    points: int
    candidates: tuple[Candidate, ...]
    clear: bool  # whether the first is clearly better than all others
    tied: int = 1  # how many from the first on the reference does not clearly tell apart
    picked: int = 0  # the place of the candidate that a person picked, from 1
    parting: Parting | None = None  # of those tied


@dataclass(frozen=True)
class Survey:
    """Everything that was found in one capture."""

    sha256: str
    names: tuple[str, ...]
    frames: int
    seconds: float
    identifiers: tuple[Identifier, ...]
    notes: tuple[str, ...] = ()
    rankings: tuple[Ranking, ...] = ()
