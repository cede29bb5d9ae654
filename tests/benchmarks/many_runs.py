"""A batch of equal runs of the demo vehicle, against checking them one by one.

What a run takes beside the start of a batch shows what many of them cost.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median
from typing import Any

from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run

COUNTS = (1, 2)  # of workers


def make_runs(folder: Path, runs: int) -> Path:
    """The plan of that many captures of the healthy dry spin, which are beside it in ``runs``."""
    files = write_run(make_run(), folder)
    text = files.capture.read_bytes()
    files.capture.unlink()
    (folder / "runs").mkdir(exist_ok=True)
    for number in range(runs):
        (folder / "runs" / f"{number:04}.log").write_bytes(text)
    return files.plan


def figures(runs: int, rounds: int) -> dict[str, Any]:
    """Runs a minute by ``check``, by one worker and by two, and what the workers took."""
    alone: list[tuple[float, float]] = []
    batches: dict[int, list[dict[str, float]]] = {count: [] for count in COUNTS}
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home)
        plan = make_runs(folder, runs)
        for number in range(rounds):
            print(f"round {number + 1}: {runs} runs", file=sys.stderr)
            alone.append(_one_by_one(folder, plan, runs))
            for count in COUNTS:
                batches[count].append(_batch(folder, plan, count, f"{number}-{count}"))
    one_by_one = {"wall_s": median(w for w, _ in alone), "cpu_s": median(c for _, c in alone)}
    told = {
        str(count): {name: median(one[name] for one in found) for name in found[0]}
        for count, found in batches.items()
    }
    return {"runs": runs, "one_by_one": one_by_one, "workers": told}


def _timed(words: list[str]) -> tuple[float, float]:
    """Seconds of the clock and of processors that a command and its children take."""
    begun = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "canscope", *words], stdout=subprocess.DEVNULL
    )
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, words
    return time.perf_counter() - begun, usage.ru_utime + usage.ru_stime


def _one_by_one(folder: Path, plan: Path, runs: int) -> tuple[float, float]:
    wall = cpu = 0.0
    for number in range(runs):
        capture, out = folder / "runs" / f"{number:04}.log", folder / "reports"
        words = ["check", str(capture), "--plan", str(plan), "--out", str(out), "--report", "json"]
        one = _timed([*words, "--quiet"])
        wall, cpu = wall + one[0], cpu + one[1]
    return wall, cpu


def _batch(folder: Path, plan: Path, workers: int, name: str) -> dict[str, float]:
    out = folder / f"out-{name}"
    words = ["batch", str(folder / "runs"), "--plan", str(plan), "--to", str(out), "--quiet"]
    words += ["--workers", str(workers)]
    wall_s, cpu_s = _timed(words)
    work = [run["work"] for run in json.loads((out / "index.json").read_bytes())["runs"]]
    again_s, _ = _timed(words)
    return {
        "wall_s": wall_s,
        "cpu_s": cpu_s,
        "again_s": again_s,  # all of it judged before
        "a_run_s": sum(one["seconds"] for one in work) / len(work),  # in its worker
        "a_run_cpu_s": sum(one["processor_s"] for one in work) / len(work),
        "peak_bytes": max(one["peak_bytes"] for one in work),  # of a worker
        "bytes_a_run": sum(p.stat().st_size for p in out.rglob("*") if p.is_file()) / len(work),
    }


def lines(told: dict[str, Any]) -> list[str]:
    """The figures as text."""
    runs, alone = told["runs"], told["one_by_one"]
    shown = [
        f"{runs} runs of the demo vehicle one by one: {60 * runs / alone['wall_s']:.1f} a minute, "
        f"{alone['cpu_s'] / runs:.2f} s of a processor each"
    ]
    for count, one in told["workers"].items():
        faster, cheaper = (alone[key] / one[key] for key in ("wall_s", "cpu_s"))
        shown += [
            f"  batch with {count} of them at once: {60 * runs / one['wall_s']:.1f} a minute, "
            f"{faster:.2f} times as many; by processor time {cheaper:.2f}",
            f"    a run in its worker {one['a_run_s']:.2f} s, {one['a_run_cpu_s']:.2f} s of a "
            f"processor; a worker at most {one['peak_bytes'] / 2**20:.0f} MiB; "
            f"{one['bytes_a_run'] / 1e3:.0f} kB a run on disk; all again {one['again_s']:.1f} s",
        ]
    return shown
