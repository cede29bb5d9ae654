"""The recorder: reads every bus and writes everything down, without knowing what it means.

One thread a bus reads, the caller's own thread writes, one more syncs to the disk.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from copy import copy
from dataclasses import replace

from canscope.live.adapters.adapter import Adapter, AdapterError, Batch, Opened
from canscope.live.adapters.address import EVERY
from canscope.live.adapters.candump_lines import dropped
from canscope.live.adapters.kinds import adapter_of
from canscope.live.recording.clock import Clock, Spread, ticks_ns
from canscope.live.recording.health import Health
from canscope.live.recording.pauses import Pause, Pauses
from canscope.live.recording.recorder_config import RecorderConfig
from canscope.live.recording.run_file_writer import RunFileWriter
from canscope.live.recording.status import RecorderStatus
from canscope.live.recording.write_queue import WriteQueue
from canscope.live.recording.writer import CaptureWriter
from canscope.live.run_folder.run_file_schema import Bus, RunEnd, RunEvent, RunFile
from canscope.model.errors import CanscopeError

TICK_S = 0.02  # between two writes
STATUS_S = 0.05  # between two reports
CHECK_NS = 1_000_000_000  # between two checks of disk, clock and readers
RETRY_S = 0.3  # between two tries to open an adapter that went away


class Recorder:
    """Records until it is stopped, its files have ended, or nothing can be written any more.

    ``open`` first, then ``run`` in a thread of its own; ``stop`` from anywhere. ``report`` is given
    the status every ``STATUS_S``.
    """

    def __init__(
        self,
        config: RecorderConfig,
        *,
        report: Callable[[RecorderStatus], None] = lambda status: None,
        clock: Clock | None = None,
        adapters: Mapping[str, Adapter] | None = None,
    ) -> None:
        self.config, self._report = config, report
        self.clock = clock or Clock()
        self._adapters = adapters or {a.name: adapter_of(a) for a in config.addresses}
        self.buses = {a.name: Bus(str(a), bitrate=a.bitrate) for a in config.addresses}
        self.end: RunEnd | None = None
        self.recording_ns = 0  # when recording began; what comes later is recorded
        self._spreads = {name: Spread(a.period_ns) for name, a in self._adapters.items()}
        self._run_file = RunFileWriter(config, self.clock, self.buses, self._spreads)
        self._health = Health(config, self.clock, self.buses, self._run_file)
        self._last_read_ns = dict.fromkeys(self._adapters, ticks_ns())
        self._wake, self._queue = threading.Event(), WriteQueue(self.clock)
        self._played_ns = 0
        self._stopping: str | None = None
        self._gone: list[str] = []  # captures that somebody deleted or renamed

    def open(self) -> None:
        """Open every adapter; all of them or none.

        Raises CanscopeError: one cannot be opened, or is not silent and nobody signed for it.
        """
        if self.config.replays and len(self.config.addresses) > 1:
            hint = "record adapters, or replay one file with --bus '*=replay:FILE'"
            raise CanscopeError("a replayed file keeps its own time and stands alone", hint=hint)
        for name, adapter in self._adapters.items():
            if adapter.never_silent and not self.config.not_silent:
                raise _not_silent(self.buses[name].address, adapter.never_silent)
        try:
            for name, adapter in self._adapters.items():
                self._accept(name, adapter.open())
        except BaseException:
            self._close_all()
            raise

    @property
    def events(self) -> list[RunEvent]:
        """What happened so far, as run.toml lists it."""
        return self._run_file.events

    def stop(self, reason: str) -> None:
        """Let ``run`` come to an end, for this reason."""
        self._stopping = self._stopping or reason
        self._wake.set()

    def run(self) -> str:
        """Record; the reason why it ended."""
        captures = CaptureWriter(self.config.folder, self.config.rotate_bytes, self.config.rotate_s)
        self._run_file.keep_reserve()
        readers = {
            n: threading.Thread(target=self._read, args=(n,), name=f"read {n}", daemon=True)
            for n in self._adapters
        }
        for name, adapter in self._adapters.items():
            with suppress(OSError):  # the reader meets an adapter that is gone, and reports it
                adapter.flush()
            self._last_read_ns[name] = ticks_ns()
        self.recording_ns = self.clock.now_ns()
        for reader in readers.values():
            reader.start()
        reason, in_order = "", False
        try:
            self._run_file.write(self.end)
            reason, in_order = self._write_until_stopped(captures, readers), True
        except OSError as error:
            reason = self._unwritable(error)
        except Exception:
            reason = "the writer failed by a bug of its own"
            self._run_file.bug("writer")
        finally:
            self._stopping = self._stopping or reason
            self._run_file.free_reserve()
            self._run_file.close()
            for reader in readers.values():
                reader.join(2.0)
            self._close_all()
            reason = self._finish(captures, in_order, reason)
        return reason

    def status(self) -> RecorderStatus:
        """How everything is doing now."""
        now_ns = self.clock.now_ns()
        return RecorderStatus(
            now_ns=self._played_ns if self.config.replays else now_ns,
            replays=self.config.replays,
            hurried=any(address.speed > 1 for address in self.config.addresses),
            played=self.config.replays and _ended(self.buses),
            recording_ns=self.recording_ns,
            anchor_ns=self.clock.anchor_ns,
            not_silent=self.config.not_silent,
            buses={name: copy(bus) for name, bus in self._run_file.buses().items()},
            per_s=dict(self._health.per_s),
            hung=tuple(sorted(self._health.hung)),
            gone=tuple(self._gone),
            queued=self._queue.size,
            disk_free=self._health.disk_free,
            disk_low=self._health.disk_low,
            events=len(self.events),
            last_event=self.events[-1].what if self.events else "",
            end=self.end,
        )

    def run_file(self) -> RunFile:
        """What run.toml says now."""
        return self._run_file.run_file(self.end)

    # -- reading: a thread a bus --------------------------------------------------------------

    def _read(self, name: str) -> None:
        """Read one bus until the end; any failure is written down, and reading tried again."""
        adapter, bus, pauses = self._adapters[name], self.buses[name], Pauses()
        while self._stopping is None:
            try:
                before_ns = self._last_read_ns[name]
                batch = adapter.read()
                self._last_read_ns[name] = ticks_ns()
                self._take(name, batch, before_ns)
                if not self.config.replays:
                    pause = pauses.read(before_ns, self._last_read_ns[name], len(batch.frames))
                    self._note_pause(name, pause)
            except EOFError as ended:
                bus.state = "ended"
                if _ended(self.buses):
                    self.stop(str(ended))
                return
            except Exception as error:  # a bug in one driver must not end the recording
                expected = isinstance(error, OSError | CanscopeError) or _of_python_can(error)
                if not expected:
                    self._run_file.bug(name)
                self._note_pause(name, pauses.settle(ticks_ns()))
                self._reopen(name, adapter, error)
                self._last_read_ns[name], pauses = ticks_ns(), Pauses()
        self._note_pause(name, pauses.settle(ticks_ns()))

    def _take(self, name: str, batch: Batch, before_ns: int) -> None:
        """Stamp a batch and queue it; the read before it ended at ``before_ns``."""
        if batch.text:
            self._take_text(batch)
            return
        bus, count = self.buses[name], len(batch.frames)
        if not count and not batch.garbled:
            return
        stamps = self._queue.stamp(name, batch)
        if stamps is None:
            bus.dropped += count
            return
        if count:
            bus.last_ns = stamps[1]
        bus.frames += count
        bus.error_frames += batch.errors
        bus.garbled += batch.garbled
        bus.dropped += batch.garbled
        # Every frame came after the end of the last read, and all that is known is how long ago.
        late_ms = (ticks_ns() - before_ns) / 1e6
        bus.late_by_at_most_ms = max(bus.late_by_at_most_ms, late_ms)
        if batch.device_ns is not None:
            self._spreads[name].add(stamps[0], batch.device_ns)

    def _note_pause(self, name: str, pause: Pause | None) -> None:
        """Nobody read: stamps after it are late, and the adapter may have overflowed."""
        if pause is None:
            return
        why = f"the recorder did not run for {pause.length_ns / 1e9:.2f} s (suspended, or starved)"
        if pause.lost == 0:
            what = "as many frames came as before it, only late"
        elif pause.lost is None:
            what = "whether frames were lost is not known"
        else:
            what = f"at the pace before it about {pause.lost} frames are missing"
        self._run_file.event(f"{name}: {why}; {what}", name)
        if pause.lost != 0:
            self.buses[name].dropped += pause.lost or 1
            self._queue.put(dropped(pause.lost, f"{name}: {why}"))

    def _take_text(self, batch: Batch) -> None:
        """Queue a replayed piece, which has its stamps already."""
        while self._queue.full and self._stopping is None:
            time.sleep(TICK_S)  # a file can wait
        for channel, (frames, errors) in batch.counts.items():
            bus = self.buses.get(channel) or self.buses.setdefault(channel, self._replayed())
            bus.frames += frames
            bus.error_frames += errors
            bus.last_ns = batch.last_ns
        self._queue.put(batch.text)
        self._played_ns = batch.last_ns

    def _replayed(self) -> Bus:
        """A bus that a replayed file turns out to hold."""
        file = self.buses[EVERY]
        how = file.error_frames_are
        return Bus(file.address, "replayed", file.found, file.silent, file.silent_how, how)

    def _reopen(self, name: str, adapter: Adapter, error: Exception) -> None:
        """Report that an adapter went away, and open it again as soon as it comes back."""
        bus, began_ns = self.buses[name], self.clock.now_ns()
        bus.state, bus.gaps = "lost", bus.gaps + 1
        self._run_file.event(f"{name}: the adapter went away: {error}", name)
        adapter.close()
        bus.lost_why, bus.refused = str(error), ""
        while self._stopping is None:
            time.sleep(RETRY_S)
            try:
                self._accept(name, adapter.open())
                adapter.flush()  # what came while it was opened has no time of its own
                break
            except Exception as refused:  # whatever the driver raises while the device is away
                bus.state = "lost"
                self._note_refusal(name, refused)
                adapter.close()
        away_s = (self.clock.now_ns() - began_ns) / 1e9
        bus.dropped += 1
        self._queue.put(dropped(None, f"{name}: the adapter was away for {away_s:.2f} s"))
        if bus.state == "recording":
            bus.refused = ""
            what = f"{name}: the adapter is back after {away_s:.2f} s; whether it hears the same"
            self._run_file.event(f"{what} bus as before is not known", name)

    def _note_refusal(self, name: str, error: Exception) -> None:
        """Write down why an adapter does not come back, each reason once."""
        bus, absent = self.buses[name], isinstance(error, AdapterError) and error.absent
        if absent or self._stopping is not None:
            return  # not plugged in: that it went away was told
        what = error.what if isinstance(error, CanscopeError) else str(error)
        if what != bus.refused:
            bus.refused = what
            self._run_file.event(f"{name}: the adapter does not come back: {what}", name)

    def _accept(self, name: str, opened: Opened) -> None:
        """Note what opening found; refuse what is not silent unless somebody signed for it."""
        bus = self.buses[name]
        if not opened.silent and not self.config.not_silent:
            raise _not_silent(bus.address, opened.silent_how)
        bus.found, bus.silent, bus.silent_how = opened.found, opened.silent, opened.silent_how
        bus.error_frames_are = opened.error_frames
        bus.bitrate = opened.bitrate or bus.bitrate
        bus.state = "recording"

    # -- writing: the caller's thread ---------------------------------------------------------

    def _write_until_stopped(
        self, captures: CaptureWriter, readers: Mapping[str, threading.Thread]
    ) -> str:
        reported_ns = checked_ns = noted = 0
        while True:
            ended = self._wake.wait(TICK_S)
            now = ticks_ns()
            self._write(captures)
            if now - checked_ns > CHECK_NS:
                checked_ns = now
                self._health.check(readers, self._last_read_ns, lambda: self._stopping is not None)
            if len(self.events) != noted:
                noted = len(self.events)
                self._run_file.write_soon()
            if now - reported_ns > STATUS_S * 1e9:
                reported_ns = now
                self._report(self.status())
            if ended or self._stopping is not None:
                for reader in readers.values():
                    reader.join(2.0)
                self._write(captures)
                return self._stopping or "told to stop"

    def _write(self, captures: CaptureWriter) -> None:
        parts, lost = self._queue.drain()
        if lost:
            parts.append(dropped(lost, "the disk was too slow"))
            self._run_file.event(f"{lost} frames were lost: the disk was too slow")
        if parts:
            gone = captures.write(b"".join(parts))
            if gone:
                self._gone.append(gone)
                why = f"{gone} was deleted or renamed while it was recorded"
                self._run_file.event(f"{why}: what it held is lost, unless it is found again")
                self._queue.put(dropped(None, why))
                for bus in self.buses.values():
                    bus.dropped += 1

    def _finish(self, captures: CaptureWriter, in_order: bool, reason: str) -> str:
        """Close the captures, write run.toml and report for the last time; the final reason."""
        try:
            captures.close()
        except OSError as error:
            in_order, reason = False, self._unwritable(error)
        end = RunEnd(
            at_ns=self.clock.now_ns(),
            reason=reason,
            in_order=in_order,
            listened_until_ns=self._played_ns if self.config.replays else self.clock.now_ns(),
            frames=sum(bus.frames for bus in self.buses.values()),
            dropped=sum(bus.dropped for bus in self.buses.values()),
        )
        self.end = end
        try:
            self._run_file.write(end)
        except OSError as error:
            self.end = replace(end, run_file=f"could not be written: {error.strerror or error}")
        self._report(self.status())
        return reason

    def _unwritable(self, error: OSError) -> str:
        why = error.strerror or str(error)
        if not self.config.folder.is_dir():
            why = "the run folder was removed or renamed"
        return f"nothing can be written any more: {why}"

    def _close_all(self) -> None:
        for adapter in self._adapters.values():
            adapter.close()


def _not_silent(address: str, why: str) -> CanscopeError:
    hint = 'make it listen only, or sign for it: --not-silent "reason"'
    return CanscopeError(f"{address}: not known to be silent: {why}", hint=hint)


def _ended(buses: Mapping[str, Bus]) -> bool:
    """Whether every replayed file has come to its end."""
    return all(bus.state in ("ended", "replayed") for bus in buses.values())


def _of_python_can(error: Exception) -> bool:
    return any(kind.__module__.startswith("can.") for kind in type(error).__mro__)
