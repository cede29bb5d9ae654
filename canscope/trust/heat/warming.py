"""Does a temperature sensor that followed one burst also follow the others?

A burst of a few seconds warms a unit by about as much as another one as long. A sensor that moved
by several raw steps after one burst and by none after another died between them, or came to life.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from canscope.model.bench import MAINS
from canscope.model.piece import Piece
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS

CLEARLY = 3.0  # raw steps that are expected before none is suspect; common practice, no source
FLICKERS = 8.0  # steps that are expected before a single one to and fro is; likewise
FAR = 10  # steps: a burst that moved it so far leaves it moving for long; likewise


@dataclass(frozen=True)
class Spell:
    """From one burst until the next one is known: how long the unit turned, what was read."""

    began_ns: int
    turned_s: float | None = None  # None: the unit still turns
    low: int | None = None  # raw codes
    high: int = 0

    @property
    def moved(self) -> int:
        """The range of its raw codes."""
        return 0 if self.low is None else self.high - self.low


@dataclass(frozen=True)
class Warming:
    """One sensor over the bursts of its unit."""

    now: Spell | None = None
    most: Spell | None = None  # the one that moved it furthest
    least: Spell | None = None  # the one that moved it least; of several the longest

    def went_far(self, step: int) -> bool:
        """Whether the last burst moved it by many steps; ``step``: raw codes of one step."""
        return self.now is not None and self.now.moved >= FAR * max(step, 1)

    def suspect(self, until_ns: int, step: int) -> Spell | None:
        """The spell in which it stood still, if another one as long moved it clearly.

        ``step``: raw codes of one step. One that goes to and fro by a step stands still as well.
        """
        ended = _ended(self, until_ns)
        most, least = ended.most, ended.least
        if most is None or least is None or not most.turned_s:
            return None
        expected = most.moved * min(1.0, (least.turned_s or 0.0) / most.turned_s)
        still = not least.moved and expected >= CLEARLY
        flickers = least.moved <= max(step, 1) and expected >= FLICKERS * max(step, 1)
        return least if still or flickers else None


def follow(warming: Warming, piece: Piece, unit: str, samples: Samples) -> Warming:
    """The sensor after a piece; ``samples`` are its believable ones of that piece."""
    if warming.now is None and not piece.events:
        return warming
    from_ns = piece.start_ns
    for event in piece.events:
        if event.subject != unit or event.kind not in ("burst-start", "burst-end"):
            continue
        warming = _seen(warming, samples.between(from_ns, event.known_ns))
        from_ns = max(from_ns, event.known_ns)
        if event.kind == "burst-start":
            warming = _ended(warming, event.time_ns)
            if _powered(piece, event.time_ns):
                warming = replace(warming, now=Spell(event.time_ns))
        elif warming.now is not None:
            turned_s = (event.time_ns - warming.now.began_ns) / SECOND_NS
            warming = replace(warming, now=replace(warming.now, turned_s=turned_s))
    return _seen(warming, samples.between(from_ns, piece.until_ns))


def _powered(piece: Piece, time_ns: int) -> bool:
    """Whether high voltage was on; a wheel turned by hand heats nothing."""
    poles = piece.bench.has(*(f"contactors.{pole}" for pole in MAINS))
    return not poles or bool(piece.at("@closed", time_ns).value[0] == 1)


def _seen(warming: Warming, samples: Samples) -> Warming:
    if warming.now is None or not len(samples):
        return warming
    low, high = int(samples.raw.min()), int(samples.raw.max())
    if warming.now.low is not None:
        low, high = min(low, warming.now.low), max(high, warming.now.high)
    return replace(warming, now=replace(warming.now, low=low, high=high))


def _ended(warming: Warming, until_ns: int) -> Warming:
    """The sensor as it stands if the present spell ends now."""
    spell = warming.now
    if spell is None or spell.low is None:
        return replace(warming, now=None)
    if spell.turned_s is None:
        spell = replace(spell, turned_s=(until_ns - spell.began_ns) / SECOND_NS)
    most, least = warming.most, warming.least
    if most is None or spell.moved > most.moved:
        most = spell
    way, turned_s = (least.moved, least.turned_s or 0.0) if least else (spell.moved + 1, 0.0)
    if spell.moved < way or (spell.moved == way and (spell.turned_s or 0.0) > turned_s):
        least = spell
    return Warming(None, most, least)
