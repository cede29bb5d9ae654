"""The traffic that is measured, made anew wherever it is measured.

``fleet``: 30 messages on two buses, 190 signals, full payloads. ``vehicle``: the demo vehicle's
healthy dry spin, again and again, every message bound to a role. ``busy``: the same vehicle among
ten times as many frames of other nodes, as on the buses of a whole car. ``long``: CAN FD frames of
64 bytes. ``dirty``: ``fleet`` with one bad line in a hundred.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from canscope.simulate.folder import write_run
from canscope.simulate.runs import Run, make_run

START_US = 1_715_677_200_000_000
CYCLES_US = (10_000, 20_000, 100_000)
HEX = np.frombuffer(b"0123456789ABCDEF", np.uint8)
TEN = ("M00.A", "M00.B", "M00.C", "M00.D", "M01.A", "M01.B", "M01.C", "M05.W", "M05.T", "M05.G")
# (name, start bit, bits, 1 Intel or 0 Motorola, sign, factor, offset, multiplexer), six layouts
LAYOUTS = (
    "A 0 16 1 + 0.01 0|B 16 12 1 - 0.1 -40|C 28 12 1 + 0.5 0|D 40 8 1 + 1 0|N 48 4 1 + 1 0"
    "|K 56 8 1 + 1 0",
    "A 7 16 0 - 0.01 0|B 23 16 0 + 0.125 0|C 39 12 0 - 0.5 0|D 43 4 0 + 1 0|E 55 8 0 + 0.4 0"
    "|K 63 8 0 + 1 0",
    "F 0 32 1 - 1 0|B 32 16 1 - 0.001 0|C 48 10 1 + 1 -100|G 58 1 1 + 1 0|H 59 1 1 + 1 0"
    "|N 60 4 1 + 1 0",
    "M 0 2 1 + 1 0 M|N 4 4 1 + 1 0|X 8 16 1 - 0.1 0 m0|Y 24 16 1 + 0.1 0 m0|Z 8 24 1 + 0.01 0 m1"
    "|U 32 8 1 - 1 0 m1|V 8 32 1 - 0.001 0 m2|W 48 16 1 + 0.01 0",
    "A 3 12 0 + 0.25 0|Z 7 4 0 + 1 0|B 20 13 0 - 0.1 0|G 23 1 0 + 1 0|C 39 20 0 + 0.002 0"
    "|D 51 4 0 + 1 0|E 63 8 0 - 1 0",
    "W 0 40 1 + 0.0001 0|T 40 11 1 + 0.1 -50|G 51 5 1 + 1 0|K 56 8 1 + 1 0",
)


def fleet_ids() -> list[tuple[int, int, int]]:
    """Identifier, bus and cycle in microseconds of each of the 30 messages."""
    return [
        (0x18FF00E5 + 0x100 * i if i % 5 == 4 else 0x100 + 0x11 * i, i >= 18, CYCLES_US[i % 3])
        for i in range(30)
    ]


def fleet_dbc() -> str:
    """The definitions of ``fleet``."""
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", "BU_: Node", ""]
    floats = []
    for i, (can_id, _, _) in enumerate(fleet_ids()):
        dbc_id = can_id | 1 << 31 if can_id > 0x7FF else can_id
        lines.append(f"BO_ {dbc_id} M{i:02d}: 8 Node")
        for signal in LAYOUTS[i % 6].split("|"):
            name, start, bits, order, sign, factor, offset, *mark = signal.split()
            place = f"{start}|{bits}@{order}{sign} ({factor},{offset})"
            lines.append(f' SG_ {" ".join([name, *mark])} : {place} [0|0] "" Node')
            if name == "F":
                floats.append(f"SIG_VALTYPE_ {dbc_id} F : 1;")
        lines.append("")
    return "\n".join(lines + floats) + "\n"


def long_dbc() -> str:
    """One FD message of 64 bytes with 32 signals."""
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", "BU_: Node", "", "BO_ 256 Long: 64 Node"]
    lines += [f' SG_ S{i} : {16 * i}|16@1- (0.1,0) [0|0] "" Node' for i in range(32)]
    return "\n".join(lines) + "\n"


def text_of(time_us, channel, can_id, payload) -> bytes:
    """candump lines of frames with equal payloads' sizes; ``payload`` has shape n x bytes."""
    size = payload.shape[1]
    extended = can_id > 0x7FF
    width = 26 + np.where(extended, 8, 3) + 2 * size + 1
    if size > 8:
        width = width + 2
    ends = np.cumsum(width)
    text = np.empty(int(ends[-1]), np.uint8)
    for wide in (False, True):
        rows = np.flatnonzero(extended == wide)
        if not len(rows):
            continue
        digits = 8 if wide else 3
        parts = [
            np.frombuffer(b"(", np.uint8),
            decimal(time_us[rows] // 1_000_000, 10),
            np.frombuffer(b".", np.uint8),
            decimal(time_us[rows] % 1_000_000, 6),
            np.frombuffer(b") can", np.uint8),
            decimal(channel[rows], 1),
            np.frombuffer(b" ", np.uint8),
            HEX[can_id[rows][:, None] >> (4 * np.arange(digits)[::-1]) & 15],
            np.frombuffer(b"##1" if size > 8 else b"#", np.uint8),
            HEX[np.stack((payload[rows] >> 4, payload[rows] & 15), axis=2).reshape(len(rows), -1)],
            np.frombuffer(b"\n", np.uint8),
        ]
        whole = [np.broadcast_to(part, (len(rows), part.shape[-1])) for part in parts]
        lines = np.concatenate(whole, axis=1)
        text[(ends[rows] - lines.shape[1])[:, None] + np.arange(lines.shape[1])] = lines
    return text.tobytes()


def decimal(number, width):
    """Digits of numbers as text, shape n x width."""
    return (number[:, None] // 10 ** np.arange(width)[::-1] % 10 + 48).astype(np.uint8)


def cyclic(ids, frames: int, size: int, from_us: int = 0) -> Iterator[bytes]:
    """Messages in their cycles with payloads that change a little, as text, piece by piece."""
    rng = np.random.default_rng(1)
    step_us, made = 1_000_000, 0
    while made < frames:
        parts = []
        for number, (can_id, channel, cycle_us) in enumerate(ids):
            at = np.arange(from_us, from_us + step_us, cycle_us) + 311 * number
            parts.append((at, np.full(len(at), channel), np.full(len(at), can_id)))
        time_us, channel, can_id = map(np.concatenate, zip(*parts, strict=True))
        order = np.argsort(time_us, kind="stable")[: frames - made]
        payload = rng.integers(0, 256, (len(order), size), np.uint8)
        if size == 8:
            payload[:, 0] = payload[:, 0] & 0xFC | payload[:, 0] % 3  # a defined multiplexer
        yield text_of(START_US + time_us[order], channel[order], can_id[order], payload)
        made, from_us = made + len(order), from_us + step_us


def laps(run: Run, frames: int) -> Iterator[bytes]:
    """One run after the other on a clock that goes on."""
    raw = np.frombuffer(run.capture_text().encode(), np.uint8).copy()
    starts = np.concatenate(([0], np.flatnonzero(raw == 10)[:-1] + 1))
    seconds = (raw[starts[:, None] + np.arange(1, 11)] - 48) @ 10 ** np.arange(10)[::-1]
    made, span = 0, int(seconds[-1] - seconds[0]) + 2
    while made < frames:
        raw[starts[:, None] + np.arange(1, 11)] = decimal(seconds, 10)
        taken = min(len(starts), frames - made)
        yield raw[: starts[taken] if taken < len(starts) else len(raw)].tobytes()
        made, seconds = made + taken, seconds + span


def among_others(run: Run, frames: int) -> Iterator[bytes]:
    """The vehicle among 42 further messages of 100 Hz, in the order of their stamps."""
    others = [(0x400 + i, i % 3, 10_000) for i in range(42)]
    text = b"".join(laps(run, frames // 10))
    lines = text.splitlines(keepends=True)
    first, last = (int(lines[i][1:11]) for i in (0, -1))
    rest = b"".join(cyclic(others, (last - first) * 4200, 8)).splitlines(keepends=True)
    both = sorted(lines + rest, key=lambda line: line[:19])[:frames]
    yield b"".join(both)


def soiled(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """One line in a hundred loses a character of its data."""
    for piece in pieces:
        lines = piece.splitlines(keepends=True)
        lines[::100] = [line[:-3] + line[-2:] for line in lines[::100]]
        yield b"".join(lines)


def make(folder: Path, frames: int) -> None:
    """Write all traffic of so many frames, unless it is there, with definitions and the plan."""
    run = make_run()
    folder.mkdir(parents=True, exist_ok=True)
    if not (folder / "plan.toml").exists():
        write_run(run, folder, capture="run.log")
    (folder / "fleet.dbc").write_text(fleet_dbc())
    (folder / "long.dbc").write_text(long_dbc())
    few, most = min(frames, 1_000_000), min(frames, 3_000_000)
    for name, count, pieces in (
        ("fleet", frames, cyclic(fleet_ids(), frames, 8)),
        ("few", 100_000, cyclic(fleet_ids(), 100_000, 8)),
        ("formats", few, cyclic(fleet_ids(), few, 8)),
        ("fleet-mf4", most, cyclic(fleet_ids(), most, 8)),
        ("dirty", frames, soiled(cyclic(fleet_ids(), frames, 8))),
        ("long", few, cyclic([(0x100, 0, 1000)], few, 64)),
        ("long-few", 20_000, cyclic([(0x100, 0, 1000)], 20_000, 64)),
        ("vehicle", few, laps(run, few)),
        ("vehicle-few", 100_000, laps(run, 100_000)),
        ("busy", few, among_others(run, few)),
    ):
        path = folder / f"{name}-{count}.log"
        if not path.exists():
            with path.with_suffix(".part").open("wb") as file:
                file.writelines(pieces)
            path.with_suffix(".part").replace(path)
