"""Long work beside the server: one job at a time, so that a check never stands in another's way."""

from __future__ import annotations

import json
import secrets
import signal
import subprocess
import sys
import tempfile
import threading
from typing import Any

from canscope.model.errors import CanscopeError

SAID = 4000  # characters of a crash that are shown
KEPT = 20  # jobs that are remembered


class Job:
    """One child process, and what it said last."""

    def __init__(self, order: dict[str, Any], about: str) -> None:
        self.id = secrets.token_urlsafe(9)
        self._wrong = tempfile.TemporaryFile()  # noqa: SIM115 - closed once the process has ended
        self._process = subprocess.Popen(
            [sys.executable, "-m", "canscope.bench.after_work"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._wrong,
            text=True,
        )
        self.state: dict[str, Any] = {"id": self.id, "about": about, "step": "start"}
        self._was_ended = False
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(json.dumps(order) + "\n")
            self._process.stdin.flush()
        except BrokenPipeError:
            pass  # it is gone already: what it said is told
        threading.Thread(target=self._listen, daemon=True).start()

    @property
    def is_running(self) -> bool:
        """Whether it has neither come to its end nor failed."""
        return not self.state.get("done") and "error" not in self.state

    def end(self) -> None:
        """End it; what it had begun to write is removed or never gets its name."""
        self._was_ended = True
        self._process.terminate()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            said = json.loads(line)
            if "step" in said:
                for name in ("read", "total", "frames"):
                    self.state.pop(name, None)
            self.state = {**self.state, **said}
        code = self._process.wait()
        if "error" not in self.state and not self.state.get("done"):
            self.state = {**self.state, "error": self._ended_early(code)}
        self._wrong.close()

    def _ended_early(self, code: int) -> dict[str, str]:
        """What to say of a process that did not say itself how it went."""
        if self._was_ended:
            what = "ended as you asked; nothing more was written"
            return {"what": what, "where": "", "hint": "", "text": what}
        how = f"exit code {code}"
        if code < 0:
            how = f"signal {-code}, {signal.Signals(-code).name}"
        hint = "try again; if it happens again, run canscope check in a terminal to see more"
        if code == -getattr(signal, "SIGKILL", 9):
            hint = "the computer may have run out of memory: end other programs, then try again"
        self._wrong.seek(0)
        said = self._wrong.read().decode("utf-8", "replace")[-SAID:]
        what = f"the work ended by itself ({how}), so there is no result"
        return {"what": what, "where": "", "hint": hint, "text": said or what}


class Jobs:
    """The jobs of one server."""

    def __init__(self) -> None:
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()

    def begin(self, order: dict[str, Any], about: str) -> Job:
        """Begin a job. Raises CanscopeError while another one runs."""
        with self._lock:
            running = self.running
            if running is not None:
                what = f"other work is running: {running.state['about']}"
                raise CanscopeError(what, hint="wait until it is done, or end it")
            job = Job(order, about)
            self._jobs[job.id] = job
            for old in list(self._jobs)[:-KEPT]:
                del self._jobs[old]
        return job

    def find(self, name: str) -> Job:
        """A job by its id. Raises CanscopeError if it is not known."""
        if name not in self._jobs:
            hint = "the server was started anew since: begin it again"
            raise CanscopeError("this work is not known here", hint=hint)
        return self._jobs[name]

    @property
    def running(self) -> Job | None:
        """The job that runs."""
        return next((job for job in self._jobs.values() if job.is_running), None)
