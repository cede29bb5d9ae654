"""A run as the watching process holds it: its folder, the recorder's process, its marks."""

from __future__ import annotations

import json
import platform
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version

import canscope
from canscope.live.recording.clock import ticks_ns
from canscope.live.recording.protocol import Refusal, config_line, read_report
from canscope.live.recording.recorder_config import RecorderConfig
from canscope.live.recording.status import RecorderStatus
from canscope.live.run_folder.folder import RunFolder
from canscope.live.run_folder.layout import MARKS_FILE
from canscope.live.run_folder.run_file import usable_run_file
from canscope.live.run_folder.run_file_schema import RunEnd, RunWatch
from canscope.model.errors import CanscopeError
from canscope.plan.plan import Plan, PlanMark

OPENING_S = 30.0  # the longest that opening adapters may take
ENDING_S = 10.0
QUIET_S = 1.0  # a recorder without a report for so long is not known to run


class Session:
    """Starts the recorder and follows how it does; ``status`` is its last report.

    Raises CanscopeError if an adapter cannot be opened silently; the folder is then unused.
    """

    def __init__(self, folder: RunFolder, config: RecorderConfig, plan: Plan | None = None) -> None:
        self.folder = folder
        self.status = RecorderStatus()
        self._refusal = "the recorder did not start"
        self._opened = False
        self._reported_s = time.monotonic()
        self._reported = threading.Event()
        self._asked = False  # whether this process told the recorder to end
        if plan is not None:
            folder.keep_plan(plan)
        about = {**config.about, **_about(plan)}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "canscope.live.recording.process"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,  # keys and hang-ups of this terminal are not for it
            pass_fds=(folder.lock,),
        )
        self._write(config_line(replace(config, folder=folder.path, about=about)))
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()
        if not self._reported.wait(OPENING_S):
            self._process.kill()
        if not self._opened:
            self.wait()
            raise CanscopeError(self._refusal)

    @property
    def pid(self) -> int:
        """The recorder's process."""
        return self._process.pid

    @property
    def running(self) -> bool:
        """Whether the recorder is alive and has not ended."""
        return self._process.poll() is None and self.status.end is None

    @property
    def ended_well(self) -> bool:
        """Whether it ended in order, as it was asked to or because its file was played."""
        end = self.status.end
        return end is not None and end.in_order and (self._asked or self.status.played)

    @property
    def quiet(self) -> bool:
        """Whether a running recorder has not reported for too long."""
        return self.running and time.monotonic() - self._reported_s > QUIET_S

    @property
    def reason(self) -> str:
        """Why the recording ended; empty while it runs."""
        if self.running:
            return ""
        code = self._process.poll()
        if self.status.end is not None and self.status.end.reason:
            return self.status.end.reason
        return f"its process was killed by signal {-code}" if code and code < 0 else "it crashed"

    def now_ns(self) -> int:
        """The time by the run's clock; of a replay, how far it has been played."""
        if self.status.replays:
            return self.status.now_ns
        return self.status.anchor_ns + ticks_ns()

    def mark(
        self,
        axle: str | None,
        seen: str | None,
        text: str,
        asked: str | None = None,
        *,
        not_before_ns: int = 0,
    ) -> PlanMark:
        """Write down at once what a person saw or set, with the time by the run's clock."""
        mark = PlanMark(None, max(self.now_ns(), not_before_ns), axle, seen, text, asked)
        row: dict[str, str | int | None] = {"time_ns": mark.time_ns, "axle": axle, "seen": seen}
        row |= {"text": text or None, "asked": asked}
        self.note({key: value for key, value in row.items() if value is not None})
        return mark

    def note(self, row: Mapping[str, str | int | float]) -> None:
        """Add a mark or a reading to the marks file at once. Raises OSError."""
        with open(self.folder.path / MARKS_FILE, "a", encoding="utf-8") as file:
            file.write(json.dumps(row, ensure_ascii=False) + "\n")

    def stop(self, reason: str) -> None:
        """Let the recorder end, and wait for it."""
        self._asked = True
        self._write(f"stop {reason}")
        self.wait()

    def wait(self) -> None:
        """Wait for a recorder that is ending; one that takes too long is killed."""
        try:
            self._process.wait(ENDING_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._listener.join(ENDING_S)
        for pipe in (self._process.stdin, self._process.stdout):
            with suppress(OSError):  # what could not be written any more is of no use
                if pipe is not None:
                    pipe.close()

    def finish(self, watch: RunWatch | None = None) -> None:
        """Complete run.toml with hashes and, where the recorder could not, with how it ended."""
        run_file = usable_run_file(self.folder.path)
        ended = run_file is not None and run_file.end is not None
        end = None if ended else RunEnd(self.now_ns(), self.reason, in_order=False)
        self.folder.finish(watch, end)

    def _write(self, line: str) -> None:
        assert self._process.stdin is not None
        with suppress(OSError):  # the recorder is gone, as ``running`` shows
            self._process.stdin.write(line + "\n")
            self._process.stdin.flush()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            report = read_report(line)
            if isinstance(report, Refusal):
                self._refusal = report.refused
            else:
                self.status, self._opened = report, True
            self._reported_s = time.monotonic()
            self._reported.set()
        self._reported.set()


def _about(plan: Plan | None) -> dict[str, str]:
    """Who, when and with what, for run.toml."""
    about = {
        "started": datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC"),
        "computer": f"{platform.system()} {platform.release()}, Python {platform.python_version()}",
        "canscope": canscope.__version__,
    }
    for library in ("python-can", "pyserial"):
        try:
            about[library] = version(library)
        except PackageNotFoundError:
            continue
    if plan is not None:
        about |= {"vehicle": plan.bench.vehicle, "stage": plan.bench.stage}
        about |= {
            key: str(value) for key, value in plan.job.items() if key in ("tester", "witness")
        }
    return about
