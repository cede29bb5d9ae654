"""Rule ``temperature-rate``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from canscope.model.bench import Bench
from canscope.model.outcome import Margins, Outcome, Subject, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import CardStep, Rule, limit
from canscope.rules import RULES
from canscope.rules.heat._sensors import (
    HOT_STAGES,
    WATCH_S,
    Heat,
    Thermometer,
    Watch,
    begin,
    follow,
    heat_subjects,
    thermometers,
)
from canscope.rules.heat._slope import slope_doubts, watched_slopes


@RULES.add("temperature-rate")
@dataclass(frozen=True, kw_only=True)
class TemperatureRate(Rule):
    """No part of a drive unit heats up faster than heat can be noticed and the unit be stopped.

    Judged
        For each temperature of each unit, on every sample until ``watch_s`` after its last burst,
        and after that while nodes have to speak: the median slope between all pairs of readings of
        the last ``window_s``. Never over less than the whole window, so that one step of a coarse
        sensor does not read as a fast rise; not across a silence of more than three cycles.
    Margin
        ``limit_K_per_s`` minus the slope, in K/s; its uncertainty is one step of the reading (and
        twice the instrument's uncertainty, if given) over the window.
    Unproven
        The unit never turned, except in power-up, or the recording ended less than ``watch_s``
        after its last burst (not-exercised); in that time the sensor fell silent or had no value
        (stale, not-available, out-of-range); it gave no proof that it lives, or something speaks
        against it (sensor-suspect, see sensor-alive).
    """

    limit_K_per_s: float = limit(2.0, "K/s", high=20.0, looser="higher")
    window_s: float = limit(5.0, "s", low=0.5, high=30.0, looser="higher")
    watch_s: float = limit(
        WATCH_S, "s", low=30.0, high=600.0, note="after the last burst", looser="lower"
    )

    unit: ClassVar[str] = "K/s"
    required_in: ClassVar[frozenset[str]] = HOT_STAGES
    stops: ClassVar[bool] = True
    limit_parameter: ClassVar[str] = "limit_K_per_s"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.SPIN})
    says: ClassVar[dict[str, str]] = {
        "pass": "the temperature never rose fast",
        "fail": "the temperature rose too fast",
    }
    spins: ClassVar[bool] = True
    at_rest: ClassVar[bool] = True
    exercise: ClassVar[str] = "spin the unit, and record for 60 s after the last stop"
    causes: ClassVar[tuple[str, ...]] = (
        "the position sensor is out of adjustment, so that current makes heat instead of torque",
        "a bearing or gear runs without oil and binds",
        "coolant does not flow where this sensor sits",
    )
    next: ClassVar[str] = (
        "stop, let it cool, and look for the warm part with an infrared thermometer"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every temperature of every unit."""
        return heat_subjects(bench, speed=True)

    def start(self, bench: Bench) -> Heat:
        return begin(bench)

    def fold(self, state: Heat, piece: Piece) -> tuple[Heat, Sequence[Outcome]]:
        """Judge the slope at each new sample of every temperature."""
        after, watches = follow(state, piece, self.watch_s)
        return after, [
            self._rate(piece, thermometer, watches[thermometer.unit])
            for thermometer in thermometers(piece.bench)
            if len(piece[thermometer.role])
        ]

    def _rate(self, piece: Piece, thermometer: Thermometer, watch: Watch) -> Margins:
        times, slope = watched_slopes(piece, thermometer, watch, self.window_s, awake=True)
        return margins(
            thermometer.subject,
            times,
            self.limit_K_per_s - slope,
            measured=slope,
            limit=self.limit_K_per_s,
            uncertainty=2 * piece.bench.u(thermometer.role) / self.window_s,
            start_ns=times - round(self.window_s * S),
            end_ns=times,
        )

    def close(self, state: Heat, piece: Piece) -> Sequence[Outcome]:
        """Whether heat was watched for long enough, by a sensor that can be believed."""
        return slope_doubts(state, piece, self.watch_s, self.window_s)
