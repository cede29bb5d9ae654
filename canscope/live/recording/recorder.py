"""The recorder: hears every bus, writes everything down, and knows nothing of what it means.

One thread a bus reads, the caller's own thread writes, one more calls for the disk.
"""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict
from typing import Any

from canscope.live.adapters.adapter import Batch, Opened, Source, source_of
from canscope.live.adapters.address import EVERY
from canscope.live.adapters.candump_lines import dropped
from canscope.live.recording.clock import Clock, Spread, ticks_ns
from canscope.live.recording.recorder_config import Bus, Orders
from canscope.live.recording.run_file_writer import Papers
from canscope.live.recording.write_queue import Pending
from canscope.live.recording.writer import Captures
from canscope.model.errors import CanscopeError

TICK_S = 0.02  # between two writes
STATUS_S = 0.05
ASLEEP_NS = 500_000_000  # a tick that came so late says that the process did not run
HANGS_S = 2.0  # a read comes back after 0.05 s, with or without frames
COUNT_NS = 500_000_000  # over which the pace of a bus is counted, at least
RETRY_S = 0.3  # between two tries to open an adapter that went away


class Recorder:
    """Records until it is told to stop, its files have ended, or nothing can be written any more.

    ``open`` first, then ``run`` in a thread of one's own; ``stop`` from anywhere. ``say`` hears of
    the status every ``STATUS_S``.
    """

    def __init__(
        self,
        orders: Orders,
        *,
        say: Callable[[dict[str, Any]], None] = lambda status: None,
        clock: Clock | None = None,
        sources: dict[str, Source] | None = None,
    ) -> None:
        self.orders, self._say = orders, say
        self.clock = clock or Clock()
        made = sources or {a.name: source_of(a) for a in orders.addresses}
        self._sources: dict[str, Source] = made
        self.buses = {a.name: Bus(str(a), bitrate=a.bitrate) for a in orders.addresses}
        self.replays = any(a.kind == "replay" for a in orders.addresses)
        self.end: dict[str, Any] = {}
        self._spreads = {name: Spread(s.period_ns) for name, s in made.items()}
        self._papers = Papers(orders, self.clock, self.buses, self._spreads)
        self._beats = dict.fromkeys(made, ticks_ns())  # when each reader last came back
        self._hung: set[str] = set()
        self._wake, self._pending = threading.Event(), Pending(self.clock)
        self._played_ns = 0
        self._stopping: str | None = None
        self.recording_ns = 0  # when it began; what comes later is recorded
        self._disk_free: int | None = None
        self._disk_low = False
        self._counted = (ticks_ns(), dict.fromkeys(made, 0))  # when, and each bus's frames then
        self._per_s: dict[str, int] = {}

    def open(self) -> None:
        """Open every adapter; all of them or none.

        Raises CanscopeError: one cannot be opened, or is not silent and nobody signed for it.
        """
        kinds = {address.kind == "replay" for address in self.orders.addresses}
        if len(kinds) > 1 or (self.replays and len(self.orders.addresses) > 1):
            hint = "record adapters, or replay one file with --bus '*=replay:FILE'"
            raise CanscopeError("a replayed file keeps its own time and stands alone", hint=hint)
        try:
            for name, source in self._sources.items():
                self._opened(name, source.open())
        except BaseException:
            self._close_all()
            raise

    @property
    def events(self) -> list[dict[str, Any]]:
        """What happened, as run.toml tells it."""
        return self._papers.events

    def stop(self, reason: str) -> None:
        """Let ``run`` come to an end, for this reason."""
        self._stopping = self._stopping or reason
        self._wake.set()

    def run(self) -> str:
        """Record; the reason why it ended."""
        captures = Captures(self.orders.folder, self.orders.rotate_bytes, self.orders.rotate_s)
        self._papers.keep_reserve()
        readers = [
            threading.Thread(target=self._read, args=(name,), name=f"read {name}", daemon=True)
            for name in self._sources
        ]
        for name, source in self._sources.items():
            with suppress(OSError):  # an adapter that is gone already is told by its reader
                source.flush()
            self._beats[name] = ticks_ns()
        self.recording_ns = self.clock.now_ns()
        for reader in readers:
            reader.start()
        self._papers.write(self.end)
        reason, clean = "", False
        try:
            reason, clean = self._write_until_stopped(captures, readers), True
        except OSError as error:
            reason = f"nothing can be written any more: {error.strerror or error}"
        except Exception:
            reason = "the writer failed by a bug of its own"
            self._papers.bug("writer")
        finally:
            self._stopping = self._stopping or reason
            self._papers.free_reserve()
            self._papers.close()
            for reader in readers:
                reader.join(2.0)
            self._close_all()
            clean, reason = self._last_words(captures, clean, reason)
        return reason

    def status(self) -> dict[str, Any]:
        """How everything is doing, as plain data."""
        now = self.clock.now_ns()
        return {
            "now_ns": self._played_ns if self.replays else now,
            "replays": self.replays,
            "recording_ns": self.recording_ns,
            "anchor_ns": self.clock.anchor_ns,
            "not_silent": self.orders.not_silent,
            "buses": {name: asdict(bus) for name, bus in self._papers.known().items()},
            "per_s": dict(self._per_s),
            "hung": sorted(self._hung),
            "queued": self._pending.size,
            "disk_free": self._disk_free,
            "disk_low": self._disk_low,
            "events": len(self._papers.events),
            "last_event": self._papers.events[-1]["what"] if self._papers.events else "",
            "end": self.end,
        }

    # -- reading: a thread a bus --------------------------------------------------------------

    def _read(self, name: str) -> None:
        """Read one bus until the end; whatever goes wrong here is told, and tried again."""
        source, bus = self._sources[name], self.buses[name]
        while self._stopping is None:
            try:
                away_ns = ticks_ns() - self._beats[name]  # since the last read came back
                batch = source.read()
                self._beats[name] = ticks_ns()
                self._take(name, batch, away_ns)
            except EOFError as ended:
                bus.state = "ended"
                if all(one.state in ("ended", "replayed") for one in self.buses.values()):
                    self.stop(str(ended))
                return
            except (
                Exception
            ) as error:  # recording goes first: a bug is written down, and tried again
                expected = isinstance(error, OSError | CanscopeError) or _of_python_can(error)
                if not expected:
                    self._papers.bug(name)
                self._lost(name, source, error)
                self._beats[name] = ticks_ns()

    def _take(self, name: str, batch: Batch, away_ns: int) -> None:
        """Stamp a batch and hand it to the writer; nobody read for ``away_ns`` before it."""
        if batch.text:
            self._take_text(batch)
            return
        bus, count = self.buses[name], len(batch.frames)
        if not count and not batch.garbled:
            return
        stamps = self._pending.stamp(name, batch)
        if stamps is None:
            bus.dropped += count
            return
        if count:
            bus.last_ns = stamps[1]
        bus.frames += count
        bus.error_frames += batch.errors
        bus.garbled += batch.garbled
        bus.dropped += batch.garbled
        late_ms = away_ns / 1e6 + self._sources[name].gather_ms
        bus.late_by_at_most_ms = max(bus.late_by_at_most_ms, late_ms)
        if batch.device_ns is not None:
            self._spreads[name].add(stamps[0], batch.device_ns)

    def _take_text(self, batch: Batch) -> None:
        """A replayed piece has its stamps already."""
        while self._pending.full and self._stopping is None:
            time.sleep(TICK_S)  # a file can wait
        for channel, (frames, errors) in batch.counts.items():
            bus = self.buses.get(channel) or self.buses.setdefault(channel, self._replayed())
            bus.frames += frames
            bus.error_frames += errors
            bus.last_ns = batch.last_ns
        self._pending.put(batch.text)
        self._played_ns = batch.last_ns

    def _replayed(self) -> Bus:
        """A bus that a replayed file turns out to hold."""
        whole = self.buses[EVERY]
        how = whole.error_frames_are
        return Bus(whole.address, "replayed", whole.found, whole.silent, whole.silent_how, how)

    def _lost(self, name: str, source: Source, error: Exception) -> None:
        """An adapter went away: say so, and open it again as soon as it comes back."""
        bus, began_ns = self.buses[name], self.clock.now_ns()
        bus.state, bus.gaps = "lost", bus.gaps + 1
        self._papers.event(f"{name}: the adapter went away: {error}", name)
        source.close()
        tried = ""
        while self._stopping is None:
            time.sleep(RETRY_S)
            try:
                self._opened(name, source.open())
                break
            except Exception as again:
                source.close()
                if str(again) != tried and not isinstance(again, OSError):
                    tried = str(again)
        away_s = (self.clock.now_ns() - began_ns) / 1e9
        bus.dropped += 1
        self._pending.put(dropped(None, f"{name}: the adapter was away for {away_s:.2f} s"))
        if self._stopping is None:
            self._papers.event(f"{name}: the adapter is back after {away_s:.2f} s", name)

    def _opened(self, name: str, opened: Opened) -> None:
        """Note what opening found; refuse what is not silent unless somebody signed for it."""
        bus = self.buses[name]
        if not opened.silent and not self.orders.not_silent:
            raise CanscopeError(
                f"{bus.address}: not known to be silent: {opened.silent_how}",
                hint='make it listen only, or sign for it: --not-silent "reason"',
            )
        bus.found, bus.silent, bus.silent_how = opened.found, opened.silent, opened.silent_how
        bus.error_frames_are = opened.error_frames
        bus.bitrate = opened.bitrate or bus.bitrate
        bus.state = "recording"

    # -- writing: the caller's thread ---------------------------------------------------------

    def _write_until_stopped(self, captures: Captures, readers: list[threading.Thread]) -> str:
        told_ns = looked_ns = noted = 0
        while True:
            slept_ns = ticks_ns()
            ended = self._wake.wait(TICK_S)
            now = ticks_ns()
            if now - slept_ns > ASLEEP_NS:
                self._was_asleep((now - slept_ns) / 1e9)
            self._write(captures)
            if now - looked_ns > 1_000_000_000:
                looked_ns = now
                self._look_around()
                self._look_after(readers)
            if len(self._papers.events) != noted:
                noted = len(self._papers.events)
                self._papers.write_soon()
            if now - told_ns > STATUS_S * 1e9:
                told_ns = now
                self._say(self.status())
            if ended or self._stopping is not None:
                for reader in readers:
                    reader.join(2.0)
                self._write(captures)
                return self._stopping or "told to stop"

    def _write(self, captures: Captures) -> None:
        parts, lost = self._pending.drain()
        if lost:
            parts.append(dropped(lost, "the disk was too slow"))
            self._papers.event(f"{lost} frames were lost: the disk was too slow")
        if parts:
            captures.write(b"".join(parts))

    def _was_asleep(self, seconds: float) -> None:
        """The process did not run: stamps after it are late, and adapters may have overflowed."""
        if self.replays:
            return
        why = f"the recorder did not run for {seconds:.2f} s (suspended, or starved)"
        self._papers.event(why)
        for bus in self.buses.values():
            bus.dropped += 1
        self._pending.put(dropped(None, why))

    def _look_around(self) -> None:
        """Once a second: the pace of the buses, the disk and the wall clock."""
        self._count()
        self._disk_free = shutil.disk_usage(self.orders.folder).free
        low = self._disk_free < self.orders.low_disk_bytes
        if low and not self._disk_low:
            self._papers.event(f"the disk is low: {self._disk_free / 1e6:.0f} MB are free")
        self._disk_low = low
        stepped = self.clock.wall_stepped_ns()
        if stepped:
            what = "the computer's clock was set by"
            self._papers.event(f"{what} {stepped / 1e9:+.3f} s; the run's stamps go on unbroken")

    def _count(self) -> None:
        """How many frames each bus gives a second."""
        (then_ns, before), now_ns = self._counted, ticks_ns()
        if now_ns - then_ns < COUNT_NS:
            return
        frames = {name: bus.frames for name, bus in self._papers.known().items()}
        pace = 1e9 / (now_ns - then_ns)
        self._per_s = {n: round((f - before.get(n, 0)) * pace) for n, f in frames.items()}
        self._counted = (now_ns, frames)

    def _look_after(self, readers: list[threading.Thread]) -> None:
        """A reader that died or hangs is told; the others go on."""
        for name, reader in zip(self._sources, readers, strict=True):
            bus = self.buses[name]
            silent_s = (ticks_ns() - self._beats[name]) / 1e9
            dead = not reader.is_alive()
            if bus.state != "recording" or not (dead or silent_s > HANGS_S):
                self._hung.discard(name)
            elif name not in self._hung:
                self._hung.add(name)
                what = "died" if dead else f"hangs: its adapter gave no answer for {silent_s:.1f} s"
                self._papers.event(f"{name}: the reader {what}", name)

    def _last_words(self, captures: Captures, clean: bool, reason: str) -> tuple[bool, str]:
        try:
            captures.close()
        except OSError as error:
            clean, reason = False, f"nothing can be written any more: {error.strerror or error}"
        self.end = {
            "at_ns": self.clock.now_ns(),
            "reason": reason,
            "in_order": clean,
            "listened_until_ns": self._played_ns if self.replays else self.clock.now_ns(),
            "frames": sum(bus.frames for bus in self.buses.values()),
            "dropped": sum(bus.dropped for bus in self.buses.values()),
        }
        try:
            self._papers.write(self.end)
        except OSError as error:
            self.end["run_file"] = f"could not be written: {error.strerror or error}"
        self._say(self.status())
        return clean, reason

    def facts(self) -> dict[str, Any]:
        """Everything that run.toml says."""
        return self._papers.facts(self.end)

    def _close_all(self) -> None:
        for source in self._sources.values():
            source.close()


def _of_python_can(error: Exception) -> bool:
    return any(kind.__module__.startswith("can.") for kind in type(error).__mro__)
