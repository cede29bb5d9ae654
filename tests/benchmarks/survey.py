"""How right a survey is: ``python -m tests.benchmarks.survey``, printed as a table.

Truth are the simulator's definitions of random vehicles, which the survey never sees; seeds here
are others than those by which its thresholds were chosen (below 100, and 5000 to 5047).
Boundaries are the first and last bit that ever flipped of each signal (no survey can see a bit
that stood still); a sign counts where its bit flipped. READ is a plain reading of the paper, in
the same run.

How references are asked and counted: ``tests.benchmarks.survey_references``.
"""

from __future__ import annotations

import argparse
import io
import tempfile
import time
from pathlib import Path

import numpy as np

from canscope.capture.read import read_capture
from canscope.model.tables import Frames
from canscope.simulate.messages import all_messages
from canscope.simulate.random_vehicle import draw
from canscope.simulate.runs import make_run
from canscope.survey.counters import positions
from canscope.survey.survey import survey_frames
from tests.benchmarks.survey_presses import Pressed
from tests.benchmarks.survey_references import Tally, presses, rows, signal_of
from tests.benchmarks.survey_truth import Part, Score, observed, read_plain

STAGES = ("dry-spin", "power-up", "wet-spin")
SPECIAL = ("counter", "checksum")
MARKS = (3, 8, 16)
FIRST_SEED = 83_000


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--vehicles", type=int, default=48)
    parser.add_argument("--first", type=int, default=FIRST_SEED)
    parser.add_argument("--boat", default="", help="a capture of public parameter groups")
    parser.add_argument("--missed", type=Path, help="write what was missed here")
    args = parser.parse_args()
    mine, plain, missed = Score(), Score(), io.StringIO()
    tally = Tally()
    for seed in range(args.first, args.first + args.vehicles):
        one_vehicle(seed, mine, plain, tally, missed)
    print(f"{args.vehicles} random vehicles, {mine.true // 2} signals that moved")
    print(f"{'':34}{'wanted':>8}{'canscope':>10}{'READ':>8}")
    line("field boundaries, F1", 0.9, mine.boundaries, plain.boundaries)
    line("sign", 0.97, mine.sign, plain.sign)
    line(f"counters and checksums, F1 ({mine.special_true})", 0.98, mine.special, plain.special)
    print("\nthe field that comes first for a reference (wanted: 0.95, strictly first: own)")
    print("\n".join(rows(tally)))
    random_bytes()
    a_million_frames()
    if args.boat:
        boat(args.boat)
    if args.missed:
        args.missed.write_text(missed.getvalue() + "\n".join(tally.missed) + "\n")


def line(label: str, wanted: float, mine: float, plain: float) -> None:
    mark = "" if mine >= wanted else "  missed"
    print(f"{label:34}{wanted:>8}{mine:>10.3f}{plain:>8.3f}{mark}")


def one_vehicle(seed, mine, plain, tally, missed) -> None:
    """Its layout, and every reference in every form."""
    stage = STAGES[seed % len(STAGES)]
    vehicle, story = draw(seed, stage=stage)
    found, signals, truths = surveyed(vehicle, make_run(vehicle, story=story, seed=seed))
    for one, message, data in truths:
        truth = observed(message.signals, data)
        fields = [
            Part(tuple(positions(f)), f.signed, f.kind if f.kind in SPECIAL else "number")
            for f in one.identifier.fields
            if f.kind != "unexplained"
        ]
        mine.add(truth, fields, missed, f"{seed} {one.identifier.key} {message.name}")
        plain.add(truth, read_plain(data))
    tally.readings(found, signals, np.random.default_rng([seed, 12]), seed)
    driven = {one.spec.name: presses(one) for one in signals}
    tally.marks(found, signals, np.random.default_rng([seed, 13]), seed, "drive", driven)
    for count in MARKS:
        pressed = Pressed(story=story, presses=count, seed=seed)
        run = make_run(vehicle, story=pressed, seed=seed)
        found, signals, _ = surveyed(vehicle, run)
        since_s = float(run.recording.since_s()[0])
        names = {"BrakePressed": "brake", "Pedal": "pedal"}
        marked = {
            name: [at - since_s for at in pressed.marked(what)] for name, what in names.items()
        }
        rng = np.random.default_rng([seed, count])
        tally.marks(found, signals, rng, seed, f"{count} marks", marked)


def surveyed(vehicle, run):
    """What the survey finds in a run, its true signals, and for each message its true layout."""
    with tempfile.TemporaryDirectory() as folder:
        capture = Path(folder) / "capture.log"
        capture.write_text(run.capture_text())
        _, found = survey_frames(read_capture(capture))
    messages = {(m.channel, m.can_id): m for ms in all_messages(vehicle).values() for m in ms}
    origin = min(int(one.payloads.all_ns.min()) for one in found)
    signals, truths = [], []
    for one in found:
        message = messages[one.payloads.channel, one.payloads.can_id]
        order = np.argsort(one.payloads.time_ns, kind="stable")
        data, at_s = one.payloads.data[order], (one.payloads.time_ns[order] - origin) / 1e9
        truths.append((one, message, data))
        signals += [
            signal_of(spec, one.identifier.key, at_s, data, vehicle.wiring.encodings.get(spec.key))
            for spec in message.signals
        ]
    return found, signals, truths


def traffic(count: int, payloads: np.ndarray, identifiers: int = 30) -> Frames:
    """Frames of so many identifiers in turn, one each 100 us."""
    return Frames(
        time_ns=np.arange(count, dtype=np.int64) * 100_000,
        channel=np.zeros(count, np.uint8),
        can_id=(0x100 + np.arange(count) % identifiers).astype(np.uint32),
        flags=np.zeros(count, np.uint8),
        length=np.full(count, 8, np.uint8),
        data=payloads.view("<u8").ravel().astype(np.uint64),
        heap_at=np.full(count, -1, np.int32),
        heap=np.zeros(0, np.uint8),
        channels=("can0",),
    )


def random_bytes() -> None:
    rng = np.random.default_rng(5)
    found = 0
    for count in (30, 1000, 30_000, 300_000):
        payloads = rng.integers(0, 256, (count, 8), np.uint8)
        survey, _ = survey_frames([traffic(count, payloads)])
        found += sum(f.kind != "unexplained" for i in survey.identifiers for f in i.fields)
    print(f"\nrandom bytes, 30 to 300,000 frames: {found} fields found (wanted: 0)")


def a_million_frames() -> None:
    """Counters, slow numbers and constants, as buses carry them."""
    count = 1_000_000
    rng = np.random.default_rng(6)
    payloads = np.zeros((count, 8), np.uint8)
    slow = (20_000 + 9000 * np.sin(np.arange(count) / 30_000) + rng.normal(0, 4, count)).astype(int)
    payloads[:, 0], payloads[:, 1] = slow & 255, slow >> 8
    payloads[:, 4] = np.arange(count) // 30 % 16
    payloads[:, 6] = rng.integers(0, 256, count)
    frames = traffic(count, payloads)
    wall, used = time.perf_counter(), time.process_time()
    survey_frames([frames])
    wall, used = time.perf_counter() - wall, time.process_time() - used
    print(f"1 M frames: {wall:.1f} s, {used:.1f} s of processor time (wanted: 10 s)")


def boat(path: str) -> None:
    """127250 heading: bits 8-23 unsigned; 127508 battery: 8-23 voltage, 24-39 signed current."""
    survey, _ = survey_frames(read_capture(path))
    wanted = {
        0x1F112: [("heading", 8, 16, None)],
        0x1F214: [("voltage", 8, 16, None), ("current", 24, 16, True)],
        0x1F113: [("rate of turn", 8, 32, True)],
    }
    for one in survey.identifiers:
        for name, low, bits, signed in wanted.get(one.can_id >> 8 & 0x1FFFF, []):
            match = [f for f in one.fields if f.low == low and f.length_bits == bits]
            right = bool(match) and signed in (None, match[0].signed)
            print(f"boat {one.shown_id} {name}: {'found' if right else 'missed'}")


if __name__ == "__main__":
    main()
