"""run.toml: what a recorder says of its run, while it goes on and at the end."""

from __future__ import annotations

import threading
import traceback
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict
from typing import Any

from canscope.live.adapters.adapter import stamp_uncertainty_ms
from canscope.live.adapters.address import EVERY
from canscope.live.recording.clock import TICKS, Clock, Spread
from canscope.live.recording.recorder_config import Bus, Orders
from canscope.live.run_folder.toml import replace_file, toml_text

RESERVE_BYTES = 1 << 16  # kept free for the words about a full disk
RESERVE, RUN_FILE, BUG_FILE = ".reserve", "run.toml", "recorder-errors.txt"
MOST_EVENTS = 1000


class Papers:
    """Keeps the events of a run, and writes everything that is known of it."""

    def __init__(
        self, orders: Orders, clock: Clock, buses: Mapping[str, Bus], spreads: Mapping[str, Spread]
    ) -> None:
        self._orders, self._clock = orders, clock
        self._buses, self._spreads = buses, spreads
        self.events: list[dict[str, Any]] = []
        self._news, self._closed = threading.Event(), False
        self._writer = threading.Thread(target=self._write_news, name="papers", daemon=True)
        self._writer.start()

    def event(self, what: str, bus: str | None = None) -> None:
        """Note what happened now."""
        if len(self.events) < MOST_EVENTS:
            self.events.append({"at_ns": self._clock.now_ns(), "what": what, "bus": bus})

    def bug(self, where: str) -> None:
        """A bug looks like a bug: its traceback is kept beside the run."""
        self.event(f"{where}: a bug was met; see {BUG_FILE}")
        try:
            with open(self._orders.folder / BUG_FILE, "a", encoding="utf-8") as file:
                file.write(f"{where}\n{traceback.format_exc()}\n")
        except OSError:
            pass  # the disk that it would be told on is what failed

    def keep_reserve(self) -> None:
        """Take some room on the disk."""
        with suppress(OSError):  # the disk is full already; the first write will say so
            (self._orders.folder / RESERVE).write_bytes(b"\0" * RESERVE_BYTES)

    def free_reserve(self) -> None:
        """Give it back, for the last words."""
        (self._orders.folder / RESERVE).unlink(missing_ok=True)

    def write(self, end: Mapping[str, Any]) -> None:
        """Write run.toml anew. Raises OSError."""
        replace_file(self._orders.folder / RUN_FILE, toml_text(self.facts(end)))

    def write_soon(self) -> None:
        """The same from a thread of its own: no frame waits for this file."""
        self._news.set()

    def close(self) -> None:
        """Nothing more is written but by ``write``."""
        self._closed = True
        self._news.set()
        self._writer.join()

    def _write_news(self) -> None:
        while True:
            self._news.wait()
            self._news.clear()
            if self._closed:
                return
            with suppress(OSError):  # the next frames will meet it and say so
                self.write({})

    def facts(self, end: Mapping[str, Any]) -> dict[str, Any]:
        """Everything that run.toml says."""
        return {
            "format": 1,
            "run": {**self._orders.about, "not_silent": self._orders.not_silent or None},
            "earlier": self._orders.earlier,
            "clock": self._clock_facts(),
            "buses": {name: self._bus_facts(name, bus) for name, bus in self.known().items()},
            "end": dict(end) or None,
            "events": list(self.events),
        }

    def known(self) -> dict[str, Bus]:
        """The buses by name; a replayed file's own ones once they are known."""
        buses = dict(self._buses)
        return {n: b for n, b in buses.items() if n != EVERY or len(buses) == 1}

    def _clock_facts(self) -> dict[str, Any]:
        if any(address.kind == "replay" for address in self._orders.addresses):
            return {"kind": "the stamps of the replayed file"}
        return {
            "kind": f"{TICKS} of this computer, set to its wall clock once at the start",
            "anchor_ns": self._clock.anchor_ns,
            "anchor_uncertainty_ms": round(self._clock.anchor_uncertainty_ns / 1e6, 6),
            "stamps": "a frame bears the time at which it was read from its adapter",
            "uncertainty_ms": stamp_uncertainty_ms(self._orders.addresses),
            "uncertainty": "stated for the adapters in use; late_by_at_most_ms of each bus is how "
            "long its frames really may have waited in this computer",
            "wall_clock_apart_ms": round(self._clock.wall_apart_ns() / 1e6, 3),
        }

    def _bus_facts(self, name: str, bus: Bus) -> dict[str, Any]:
        spread = self._spreads.get(name)
        measured = spread is not None and spread.count > 1
        return {
            **asdict(bus),
            "late_by_at_most_ms": round(bus.late_by_at_most_ms, 3),
            "device_stamps": measured,
            "stamp_jitter_ms": round(spread.range_ns / 1e6, 3) if spread and measured else None,
        }
