"""The latest values of every role during a run: which units turn, what is stale, how hot it is."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass

import numpy as np

from canscope.judge.role_samples import samples_of
from canscope.live.run_folder.turning_time import TurningTime
from canscope.live.watching.traces import Traces
from canscope.model.bench import Kind
from canscope.model.history import History
from canscope.model.signals import Samples, Signals
from canscope.plan.plan import Plan
from canscope.trust.samples.range_ends import at_cold_rail
from canscope.trust.samples.staleness import stale_after_ns

KEEP_NS = 30_000_000_000  # of history
SLOPE_NS = 10_000_000_000  # over which the shown slope of a temperature is fitted
STALE_FLOOR_NS = 100_000_000  # no shorter silence raises a stop: common practice, no source
HEAT = ".temperatures."
CURVES = ("voltage", "current", "speed", "link_voltage")  # of these, and of heat, there are curves
DRIVEN = ("driver.direction", "driver.brake", "pack.voltage", "pack.current")


@dataclass(frozen=True)
class ShownTemperature:
    """One temperature as shown."""

    role: str
    value_degC: float
    slope_K_s: float | None
    ceiling_degC: float | None
    to_ceiling_s: float | None  # at the present slope


class Latest:
    """The latest values of a plan's roles. Not for two threads at a time."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._history = History({r: b.cycle_ns for r, b in plan.bench.bindings.items()})
        self.turning_time = TurningTime(plan.bench)
        self.traces = Traces(
            role
            for role, binding in plan.bench.bindings.items()
            if binding.kind is Kind.NUMBER and (role.split(".")[-1] in CURVES or HEAT in role)
        )

    def feed(self, signals: Signals, until_ns: int) -> None:
        """Take in one piece, which ends at ``until_ns``."""
        for role, binding in self._plan.bench.bindings.items():
            series = signals.series.get(binding.key)
            if series is not None and len(series.time_ns):
                samples = samples_of(binding, series)
                self._history.append(role, samples)
                self.traces.feed(role, samples)
        self.turning_time.feed(signals, until_ns)
        self._history.forget(until_ns - KEEP_NS)

    @property
    def engaged(self) -> bool:
        """Whether a main contactor is closed or a unit turns."""
        poles = ("contactors.negative", "contactors.positive")
        return bool(self.turning_time.turning) or any(self._last(role) == 1 for role in poles)

    def _last(self, role: str) -> float | None:
        samples = self._history.samples(role)
        known = samples.value[~np.isnan(samples.value)]
        return float(known[-1]) if len(known) else None

    def stale(self, now_ns: int) -> dict[str, int | None]:
        """Stale roles and their age in ns, None if a role was never heard.

        Stale is what it is offline, but no silence shorter than ``STALE_FLOOR_NS`` counts.
        """
        found: dict[str, int | None] = {}
        for role in self._plan.bench.bindings:
            samples = self._history.samples(role)
            if not len(samples):
                found[role] = None
                continue
            last_ns = int(samples.time_ns[-1])
            if now_ns > max(stale_after_ns(self._history, role, last_ns), last_ns + STALE_FLOOR_NS):
                found[role] = now_ns - last_ns
        return found

    def suspect(self, role: str) -> bool:
        """Whether its latest value is absent, or a temperature at the cold rail."""
        last = self._history.samples(role).value[-1:]
        railed = at_cold_rail(last) if HEAT in role else False
        return bool((np.isnan(last) | railed).any())

    def ages_s(self, now_ns: int) -> dict[str, float | None]:
        """Seconds since the last sample of every role; None: it was never heard."""
        found: dict[str, float | None] = {}
        for role in self._plan.bench.bindings:
            last_ns = self._history.samples(role).time_ns[-1:]
            found[role] = max(0.0, (now_ns - int(last_ns[0])) / 1e9) if len(last_ns) else None
        return found

    def values(self, stale: Container[str]) -> dict[str, float | None]:
        """The latest value of each role of ``DRIVEN`` and of each unit's speed, of those bound.

        None where it is stale, was never heard or cannot be believed.
        """
        bench = self._plan.bench
        roles = (*DRIVEN, *(unit.role("speed") for unit in bench.units))
        return {
            role: None if role in stale or self.suspect(role) else self._last(role)
            for role in roles
            if role in bench.bindings
        }

    def dry_left(self) -> list[tuple[str, float | None, float | None]]:
        """For each unit: seconds left of this burst and of all bursts; None: no limit."""
        if not self._plan.bench.dry:
            return []
        rule = self._plan.rules.get("dry-exposure")
        burst_s, total_s = getattr(rule, "burst_s", None), getattr(rule, "total_s", None)
        earlier = self._plan.bench.turned_dry_s or {}
        rows = []
        for name in (unit.name for unit in self._plan.bench.units):
            used = earlier.get(name, 0.0) + self.turning_time.total_s(name)
            burst = None if burst_s is None else burst_s - self.turning_time.burst_s(name)
            rows.append((name, burst, None if total_s is None else total_s - used))
        return rows

    def temperatures(self) -> list[ShownTemperature]:
        """All temperatures that have been heard."""
        bench, rows = self._plan.bench, []
        for unit in bench.units:
            for word, role in unit.temperature_roles().items():
                samples = self._history.samples(role)
                known = samples[~np.isnan(samples.value)]
                if len(known):
                    rows.append(_shown(role, known, bench.ceilings_degC.get(word)))
        return rows


def _shown(role: str, known: Samples, ceiling: float | None) -> ShownTemperature:
    """The last value, the fitted slope, and the time to the ceiling at that slope."""
    value = float(known.value[-1])
    recent = known.between(int(known.time_ns[-1]) - SLOPE_NS, int(known.time_ns[-1]) + 1)
    seconds = (recent.time_ns - recent.time_ns[0]) / 1e9
    if len(recent) < 5 or seconds[-1] < 2.0:
        return ShownTemperature(role, value, None, ceiling, None)
    centred = seconds - seconds.mean()
    slope = float(centred @ recent.value / (centred @ centred))
    left = None
    if ceiling is not None and slope > 0.02:
        left = max(0.0, (ceiling - value) / slope)
    return ShownTemperature(role, value, slope, ceiling, left)
