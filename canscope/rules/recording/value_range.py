"""Rule ``value-range``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench, Binding, Kind
from canscope.model.definition import SignalSpec
from canscope.model.outcome import Doubt, Outcome, Subject, deciding_rows, margins
from canscope.model.piece import Piece
from canscope.model.rule import Rule
from canscope.model.signals import NOT_AVAILABLE, OUT_OF_RANGE, Samples
from canscope.model.tables import Bools, Floats, Int64s
from canscope.rules import RULES
from canscope.rules.shared.waking import Woken, waking
from canscope.trust.samples.no_value_codes import largest, wrapped

# Bits of a floating-point signal -> (unsigned type that holds its raw code, its own type).
FLOATS = {
    16: (np.uint16, np.float16),
    32: (np.uint32, np.float32),
    64: (np.uint64, np.float64),
}
EXACT_BITS = 52  # of a code, which is exact as a float


@RULES.add("value-range")
@dataclass(frozen=True, kw_only=True)
class ValueRange(Rule):
    """Bound signals stay within the range that their definition declares.

    Judged
        For each bound number whose definition declares a range (smallest below largest), at every
        sample, by its decoded value. The ends belong to the range. What a node sends in the first
        second* after it woke, with all poles open, is not judged: it may not have measured yet.
    Margin
        The distance to the nearer end, in the role's unit; negative outside.
    Unproven
        The definition declares no range (no-limit); the node said that it had no value while it
        was awake (not-available); the signal never came (not-seen).
    """

    limit_source: ClassVar[str] = "the definition"
    says: ClassVar[dict[str, str]] = {
        "pass": "stayed within its declared range of {low:g} to {high:g} {unit}; nearest to an end",
        "fail": "left its declared range of {low:g} to {high:g} {unit}",
    }
    codes: ClassVar[tuple[str, ...]] = ("end-code",)
    exercise: ClassVar[str] = "record the signal with its node powered"
    causes: ClassVar[tuple[str, ...]] = (
        "the definition's factor, offset, sign or byte order is wrong",
        "a code that means an error or no value is not declared as such in the plan",
        "the sensor is broken or not connected",
    )
    next: ClassVar[str] = "look at the raw code there; if it means no value, set not_available"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every bound number, by its signal."""
        return [
            Subject(
                binding.key,
                needs=(role,),
                no_limit="" if _declared(binding.signal) else "the definition declares no range",
                unit=binding.unit,
            )
            for role, binding in bench.bindings.items()
            if binding.kind is Kind.NUMBER
        ]

    def start(self, bench: Bench) -> Mapping[str, Woken]:
        """When the node of each bound number woke."""
        roles = bench.bindings.items()
        return {role: Woken() for role, binding in roles if binding.kind is Kind.NUMBER}

    def fold(
        self, state: Mapping[str, Woken], piece: Piece
    ) -> tuple[Mapping[str, Woken], Sequence[Outcome]]:
        """Judge the new samples of every bound number."""
        found: list[Outcome] = []
        after = dict(state)
        for role in state:
            binding, samples = piece.bench.bindings[role], piece[role]
            if not len(samples):
                continue
            fresh, after[role] = waking(piece, role, samples.time_ns, state[role])
            sound = not samples.status.any()
            if fresh.any() and not sound:
                samples = samples[~(fresh & (samples.status != 0))]
                sound = not samples.status.any()
            absent = np.flatnonzero(samples.status == NOT_AVAILABLE) if not sound else ()
            if len(absent):
                awake = piece.at("@awake", samples.time_ns[absent]).value == 1
                if awake.any():
                    at_ns = int(samples.time_ns[absent[np.argmax(awake)]])
                    text = "the node said so while it was awake"
                    found.append(Doubt(binding.key, "not-available", text, at_ns))
            present = samples if sound else samples[samples.status != NOT_AVAILABLE]
            if _declared(binding.signal) and len(present):
                found.append(_judged(binding, present))
        return after, found


def _declared(spec: SignalSpec) -> bool:
    return spec.minimum is not None and spec.maximum is not None and spec.minimum < spec.maximum


def _judged(binding: Binding, samples: Samples) -> Outcome:
    spec = binding.signal
    assert spec.minimum is not None
    assert spec.maximum is not None
    if (outermost := _outermost(spec, spec.minimum, spec.maximum, samples)) is not None:
        samples = samples[outermost]
    value = _decoded(spec, samples.raw)
    inside = np.minimum(value - spec.minimum, spec.maximum - value)
    # Decoding has decided what is out of range; rounding must not contradict it.
    outside, past = samples.status == OUT_OF_RANGE, inside
    inside = np.maximum(inside, 0.0)
    if outside.any():
        inside = np.where(outside, np.minimum(past, -abs(spec.factor) * 1e-9), inside)
    rows = deciding_rows(inside)
    value = value[rows]
    nearer = np.where(value - spec.minimum < spec.maximum - value, spec.minimum, spec.maximum)
    ends = sorted(end * binding.factor + binding.offset for end in (spec.minimum, spec.maximum))
    return margins(
        binding.key,
        samples.time_ns[rows],
        inside[rows] * abs(binding.factor),
        measured=_in_role(binding, value),
        limit=_in_role(binding, nearer),
        low=ends[0],
        high=ends[1],
        code=np.where(_end_codes(spec, samples.raw[rows]), "end-code", ""),
        unit=binding.unit,
    )


def _end_codes(spec: SignalSpec, raw: Int64s) -> Bools:
    """Which codes are the first or last that the signal's bits can hold."""
    if spec.is_float:
        return np.zeros(len(raw), np.bool_)
    least = -(1 << spec.length_bits - 1) if spec.signed else 0
    return np.asarray((raw == wrapped(largest(spec))) | (raw == least))


def _outermost(spec: SignalSpec, minimum: float, maximum: float, samples: Samples) -> Int64s | None:
    """The first rows of the lowest and of the highest code, where surely one of them decides.

    None where something else may decide: what is out of range, and what rounding makes equal.
    """
    raw = samples.raw
    if spec.is_float or spec.length_bits > EXACT_BITS or not spec.factor or samples.status.any():
        return None
    rows = int(raw.argmin()), int(raw.argmax())
    low, high = int(raw[rows[0]]), int(raw[rows[1]])
    least, most, inward = (low, high, 1) if spec.factor > 0 else (high, low, -1)

    def value(code: int) -> float:
        return float(code) * spec.factor + spec.offset

    nearest = min(value(least) - minimum, maximum - value(most))
    if low < high:
        next_ones = value(least + inward) - minimum, maximum - value(most - inward)
        if min(next_ones) <= nearest:
            return None
    return np.array(sorted({*rows}), np.int64) if nearest > 0 else None


def _in_role(binding: Binding, value: Floats) -> Floats:
    return np.asarray(value * binding.factor + binding.offset)


def _decoded(spec: SignalSpec, raw: Int64s) -> Floats:
    """Values in the definition's unit from raw codes, the ones out of range too."""
    with np.errstate(invalid="ignore", over="ignore"):  # floats may hold infinity and NaN
        if spec.is_float:
            code, own = FLOATS[spec.length_bits]
            number = raw.astype(code).view(own).astype(np.float64)
        else:
            number = (raw if spec.signed else raw.view(np.uint64)).astype(np.float64)
        return np.asarray(number * spec.factor + spec.offset)
