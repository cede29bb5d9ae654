"""What the tests of recording share: a short run of the demo vehicle, and real processes."""

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

import numpy as np

from canscope.live.recording.clock import ticks_ns
from canscope.simulate.faults.catalogue import find_fault
from canscope.simulate.folder import write_run
from canscope.simulate.runs import excerpt, make_run

HERE = Path(__file__).parent
CHANNELS = ("can0", "can1", "can2")


def made(tmp, fault, until_s=14.0, vehicle="bramble"):
    """The beginning of a run with that fault, written into a folder; its capture and plan."""
    return write_run(excerpt(run_with(fault, vehicle), 0.0, until_s), tmp)


def run_with(fault, vehicle="bramble"):
    """A run of a vehicle with that fault, in a stage that the fault is made for."""
    stages = find_fault(fault).stages
    stage = "dry-spin" if "dry-spin" in stages else stages[0]
    return make_run(vehicle, stage=stage, fault=fault)


def record(run, *buses, plan=None, more=(), **popen):
    """Start ``canscope record`` as a process of its own."""
    words = [sys.executable, "-u", "-m", "canscope", "record", str(run), *more]
    words += [word for bus in buses for word in ("--bus", bus)]
    words += ["--plan", str(plan)] if plan else []
    kept = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT, "text": True, **popen}
    return subprocess.Popen(words, **kept)


def ended(process, timeout=120):
    """Its output and exit code."""
    out, _ = process.communicate(timeout=timeout)
    return out, process.returncode


def wait_for(condition, timeout=60.0):
    """Wait until something is so; fails if it never is."""
    end = time.monotonic() + timeout
    while not (found := condition()):
        assert time.monotonic() < end, "it never came about"
        time.sleep(0.01)
    return found


def recorder_pid(process):
    """The recorder's own process below a ``canscope record``."""
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
    return wait_for(lambda: children.read_text().split())[0]


def frames_in(run):
    """Every frame that a run holds, as (channel, what follows it)."""
    text = b"".join(path.read_bytes() for path in sorted(Path(run).glob("capture-*.log")))
    whole = text[: text.rfind(b"\n") + 1].decode()
    return re.findall(r"^\(\d+\.\d+\) (\S+) (\S+)$", whole, re.M)


def as_candump(said):
    """An adapter's classical data line as candump's body: t1232AABB -> 123#AABB."""
    text = said.decode().rstrip("\r")
    width = 3 if text[0] == "t" else 8
    return f"{text[1 : 1 + width]}#{text[2 + width :]}"


def small_plan(folder, definition="u.dbc", include=""):
    """A plan for one unit alone, of which only the speed is bound."""
    (folder / "u.dbc").write_text(
        'VERSION ""\nBS_:\nBU_: U\nBO_ 256 Fast: 2 U\n'
        ' SG_ Speed : 0|16@1- (1,0) [-20000|20000] "rpm" U\n'
    )
    (folder / "bench.toml").write_text(
        f'format = 1\n{include}\n[job]\nvehicle = "v"\nstage = "unit-alone"\n'
        'coolant = "empty"\noil = "empty"\n'
        f'[buses]\ncan0 = {{ definitions = ["{definition}"], bitrate = 500_000 }}\n'
        '[units.front]\nspeed = "can0:Fast.Speed"\n[limits]\nspeed_rpm = 500\n'
    )
    return folder / "bench.toml"


class StandingUnit(threading.Thread):
    """The unit of ``small_plan``, whose adapter hears it stand still every 10 ms."""

    def __init__(self, adapter):
        super().__init__(daemon=True)
        self._adapter, self._over = adapter, threading.Event()
        self.start()

    def run(self):
        while not self._over.wait(0.01):
            self._adapter.offer(b"t10020000\r")

    def end(self):
        """It says nothing more."""
        self._over.set()
        self.join()


class Player:
    """The simulated adapters in a process of their own, so that they keep time."""

    def __init__(self, tmp, file, channels=CHANNELS):
        first = min(float(m) for m in re.findall(r"^\((\d+\.\d+)\)", file.read_text(), re.M)[:1])
        self.links = {name: tmp / f"tty-{name}" for name in channels}
        self._processes = [
            subprocess.Popen(
                [sys.executable, HERE / "adapter.py", link, file, name, str(first)],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True,
            )
            for name, link in self.links.items()
        ]  # fmt: skip
        assert [p.stdout.readline() for p in self._processes] == ["ready\n"] * len(channels)

    @property
    def buses(self):
        """As ``--bus`` wants them."""
        return [f"{name}=slcan:{link}" for name, link in self.links.items()]

    def go(self):
        """Let all of them begin at the same time."""
        for process in self._processes:
            process.stdin.write(f"{time.monotonic() + 0.2}\n")
            process.stdin.flush()

    def played(self):
        """Wait until all has been offered and fetched."""
        assert [p.stdout.readline() for p in self._processes] == ["played\n"] * len(self.links)

    def facts(self):
        """What each adapter has to say at the end."""
        said = [p.communicate("\n", timeout=30)[0] for p in self._processes]
        return [json.loads(text) for text in said]

    def kill(self):
        """Leave nothing running."""
        for process in self._processes:
            process.kill()
            process.wait()


def waited_s(*pids):
    """How long the threads of processes were ready to run and the machine did not let them."""
    waited_ns = 0
    for pid in pids:
        for task in Path(f"/proc/{pid}/task").glob("*/schedstat"):
            with suppress(OSError):  # it has just ended
                waited_ns += int(task.read_text().split()[1])
    return waited_ns / 1e9


class Waiting:
    """Samples ``waited_s`` of some processes, to tell what a delay owes to a busy machine."""

    def __init__(self, *pids):
        self._pids, self._rows, self._over = pids, [], threading.Event()
        self._thread = threading.Thread(target=self._sample)
        self._thread.start()

    def _sample(self):
        while not self._over.wait(0.05):
            self._rows.append((ticks_ns(), waited_s(*self._pids)))

    def end(self):
        """No more samples."""
        self._over.set()
        self._thread.join()

    def between_s(self, start_ns, end_ns):
        """How long they waited between two instants of ``ticks_ns``."""
        at, waited = np.array(self._rows).T
        late = 60_000_000  # samples lie so far apart
        before, after = np.interp(
            (start_ns - late, end_ns + late), at, np.maximum.accumulate(waited)
        )
        return float(after - before)


class Control:
    """How long this machine lets a process wait that only passes a byte through a terminal.

    It runs as the recorder does. What it waits is no fault of a recorder, and is granted to it.
    """

    def __init__(self):
        self._process = subprocess.Popen(
            [sys.executable, HERE / "control.py"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip
        assert self._process.stdout.readline() == "ready\n"

    def waited_s(self):
        """The longest wait of each tenth of a second so far, by its number since the boot."""
        said, _ = self._process.communicate("\n", timeout=30)
        return {int(tenth): float(s) for tenth, s in map(str.split, said.splitlines())}

    def kill(self):
        """Leave nothing running."""
        self._process.kill()
        self._process.communicate()


def kill(pid, number=signal.SIGKILL):
    """Send a signal to one process, by its number."""
    os.kill(int(pid), number)
