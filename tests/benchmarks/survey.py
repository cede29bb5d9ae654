"""How right a survey is: ``python -m tests.benchmarks.survey``, printed as a table.

Truth are the simulator's definitions of random vehicles, which the survey never sees; seeds here
are others than those by which its thresholds were chosen (below 100). Boundaries are the first
and last bit that ever flipped of each signal (no survey can see a bit that stood still); a sign
counts where its bit flipped. READ is a plain reading of the paper, in the same run.

References are what a person would have: up to ten readings of a meter, taken where it stands still
and at several values if there are, off by 0.2 % and by up to 0.3 s; a mark at each of up to eight
presses, off by up to 0.3 s. "Same quantity" also accepts the other unit's speed or link voltage,
or the second track of the pedal, which may not differ within that. A quantity whose readings
stayed within 1 % or ten steps of its signal is left out.
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
from canscope.survey.payloads import raw_values
from canscope.survey.ranking import rank
from canscope.survey.reference import Reference
from canscope.survey.survey import survey_frames
from tests.benchmarks.survey_truth import Part, Score, bits_of, observed, read_plain

STAGES = ("dry-spin", "power-up", "wet-spin")
METERED = ("PackVoltage", "PackCurrent", "MotorSpeed", "LinkVoltage", "ControlVoltage", "Pedal")
SPECIAL = ("counter", "checksum")
FIRST_SEED = 1000


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--vehicles", type=int, default=60)
    parser.add_argument("--first", type=int, default=FIRST_SEED)
    parser.add_argument("--boat", default="", help="a capture of public parameter groups")
    parser.add_argument("--missed", type=Path, help="write what was missed here")
    args = parser.parse_args()
    mine, plain, missed = Score(), Score(), io.StringIO()
    references: dict[str, list[int]] = {}
    for seed in range(args.first, args.first + args.vehicles):
        one_vehicle(seed, mine, plain, references, missed)
    print(f"{args.vehicles} random vehicles, {mine.true // 2} signals that moved")
    print(f"{'':34}{'wanted':>8}{'canscope':>10}{'READ':>8}")
    line("field boundaries, F1", 0.9, mine.boundaries, plain.boundaries)
    line("sign", 0.97, mine.sign, plain.sign)
    line(f"counters and checksums, F1 ({mine.special_true})", 0.98, mine.special, plain.special)
    print(f"\n{'true field first':34}{'wanted':>8}{'strictly':>10}{'same quantity':>15}{'of':>6}")
    for name in ("values", "marks", *sorted(set(references) - {"values", "marks"})):
        strictly, same, clear, wrong, count = references.get(name, [0] * 5)
        wanted = "0.95" if name in ("values", "marks") else ""
        shares = f"{strictly / max(count, 1):>10.3f}{same / max(count, 1):>15.3f}{count:>6}"
        print(f"{name:34}{wanted:>8}{shares}   called clear {clear}, of these wrong {wrong}")
    random_bytes()
    a_million_frames()
    if args.boat:
        boat(args.boat)
    if args.missed:
        args.missed.write_text(missed.getvalue())


def line(label: str, wanted: float, mine: float, plain: float) -> None:
    mark = "" if mine >= wanted else "  missed"
    print(f"{label:34}{wanted:>8}{mine:>10.3f}{plain:>8.3f}{mark}")


def one_vehicle(seed, mine, plain, references, missed) -> None:
    stage = STAGES[seed % len(STAGES)]
    vehicle, story = draw(seed, stage=stage)
    run = make_run(vehicle, stage=stage, story=story, seed=seed)
    with tempfile.TemporaryDirectory() as folder:
        capture = Path(folder) / "capture.log"
        capture.write_text(run.capture_text())
        _, found = survey_frames(read_capture(capture))
    messages = {(m.channel, m.can_id): m for ms in all_messages(vehicle).values() for m in ms}
    truths = []
    for one in found:
        message = messages[one.payloads.channel, one.payloads.can_id]
        order = np.argsort(one.payloads.time_ns, kind="stable")
        data, at_ns = one.payloads.data[order], one.payloads.time_ns[order]
        truth = observed(message.signals, data)
        fields = [
            Part(tuple(positions(f)), f.signed, f.kind if f.kind in SPECIAL else "number")
            for f in one.identifier.fields
            if f.kind != "unexplained"
        ]
        mine.add(truth, fields, missed, f"{seed} {one.identifier.key} {message.name}")
        plain.add(truth, read_plain(data))
        truths += [(spec, one.identifier.key, at_ns, data) for spec in message.signals]
    rng = np.random.default_rng([seed, 12])
    origin = min(int(one.payloads.all_ns.min()) for one in found)
    for spec, key, at_ns, data in truths:
        raw = raw_of(spec, data)
        at_s = (at_ns - origin) / 1e9
        for reference in (values_for(rng, spec, at_s, raw), marks_for(rng, spec, at_s, raw)):
            if reference is not None:
                count_first(found, truths, spec, key, reference, references, missed, seed)


def count_first(found, truths, spec, key, reference, references, missed, seed) -> None:
    """Whether the field that comes first for this reference is the one it was taken from."""
    ranking = rank(found, [reference])[0]
    first = ranking.candidates[0] if ranking.candidates else None
    right = same = False
    if first is not None:
        bits = set(positions(first.field))
        right = first.identifier.key == key and bool(bits & set(bits_of(spec)))
        same = right or any(
            k == first.identifier.key
            and bits & set(bits_of(s))
            and s.name.rstrip("2") == spec.name.rstrip("2")
            for s, k, _, _ in truths
        )
    for name in (reference.kind, f"{reference.kind}: {spec.name}"):
        row = references.setdefault(name, [0] * 5)
        wrong = ranking.clear and not same
        for i, add in enumerate((right, same, ranking.clear, wrong, True)):
            row[i] += bool(add)
    if not same:
        best = f"{first.identifier.key} {first.field.place}" if first else "nothing"
        missed.write(f"{seed} {reference.kind} {spec.key}: {best}, clear {ranking.clear}\n")


def raw_of(spec, data):
    low = bits_of(spec)[0]
    bits = {"big_endian": spec.big_endian, "signed": spec.signed}
    return raw_values(data, low, spec.length_bits, **bits)


def marks_for(rng, spec, at_s, raw) -> Reference | None:
    """A mark at each press, of which there must be two."""
    if len(at_s) < 20 or spec.name not in ("BrakePressed", "Pedal"):
        return None
    if spec.name == "Pedal" and np.ptp(raw) * abs(spec.factor) < 10:
        return None  # never pressed: noise
    rest = np.bincount(raw - raw.min()).argmax() + raw.min()
    away = np.abs(raw - rest) > 0.2 * np.ptp(raw)
    starts = at_s[1:][away[1:] & ~away[:-1]]
    starts = starts[np.diff(starts, prepend=-9.0) > 2.0]  # a pedal that trembles was pressed once
    if len(starts) < 2:
        return None
    marks = starts[:8] + rng.uniform(-0.3, 0.3, len(starts[:8]))
    return Reference(spec.name, tuple(sorted(marks.tolist())))


def values_for(rng, spec, at_s, raw) -> Reference | None:
    """What a person would type in, from the signal's own values."""
    if len(at_s) < 20 or spec.name not in METERED:
        return None
    value = raw * spec.factor + spec.offset
    times = steady(rng, at_s, value)
    seen = value[np.searchsorted(at_s, times) - 1] * (1 + rng.normal(0, 0.002, len(times)))
    span = np.ptp(seen) if len(times) > 3 else 0.0
    if span < 10 * abs(spec.factor) or span < 0.01 * np.abs(seen).max():
        return None
    typed = times + rng.uniform(-0.3, 0.3, len(times))
    return Reference(spec.name, tuple(typed.tolist()), tuple(seen.tolist()))


def steady(rng, at_s, value) -> np.ndarray:
    """Up to ten instants at which it stands still enough to be read, over its whole range."""
    times = np.sort(rng.uniform(at_s[0] + 1, at_s[-1] - 1, 400))
    first, last = np.searchsorted(at_s, times - 0.6), np.searchsorted(at_s, times + 0.6)
    spans = np.array([np.ptp(value[a : b + 1]) for a, b in zip(first, last, strict=True)])
    calm = np.flatnonzero(spans < 0.03 * np.ptp(value))
    if len(calm) == 0:
        return times[:0]
    # At as many different values as there are, not ten times the same one.
    levels = value[np.searchsorted(at_s, times[calm]) - 1]
    edges = np.linspace(levels.min(), levels.max(), 6)
    bins = np.clip(np.digitize(levels, edges) - 1, 0, 4)
    chosen: list[int] = []
    for level in np.unique(bins):
        rows = calm[bins == level]
        chosen += rng.choice(rows, min(len(rows), 3), replace=False).tolist()
    return times[np.sort(rng.permutation(chosen)[:10])]


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
