"""Writes run.toml while a run goes on and at its end, and collects the events it lists."""

from __future__ import annotations

import threading
import traceback
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict

from canscope.live.adapters.address import EVERY
from canscope.live.adapters.kinds import stamp_uncertainty_ms
from canscope.live.recording.clock import TICKS, Clock, Spread
from canscope.live.recording.recorder_config import RecorderConfig
from canscope.live.run_folder.layout import BUG_FILE, RESERVE_FILE
from canscope.live.run_folder.run_file import write_run_file
from canscope.live.run_folder.run_file_schema import (
    REPLAYED,
    Bus,
    RunBus,
    RunClock,
    RunEnd,
    RunEvent,
    RunFile,
)

RESERVE_BYTES = 1 << 16  # kept free to write down that the disk is full
MOST_EVENTS = 1000


class RunFileWriter:
    """Keeps the events of a run and writes run.toml from all that the recorder knows.

    ``buses`` and ``spreads`` are the recorder's own and change while it records.
    """

    def __init__(
        self,
        config: RecorderConfig,
        clock: Clock,
        buses: Mapping[str, Bus],
        spreads: Mapping[str, Spread],
    ) -> None:
        self._config, self._clock = config, clock
        self._buses, self._spreads = buses, spreads
        self.events: list[RunEvent] = []
        self._changed, self._closed = threading.Event(), False
        self._thread = threading.Thread(target=self._write_changes, name="run file", daemon=True)
        self._thread.start()

    def event(self, what: str, bus: str | None = None) -> None:
        """Note what happened now."""
        if len(self.events) < MOST_EVENTS:
            self.events.append(RunEvent(self._clock.now_ns(), what, bus))

    def bug(self, where: str) -> None:
        """Note the exception that is being handled as a bug; its traceback is kept in a file."""
        self.event(f"{where}: a bug was met; see {BUG_FILE}")
        with (
            suppress(OSError),  # the disk itself may be what failed
            open(self._config.folder / BUG_FILE, "a", encoding="utf-8") as file,
        ):
            file.write(f"{where}\n{traceback.format_exc()}\n")

    def keep_reserve(self) -> None:
        """Occupy some room on the disk."""
        with suppress(OSError):  # the disk is full already; the first write will say so
            (self._config.folder / RESERVE_FILE).write_bytes(b"\0" * RESERVE_BYTES)

    def free_reserve(self) -> None:
        """Free that room for the last run.toml."""
        (self._config.folder / RESERVE_FILE).unlink(missing_ok=True)

    def write(self, end: RunEnd | None) -> None:
        """Write run.toml anew. Raises OSError."""
        write_run_file(self._config.folder, self.run_file(end))

    def write_soon(self) -> None:
        """Write it in a thread of its own: no frame waits for this file."""
        self._changed.set()

    def close(self) -> None:
        """End that thread; ``write`` still works."""
        self._closed = True
        self._changed.set()
        self._thread.join()

    def _write_changes(self) -> None:
        while True:
            self._changed.wait()
            self._changed.clear()
            if self._closed:
                return
            with suppress(OSError):  # writing the next frames will fail as well, and say so
                self.write(None)

    def run_file(self, end: RunEnd | None) -> RunFile:
        """What run.toml says now."""
        signed = {"not_silent": self._config.not_silent} if self._config.not_silent else {}
        return RunFile(
            run={**self._config.about, **signed},
            earlier=self._config.earlier,
            clock=self._run_clock(),
            buses={name: self._run_bus(name, bus) for name, bus in self.buses().items()},
            end=end,
            events=tuple(self.events),
        )

    def buses(self) -> dict[str, Bus]:
        """The buses by name; those of a replayed file instead of ``*`` once they are known."""
        buses = dict(self._buses)
        return {n: b for n, b in buses.items() if n != EVERY or len(buses) == 1}

    def _run_clock(self) -> RunClock:
        if self._config.replays:
            return RunClock(REPLAYED)
        return RunClock(
            kind=f"{TICKS} of this computer, set to its wall clock once at the start",
            anchor_ns=self._clock.anchor_ns,
            anchor_uncertainty_ms=round(self._clock.anchor_uncertainty_ns / 1e6, 6),
            stamps="a frame bears the time at which it was read from its adapter",
            uncertainty_ms=stamp_uncertainty_ms(self._config.addresses),
            uncertainty="stated for the adapters in use; late_by_at_most_ms of each bus is how "
            "long its frames really may have waited in this computer",
            wall_clock_apart_ms=round(self._clock.wall_apart_ns() / 1e6, 3),
        )

    def _run_bus(self, name: str, bus: Bus) -> RunBus:
        spread = self._spreads.get(name)
        measured = spread is not None and spread.count > 1
        jitter_ms = round(spread.range_ns / 1e6, 3) if spread and measured else None
        late_ms = round(bus.late_by_at_most_ms, 3)
        return RunBus(
            **{**asdict(bus), "late_by_at_most_ms": late_ms},
            device_stamps=measured,
            stamp_jitter_ms=jitter_ms,
        )
