"""The recorder as a process of its own, so that neither judging nor drawing can cost a frame.

``python -m canscope.live.recording.process`` speaks ``protocol`` over its standard input and
output. The end of its input means that the watching process is gone, and ends the run. It imports
nothing that judges.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from contextlib import suppress
from pathlib import Path

from canscope.live.recording.protocol import read_config, refusal_line, status_line
from canscope.live.recording.recorder import Recorder
from canscope.live.run_folder.run_file_schema import ALONE, UNWATCHED
from canscope.model.errors import CanscopeError

NICENESS = -10  # of the recorder


def main() -> int:
    """Record as configured; 0 if it ended in order, 1 if not, 2 if it was refused."""
    take_priority()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the watching process decides what Ctrl-C means
    config = read_config(sys.stdin.readline())
    recorder = Recorder(config, report=lambda status: _write(status_line(status)))
    try:
        recorder.open()
    except CanscopeError as error:
        _write(refusal_line(error))
        return 2
    for number in (signal.SIGTERM, signal.SIGHUP):
        name = signal.Signals(number).name
        signal.signal(
            number,
            lambda *_, name=name: recorder.stop(f"{ALONE}, by {name}"),
        )
    _write(status_line(recorder.status(), opened=True))
    threading.Thread(target=_obey, args=(recorder,), daemon=True).start()
    recorder.run()
    return 0 if recorder.end is not None and recorder.end.in_order else 1


def take_priority() -> None:
    """Run ahead of everything else on this computer, where the system allows it."""
    sys.setswitchinterval(0.001)  # s: no thread keeps the one that reads waiting for longer
    with suppress(OSError, AttributeError):  # without the right to, or no such call
        os.setpriority(os.PRIO_PROCESS, 0, NICENESS)
        # Linux shares the processor among terminal sessions first; this process has its own.
        Path("/proc/self/autogroup").write_text(str(NICENESS))


def _obey(recorder: Recorder) -> None:
    for line in sys.stdin:
        word, _, reason = line.strip().partition(" ")
        if word == "stop":
            recorder.stop(reason)
    recorder.stop(UNWATCHED)


def _write(line: str) -> None:
    with suppress(OSError):  # the watching process may be gone
        os.write(1, (line + "\n").encode())


if __name__ == "__main__":
    sys.exit(main())
