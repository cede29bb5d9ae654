"""Rule ``unit-fault``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar, cast

import numpy as np

from canscope.model.bench import Bench, Binding
from canscope.model.findings import Verdict
from canscope.model.outcome import Outcome, Subject, deciding_rows, margins
from canscope.model.piece import Piece
from canscope.model.rule import Rule, Worst
from canscope.model.signals import NOT_AVAILABLE
from canscope.rules import RULES


@RULES.add("unit-fault")
@dataclass(frozen=True, kw_only=True)
class UnitFault(Rule):
    """No unit reports a fault of its own.

    Judged
        For each unit with a fault signal, at every sample: its raw code is one of those that are
        no fault, listed where the plan binds the signal:
        ``fault = { signal = "can1:UnitSlow.Fault", ok = [0] }``.
    Margin
        0 for a code of the list, -1 for any other.
    Unproven
        The plan lists no ``ok`` codes (no-limit); the code said that there is no value
        (not-available); the signal never came (not-seen).
    """

    stops: ClassVar[bool] = True
    limit_source: ClassVar[str] = "plan"
    says: ClassVar[dict[str, str]] = {
        "pass": "the unit reported no fault of its own; code",
        "fail": "the unit reported a fault of its own{label}; code",
    }
    exercise: ClassVar[str] = "list the codes that are no fault in the plan, and power the unit"
    causes: ClassVar[tuple[str, ...]] = (
        "what the code says: read it in the unit's own documentation",
        "an input that the unit expects is missing: interlock, wake-up, a message from the vehicle",
        "the code is no fault and missing from the plan's ok list",
    )
    next: ClassVar[str] = "stop, look the code up, and look what happened just before it"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every unit with a fault signal."""
        return [
            Subject(name, needs=(role,), no_limit=_missing(bench.bindings[role]))
            for name, role in _roles(bench).items()
        ]

    def start(self, bench: Bench) -> Mapping[str, str]:
        """The fault roles by unit."""
        return _roles(bench)

    def fold(
        self, state: Mapping[str, str], piece: Piece
    ) -> tuple[Mapping[str, str], Sequence[Outcome]]:
        """Judge the new codes of every unit."""
        found: list[Outcome] = []
        for name, role in state.items():
            binding = piece.bench.bindings[role]
            samples = piece[role]
            samples = samples[samples.status != NOT_AVAILABLE]
            if _missing(binding) or not len(samples):
                continue
            allowed = np.array(cast("tuple[int, ...]", binding.options["ok"]), np.int64)
            margin = np.where(np.isin(samples.raw, allowed), 0.0, -1.0)
            rows = deciding_rows(margin)
            raw = samples.raw[rows]
            labels = [binding.signal.labels.get(code, "") for code in raw.tolist()]
            found.append(
                margins(
                    name,
                    samples.time_ns[rows],
                    margin[rows],
                    measured=raw,
                    limit=np.nan,
                    label=np.array([f" ({text})" if text else "" for text in labels]),
                )
            )
        return state, found

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """The clause with the definition's name of the code."""
        return self.says.get(str(verdict), "").format(label=worst.facts.get("label", ""))


def _roles(bench: Bench) -> dict[str, str]:
    roles = {unit.name: unit.role("fault") for unit in bench.units}
    return {name: role for name, role in roles.items() if bench.has(role)}


def _missing(binding: Binding) -> str:
    return "" if binding.options.get("ok") else "the fault signal has no ok list in the plan"
