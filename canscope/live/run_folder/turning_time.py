"""How long each unit has turned, counted from its speed as it comes in."""

from __future__ import annotations

from canscope.events.turning import Turning
from canscope.judge.role_samples import samples_of
from canscope.model.bench import Bench
from canscope.model.events import Event
from canscope.model.signals import Signals


class TurningTime:
    """Counts how long each unit turns, coasting included, as ``dry-exposure`` counts it."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._turning = {unit.name: Turning(unit.name) for unit in bench.units}
        self._done_ns = dict.fromkeys(self._turning, 0)
        self._until_ns = self._segment = 0

    def feed(self, signals: Signals, until_ns: int) -> None:
        """Count one piece, which ends at ``until_ns``."""
        if signals.frames.segment != self._segment:
            self._segment = signals.frames.segment
            self._split()
        self._until_ns = until_ns
        for name, turning in self._turning.items():
            binding = self._bench.bindings.get(f"units.{name}.speed")
            if binding is not None and binding.key in signals.series:
                speed = samples_of(binding, signals.series[binding.key])
                began = turning.start
                for event in turning.feed(speed, until_ns)[0]:
                    began = self._count(name, event, began)

    def _count(self, name: str, event: Event, began: Event | None) -> Event | None:
        if event.kind == "burst-start":
            return event
        if began is not None:
            self._done_ns[name] += event.time_ns - began.time_ns
        return None

    def _split(self) -> None:
        """Close the open bursts where the clock stepped: no time is counted across a step."""
        for name, turning in self._turning.items():
            if turning.start is not None:
                self._done_ns[name] += self._until_ns - turning.start.time_ns
            self._turning[name] = Turning(name)

    @property
    def turning(self) -> tuple[str, ...]:
        """The units that turn now."""
        return tuple(name for name, turning in self._turning.items() if turning.on)

    def burst_s(self, name: str) -> float:
        """Length so far of the burst that a unit is in; 0 outside a burst."""
        turning = self._turning[name]
        if turning.start is None or not turning.on:
            return 0.0
        return (self._until_ns - turning.start.time_ns) / 1e9

    def total_s(self, name: str) -> float:
        """Total turning time of a unit."""
        turning, open_ns = self._turning[name], 0
        if turning.start is not None:
            open_ns = self._until_ns - turning.start.time_ns
        return (self._done_ns[name] + open_ns) / 1e9

    def totals_s(self) -> dict[str, float]:
        """Total turning time by unit."""
        return {name: self.total_s(name) for name in self._turning}
