"""How the recorder and its computer are doing: pace of the buses, disk, wall clock, readers."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable, Mapping

from canscope.live.recording.clock import Clock, ticks_ns
from canscope.live.recording.recorder_config import RecorderConfig
from canscope.live.recording.run_file_writer import RunFileWriter
from canscope.live.run_folder.run_file_schema import Bus

HANGS_S = 2.0  # a read normally returns after 0.05 s, with or without frames
COUNT_NS = 500_000_000  # the shortest time over which the pace of a bus is counted


class Health:
    """Notes an event in ``run_file`` for everything that goes wrong; ``check`` once a second."""

    def __init__(
        self,
        config: RecorderConfig,
        clock: Clock,
        buses: Mapping[str, Bus],
        run_file: RunFileWriter,
    ) -> None:
        self._config, self._clock, self._buses, self._run_file = config, clock, buses, run_file
        self.disk_free: int | None = None  # bytes
        self.disk_low = False
        self.per_s: dict[str, int] = {}  # frames a second, by bus
        self.hung: set[str] = set()  # buses whose reader died or gives no answer
        self._counted_ns, self._frames = ticks_ns(), dict[str, int]()

    def check(
        self,
        readers: Mapping[str, threading.Thread],
        last_read_ns: Mapping[str, int],
        ending: Callable[[], bool],
    ) -> None:
        """Check everything; ``last_read_ns`` is when each adapter last gave an answer.

        ``ending`` says whether the readers were told to end.
        """
        self._count()
        self._check_disk()
        self._check_wall_clock()
        for name, reader in readers.items():
            silent_s = (ticks_ns() - last_read_ns[name]) / 1e9
            dead = not reader.is_alive()
            # Asked last: a reader that was told to end a moment ago did not die.
            if not ending():
                self._check_reader(name, silent_s, dead=dead)

    def _count(self) -> None:
        now_ns = ticks_ns()
        if now_ns - self._counted_ns < COUNT_NS:
            return
        before, pace = self._frames, 1e9 / (now_ns - self._counted_ns)
        self._frames = {name: bus.frames for name, bus in self._run_file.buses().items()}
        self.per_s = {n: round((f - before.get(n, 0)) * pace) for n, f in self._frames.items()}
        self._counted_ns = now_ns

    def _check_disk(self) -> None:
        self.disk_free = shutil.disk_usage(self._config.folder).free
        low = self.disk_free < self._config.low_disk_bytes
        if low and not self.disk_low:
            self._run_file.event(f"the disk is low: {self.disk_free / 1e6:.0f} MB are free")
        self.disk_low = low

    def _check_wall_clock(self) -> None:
        stepped = self._clock.wall_stepped_ns()
        if stepped:
            what = "the computer's clock was set by"
            self._run_file.event(f"{what} {stepped / 1e9:+.3f} s; the run's stamps go on unbroken")

    def _check_reader(self, name: str, silent_s: float, *, dead: bool) -> None:
        if self._buses[name].state != "recording" or not (dead or silent_s > HANGS_S):
            self.hung.discard(name)
        elif name not in self.hung:
            self.hung.add(name)
            what = "died" if dead else f"hangs: its adapter gave no answer for {silent_s:.1f} s"
            self._run_file.event(f"{name}: the reader {what}", name)
