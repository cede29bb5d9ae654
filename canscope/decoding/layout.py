"""Which signals of a message exclude each other: overlaps, and what a lost multiplexer selects."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import reduce
from operator import or_

from canscope.decoding.bits import first_bit
from canscope.model.definition import SignalSpec

Path = tuple[tuple[str, tuple[int, ...]], ...]
Member = tuple[Path, int, str]  # what still selects a signal, its bits, its name


def overlaps(signals: Sequence[SignalSpec]) -> dict[str, str]:
    """Signal -> one that lies on some of its bits in the same frame."""
    found: dict[str, str] = {}
    for one, other in _pairs([(s.multiplexer, bits_of(s), s.name) for s in signals]):
        found.setdefault(one, other)
    return found


def bits_of(spec: SignalSpec) -> int:
    """The bits of a payload that a signal occupies: bit 8 * byte + bit, as one number."""
    first, length = first_bit(spec), spec.length_bits
    if not spec.big_endian:
        return ((1 << length) - 1) << first
    return sum(1 << (at // 8 * 8 + 7 - at % 8) for at in range(first, first + length))


def _pairs(members: Sequence[Member]) -> Iterator[tuple[str, str]]:
    """(signal, one that it overlaps), for every signal that overlaps any."""
    always = [member for member in members if not member[0]]
    by_selector: dict[str, list[Member]] = {}
    for member in members:
        if member[0]:
            by_selector.setdefault(member[0][0][0], []).append(member)
    yield from _clashes([[member] for member in always])
    yield from _clashes([always, *by_selector.values()])
    for chosen in by_selector.values():
        by_value: dict[int, list[Member]] = {}
        for path, bits, name in chosen:
            for value in path[0][1]:
                by_value.setdefault(value, []).append((path[1:], bits, name))
        for together in by_value.values():
            if len(together) > 1:
                yield from _pairs(together)


def _clashes(groups: Sequence[Sequence[Member]]) -> Iterator[tuple[str, str]]:
    """Signals with a bit that another group has as well, each with one of that group."""
    once = twice = 0
    for group in groups:
        union = reduce(or_, (bits for _, bits, _ in group), 0)
        once, twice = once | union, twice | once & union
    if not twice:
        return
    holders: dict[int, dict[int, str]] = {}  # bit -> a signal of each of the first two groups
    clashing = []
    for number, group in enumerate(groups):
        for _, bits, name in group:
            if shared := bits & twice:
                bit = shared & -shared
                clashing.append((bit, number, name))
                while shared:
                    low = shared & -shared
                    shared ^= low
                    if len(holders.setdefault(low, {})) < 2:
                        holders[low].setdefault(number, name)
    for bit, number, name in clashing:
        yield from ((name, other) for at, other in holders[bit].items() if at != number)


def unreachable(signals: Sequence[SignalSpec]) -> dict[str, str]:
    """Signal -> the multiplexer on its path that is none of these signals."""
    known = {spec.name for spec in signals}
    return {
        spec.name: lost[0]
        for spec in signals
        if (lost := [name for name, _ in spec.multiplexer if name not in known])
    }
