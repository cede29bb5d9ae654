"""Rule ``voltage-ceiling``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import SAFE_V, Bench
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import ALL_STAGES, CardStep, Rule
from canscope.model.signals import Samples
from canscope.model.tables import Floats
from canscope.rules import RULES
from canscope.rules.electrical._voltages import voltages
from canscope.trust.samples.range_ends import at_end_of_range

PACK = "pack.voltage"
SENSOR = 0.03  # by which a link's sensor may read more than the pack; common practice, no source
MISSING = "pack.maximum_voltage_V is not given in the plan"


@dataclass(frozen=True)
class Seen:
    """What is known of one voltage so far."""

    live: bool = False  # read as high voltage at least once
    clipped_ns: int | None = None  # at the upper end of its range, at or below the ceiling


@RULES.add("voltage-ceiling")
@dataclass(frozen=True, kw_only=True)
class VoltageCeiling(Rule):
    """Pack and links never read more than the pack's maximum voltage.

    Judged
        Every sample of the pack voltage and of each link, from the first frame to the last,
        whatever the contactors do, against ``pack.maximum_voltage_V``. One sample is enough: what
        stands above the maximum for a moment has stressed every capacitor and switch on the link.
    Margin
        The maximum minus the reading, in V. The uncertainty is the reading's own; of a link that
        reads up to 3 % above the maximum, while both main contactors connect it to a pack that
        reads no more than the maximum, it is what the link reads too much.
    Unproven
        The plan gives no ``maximum_voltage_V`` (no-limit); the voltage was never read as high
        voltage, above 60 V (not-exercised); it stood at the upper end of its range, below the
        maximum, so that the true one may be larger (sensor-suspect).
    """

    unit: ClassVar[str] = "V"
    required_in: ClassVar[frozenset[str]] = ALL_STAGES
    stops: ClassVar[bool] = True
    limit_source: ClassVar[str] = "plan"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.POWER_UP, CardStep.SPIN})
    says: ClassVar[dict[str, str]] = {
        "pass": "no reading was above the pack's maximum voltage, highest",
        "fail": "it read more than the pack's maximum voltage",
        "close": "it read about as much as the pack's maximum voltage",
    }
    exercise: ClassVar[str] = (
        "give the plan pack.maximum_voltage_V, close the contactors, and record all of it"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "braking fed back into a pack that was full, or that had just been disconnected",
        "a charger is set too high or was connected to the wrong pack",
        "the voltage signal has a wrong factor or offset in the definition",
        "pack.maximum_voltage_V in the plan is another pack's",
    )
    next: ClassVar[str] = (
        "compare pack and links at that instant: if only one is high, it is that sensor; "
        "a qualified person measures with a rated instrument"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The pack, and each link; a unit alone on a bench supply has no pack on the bus."""
        roles = {f"{unit.name} link": unit.role("link_voltage") for unit in bench.units}
        alone = bench.stage == "unit-alone" and bench.has(*roles.values()) and bool(roles)
        if not alone or bench.has("pack.voltage"):
            roles = {"pack": "pack.voltage"} | roles
        missing = MISSING if bench.maximum_voltage_V is None else ""
        return [Subject(name, (role,), no_limit=missing) for name, role in roles.items()]

    def start(self, bench: Bench) -> Mapping[str, Seen]:
        return {name: Seen() for name in voltages(bench)}

    def fold(
        self, state: Mapping[str, Seen], piece: Piece
    ) -> tuple[Mapping[str, Seen], Sequence[Outcome]]:
        """Judge the new samples of every voltage."""
        ceiling_V = piece.bench.maximum_voltage_V
        if ceiling_V is None:
            return state, ()
        after, found = dict(state), list[Outcome]()
        for name, role in voltages(piece.bench).items():
            samples, seen = piece[role], state[name]
            if not len(samples):
                continue
            if not seen.live and (samples.value >= min(SAFE_V, ceiling_V / 2)).any():
                seen = replace(seen, live=True)
            if seen.clipped_ns is None:
                ends = at_end_of_range(piece.bench.bindings[role], samples)
                ends &= (samples.value > 0) & (samples.value <= ceiling_V)
                if ends.any():
                    seen = replace(seen, clipped_ns=int(samples.time_ns[ends][0]))
            after[name] = seen
            found.append(
                margins(
                    name,
                    samples.time_ns,
                    ceiling_V - samples.value,
                    measured=samples.value,
                    limit=ceiling_V,
                    uncertainty=_uncertainty_V(piece, role, samples, ceiling_V),
                )
            )
        return after, found

    def close(self, state: Mapping[str, Seen], piece: Piece) -> Sequence[Outcome]:
        """What keeps the run from being proof."""
        found: list[Outcome] = []
        for name, seen in state.items():
            if seen.clipped_ns is not None:
                text = "the voltage stood at the upper end of its range; the true one may be larger"
                found.append(Doubt(name, "sensor-suspect", text, seen.clipped_ns))
            if not seen.live:
                text = f"it was never read as high voltage, above {SAFE_V:g} V"
                found.append(Doubt(name, "not-exercised", text))
        return found


def _uncertainty_V(piece: Piece, role: str, samples: Samples, ceiling_V: float) -> Floats:
    """Of each reading; a link's gain may lift one of a full pack over the maximum."""
    u_V = np.full(len(samples), piece.bench.u(role))
    over_V = samples.value - ceiling_V
    near = (over_V > 0) & (over_V <= SENSOR * ceiling_V)
    if role == PACK or not piece.bench.has(PACK) or not near.any():
        return u_V
    near &= piece.at("@closed", samples.time_ns).value == 1
    near &= piece.at(PACK, samples.time_ns).value <= ceiling_V
    return np.where(near, np.maximum(u_V, over_V), u_V)
