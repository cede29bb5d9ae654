"""A run as the watching process holds it: its folder, its recorder's process, its marks."""

from __future__ import annotations

import json
import platform
import subprocess
import sys
import threading
import time
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import canscope
from canscope.live.recording.clock import ticks_ns
from canscope.live.recording.process import orders_text
from canscope.live.recording.recorder_config import Orders
from canscope.live.run_folder.folder import MARKS_FILE, RunFolder, check_plan, known_facts
from canscope.model.errors import CanscopeError
from canscope.plan.plan import Plan, PlanMark

OPENING_S = 30.0  # the longest that opening adapters may take
ENDING_S = 10.0
QUIET_S = 1.0  # without a word the recorder is not known to run


class Session:
    """Starts the recorder and follows how it does; ``status`` is what it said last.

    Raises CanscopeError if an adapter cannot be opened silently; the folder is then unused.
    """

    def __init__(self, folder: RunFolder, orders: Orders, plan: Plan | None = None) -> None:
        self.folder = folder
        self.status: dict[str, Any] = {}
        self.heard_s = time.monotonic()
        self._said = threading.Event()
        if plan is not None:
            check_plan(plan)
        about = {**orders.about, **_about(plan)}
        words = orders_text(replace(orders, folder=folder.path, about=about))
        self._process = subprocess.Popen(
            [sys.executable, "-m", "canscope.live.recording.process"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,  # keys and hang-ups of this terminal are not for it
            pass_fds=(folder.lock,),
        )
        self._tell(words)
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()
        if not self._said.wait(OPENING_S):
            self._process.kill()
        if "refused" in self.status or not self.status:
            self.wait()
            raise CanscopeError(str(self.status.get("refused", "the recorder did not start")))
        if plan is not None:
            folder.keep_plan(plan)

    @property
    def pid(self) -> int:
        """The recorder's process."""
        return self._process.pid

    @property
    def running(self) -> bool:
        """Whether the recorder is alive and has not ended."""
        return self._process.poll() is None and not self.status.get("end")

    @property
    def quiet(self) -> bool:
        """Whether nothing was heard of a running recorder for too long."""
        return self.running and time.monotonic() - self.heard_s > QUIET_S

    @property
    def reason(self) -> str:
        """Why the recording ended; empty while it runs."""
        if self.running:
            return ""
        code = self._process.poll()
        told = (self.status.get("end") or {}).get("reason")
        if told:
            return str(told)
        return f"its process was killed by signal {-code}" if code and code < 0 else "it crashed"

    def now_ns(self) -> int:
        """The time by the run's clock; of a replay, how far it has been played."""
        if self.status.get("replays"):
            return int(self.status["now_ns"])
        return int(self.status["anchor_ns"]) + ticks_ns()

    def mark(
        self, axle: str | None, seen: str | None, text: str, *, not_before_ns: int = 0
    ) -> PlanMark:
        """Write down what a person saw, at once, with the time by the run's clock."""
        mark = PlanMark(None, max(self.now_ns(), not_before_ns), axle, seen, text)
        row = {"time_ns": mark.time_ns, "axle": axle, "seen": seen, "text": text or None}
        kept = {key: value for key, value in row.items() if value is not None}
        with open(self.folder.path / MARKS_FILE, "a", encoding="utf-8") as file:
            file.write(json.dumps(kept, ensure_ascii=False) + "\n")
        return mark

    def stop(self, reason: str) -> None:
        """Let the recorder end, and wait for it."""
        self._tell(f"stop {reason}")
        self.wait()

    def wait(self) -> None:
        """Wait for a recorder that is ending; one that cannot is killed."""
        try:
            self._process.wait(ENDING_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._listener.join(ENDING_S)
        for pipe in (self._process.stdin, self._process.stdout):
            with suppress(OSError):  # what could not be said any more is of no use to anybody
                if pipe is not None:
                    pipe.close()

    def finish(self, watched: dict[str, Any] | None = None) -> None:
        """Complete run.toml with hashes and, where the recorder could not, with how it ended."""
        more: dict[str, Any] = {"watch": watched} if watched else {}
        if not known_facts(self.folder.path).get("end"):
            more["end"] = {"at_ns": self.now_ns(), "reason": self.reason, "in_order": False}
        self.folder.finish(more)

    def _tell(self, line: str) -> None:
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(line + "\n")
            self._process.stdin.flush()
        except OSError:
            pass  # it is gone, as running tells

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.status, self.heard_s = json.loads(line), time.monotonic()
            self._said.set()
        self._said.set()


def _about(plan: Plan | None) -> dict[str, Any]:
    """Who, when and with what, for run.toml."""
    about: dict[str, Any] = {
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
