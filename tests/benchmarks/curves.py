"""Curves of a long run: ``python -m tests.benchmarks.curves``, printed; no part of the tests.

Writes the curves of ``fleet`` traffic (190 signals on two buses) in a process of its own, and asks
for eight signals in windows of every length at random places. Prints frames a second, peak memory,
bytes a frame on the disk, and how long a window takes, cold and warm; twice with different numbers
of frames, so that one sees what grows with them.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

import numpy as np

from tests.benchmarks.traffic import TEN, cyclic, fleet_dbc, fleet_ids

LENGTHS = (1.0, 0.3, 0.1, 0.01, 0.001, 0.0001)  # of the run
WRITE = """
import resource, sys, time
from pathlib import Path
from canscope.curves.write import write_curves
from canscope.decoding.database import read_definitions
folder = Path(sys.argv[1])
begun = time.perf_counter()
write_curves([folder / "run.log"], read_definitions(folder / "fleet.dbc"), folder / "curves")
used = resource.getrusage(resource.RUSAGE_SELF)
print(time.perf_counter() - begun, used.ru_maxrss, used.ru_utime + used.ru_stime)
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--frames", type=int, default=10_000_000)
    parser.add_argument("--folder", type=Path, help="where the traffic is kept (default: nowhere)")
    args = parser.parse_args()
    for frames in (args.frames // 10, args.frames):
        with tempfile.TemporaryDirectory() as spare:
            measure((args.folder or Path(spare)) / str(frames), frames)


def measure(folder: Path, frames: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "fleet.dbc").write_text(fleet_dbc())
    if not (folder / "run.log").exists():
        with (folder / "run.log").open("wb") as file:
            file.writelines(cyclic(fleet_ids(), frames, 8))
    told = subprocess.run(
        [sys.executable, "-c", WRITE, str(folder)], check=True, stdout=subprocess.PIPE, text=True
    )
    took_s, peak_kb, worked_s = map(float, told.stdout.split())
    size = (folder / "curves" / "curves.bin").stat().st_size
    index = (folder / "curves" / "curves.json").stat().st_size
    print(f"{frames:,} frames: written in {took_s:.1f} s, {worked_s:.1f} s of processor time")
    print(f"  peak memory {peak_kb / 1024:.0f} MB")
    print(f"  on the disk {size / frames:.1f} bytes a frame, index {index / 2**20:.1f} MB")
    ask(folder)


def ask(folder: Path) -> None:
    from canscope.curves.query import Curves
    from canscope.decoding.database import read_definitions

    begun = time.perf_counter()
    curves = Curves(folder / "curves", read_definitions(folder / "fleet.dbc"))
    print(f"  opened in {1e3 * (time.perf_counter() - begun):.0f} ms")
    known = {one.key.partition(":")[2]: one.key for one in curves.signals}
    keys = [known[name] for name in TEN[:8]]
    whole = curves.stretches_s[0][1]
    rng = np.random.default_rng(3)
    for length in LENGTHS:
        times, worked, points = [], [], 0
        for _ in range(20):
            start = rng.uniform(0, whole * (1 - length))
            begun, own = time.perf_counter(), time.process_time()
            found = curves.window(keys, start, start + whole * length)
            times.append(1e3 * (time.perf_counter() - begun))
            worked.append(1e3 * (time.process_time() - own))
            points = max(points, *(len(curve.at_s) for curve in found))
        print(
            f"  8 signals, {whole * length:10.2f} s of them: first {times[0]:6.1f} ms, median "
            f"{median(times):6.1f} ms ({median(worked):.1f} ms of processor time), longest "
            f"{max(times):6.1f} ms; at most {points} points"
        )


if __name__ == "__main__":
    os.environ.setdefault("PYTHONPATH", os.getcwd())
    main()
