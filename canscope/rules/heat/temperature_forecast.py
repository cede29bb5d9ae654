"""Rule ``temperature-forecast``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.findings import Verdict
from canscope.model.outcome import Margins, Outcome, Subject, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import Rule, Worst, limit
from canscope.rules import RULES
from canscope.rules.heat._sensors import (
    WATCH_S,
    Heat,
    Thermometer,
    Watch,
    begin,
    follow,
    heat_subjects,
    thermometers,
    without_ceiling,
)
from canscope.rules.heat._slope import slope_doubts, watched_slopes


@RULES.add("temperature-forecast")
@dataclass(frozen=True, kw_only=True)
class TemperatureForecast(Rule):
    """No part of a drive unit is about to reach its ceiling at the rate at which it heats up.

    Judged
        For each temperature of each unit that has a ceiling, on every sample until ``watch_s``
        after its last burst: the temperature that it reaches ``horizon_s`` later at its present
        slope, the median slope between all pairs of readings of the last ``window_s`` (a falling
        one counts as none). It is a straight line, no proof of what comes: the sensor may lag
        behind the part.
    Margin
        The ceiling of ``temperature-ceiling`` for that word minus that temperature, in K. It is
        negative just where the time to the ceiling is below ``horizon_s``; that time is told. The
        uncertainty is the reading's own, and that of the slope (one step over the window) times
        the horizon.
    Unproven
        The plan gives no ceiling for that word (no-limit); the unit never turned, except in
        power-up, or the recording ended less than ``watch_s`` after its last burst
        (not-exercised); in that time the sensor fell silent or had no value (stale, not-available,
        out-of-range); it gave no proof that it lives, or something speaks
        against it (sensor-suspect, see sensor-alive).
    """

    horizon_s: float = limit(
        10.0, "s", low=1.0, high=600.0, note="to the ceiling, at least", looser="lower"
    )
    window_s: float = limit(5.0, "s", low=0.5, high=30.0, looser="higher")
    watch_s: float = limit(
        WATCH_S, "s", low=30.0, high=600.0, note="after the last burst", looser="lower"
    )

    unit: ClassVar[str] = "degC"
    stops: ClassVar[bool] = True
    limit_parameter: ClassVar[str] = "horizon_s"
    says: ClassVar[dict[str, str]] = {
        "pass": "it never came within {horizon_s:g} s of its ceiling; nearest forecast {how}",
        "fail": "less than {horizon_s:g} s to its ceiling at the present slope, forecast {how}",
        "close": "about {horizon_s:g} s to its ceiling at the present slope, forecast {how}",
    }
    spins: ClassVar[bool] = True
    at_rest: ClassVar[bool] = True
    exercise: ClassVar[str] = "spin the unit, and record for 60 s after the last stop"
    causes: ClassVar[tuple[str, ...]] = (
        "the unit works too hard, or for too long, for the coolant and oil that it has",
        "the position sensor is out of adjustment, so that current makes heat instead of torque",
        "a bearing or gear runs without oil and binds",
    )
    next: ClassVar[str] = "stop at once, keep recording, and watch how high it climbs by itself"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every temperature of every unit."""
        return heat_subjects(bench, without_ceiling(bench.ceilings_degC), speed=True)

    def start(self, bench: Bench) -> Heat:
        return begin(bench)

    def fold(self, state: Heat, piece: Piece) -> tuple[Heat, Sequence[Outcome]]:
        """Judge the forecast at each new sample of every temperature."""
        after, watches = follow(state, piece, self.watch_s)
        return after, [
            self._forecast(piece, thermometer, watches[thermometer.unit])
            for thermometer in thermometers(piece.bench)
            if thermometer.word in piece.bench.ceilings_degC and len(piece[thermometer.role])
        ]

    def close(self, state: Heat, piece: Piece) -> Sequence[Outcome]:
        """Whether heat was watched for long enough, by a sensor that can be believed."""
        return slope_doubts(state, piece, self.watch_s, self.window_s)

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """The clause with the slope and the time to the ceiling."""
        time_s = worst.facts["ceiling_in_s"]
        how = f"from {worst.facts['now_degC']:.1f} degC at {worst.facts['slope_K_per_s']:.2f} K/s"
        if math.isfinite(time_s):
            how += f", ceiling in {time_s:.1f} s"
        return super().clause(verdict, replace(worst, facts={**worst.facts, "how": how}))

    def _forecast(self, piece: Piece, thermometer: Thermometer, watch: Watch) -> Margins:
        times, slope = watched_slopes(piece, thermometer, watch, self.window_s)
        now = piece.at(thermometer.role, times).value
        ceiling = piece.bench.ceilings_degC[thermometer.word]
        rising = np.maximum(slope, 0.0)
        ahead = now + rising * self.horizon_s
        left_K = np.maximum(ceiling - now, 0.0)
        in_s = np.divide(left_K, rising, out=np.full(len(times), np.inf), where=rising > 0)
        u = piece.bench.u(thermometer.role)
        return margins(
            thermometer.subject,
            times,
            ceiling - ahead,
            measured=ahead,
            limit=ceiling,
            uncertainty=u + self.horizon_s * 2 * u / self.window_s,
            start_ns=times - round(self.window_s * S),
            end_ns=times,
            now_degC=now,
            slope_K_per_s=slope,
            ceiling_in_s=in_s,
            horizon_s=self.horizon_s,
        )
