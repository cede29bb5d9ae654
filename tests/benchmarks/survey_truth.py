"""What a survey should find on the simulator's buses, and a plain READ to hold beside it."""

from __future__ import annotations

from dataclasses import dataclass
from io import StringIO

import numpy as np

from canscope.model.definition import SignalSpec


@dataclass(frozen=True)
class Part:
    """A field: its bits from the least significant; bits count from the lowest of byte 0."""

    bits: tuple[int, ...]
    signed: bool = False
    kind: str = "number"
    name: str = ""

    @property
    def ends(self):
        """Its two boundaries."""
        return {("low", self.bits[0]), ("high", self.bits[-1])}


def bits_of(spec: SignalSpec) -> tuple[int, ...]:
    """From the least significant, by the DBC rule for either byte order."""
    if not spec.big_endian:
        return tuple(range(spec.start_bit, spec.start_bit + spec.length_bits))
    byte, bit = divmod(spec.start_bit, 8)
    falling = []
    for _ in range(spec.length_bits):
        falling.append(8 * byte + bit)
        byte, bit = (byte + 1, 7) if bit == 0 else (byte, bit - 1)
    return tuple(reversed(falling))


def flipped(data: np.ndarray) -> np.ndarray:
    """Flips of every bit from row to row: n - 1 x bits."""
    return np.unpackbits(data[1:] ^ data[:-1], axis=1, bitorder="little")


def observed(specs, data: np.ndarray) -> list[Part]:
    """The signals as far as they can be seen: from the first to the last bit that ever flipped.

    The sign of a signal whose sign bit never flipped cannot be seen; it then reads as unsigned.
    """
    alive = flipped(data).any(axis=0)
    found = []
    for spec in specs:
        bits = bits_of(spec)
        seen = [i for i, bit in enumerate(bits) if alive[bit]]
        if not seen:
            continue
        kind = {"Alive": "counter", "Checksum": "checksum"}.get(spec.name, "number")
        signed = spec.signed and seen[-1] == len(bits) - 1 and not spec.labels
        found.append(Part(bits[seen[0] : seen[-1] + 1], signed, kind, spec.name))
    return found


def read_plain(data: np.ndarray) -> list[Part]:
    """READ as published: big endian, unsigned, by magnitudes of bit-flip rates.

    Marchetti and Stabili, DOI 10.1109/TIFS.2018.2870826, algorithms 1 and 2 (from memory): the
    magnitude of a bit is the decimal logarithm of its flip rate, rounded up; going from the first
    bit of the frame on, a field ends where the magnitude falls. A field whose last bit always
    flips and whose others halve is a counter; one of magnitude 0 whose rates lie around a half
    is a checksum.
    """
    rate = flipped(data).mean(axis=0).reshape(-1, 8)[:, ::-1].ravel()  # in reading order
    places = np.arange(len(rate)).reshape(-1, 8)[:, ::-1].ravel()
    with np.errstate(divide="ignore"):
        magnitude = np.ceil(np.log10(rate))
    found, run = [], []
    for i in range(len(rate) + 1):
        ends = i == len(rate) or rate[i] == 0 or (run and magnitude[i] < magnitude[i - 1])
        if ends and run:
            found.append(_labelled(rate[run], places[run]))
            run = []
        if i < len(rate) and rate[i] > 0:
            run.append(i)
    return found


def _labelled(rate: np.ndarray, places: np.ndarray) -> Part:
    bits = tuple(int(p) for p in places[::-1])
    kind = "number"
    halves = rate[:-1] / rate[1:]
    if len(rate) > 1 and rate[-1] > 0.98 and np.all(np.abs(halves - 0.5) < 0.05):
        kind = "counter"
    elif len(rate) >= 8 and np.all(rate > 0.1) and abs(rate.mean() - 0.5) < 0.05:
        kind = "checksum"
    return Part(bits, False, kind)


@dataclass
class Score:
    """Counts over messages."""

    hit: int = 0
    found: int = 0
    true: int = 0
    signs: int = 0
    signs_right: int = 0
    special_hit: int = 0
    special_found: int = 0
    special_true: int = 0

    def add(self, truth: list[Part], found: list[Part], missed: StringIO | None = None, label=""):
        """Count one message."""
        ends = set().union(*(p.ends for p in truth)) if truth else set()
        mine = set().union(*(p.ends for p in found)) if found else set()
        self.hit += len(ends & mine)
        self.true += len(ends)
        self.found += len(mine)
        by_bits = {p.bits: p for p in found}
        for part in truth:
            other = by_bits.get(part.bits)
            if other is None and missed is not None:
                around = [p.bits for p in found if set(p.bits) & set(part.bits)]
                missed.write(f"{label} {part.name} {part.bits}: {around}\n")
            if part.kind != "number":
                self.special_true += 1
                self.special_hit += other is not None and other.kind == part.kind
            elif other is not None and len(part.bits) > 3:
                self.signs += 1
                self.signs_right += other.signed == part.signed
        self.special_found += sum(p.kind in ("counter", "checksum") for p in found)

    @property
    def boundaries(self):
        """F1 of field boundaries."""
        return 2 * self.hit / max(self.true + self.found, 1)

    @property
    def sign(self):
        """Share of signs that are right, over fields of more than 3 bits found whole."""
        return self.signs_right / max(self.signs, 1)

    @property
    def special(self):
        """F1 of counters and checksums."""
        return 2 * self.special_hit / max(self.special_true + self.special_found, 1)
