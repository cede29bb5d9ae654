"""The recorder as a process of its own, so that nothing that judges or draws can cost a frame.

``python -m canscope.live.recording.process``: its orders come as one JSON line on standard input,
then ``stop REASON``; the end of that input means that the watching process is gone, and ends the
run.
What it says goes to standard output, one JSON object a line: ``opened`` or ``refused``, then the
status until its ``end`` is set. It imports nothing that judges.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

from canscope.live.adapters.address import Address
from canscope.live.recording.recorder import Recorder
from canscope.live.recording.recorder_config import Orders
from canscope.model.errors import CanscopeError

FIRST = -10  # the niceness of the recorder


def orders_text(orders: Orders) -> str:
    """Orders as the line that the process takes."""
    plain = {
        "folder": str(orders.folder),
        "addresses": [vars(address) for address in orders.addresses],
        "not_silent": orders.not_silent,
        "rotate_bytes": orders.rotate_bytes,
        "low_disk_bytes": orders.low_disk_bytes,
        "rotate_s": orders.rotate_s,
        "about": orders.about,
        "earlier": orders.earlier,
    }
    return json.dumps(plain)


def orders_of(text: str) -> Orders:
    """The orders that such a line holds."""
    plain = json.loads(text)
    plain["folder"] = Path(plain["folder"])
    plain["addresses"] = tuple(Address(**address) for address in plain["addresses"])
    return Orders(**plain)


def main() -> int:
    """Record as ordered; 0 if it ended in order, 1 if not, 2 if it was refused."""
    go_first()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the watching process decides what Ctrl-C means
    recorder = Recorder(orders_of(sys.stdin.readline()), say=_say)
    try:
        recorder.open()
    except CanscopeError as error:
        _say({"refused": str(error)})
        return 2
    for number in (signal.SIGTERM, signal.SIGHUP):
        name = signal.Signals(number).name
        signal.signal(number, lambda *_, name=name: recorder.stop(f"told to end by {name}"))
    _say({"opened": True, **recorder.status()})
    threading.Thread(target=_listen, args=(recorder,), daemon=True).start()
    recorder.run()
    return 0 if recorder.end.get("in_order") else 1


def go_first() -> None:
    """Recording comes before all else that this computer does, where the system allows it."""
    sys.setswitchinterval(0.001)  # s: no thread keeps the one that reads waiting for longer
    with suppress(OSError, AttributeError):  # not without the right to; there is no such call
        os.setpriority(os.PRIO_PROCESS, 0, FIRST)
        # Linux shares the processor among terminal sessions first; this process has its own.
        Path("/proc/self/autogroup").write_text(str(FIRST))


def _listen(recorder: Recorder) -> None:
    for line in sys.stdin:
        word, _, reason = line.strip().partition(" ")
        if word == "stop":
            recorder.stop(reason)
    recorder.stop("the watching process ended")


def _say(status: dict[str, Any]) -> None:
    """One line to whoever watches; nobody may be there any more."""
    with suppress(OSError):
        os.write(1, (json.dumps(status) + "\n").encode())


if __name__ == "__main__":
    sys.exit(main())
