"""What the page costs beside a recorder: ``python -m tests.bench.measure --seconds 180``.

The demo vehicle's run is replayed with so many other frames among its own that the wanted rate is
reached, while one page is open. Printed are the processor time of each process as a share of one
core, and its memory a quarter through and at the end. Not part of the tests.
"""

import argparse
import os
import shutil
import tempfile
import time
from pathlib import Path

from playwright.sync_api import sync_playwright

from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run
from tests.bench.stand import Server
from tests.report.browser import chromium

TICKS = os.sysconf("SC_CLK_TCK")
FILLER = "700#0011223344556677"


def dense(capture, per_s, seconds):
    """Repeat the run until it is long enough, and fill it up; stamps rise by a nanosecond."""
    lines = [line.split(" ", 1) for line in capture.read_text().splitlines()]
    stamps = [float(stamp.strip("()")) for stamp, _ in lines]
    length = stamps[-1] - stamps[0] + 0.01
    fillers = [(n / per_s, f"can{1 + n % 2} {FILLER}") for n in range(int(length * per_s))]
    own = [(s - stamps[0], rest) for s, (_, rest) in zip(stamps, lines, strict=True)]
    rows = sorted(own + fillers, key=lambda row: row[0])
    with capture.open("w") as file:
        for round_ in range(int(seconds / length) + 1):
            at = stamps[0] + round_ * length
            file.writelines(f"({at + late:.6f}) {rest}\n" for late, rest in rows)


def processes(root):
    """All processes below one, with what they are."""
    found = {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            text = path.read_text()
            words = (path.parent / "cmdline").read_bytes().replace(b"\0", b" ").decode()
        except OSError:
            continue
        pid, parent = int(path.parent.name), int(text.rpartition(")")[2].split()[1])
        found[pid] = (parent, words)
    below, more = {root}, True
    while more:
        more = {pid for pid, (parent, _) in found.items() if parent in below} - below
        below |= more
    return {pid: found[pid][1] for pid in below if pid in found}


def kind(words):
    """Which of ours, or of the browser's, it is."""
    for name in ("bench.attendant", "recording.process", "watchdog", "canscope bench"):
        if name in words:
            return name
    return next((f"browser {w[7:]}" for w in words.split() if w.startswith("--type=")), "browser")


def usage(pids):
    """kind -> (processor seconds, MB)."""
    total = {}
    for pid, words in pids.items():
        try:
            fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
            resident = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
        except OSError:
            continue
        used, memory = total.get(kind(words), (0.0, 0.0))
        used += (int(fields[11]) + int(fields[12])) / TICKS
        total[kind(words)] = (used, memory + resident * os.sysconf("SC_PAGE_SIZE") / 1e6)
    return total


def main():
    """Record, look, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--per-second", type=int, default=16_000)
    parser.add_argument("--picture", type=Path, help="the page at the end, as a picture")
    asked = parser.parse_args()
    folder = Path(tempfile.mkdtemp())
    files = write_run(make_run("bramble", stage="dry-spin"), folder)
    dense(files.capture, asked.per_second, asked.seconds + 30)
    server = Server(folder)
    server.post("/before/start", server.rehearsal(folder, speed="1"))
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        page = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
        page.goto(server.link)
        page.keyboard.press("h")
        page.wait_for_timeout(1000 * asked.seconds / 4)
        pids = processes(os.getpid())
        before, began = usage(pids), time.monotonic()
        number = page.evaluate("performance.now()")
        page.wait_for_timeout(1000 * asked.seconds * 3 / 4)
        after, took = usage(pids), time.monotonic() - began
        print(f"{server.state()['buses']}")
        print(f"page: {page.text_content('#word')}, {number:.0f} ms old at first look")
        for name in sorted(after):
            share = (after[name][0] - before[name][0]) / took
            first, last = before[name][1], after[name][1]
            print(f"{name:20} {100 * share:5.1f} % of a core   {first:6.0f} -> {last:6.0f} MB")
        if asked.picture:
            page.screenshot(path=asked.picture)
        browser.close()
    server.post("/during/do", {"do": "end"})
    server.end()
    server.end_left_run()
    shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
