"""What the benchmark of recording is made of: players of full buses, and the processes measured."""

from __future__ import annotations

import atexit
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from pathlib import Path

import numpy as np

from canscope.live.recording.clock import ticks_ns
from tests.live.adapter import Adapter, go_first, lines_of
from tests.live.stand import recorder_pid, wait_for

TICK_S = 0.001
BURST_S = 0.003  # a bus that was held up goes on from there: it never bursts
OTHERS = 64  # identifiers from 0x600 on
MOST_FEEDS = 100_000  # two hours and more
US_BITS, COUNT_BITS = 40, 24  # of a payload: when it was offered, and which one it is


def payload(count: int) -> int:
    """Eight bytes that say when they were offered."""
    return (ticks_ns() // 1000 % (1 << US_BITS)) << COUNT_BITS | count % (1 << COUNT_BITS)


def play(
    adapter: Adapter, frames: Iterator[tuple[float, bytes]], rate: int, ended: Callable
) -> float:
    """Offer ``rate`` frames a second until told to end; how many seconds of bus time that was."""
    following = next(frames, None)
    first_s = following[0] if following else 0.0
    count, begun = 0, time.monotonic()
    while not ended():
        time.sleep(TICK_S)
        due = int((time.monotonic() - begun) * rate) - count
        most = int(BURST_S * rate)
        if due > most:
            begun += (due - most) / rate
            due = most
        for _ in range(due):
            if following is not None and following[0] - first_s <= count / rate:
                adapter.offer(following[1])
                following = next(frames, None)
            else:
                adapter.offer(b"t%03X8%016X\r" % (0x600 + count % OTHERS, payload(count)))
            count += 1
    return count / rate


class Load:
    """Frames for buses of python-can, at one rate each, the vehicle's own among them."""

    def __init__(self, buses: Sequence[tuple[Callable, Iterator]], rate: int) -> None:
        """``buses`` are what sends a message, and the vehicle's frames by the second."""
        self._buses = [Lane(send, frames) for send, frames in buses]
        self._rate, self.sent = rate, 0

    def send_for(self, seconds: float) -> None:
        """Send; a sender that was held up goes on from there."""
        count, begun = 0, time.monotonic()
        while count < seconds * self._rate:
            time.sleep(TICK_S)
            due = int((time.monotonic() - begun) * self._rate) - count
            most = int(BURST_S * self._rate)
            if due > most:
                begun += (due - most) / self._rate
            for _ in range(min(due, most)):
                for lane in self._buses:
                    lane.send(count, count / self._rate)
                count += 1
        self.sent = count * len(self._buses)


class Lane:
    """One bus of python-can and what comes next on it."""

    def __init__(self, send: Callable, frames: Iterator[tuple[float, bytes]]) -> None:
        self._send, self._frames = send, frames
        self._next = next(frames, None)
        self._first_s = self._next[0] if self._next else 0.0

    def send(self, count: int, at_s: float) -> None:
        """The vehicle's next frame if it is due, else one that nobody knows."""
        import can

        if self._next is not None and self._next[0] - self._first_s <= at_s:
            name, data = self._next[1][1:4], bytes.fromhex(self._next[1][5:-1].decode())
            message = can.Message(arbitration_id=int(name, 16), data=data, is_extended_id=False)
            self._next = next(self._frames, None)
        else:
            data = payload(count).to_bytes(8, "big")
            other = 0x600 + count % OTHERS
            message = can.Message(arbitration_id=other, data=data, is_extended_id=False)
        self._send(message)


class Judging:
    """A process of its own that judges a run folder while it grows, as ``canscope record`` does."""

    def __init__(self, run: Path, plan: Path, journal: Path) -> None:
        self._journal = journal
        words = [sys.executable, "-m", "tests.benchmarks.live_parts", "watch"]
        self._process = subprocess.Popen(
            [*words, str(journal), str(run), str(plan)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip
        assert self._process.stdout is not None
        assert self._process.stdout.readline() == "ready\n"

    def sample(self) -> tuple[float, int]:
        """Processor seconds and resident bytes so far."""
        return cpu_s(self._process.pid), resident_bytes(self._process.pid)

    def end(self) -> tuple[np.ndarray, list[dict]]:
        """Let it judge the rest: its journal, and the alarms."""
        said, _ = self._process.communicate("end\n", timeout=600)
        return np.load(self._journal), json.loads(said)["alarms"]


class Sampled:
    """Takes a sample of something every second, in a thread."""

    def __init__(self, sample: Callable[[], tuple[float, ...]]) -> None:
        self._sample, self._rows, self._over = sample, [sample()], threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while not self._over.wait(1.0):
            self._rows.append(self._sample())

    def end(self) -> np.ndarray:
        """All samples, a row each; the last one is taken now."""
        self._over.set()
        self._thread.join()
        return np.array([*self._rows, self._sample()])


class Players:
    """One process a bus that plays it."""

    def __init__(self, folder: Path, log: Path, names: Sequence[str], rate: int) -> None:
        self._links = {name: folder / f"tty-{name}" for name in names}
        words = [sys.executable, "-m", "tests.benchmarks.live_parts", "play"]
        self._processes = [
            subprocess.Popen(
                [*words, str(link), str(log), name, str(rate)],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
                start_new_session=True,
            )
            for name, link in self._links.items()
        ]  # fmt: skip
        for process in self._processes:
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n"

    def __enter__(self) -> Players:
        return self

    def __exit__(self, *_: object) -> None:
        for process in self._processes:
            process.kill()
            process.communicate()

    @property
    def buses(self) -> list[str]:
        """As ``--bus`` wants them."""
        return [f"{name}=slcan:{link}@1000000" for name, link in self._links.items()]

    def say(self, word: str) -> None:
        """``go`` or ``end``."""
        for process in self._processes:
            assert process.stdin is not None
            process.stdin.write(word + "\n")
            process.stdin.flush()

    def facts(self) -> list[dict]:
        """What each adapter counted."""
        return [json.loads(process.communicate("\n", timeout=60)[0]) for process in self._processes]


class Recorded:
    """``canscope record`` with a plan, its two processes watched."""

    def __init__(self, folder: Path, players: Players, plan: Path) -> None:
        self.run, self._players = folder / "run", players
        self._journal = folder / "journal.npy"
        words = [sys.executable, "-m", "tests.benchmarks.live_parts", "record"]
        words += [str(self._journal), "record", str(self.run), "--plan", str(plan)]
        words += [word for bus in players.buses for word in ("--bus", bus)]
        self._said = (folder / "said.txt").open("w+")
        self._process = subprocess.Popen(
            words, stdout=self._said, stderr=subprocess.STDOUT, start_new_session=True
        )
        wait_for(lambda: (self.run / "run.toml").exists(), 30)
        self._pids = (int(recorder_pid(self._process)), self._process.pid)
        players.say("go")

    def sample(self) -> tuple[float, ...]:
        """Now, processor seconds and resident bytes of the recorder and of the watching one."""
        used = [cpu_s(pid) for pid in self._pids]
        return (time.monotonic(), *used, *(resident_bytes(pid) for pid in self._pids))

    def stop(self) -> list[dict]:
        """End the buses, then the recording; what the adapters counted."""
        self._players.say("end")
        time.sleep(1.0)  # what is under way arrives
        self._process.send_signal(signal.SIGTERM)
        self._process.wait(600)
        self._said.close()
        return self._players.facts()

    def facts(self) -> dict:
        """The run's own papers."""
        return tomllib.loads((self.run / "run.toml").read_text())

    def figures(self, samples: list[tuple[float, ...]], adapters: list[dict]) -> dict[str, object]:
        """Everything that is told of it."""
        table = np.array(samples)
        took, recorder, watcher = table[-1, :3] - table[0, :3]
        told, journal = self.facts(), np.load(self._journal)
        offered = sum(one["offered"] for one in adapters)
        seconds = max(one["seconds"] for one in adapters)
        memory = {"recorder": quarters(table[:, 3]), "watching": quarters(table[:, 4])}
        return {
            "offered": offered,
            "offered_per_s": round(offered / seconds),
            "recorded": told["end"]["frames"],
            "on_the_disk": sum(p.read_bytes().count(b"#") for p in self.run.glob("capture-*.log")),
            "judged": int(journal[:, 3].sum()),
            "dropped_by_adapters": sum(one["dropped"] for one in adapters),
            "dropped_by_recorder": told["end"]["dropped"],
            "only_listened": all(one["clean"] for one in adapters),
            "recorder_cpu_of_a_core": round(recorder / took, 3),
            "recorder_us_a_frame": round(1e6 * recorder / took * seconds / offered, 2),
            "watching_cpu_of_a_core": round(watcher / took, 3),
            "memory_MiB_second_and_last_quarter": memory,
            **delays(self.run, told["clock"]["anchor_ns"], journal),
            "late_by_at_most_ms": {n: b["late_by_at_most_ms"] for n, b in told["buses"].items()},
            "feeds_per_s": round(len(journal) / seconds, 1),
            "alarms": alarms_of(told["watch"]["alarms"]),
        }


def quarters(resident: np.ndarray) -> list[float]:
    """Memory in MiB in the second and in the last quarter of the time."""
    quarter = len(resident) // 4
    parts = (resident[quarter : 2 * quarter], resident[3 * quarter :])
    return [round(float(np.median(part)) / 2**20, 1) for part in parts]


def alarms_of(alarms: list[dict]) -> list[dict]:
    """Each alarm, and how long after its frame it came."""
    return [
        {k: a[k] for k in ("rule", "subject", "stop")}
        | {"ms_after_its_frame": round((a["raised_ns"] - a["at_ns"]) / 1e6, 1)}
        for a in alarms
    ]


def delays(run: Path, anchor_ns: int, journal: np.ndarray) -> dict[str, object]:
    """How long frames took from being offered to their stamp and to their judgement."""
    stamp_ns, offer_ns = stamps(run, anchor_ns)
    part = np.searchsorted(journal[:, 0], stamp_ns, "left")
    judged = part < len(journal)
    judged_ns = journal[part[judged], 1] - offer_ns[judged]
    return {
        "ms_offered_to_stamped": percentiles((stamp_ns - offer_ns) / 1e6),
        "ms_offered_to_judged_and_alarms_raised": percentiles(judged_ns / 1e6),
        "ms_a_feed": percentiles(journal[:, 2] / 1e6),
    }


def stamps(run: Path, anchor_ns: int) -> tuple[np.ndarray, np.ndarray]:
    """Recorded stamp and time of offering of every frame that bears it, in ns since 1970."""
    pattern = re.compile(rb"^\((\d+)\.(\d{6})\) \S+ 6[0-3][0-9A-F]#([0-9A-F]{16})$", re.M)
    stamped, offered = [], []
    for path in sorted(run.glob("capture-*.log")):
        for s, us, data in pattern.findall(path.read_bytes()):
            stamped.append(int(s) * 1_000_000 + int(us))
            offered.append(int(data, 16) >> COUNT_BITS)
    stamp_us = np.array(stamped, np.int64)
    ticks_us = stamp_us - anchor_ns // 1000
    period = 1 << US_BITS
    late_us = (ticks_us - np.array(offered, np.int64) + period // 2) % period - period // 2
    return stamp_us * 1000, (stamp_us - late_us) * 1000


def percentiles(values: np.ndarray) -> dict[str, float]:
    """The distribution in six numbers."""
    shown = {"p1": 1, "median": 50, "p90": 90, "p99": 99, "p99.9": 99.9, "longest": 100}
    return {k: round(float(np.percentile(values, q)), 2) for k, q in shown.items()}


def cpu_s(pid: int, thread: int | None = None) -> float:
    """Processor time that a process or one of its threads has used, in s."""
    path = f"/proc/{pid}/stat" if thread is None else f"/proc/{pid}/task/{thread}/stat"
    fields = Path(path).read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident_bytes(pid: int) -> int:
    """Memory of a process that is really there."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def _play(link: str, log: str, channel: str, rate: str) -> None:
    go_first(-15)
    adapter, ended = Adapter(link), threading.Event()
    adapter.keeps = False
    frames = lines_of(log, channel)
    print("ready", flush=True)
    assert sys.stdin.readline() == "go\n"
    hearing = threading.Thread(target=lambda: (sys.stdin.readline(), ended.set()), daemon=True)
    hearing.start()
    seconds = play(adapter, iter(frames), int(rate), ended.is_set)
    sys.stdin.readline()
    facts = {
        "offered": adapter.offered,
        "dropped": adapter.dropped,
        "seconds": seconds,
        "clean": adapter.wrote_only_what_a_listener_may(),
    }
    print(json.dumps(facts), flush=True)


class Journal:
    """Notes of every piece: last stamp, when it was judged (ticks), how long that took, frames."""

    def __init__(self) -> None:
        self._rows = np.full((MOST_FEEDS, 4), -1, np.int64)  # filled: noting takes no more memory
        self._count = 0

    def run_class(self) -> type:
        """``Run`` as it is, with a note of every feed."""
        from canscope.judge.check import Run

        class Timed(Run):
            def feed(mine, signals):
                begun = ticks_ns()
                raised = super().feed(signals)
                if len(signals.frames):
                    last, now = int(signals.frames.time_ns[-1]), ticks_ns()
                    self._rows[self._count] = (last, now, now - begun, len(signals.frames))
                    self._count += 1
                return raised

        return Timed

    def keep(self, path: str, run: Path) -> None:
        """Write it down, in the time of that run."""
        told = tomllib.loads((run / "run.toml").read_text())
        table = self._rows[: self._count]
        table[:, 1] += told["clock"]["anchor_ns"]
        np.save(path, table)


def _record(journal: str, *words: str) -> int:
    """``canscope`` with these words, with a note of when each piece was judged."""
    import canscope.live.watching.watch
    from canscope.cli.main import main

    notes = Journal()
    go_first(-5)  # the machine's other work is not what is measured
    canscope.live.watching.watch.Run = notes.run_class()
    atexit.register(notes.keep, journal, Path(words[1]))
    return main(list(words))


def _watch(journal: str, folder: str, plan_path: str) -> None:
    """Judge a folder that another process records into, until there is a line of input."""
    from canscope.live.recording.status import RecorderStatus
    from canscope.live.run_folder.run_file import read_run_file
    from canscope.live.watching.watch import Watch
    from canscope.plan.load import read_plan

    run, plan, notes = Path(folder), read_plan(Path(plan_path)), Journal()
    go_first(-5)
    status = RecorderStatus(anchor_ns=read_run_file(run).clock.anchor_ns)
    watch = Watch(run, plan, status=lambda: status, run=notes.run_class()(plan), heard=True)
    ended = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.readline(), ended.set()), daemon=True).start()
    print("ready", flush=True)
    watch.follow(lambda: not ended.is_set())
    assert not watch.broken, watch.broken
    notes.keep(journal, run)
    print(json.dumps({"alarms": [asdict(alarm) for alarm in watch.summary().alarms]}))


if __name__ == "__main__":
    sys.exit({"play": _play, "record": _record, "watch": _watch}[sys.argv[1]](*sys.argv[2:]))
