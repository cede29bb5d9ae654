"""Recording and watching two full buses, measured: ``python -m tests.benchmarks.live``.

Two simulated slcan adapters on pseudo-terminals, each in a process of its own, offer 8,000 frames
a second each, as a full 1 Mbit/s bus has them: the demo vehicle's own frames (one fault after the
other, so that alarms come) among those of nodes that no definition knows. Each adapter has a
buffer of 4 KiB, drops what is not fetched in time, and counts it. What nobody knows bears the time
at which it was offered, so that every delay is measured from there, by one clock.

A second part plays the same rate through python-can's virtual interface, which does not leave its
process: there recorder and sender are threads side by side, and only the recorder's are counted; a
process of its own judges the folder. A third part compares the cost of a frame with that of
python-can's own slcan reader.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run
from tests.benchmarks.live_parts import (
    Judging,
    Load,
    Players,
    Recorded,
    Sampled,
    alarms_of,
    cpu_s,
    delays,
    quarters,
    resident_bytes,
)
from tests.live.adapter import lines_of
from tests.live.stand import wait_for

LAPS = ("overspeed", "hot-while-dry", "front-axle-wrong-way", "unit-reports-fault", "weak-pack")
BUSES = ("can1", "can2")
RATE = 8000  # frames a second of one bus: 1 Mbit/s in frames of 125 bits
BRIEF_FROM_S = 9.0  # of "overspeed", where the rear axle is too fast from 12.3 s on
WARM_S = 5.0  # libraries and caches; not counted


def traffic(folder: Path, *, brief: bool) -> tuple[Path, Path]:
    """The vehicle's frames by the second, and the plan, with its first bus laid onto its second.

    ``brief``: the first lap alone, from 3 s before its first alarm on.
    """
    runs = [make_run(fault=fault) for fault in LAPS[: 1 if brief else None]]
    plan = write_run(runs[0], folder).plan
    vehicle = folder / "vehicle.toml"
    text = vehicle.read_text().replace("can0:", "can1:")
    known, unit = '["bramble_vehicle.dbc"]', '["drive_unit.dbc"]'
    rows = [
        row.replace(unit, f"{known[:-1]}, {unit[1:]}") if row.startswith("can1 =") else row
        for row in text.splitlines()
        if not row.startswith("can0 =")
    ]
    vehicle.write_text("\n".join(rows).replace("500_000", "1_000_000") + "\n")
    log, after = folder / "laps.log", 0.0
    with log.open("w") as file:
        for run in runs:
            lines = run.capture_text().replace(" can0 ", " can1 ").splitlines()
            begun = float(lines[0][1:18]) + (BRIEF_FROM_S if brief else 0.0)
            for line in lines:
                if float(line[1:18]) < begun:
                    continue
                file.write(f"({float(line[1:18]) - begun + after:.6f}{line[18:]}\n")
            after = float(lines[-1][1:18]) - begun + after + 1.0
    return log, plan


def through_slcan(
    folder: Path, seconds: float, rate: int = RATE, *, brief: bool = False
) -> dict[str, object]:
    """Two adapters, recorder and watching process, each on its own."""
    log, plan = traffic(folder / "traffic", brief=brief)
    with Players(folder, log, BUSES, rate) as players:
        recorded = Recorded(folder, players, plan)
        samples = []
        begun = time.monotonic()
        while time.monotonic() - begun < seconds + WARM_S:
            time.sleep(1.0)
            if time.monotonic() - begun > WARM_S:
                samples.append(recorded.sample())
        return recorded.figures(samples, recorded.stop())


def through_virtual(
    folder: Path, seconds: float, rate: int = RATE, *, brief: bool = False
) -> dict[str, object]:
    """Recorder and what it hears side by side in this process, the judge in one of its own."""
    import can

    from canscope.live.adapters.address import Address
    from canscope.live.recording.recorder import Recorder
    from canscope.live.recording.recorder_config import RecorderConfig

    log, plan = traffic(folder / "traffic", brief=brief)
    run = folder / "run"
    run.mkdir()
    addresses = tuple(Address(n, "virtual", f"bench-{n}") for n in BUSES)
    recorder = Recorder(RecorderConfig(run, addresses))
    recorder.open()
    buses = [can.Bus(f"bench-{name}", interface="virtual") for name in BUSES]
    thread = threading.Thread(target=recorder.run, name="write")
    thread.start()
    wait_for(lambda: recorder.recording_ns and (run / "run.toml").exists())
    judging = Judging(run, plan, folder / "journal.npy")
    lanes = [(b.send, lines_of(log, name)) for b, name in zip(buses, BUSES, strict=True)]
    load = Load(lanes, rate)
    own = [t for t in threading.enumerate() if t.name.startswith(("read ", "write", "fsync"))]

    def used_s() -> float:
        return sum(cpu_s(os.getpid(), t.native_id) for t in own)

    samples = Sampled(lambda: (used_s(), resident_bytes(os.getpid()), *judging.sample()))
    begun = time.monotonic()
    load.send_for(seconds)
    took = time.monotonic() - begun
    table = samples.end()
    wait_for(lambda: sum(b.frames for b in recorder.buses.values()) == load.sent, 30)
    recorder.stop("enough")
    thread.join()
    for bus in buses:
        bus.shutdown()
    journal, alarms = judging.end()
    used, watched = table[-1, [0, 2]] - table[0, [0, 2]]
    return {
        "offered": load.sent,
        "offered_per_s": round(load.sent / took),
        "recorded": sum(p.read_bytes().count(b"#") for p in run.glob("capture-*.log")),
        "judged": int(journal[:, 3].sum()),
        "dropped": sum(bus.dropped for bus in recorder.buses.values()),
        "recorder_cpu_of_a_core": round(used / took, 3),
        "recorder_us_a_frame": round(1e6 * used / load.sent, 2),
        "watching_cpu_of_a_core": round(watched / took, 3),
        "memory_MiB_second_and_last_quarter": {
            "recorder, with what it hears": quarters(table[:, 1]),
            "watching": quarters(table[:, 3]),
        },
        **delays(run, recorder.clock.anchor_ns, journal),
        "alarms": alarms_of(alarms),
    }


def reading_alone(frames: int = 20_000) -> dict[str, object]:
    """Processor time a frame of our reader and of python-can's, on the same text."""
    reading(True, 1000)
    pairs = [(reading(True, frames), reading(False, frames // 4)) for _ in range(3)]
    ratio = float(np.median([theirs / ours for ours, theirs in pairs]))
    ours, theirs = (float(np.median([pair[i] for pair in pairs])) for i in range(2))
    return {
        "ours_us": round(ours * 1e6, 2),
        "python_can_us": round(theirs * 1e6, 2),
        "times_cheaper": round(ratio, 1),
    }


def reading(ours: bool, count: int) -> float:
    """Processor seconds of the reading thread for one frame, at the rate of a full bus."""
    import pty
    import tty

    from can.interfaces.slcan import slcanBus

    from canscope.live.adapters.address import Address
    from canscope.live.adapters.slcan import Slcan

    master, slave = pty.openpty()
    tty.setraw(slave)
    address = os.ttyname(slave)
    if ours:
        mine = Slcan(Address("can0", "slcan", address, 1_000_000))
        mine.open()
    else:
        theirs = slcanBus(address, sleep_after_open=0, timeout=0.05)
    sender = threading.Thread(target=_pour, args=(master, count))
    sender.start()
    begun, heard = time.thread_time(), 0
    while heard < count:
        heard += len(mine.read().frames) if ours else theirs.recv(0.5) is not None
    used = time.thread_time() - begun
    sender.join()
    if ours:
        mine.close()
    else:
        theirs.shutdown()
    os.close(master)
    os.close(slave)
    return used / count


def _pour(fd: int, count: int) -> None:
    for first in range(0, count, 24):
        lines = (
            b"t%03X8%016X\r" % (0x600 + n % 64, n) for n in range(first, min(first + 24, count))
        )
        text = b"".join(lines)
        while text:
            text = text[os.write(fd, text) :]
        time.sleep(24 / RATE)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.live", description=__doc__)
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--rate", type=int, default=RATE, help="frames a second of each bus")
    parser.add_argument("--only", default="", help="one part: reading, virtual or slcan")
    parser.add_argument("--json", type=Path, help="write the figures to this file")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as spare:
        folder = Path(spare)
        told: dict[str, object] = {
            "machine": f"{platform.machine()}, {os.cpu_count()} cores, "
            f"Python {platform.python_version()}",
        }
        parts = {
            "reading": reading_alone,
            "virtual": lambda: through_virtual(folder / "v", asked.seconds, asked.rate),
            "slcan": lambda: through_slcan(folder, asked.seconds, asked.rate),
        }
        for name, part in parts.items():
            if asked.only in ("", name):
                told[name] = part()
    print(json.dumps(told, indent=1))
    if asked.json:
        asked.json.write_text(json.dumps(told, indent=1) + "\n")


if __name__ == "__main__":
    sys.exit(main())
