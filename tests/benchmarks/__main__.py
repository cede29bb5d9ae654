"""Run all contenders in turn, several rounds, and print the ratios; see ``--help``.

Machines differ and drift: only ratios taken in one run mean anything; on a machine that has other
work as well, only those of processor time.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

from canscope.model.engine import VARIABLE
from canscope.simulate.runs import make_run
from tests.benchmarks import many_runs
from tests.benchmarks.traffic import TEN, laps, make

TIMES = 3  # in one process, of which the quickest counts, unless the whole process does
STARTS = (  # a command, what it is compared with, and how many times as long it may take
    ("canscope --help", "pass", 5),
    ("check of the demo capture", "import pandas, plotly", 2),
)
GROWTH, PEAK = 1.05, 300 << 20  # of memory, from one million frames on, and in bytes
LIBRARIES = ("canscope", "numpy", "numba", "python-can", "cantools", "pandas", "pyarrow")
LIBRARIES += ("polars", "asammdf", "distributed")


@dataclass(frozen=True)
class Row:
    """One thing that is measured, and against what: (label, least ratio wanted or None)."""

    label: str
    command: tuple[str, ...]
    against: str = ""
    target: float | None = None
    whole: bool = False  # whether the whole process is compared, starting it included
    engine: str = ""  # instead of the one that the size of the log chooses


def rows(folder: Path, frames: int) -> list[Row]:
    """Everything to be run, in turn."""
    few, long = min(frames, 1_000_000), min(frames, 1_000_000)
    log = {
        name: str(folder / f"{name}-{count}.log")
        for name, count in (
            *(("fleet", frames), ("dirty", frames), ("few", 100_000), ("busy", few)),
            *(("formats", few), ("fleet-mf4", min(frames, 3_000_000))),
            *(("vehicle", few), ("vehicle-few", 100_000), ("long", long), ("long-few", 20_000)),
        )
    }
    fleet, plan = str(folder / "fleet.dbc"), str(folder / "plan.toml")
    both = (str(folder / "bramble_vehicle.dbc"), str(folder / "drive_unit.dbc"))
    ten, far = ",".join(TEN), str(folder / "long.dbc")
    found = [
        Row("touch every byte", ("limit", log["fleet"])),
        Row("parse", ("parse", log["fleet"]), "touch every byte", 0.30),
        Row("1 % bad lines", ("parse", log["dirty"]), "parse", 0.8),
        Row("script: all signals", ("script", log["few"], fleet)),
        Row("all signals", ("decode", log["fleet"], fleet), "script: all signals", 250),
        Row("script: ten signals", ("script_of", log["few"], fleet, ten)),
        Row("ten signals", ("decode", log["fleet"], fleet, ten), "script: ten signals", 150),
        Row("FD: cantools' decode alone", ("cantools_alone", log["long-few"], far)),
        Row("FD", ("decode", log["long"], far), "FD: cantools' decode alone", 50),
        Row("cantools' command line", ("cantools_line", log["few"], fleet)),
        Row("script: vehicle", ("script", log["vehicle-few"], *both), whole=True),
        Row("check: 100,000", ("check", log["vehicle-few"], plan), "script: vehicle", 5, True),
        Row("script: vehicle, all", ("script", log["vehicle"], *both), whole=True),
        Row("check: vehicle", ("check", log["vehicle"], plan), "script: vehicle, all", 10, True),
        Row("script: busy", ("script", log["busy"], *both), whole=True),
        Row("check: busy", ("check", log["busy"], plan), "script: busy", 10, True),
    ]
    for kind, theirs in (("vehicle", "script: vehicle, all"), ("busy", "script: busy")):
        plain = ("check", log[kind], plan)
        found.append(Row(f"check: {kind}, numpy", plain, theirs, whole=True, engine="numpy"))
    for suffix, target in (("parquet", 15), ("csv", 10)):
        theirs = f"table, {suffix}: script"
        found.append(Row(theirs, ("script_table", log["few"], fleet, suffix)))
        found.append(
            Row(f"table, {suffix}", ("table", log["formats"], fleet, suffix), theirs, target)
        )
        plain = ("table", log["formats"], fleet, suffix)
        found.append(Row(f"table, {suffix}, numpy", plain, theirs, engine="numpy"))
    packed = ("table", log["formats"], fleet, "parquet", "--compression", "zstd")
    found.append(Row("table, parquet, zstd", packed, "table, parquet: script", 15))
    for format, name in (("csv", "CSV"), ("db", "SQLite")):
        theirs = f"{name}: python-can"
        found.append(Row(theirs, ("python_can", log["few"], format)))
        found.append(Row(f"{name}: read", ("capture", log["formats"], format), theirs))
    text = Row("candump: read", ("capture", log["formats"], "log"))
    found.append(text)
    for format in ("pcap", "pcapng"):
        found.append(Row(f"{format}: read", ("capture", log["formats"], format), text.label))
    if has("polars"):
        found.append(Row("polars: parse", ("polars", log["fleet"])))
    if has("asammdf"):
        for kind, compression in (("MF4", "2"), ("MF4, not packed", "0")):
            theirs = f"{kind}: asammdf"
            found.append(Row(theirs, ("asammdf", log["fleet-mf4"], fleet, compression)))
            found.append(Row(kind, ("mf4", log["fleet-mf4"], fleet, compression), theirs, 2.5))
    return found


def has(library: str) -> str:
    """The version of a library, empty without it."""
    try:
        return importlib.metadata.version(library)
    except importlib.metadata.PackageNotFoundError:
        return ""


def measured(row: Row) -> tuple[float, float]:
    """Frames a second of one run, by the clock and by the processor time that it used."""
    command = [sys.executable, "-W", "ignore", "-m", "tests.benchmarks.contenders"]
    command += ["1" if row.whole else str(TIMES), *row.command]
    with tempfile.TemporaryFile() as told, tempfile.TemporaryFile() as wrong:
        begun = time.perf_counter()
        chosen = os.environ | ({VARIABLE: row.engine} if row.engine else {})
        process = subprocess.Popen(command, stdout=told, stderr=wrong, env=chosen)
        _, status, usage = os.wait4(process.pid, 0)
        wall, cpu = time.perf_counter() - begun, usage.ru_utime + usage.ru_stime
        process.returncode = os.waitstatus_to_exitcode(status)
        told.seek(0), wrong.seek(0)
        if process.returncode:
            raise SystemExit(f"{row.label}: {wrong.read().decode()}")
        frames, *inner = told.read().decode().split("\n")[-2].split()
    if not row.whole:
        wall, cpu = map(float, inner)
    return int(frames) / wall, int(frames) / max(cpu, 0.01)


def peak_bytes(frames: int, folder: Path, engine: str = "") -> int:
    """The most memory of ``canscope check`` with so many frames of the vehicle from a pipe.

    Without an ``engine`` the number of frames decides; a short run then never wakes numba.
    """
    command = [sys.executable, "-m", "canscope", "check", "-", "--quiet"]
    chosen = {VARIABLE: engine} if engine else {}
    with tempfile.TemporaryDirectory() as out:
        command += ["--plan", str(folder / "plan.toml"), "--out", out]
        process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, env=os.environ | chosen
        )
        assert process.stdin is not None
        for piece in laps(make_run(), frames):
            process.stdin.write(piece)
        process.stdin.close()
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    return usage.ru_maxrss * 1024


def start_ratios(rounds: int, folder: Path, out: str) -> dict[str, float]:
    """How much longer a command takes than another one that starts, by ``STARTS``."""
    parts = {
        "canscope --help": ["-m", "canscope", "--help"],
        "check of the demo capture": [
            *("-m", "canscope", "check", str(folder / "run.log"), "--quiet"),
            *("--plan", str(folder / "plan.toml"), "--out", out),
        ],
        "pass": ["-c", "pass"],
        "import pandas, plotly": ["-c", "import pandas, plotly"],
    }
    times: dict[str, list[float]] = {name: [] for name in parts}
    for _ in range(3 * rounds):
        for name, words in parts.items():
            begun = time.perf_counter()
            subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, check=True)
            times[name].append(time.perf_counter() - begun)
    return {what: median(times[what]) / median(times[other]) for what, other, _ in STARTS}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--frames", type=int, default=10_000_000, help="of the largest log")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--folder", type=Path, help="where the traffic is kept (default: nowhere)")
    parser.add_argument("--pipe", type=int, default=0, help="frames from a pipe, to see its memory")
    parser.add_argument("--runs", type=int, default=20, help="of a batch (0: no batch)")
    parser.add_argument("--markdown", action="store_true", help="print DEVELOPERS.md's table too")
    parser.add_argument("--json", type=Path, help="write the figures to this file")
    parser.add_argument("--only", default="", help="only rows that begin so, or so: A,B")
    asked = parser.parse_args()
    # What is installed has its bytecode, as pandas and plotly have theirs; a check that compiles
    # all of canscope first is none that anybody waits for.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    with tempfile.TemporaryDirectory() as spare:
        folder = asked.folder or Path(spare)
        make(folder, asked.frames)
        told = run(asked, folder)
    print(table(told))
    if asked.markdown:
        print(markdown(told))
    if asked.json:
        asked.json.write_text(json.dumps(told, indent=1) + "\n")


def run(asked: argparse.Namespace, folder: Path) -> dict[str, object]:
    """All figures."""
    every = rows(folder, asked.frames)
    chosen = [row for row in every if row.label.startswith(tuple(asked.only.split(",")))]
    needed = {row.against for row in chosen} | {row.label for row in chosen}
    speeds: dict[str, list[tuple[float, float]]] = {
        row.label: [] for row in every if row.label in needed
    }
    for number in range(asked.rounds):
        for row in every:
            if row.label in speeds:
                print(f"round {number + 1}: {row.label}", file=sys.stderr)
                speeds[row.label].append(measured(row))
    lines = []
    for row in every:
        if row.label in speeds:
            mine, other = speeds[row.label], speeds.get(row.against, [])
            clock, cpu = (
                median(a[i] / b[i] for a, b in zip(mine, other, strict=True)) if other else None
                for i in range(2)
            )
            line = {"what": row.label, "frames_per_s": round(median(s for s, _ in mine))}
            line |= {
                "ratio": clock,
                "ratio_of_processor_time": cpu,
                "target": row.target,
            }
            lines.append(line | {"against": row.against, "whole_process": row.whole})
    told: dict[str, object] = {
        "machine": f"{platform.machine()}, {os.cpu_count()} cores, Python {sys.version.split()[0]}",
        "versions": {name: has(name) for name in LIBRARIES},
        "frames": asked.frames,
        "rounds": asked.rounds,
        "rows": lines,
    }
    with tempfile.TemporaryDirectory() as out:
        told["starts"] = start_ratios(asked.rounds, folder, out)
    if asked.runs and has("distributed"):
        told["many_runs"] = many_runs.figures(asked.runs, asked.rounds)
    if asked.pipe:
        few = 1_000_000
        told["peak_bytes"] = [
            {"frames": few, "engine": "", "bytes": peak_bytes(few, folder)},
            {"frames": few, "engine": "numba", "bytes": peak_bytes(few, folder, "numba")},
            {"frames": asked.pipe, "engine": "", "bytes": peak_bytes(asked.pipe, folder)},
        ]
        told["peak_bytes_wanted"] = {"ratio": GROWTH, "bytes": PEAK}
    return told


def table(told: dict[str, object]) -> str:
    """The figures as text."""
    lines = [f"{'':26} {'frames/s':>11} {'ratio':>7} {'by CPU':>7} {'wanted':>7}      against"]
    for row in told["rows"]:  # type: ignore[attr-defined]
        names = ("ratio", "ratio_of_processor_time", "target")
        ratio, cpu, target = (f"{row[n]:.3g}" if row[n] else "" for n in names)
        whole = " (whole process)" if row["whole_process"] else ""
        said = met(row["ratio"] >= row["target"]) if row["target"] else ""
        numbers = f"{row['frames_per_s']:11,} {ratio:>7} {cpu:>7} {target:>7} {said:4}"
        lines.append(f"{row['what']:26} {numbers} {row['against']}{whole}")
    starts: Any = told["starts"]
    for what, other, most in STARTS:
        said = f"at most {most} wanted: {met(starts[what] <= most)}"
        lines.append(f"{what} takes {starts[what]:.1f} times {other!r} in Python; {said}")
    if "many_runs" in told:
        many: Any = told["many_runs"]
        lines += many_runs.lines(many)
    if "peak_bytes" in told:
        peaks: Any = told["peak_bytes"]
        lines.append("peak memory of check, frames from a pipe:")
        lines += [
            f"  {peak['frames']:11,} {peak['engine'] or 'as it chooses':14} "
            f"{peak['bytes'] / 2**20:5.0f} MiB"
            for peak in peaks
        ]
        *_, small, large = (peak["bytes"] for peak in peaks)
        said = f"{large / small:.3f} times as much, at most {GROWTH} wanted: "
        said += f"{met(large <= GROWTH * small)}; at most {PEAK >> 20} MiB wanted: "
        lines.append(f"  {said}{met(large <= PEAK)}")
    lines.append(f"{told['machine']}; {told['versions']}")
    return "\n".join(lines)


def markdown(told: dict[str, object]) -> str:
    """The ratios as the table of DEVELOPERS.md."""
    lines = ["| what | times as fast | by processor time | wanted | as |", "| --- " * 5 + "|"]
    for row in told["rows"]:  # type: ignore[attr-defined]
        if row["against"]:
            names = ("ratio", "ratio_of_processor_time", "target")
            numbers = [f"{row[n]:.3g}" if row[n] else "" for n in names]
            lines.append(f"| {' | '.join([row['what'], *numbers, row['against']])} |")
    return "\n".join(lines)


def met(is_so: bool) -> str:
    """In words."""
    return "yes" if is_so else "NO"


if __name__ == "__main__":
    main()
