"""Rule ``temperature-rise``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.outcome import Doubt, Margins, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import CardStep, Rule, limit
from canscope.model.signals import NEVER
from canscope.rules import RULES
from canscope.rules.heat._sensors import (
    WATCH_S,
    Heat,
    Thermometer,
    Watch,
    begin,
    closing,
    follow,
    heat_subjects,
    thermometers,
)


@RULES.add("temperature-rise")
@dataclass(frozen=True, kw_only=True)
class TemperatureRise(Rule):
    """While coolant or oil is empty, no part gets much warmer than before the first burst.

    Judged
        For each temperature of each unit, on every sample from its first burst until ``watch_s``
        after its last one, against its last fresh value before the first burst.
    Margin
        ``limit_K`` minus the rise, in K. Both readings carry the sensor's uncertainty.
    Unproven
        The unit never turned, or the recording ended less than ``watch_s`` after its last burst
        (not-exercised); there was no fresh value before the first burst, or the sensor fell silent
        or had no value while watched (stale, not-available, out-of-range); it gave no proof
        that it lives, or something speaks against it (sensor-suspect, see sensor-alive).
    """

    limit_K: float = limit(10.0, "K", high=60.0, looser="higher")
    watch_s: float = limit(
        WATCH_S, "s", low=30.0, high=600.0, note="after the last burst", looser="lower"
    )

    unit: ClassVar[str] = "K"
    required_in: ClassVar[frozenset[str]] = frozenset({"unit-alone", "dry-spin"})
    absent_in: ClassVar[frozenset[str]] = frozenset({"power-up", "wet-spin", "rolling"})
    limit_parameter: ClassVar[str] = "limit_K"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.SPIN, CardStep.WATCH_HEAT})
    says: ClassVar[dict[str, str]] = {
        "pass": "the temperature rose little over its {base_degC:.1f} degC before the first burst",
        "fail": "the temperature rose too far over its {base_degC:.1f} degC before the first burst",
    }
    exercise: ClassVar[str] = (
        "record for some seconds before the first spin and for 60 s after the last stop"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "the bursts were too long, too many or too close together for a dry unit",
        "a bearing or gear runs without oil and binds",
        "the position sensor is out of adjustment, so that current makes heat instead of torque",
    )
    next: ClassVar[str] = "let it cool to ambient, then repeat with one short burst"

    def applies(self, bench: Bench) -> bool:
        """Only while something is empty."""
        return super().applies(bench) and bench.dry

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every temperature of every unit."""
        return heat_subjects(bench, speed=True)

    def start(self, bench: Bench) -> Heat:
        return begin(bench)

    def fold(self, state: Heat, piece: Piece) -> tuple[Heat, Sequence[Outcome]]:
        """Judge the new samples of every temperature that is being watched."""
        after, watches = follow(state, piece, self.watch_s)
        return after, [
            self._rise(
                piece, thermometer, watches[thermometer.unit], after.base[thermometer.subject]
            )
            for thermometer in thermometers(piece.bench)
            if thermometer.subject in after.base and len(piece[thermometer.role])
        ]

    def _rise(self, piece: Piece, thermometer: Thermometer, watch: Watch, base: float) -> Margins:
        samples = piece[thermometer.role]
        rise = np.where(watch.on(samples.time_ns), samples.value - base, np.nan)
        return margins(
            thermometer.subject,
            samples.time_ns,
            self.limit_K - rise,
            measured=rise,
            limit=self.limit_K,
            uncertainty=2 * piece.bench.u(thermometer.role),
            base_degC=base,
        )

    def close(self, state: Heat, piece: Piece) -> Sequence[Outcome]:
        """Whether heat was watched for long enough, by a sensor that can be believed."""
        unknown = [
            Doubt(thermometer.subject, "stale", "no fresh value before the first burst")
            for thermometer in thermometers(piece.bench)
            if np.isnan(state.base.get(thermometer.subject, np.nan))
            and state.until_ns[thermometer.unit] != NEVER
        ]
        return unknown + closing(state, piece, self.watch_s, idle_counts=False)
