"""Why a role has no value at an instant.

The reasons are those of an unproven finding: ``stale`` (nothing fresh came), ``not-available`` (the
node said that it has none, or sent a code that means nothing) or ``out-of-range`` (it lay outside
the range that the definition declares).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.bench import Binding
from canscope.model.definition import SignalSpec
from canscope.model.history import History
from canscope.model.outcome import Doubt
from canscope.model.piece import Past
from canscope.model.signals import NOT_AVAILABLE, OUT_OF_RANGE, Samples

REASON_OF_STATUS = {OUT_OF_RANGE: "out-of-range", NOT_AVAILABLE: "not-available"}
BESIDE = 4  # raw steps between two neighbouring values; common practice, no source


@dataclass(frozen=True)
class Absence:
    """Since when something was absent that mattered, in words, and as a code where it has one."""

    at_ns: int
    text: str
    code: str = ""

    def doubt(self, subject: str, reason: str, key: str) -> Doubt:
        """What lowers a pass that rests on the signal ``key``."""
        return Doubt(subject, reason, f"{key} {self.text}", self.at_ns, code=self.code)


def told_absent(reason: str, raw: int, last: int | None, spec: SignalSpec) -> tuple[str, str]:
    """What a raw value that gives none says, in words and as a code; ``last`` is the one before it.

    A code that nobody's labels call "no value", beside what was read just before or within the
    declared range, may be a value that the plan takes away.
    """
    if reason != "not-available":
        return f"read the raw value {raw}", ""
    value = raw * spec.factor + spec.offset
    beside = last is not None and 0 < abs(raw - last) <= BESIDE
    least, most = spec.minimum, spec.maximum
    inside = least is not None and most is not None and least < value < most
    if raw in spec.absent.codes and raw not in spec.labels and (beside or inside):
        text = f"read {raw}, which the plan calls no value and which else is "
        return text + f"{value:.4g} {spec.unit}".rstrip(), "declared-code"
    return f"read {raw}, which means no value", ""


def absence_in(history: History, binding: Binding, reason: str, sample: Samples) -> Absence:
    """What one sample without a value says; ``history`` holds it and the one before it."""
    at_ns = int(sample.time_ns[0])
    earlier = history.samples(binding.role).between(0, at_ns).raw
    last = int(earlier[-1]) if len(earlier) else None
    return Absence(at_ns, *told_absent(reason, int(sample.raw[0]), last, binding.signal))


def absence_at(past: Past, role: str, time_ns: int) -> str:
    """The reason why ``past.at(role, time_ns)`` has no value; ``stale`` also where it has one."""
    last = past.last(role, time_ns)
    if not len(last) or not np.isnan(last.value[0]) or past.at(role, time_ns).stale[0]:
        return "stale"
    return REASON_OF_STATUS.get(int(last.status[0]), "not-available")
