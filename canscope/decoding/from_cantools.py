"""A message as cantools describes it -> MessageSpec and SignalSpec, on channel ``*``."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from canscope.decoding.bits import FLOATS, LONGEST
from canscope.decoding.columns import EVERY
from canscope.model.definition import MessageSpec, SignalSpec


def compiled(message: Any, file: str) -> tuple[MessageSpec, list[str]]:
    """The compiled message, and warnings about it."""
    j1939 = message.protocol == "j1939" and message.is_extended_frame
    warnings, signals = [], []
    for signal in message.signals:
        problem = _problem(signal)
        if problem:
            warnings.append(f"signal {message.name}.{signal.name} {problem}")
        else:
            signals.append(_signal(message, signal))
    signals, twice = _named_once(signals)
    warnings += twice
    if message.is_container:
        warnings.append(f"message {message.name} is a container: what it holds is not decoded")
    if j1939 and message.length > 8:
        warnings.append(
            f"message {message.name} has {message.length} bytes: a parameter group sent in several "
            "packets is not put together again, it counts as not seen"
        )
    spec = MessageSpec(
        channel=EVERY,
        name=str(message.name),
        can_id=int(message.frame_id),
        extended=bool(message.is_extended_frame),
        length=int(message.length),
        signals=tuple(signals),
        cycle_ns=_cycle_ns(message.cycle_time),
        j1939=j1939,
        file=file,
    )
    return spec, warnings + _ambiguous(spec)


def _named_once(signals: list[SignalSpec]) -> tuple[list[SignalSpec], list[str]]:
    """Signals without double names, and warnings about those.

    The same field under several values of its multiplexer is one signal. Different ones of one
    name cannot be told apart by it, so none of them is decoded, nor what they would select.
    """
    by_name: dict[str, list[SignalSpec]] = {}
    for spec in signals:
        by_name.setdefault(spec.name, []).append(spec)
    merged = {name: _merged(specs) for name, specs in by_name.items()}
    kept = [spec for spec in merged.values() if spec is not None]
    warnings = [
        f"signal {signals[0].message}.{name} is defined {len(by_name[name])} times, differently: "
        "not decoded"
        for name, spec in merged.items()
        if spec is None
    ]
    for spec in kept:
        if lost := [name for name, _ in spec.multiplexer if merged.get(name) is None]:
            warnings.append(f"signal {spec.message}.{spec.name} is selected by {lost[0]}, which is "
                            "not decoded: nor is it")  # fmt: skip
    return [s for s in kept if all(merged.get(name) for name, _ in s.multiplexer)], warnings


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


def _problem(signal: Any) -> str:
    """Why a signal cannot be decoded; empty if it can."""
    if signal.is_float and signal.length not in FLOATS:
        return f"is a float of {signal.length} bits, which no standard defines: not decoded"
    if signal.length > LONGEST:
        return f"is longer than {LONGEST} bits: not decoded"
    return ""


def _ambiguous(spec: MessageSpec) -> list[str]:
    """Name what is defined but cannot mean anything."""
    return [
        f"signal {spec.name}.{signal.name} has factor 0: its value is always {signal.offset:g}"
        for signal in spec.signals
        if signal.factor == 0
    ]


def _signal(message: Any, signal: Any) -> SignalSpec:
    low, high = signal.minimum, signal.maximum
    ranged = low is None or high is None or low < high
    return SignalSpec(
        channel=EVERY,
        message=str(message.name),
        name=str(signal.name),
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
        multiplexer=_path(message, signal),
    )


def _path(message: Any, signal: Any) -> tuple[tuple[str, tuple[int, ...]], ...]:
    """The selectors of a signal, from the outermost to the nearest."""
    if signal.multiplexer_ids is None or signal.multiplexer_signal is None:
        return ()
    selector = message.get_signal_by_name(signal.multiplexer_signal)
    values = tuple(sorted(int(value) for value in signal.multiplexer_ids))
    return (*_path(message, selector), (str(selector.name), values))


def _cycle_ns(cycle_ms: Any) -> int | None:
    """GenMsgCycleTime and the like are milliseconds; 0 means that none is given."""
    return round(float(cycle_ms) * 1e6) if cycle_ms and float(cycle_ms) > 0 else None
