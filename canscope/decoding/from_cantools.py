"""A message as cantools describes it -> MessageSpec and SignalSpec, on channel ``*``."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from canscope.decoding.bits import FLOATS, LONGEST, first_bit_of
from canscope.decoding.columns import EVERY
from canscope.decoding.layout import Path, overlaps, unreachable
from canscope.model.definition import MessageSpec, Problem, SignalSpec

APART = "correct start bit, length or byte order of one of them, or multiplex them"
CHOOSE = "mark the multiplexer with M, or add SG_MUL_VAL_ lines if there are several"
INSIDE = "correct the signal's place or byte order, or the length of the message"


@dataclass(frozen=True)
class Facts:
    """What is known of a message besides what cantools says."""

    cycle_ms: Any
    j1939: bool
    long_name: Callable[[str], str]  # of one of its signals, empty if it has none
    line: Callable[[str], int | None]  # of one of its signals
    name: str
    message_line: int | None = None
    inferred: Callable[[str], str] = lambda _: ""  # what a survey says of one of its signals
    lost: frozenset[str] = frozenset()  # signals that are known already not to be usable


def compiled(message: Any, facts: Facts, file: str) -> tuple[MessageSpec, list[Problem]]:
    """The compiled message, and what is wrong with it."""
    j1939 = facts.j1939 and bool(message.is_extended_frame)
    problems: list[Problem] = []
    names = {str(s.name): facts.long_name(str(s.name)) or str(s.name) for s in message.signals}
    lines = {long: facts.line(short) for short, long in names.items()}

    def lose(signal: str, what: str, hint: str) -> None:
        text = f"signal {signal!r} of message {facts.name!r} {what}"
        problems.append(Problem("unusable", text, hint, lines.get(signal), facts.name, signal))

    specs = []
    for signal in message.signals:
        name = names[str(signal.name)]
        if str(signal.name) in facts.lost:
            continue
        path = _path(message, signal, names)
        if path is None:
            lose(name, "is selected by a multiplexer that is not there", CHOOSE)
        elif problem := _problem(signal, message):
            lose(name, *problem)
        else:
            specs.append(_signal(signal, facts.name, name, path, facts.inferred(str(signal.name))))
    kept, twice = _named_once(specs)
    for name, count in twice.items():
        lose(name, f"is defined {count} times, differently", "give each a name of its own")
    for name, other in overlaps(kept).items():
        lose(name, f"overlaps {other!r}", APART)
    lost = {problem.signal for problem in problems}
    kept = [spec for spec in kept if spec.name not in lost]
    while selected := unreachable(kept):
        for name, selector in selected.items():
            lose(name, f"is selected by {selector!r}, which is not decoded", "correct that one")
        kept = [spec for spec in kept if spec.name not in selected]

    def doubt(what: str, hint: str = "", signal: str = "") -> None:
        line = lines.get(signal, facts.message_line)
        problems.append(Problem("doubt", what, hint, line))

    if message.is_container:
        doubt(f"message {facts.name} is a container: what it holds is not decoded")
    if j1939 and message.length > 8:
        doubt(
            f"message {facts.name} has {message.length} bytes: a parameter group sent in several "
            "packets is not put together again, it counts as not seen"
        )
    for spec in kept:
        if spec.factor == 0:
            what = f"signal {facts.name}.{spec.name} has factor 0: its value is always "
            doubt(f"{what}{spec.offset:g}", "correct the factor", spec.name)
    made = MessageSpec(
        channel=EVERY,
        name=facts.name,
        can_id=int(message.frame_id),
        extended=bool(message.is_extended_frame),
        length=int(message.length),
        signals=tuple(kept),
        cycle_ns=_cycle_ns(facts.cycle_ms),
        j1939=j1939,
        file=file,
    )
    return made, problems


def _named_once(signals: list[SignalSpec]) -> tuple[list[SignalSpec], dict[str, int]]:
    """Signals without double names, and how often each double one is there.

    The same field under several values of its multiplexer is one signal. Different ones of one
    name cannot be told apart by it, so none of them is decoded.
    """
    by_name: dict[str, list[SignalSpec]] = {}
    for spec in signals:
        by_name.setdefault(spec.name, []).append(spec)
    merged = {name: _merged(specs) for name, specs in by_name.items()}
    kept = [spec for spec in merged.values() if spec is not None]
    return kept, {name: len(by_name[name]) for name, spec in merged.items() if spec is None}


def _merged(specs: list[SignalSpec]) -> SignalSpec | None:
    """One signal for several of a name, None if they differ in more than what selects them."""
    if len(specs) == 1:
        return specs[0]
    values = {value for spec in specs for _, chosen in spec.multiplexer[-1:] for value in chosen}
    alike = [
        replace(spec, multiplexer=(*spec.multiplexer[:-1], (name, tuple(sorted(values)))))
        for spec in specs
        for name, _ in spec.multiplexer[-1:]
    ]
    same = len(alike) == len(specs) and all(spec == alike[0] for spec in alike)
    return alike[0] if same else None


def _problem(signal: Any, message: Any) -> tuple[str, str] | None:
    """Why a signal cannot be decoded, and what to do."""
    if signal.is_float and signal.length not in FLOATS:
        return f"is a float of {signal.length} bits, which no standard defines", "correct its type"
    if signal.length > LONGEST:
        return f"is longer than {LONGEST} bits", "split it"
    big = signal.byte_order == "big_endian"
    end = first_bit_of(int(signal.start), big_endian=big) + int(signal.length)
    if end > 8 * message.length and not message.is_container:
        return f"reaches beyond the end of message {message.name!r}", INSIDE
    if not (math.isfinite(signal.scale) and math.isfinite(signal.offset)):
        return "has a number beyond all sense", "correct factor and offset"
    return None


def _signal(signal: Any, message: str, name: str, path: Path, inferred: str) -> SignalSpec:
    low, high = signal.minimum, signal.maximum
    ranged = low is None or high is None or low < high
    return SignalSpec(
        channel=EVERY,
        message=message,
        name=name,
        start_bit=int(signal.start),
        length_bits=int(signal.length),
        big_endian=signal.byte_order == "big_endian",
        signed=bool(signal.is_signed and not signal.is_float),
        is_float=bool(signal.is_float),
        factor=float(signal.scale),
        offset=float(signal.offset),
        minimum=float(low) if ranged and low is not None else None,
        maximum=float(high) if ranged and high is not None else None,
        unit=str(signal.unit or ""),
        labels={int(code): str(label) for code, label in (signal.choices or {}).items()},
        multiplexer=path,
        inferred=inferred,
    )


def _path(message: Any, signal: Any, names: Mapping[str, str]) -> Path | None:
    """The selectors of a signal, from the outermost to the nearest; None if one is missing."""
    path: list[tuple[str, tuple[int, ...]]] = []
    seen: set[str] = set()
    while signal.multiplexer_ids is not None and signal.multiplexer_signal is not None:
        selector = str(signal.multiplexer_signal)
        if selector in seen or selector not in names:
            return None
        seen.add(selector)
        path.append((names[selector], tuple(sorted(int(v) for v in signal.multiplexer_ids))))
        signal = message.get_signal_by_name(selector)
    return tuple(reversed(path))


def _cycle_ns(cycle_ms: Any) -> int | None:
    """GenMsgCycleTime and the like are milliseconds; 0 means that none is given."""
    return round(float(cycle_ms) * 1e6) if cycle_ms and float(cycle_ms) > 0 else None
