"""Kills, full disks and pulled adapters at random instants, and a long run; by command.

``python -m tests.live.campaign --kills 200 --full 200 --pulled 200 --hours 8`` prints what each
cost: the time from the last frame that was kept to the instant of the trouble. The long run is
replayed within three minutes: a tenth of a bench's traffic for so many hours, in rotated files.
"""

import argparse
import os
import random
import resource
import sys
import tempfile
import time
import tomllib
from pathlib import Path

from tests.live.adapter import Adapter
from tests.live.stand import (
    as_candump,
    ended,
    frames_in,
    kill,
    record,
    recorder_pid,
    small_plan,
    wait_for,
)
from tests.live.test_record import Killed, bus, facts, speak

LINE = len(b"t123400000000\r")
LASTS_S = 180.0  # a replay as fast as it goes would be judged in pieces of 4 MB, as no run is


def kills(place, count, rng):
    """Recorder and watcher are killed together."""
    for number in range(count):
        one = Killed(place / f"kill-{number}", rng.uniform(0.2, 1.2))
        one.start()
        one.join()
        assert one.found == "", one.found
        yield one.lost_s()


def full(place, count, rng):
    """The system takes no more bytes of a file from some size on."""
    for number in range(count):
        spot = place / f"full-{number}"
        spot.mkdir()
        adapter, size, run = Adapter(spot / "tty"), rng.randint(10_000, 120_000), spot / "run"

        def small(size=size):
            resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))

        process = record(run, bus(adapter), preexec_fn=small)
        wait_for(lambda run=run: (run / "run.toml").exists())
        speak(adapter, 60, until=lambda run=run: facts(run).get("end"))
        end_s = facts(run)["end"]["at_ns"] / 1e9 - time.time() + time.monotonic()
        out, code = ended(process)
        adapter.unplug()
        kept = [text for _, text in frames_in(run)]
        assert kept == [as_candump(line) for line in adapter.sent[: len(kept)]]
        assert (code, "nothing can be written any more" in out) == (2, True)
        yield end_s - handed_s(adapter, len(kept))


def pulled(place, count, rng):
    """One adapter goes away again and again in one run; how many frames it had handed over miss."""
    adapter, run = Adapter(place / "tty"), place / "pulled"
    process, before = record(run, bus(adapter)), 0
    wait_for(lambda: (run / "run.toml").exists())
    wait_for(adapter.opened.is_set)
    for number in range(count):
        speak(adapter, rng.uniform(0.1, 0.6), start=1000 * number)
        handed = sum(1 for _ in adapter.sent)
        adapter.unplug()
        adapter.plug_in()
        wait_for(lambda number=number: str(facts(run)["events"]).count("is back") > number)
        wait_for(adapter.opened.is_set)
        kept = len(frames_in(run))
        yield max(0.0, (handed - before - kept) * 0.0005)  # those in its own buffer went with it
        before = handed - kept
    kill(process.pid, 15)
    out, code = ended(process)
    adapter.unplug()
    assert code == 0
    assert out.count("its adapter went away (") >= count


def handed_s(adapter, frames):
    """When the adapter had handed over so many frames."""
    return next((at for at, size in adapter.fetched if size >= frames * LINE), 0.0)


def long_run(place, hours):
    """Memory, file handles and files of a run of many hours."""
    plan, capture = small_plan(place), place / "long.log"
    count = round(hours * 3600 * 100)
    with capture.open("w") as file:
        for row in range(count):
            us = 1_715_677_200_000_000 + row * 10_000
            file.write(f"({us // 10**6}.{us % 10**6:06d}) can0 100#0000\n")
    bus = f"*=replay:{capture}@{hours * 3600 / LASTS_S:g}"
    said = (place / "said.txt").open("w")
    process = record(place / "long", bus, plan=plan, more=("--rotate-mb", "8"), stdout=said)
    wait_for(lambda: (place / "long" / "run.toml").exists())
    pids, rows = (int(recorder_pid(process)), process.pid), []
    while process.poll() is None:
        time.sleep(1)
        try:
            rows.append([(memory_MB(pid), len(os.listdir(f"/proc/{pid}/fd"))) for pid in pids])
        except (OSError, StopIteration):  # the recorder is done before its watcher
            continue
        if len(rows) % 10 != 1:
            continue
        done = sum(path.stat().st_size for path in (place / "long").glob("capture-*.log"))
        share = done / capture.stat().st_size
        print(f"  {share:4.0%}: recorder, watcher (MB, open files): {rows[-1]}", flush=True)
    files = sorted((place / "long").glob("capture-*.log"))
    assert b"".join(path.read_bytes() for path in files) == capture.read_bytes()
    end = tomllib.loads((place / "long" / "run.toml").read_text())["end"]
    print(f"{hours} h: {count} frames, {end['frames']} counted, {len(files)} files")
    for name, held in zip(("recorder", "watcher"), zip(*rows, strict=True), strict=True):
        quarter = len(held) // 4
        halves = held[quarter : 2 * quarter], held[-quarter:]
        early, late = (max(size for size, _ in half) for half in halves)
        handles = sorted({number for _, number in held})
        print(f"  {name}: at most {early} MB in the second quarter, {late} MB in the last one; "
              f"{handles} open files")  # fmt: skip


def memory_MB(pid):
    """What a process holds."""
    text = Path(f"/proc/{pid}/status").read_text()
    return next(int(line.split()[1]) // 1024 for line in text.splitlines() if "VmRSS" in line)


def main():
    """What is asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name in ("kills", "full", "pulled"):
        parser.add_argument(f"--{name}", type=int, default=0)
    parser.add_argument("--hours", type=float, default=0.0)
    parser.add_argument("--seed", type=int, default=7)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for number, trouble in enumerate((kills, full, pulled)):
            count = getattr(args, trouble.__name__)
            if count:
                rng = random.Random(args.seed + number)
                lost_ms = sorted(1000 * s for s in trouble(Path(folder), count, rng))
                middle, most = lost_ms[count // 2], lost_ms[-1]
                print(f"{trouble.__name__}: {count}, lost at most {most:.0f} ms, half of them at"
                      f" most {middle:.0f} ms", flush=True)  # fmt: skip
        if args.hours:
            long_run(Path(folder), args.hours)


if __name__ == "__main__":
    sys.exit(main())
