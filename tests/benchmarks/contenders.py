"""What is measured, each in a process of its own: ``python -m ... TIMES NAME ARGUMENT ...``.

It prints how many frames it took, for how many seconds it worked and how many of a processor it
used, its imports and a warm-up left out, the quickest of so many times; whoever started it measures
the whole process. What takes a second and more is done once.
"""

from __future__ import annotations

import io
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

Work = Callable[[], int]  # gives the number of frames
LONG_S = 1.0


def limit(log: str) -> Work:
    """Touch every byte of the log once."""
    import mmap

    import numpy as np

    def work() -> int:
        with open(log, "rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as text:
            words = np.frombuffer(text, "<u8", count=len(text) // 8)
            np.add.reduce(words)
            del words
        return frames_in(log)

    return work


def frames_in(log: str) -> int:
    """As its name says."""
    return int(Path(log).stem.rsplit("-", 1)[1])


def parse(log: str) -> Work:
    """canscope: text to columns of frames."""
    from canscope.capture.candump.reader import Candump

    def work(path: str = log) -> int:
        with open(path, "rb", buffering=0) as file:
            return sum(
                len(chunk) for chunk in Candump().read(io.BufferedReader(file, 1 << 16), path)
            )

    warm(work, log)
    return work


def decode(log: str, dbc: str, names: str = "") -> Work:
    """canscope: text to the smallest and largest value of every signal, or of those named.

    Frames are put in time order on the way and gathered, as ``canscope check`` does.
    """
    import numpy as np

    from canscope.capture.candump.reader import Candump
    from canscope.capture.order import gathered, ordered
    from canscope.decoding import columns
    from canscope.decoding.database import read_definitions

    definitions, widen = read_definitions(dbc), widening()
    wanted = {f"*:{name}" for name in names.split(",")} if names else None

    def work(path: str = log) -> int:
        count, extremes = 0, dict[str, Any]()
        with open(path, "rb", buffering=0) as file:
            frames = gathered(ordered(Candump().read(io.BufferedReader(file, 1 << 16), path)))
            for signals in columns.decode(frames, definitions, wanted=wanted):
                count += len(signals.frames)
                for key, series in signals.series.items():
                    if len(series.value):
                        if key not in extremes:
                            extremes[key] = np.array([np.inf, -np.inf])
                        widen(extremes[key], series.value)
        assert count < 100 or all(low <= high for low, high in extremes.values())
        return count

    warm(work, log)
    return work


def widening() -> Callable[[Any, Any], None]:
    """What widens (smallest, largest) by the values of a column; NaN is none of them."""
    import numpy as np

    from canscope.model import engine

    if not engine.is_installed():

        def widen(extremes: Any, value: Any) -> None:
            extremes[0] = np.fmin(extremes[0], np.fmin.reduce(value))
            extremes[1] = np.fmax(extremes[1], np.fmax.reduce(value))

        return widen
    import numba

    @numba.njit("void(float64[::1],float64[::1])", nogil=True)
    def fold(extremes: Any, value: Any) -> None:
        # Two of each, as a comparison has to wait for the one before.
        low, high = extremes
        lower, higher = low, high
        for i in range(0, len(value) - 1, 2):
            a, b = value[i], value[i + 1]
            low, lower = a if a < low else low, b if b < lower else lower
            high, higher = a if a > high else high, b if b > higher else higher
        last = value[-1]
        low, high = last if last < low else low, last if last > high else high
        extremes[0], extremes[1] = min(low, lower), max(high, higher)

    return fold  # type: ignore[no-any-return]


def warm(work: Any, log: str) -> None:
    """Let compiled code be loaded, on a small part of the log."""
    from canscope.model import engine

    if engine.is_installed():
        os.environ.setdefault(engine.VARIABLE, "numba")
    work(head_of(log))


def head_of(log: str) -> str:
    """A log of its first lines."""
    head = Path(log).with_name(f"head-of-{Path(log).name}")
    with open(log, "rb") as file:
        head.write_bytes(file.read(1 << 20).rpartition(b"\n")[0] + b"\n")
    return str(head)


def check(log: str, plan: str) -> Work:
    """canscope check, with reports: everything from text to verdict."""
    import tempfile

    from canscope.cli.main import main

    def work() -> int:
        with tempfile.TemporaryDirectory() as out:
            main(["check", log, "--plan", plan, "--out", out, "--quiet"])
        return frames_in(log)

    return work


def script(log: str, *dbcs: str) -> Work:
    """What one would write by hand: python-can and cantools, a DataFrame a message."""
    import can
    import cantools
    import pandas as pd

    bases = [cantools.database.load_file(dbc) for dbc in dbcs]

    def work() -> int:
        rows: dict[tuple[Any, int], list[dict[str, Any]]] = {}
        count = 0
        for message in can.LogReader(log):
            count += 1
            # The demo vehicle has its first definition on can0, its second on the other buses.
            base = bases[0] if message.channel == "can0" else bases[-1]
            try:
                row = base.decode_message(
                    message.arbitration_id, message.data, decode_choices=False
                )
            except KeyError:
                continue
            row["t"] = message.timestamp
            rows.setdefault((message.channel, message.arbitration_id), []).append(row)
        assert [pd.DataFrame(part) for part in rows.values()]
        return count

    return work


def script_of(log: str, dbc: str, names: str) -> Work:
    """The same by hand for a few signals only."""
    import can
    import cantools
    import pandas as pd

    base = cantools.database.load_file(dbc)
    wanted: dict[int, tuple[Any, list[str]]] = {}
    for name in names.split(","):
        message, signal = name.split(".")
        found = base.get_message_by_name(message)
        wanted.setdefault(found.frame_id, (found, []))[1].append(signal)

    def work() -> int:
        columns: dict[tuple[int, str], list[tuple[float, Any]]] = {}
        count = 0
        for message in can.LogReader(log):
            count += 1
            if message.arbitration_id in wanted:
                found, signals = wanted[message.arbitration_id]
                values = found.decode(message.data, decode_choices=False)
                for signal in signals:
                    column = columns.setdefault((message.arbitration_id, signal), [])
                    column.append((message.timestamp, values[signal]))
        assert [pd.DataFrame(column) for column in columns.values()]
        return count

    return work


def table(log: str, dbc: str, suffix: str, *more: str) -> Work:
    """canscope decode: text to one tidy table in a file."""
    import tempfile

    from canscope.cli.main import main

    def work(path: str = log) -> int:
        with tempfile.TemporaryDirectory() as folder:
            words = ["--definitions", dbc, "--to", f"{folder}/table.{suffix}", *more]
            assert main(["decode", path, *words]) == 0
        return frames_in(log)

    warm(work, log)
    return work


def script_table(log: str, dbc: str, suffix: str) -> Work:
    """The same table by hand: python-can and cantools, a row a value, written by pandas."""
    import tempfile

    import can
    import cantools
    import pandas as pd

    base = cantools.database.load_file(dbc)
    units = {m.name: {s.name: s.unit or "" for s in m.signals} for m in base.messages}

    def work() -> int:
        rows: list[tuple[Any, ...]] = []
        count, first = 0, None
        for message in can.LogReader(log):
            count += 1
            first = message.timestamp if first is None else first
            found = base.get_message_by_frame_id(message.arbitration_id)
            for name, value in found.decode(message.data, decode_choices=False).items():
                label = found.get_signal_by_name(name).choices or {}
                rows.append(
                    (
                        *(round(message.timestamp * 1e9), message.timestamp - first),
                        *(message.channel, found.name, name, float(value)),
                        *(units[found.name][name], str(label.get(value, ""))),
                    )
                )
        names = ["time_ns", "time_s", "channel", "message", "signal", "value", "unit", "label"]
        whole = pd.DataFrame(rows, columns=names)
        with tempfile.TemporaryDirectory() as folder:
            if suffix == "csv":
                whole.to_csv(f"{folder}/table.csv", index=False)
            else:
                whole.to_parquet(f"{folder}/table.parquet", index=False)
        return count

    return work


def cantools_alone(log: str, dbc: str) -> Work:
    """cantools' decoding by itself, the frames read beforehand."""
    import can
    import cantools

    base = cantools.database.load_file(dbc)
    messages = [(message.arbitration_id, bytes(message.data)) for message in can.LogReader(log)]

    def work() -> int:
        for can_id, data in messages:
            base.decode_message(can_id, data, decode_choices=False)
        return len(messages)

    return work


def cantools_line(log: str, dbc: str) -> Work:
    """cantools' own command line."""

    def work() -> int:
        command = [sys.executable, "-m", "cantools", "decode", "--single-line", dbc]
        with open(log, "rb") as text:
            subprocess.run(command, stdin=text, stdout=subprocess.DEVNULL, check=True)
        return frames_in(log)

    return work


def polars(log: str) -> Work:
    """polars: text to columns of frames, classical ones of full length only."""
    import polars as pl

    def work() -> int:
        parts = pl.col("line").str.splitn(" ", 3).struct
        frame = parts.field("field_2").str.splitn("#", 2).struct
        table = (
            pl.scan_csv(log, has_header=False, separator="\x01", new_columns=["line"])
            .select(
                parts.field("field_0").str.slice(1, 17).cast(pl.Float64).alias("time_s"),
                parts.field("field_1").cast(pl.Categorical).alias("channel"),
                frame.field("field_0").str.to_integer(base=16).alias("can_id"),
                frame.field("field_1").str.decode("hex").alias("data"),
            )
            .collect()
        )
        return int(table.height)

    return work


def to_mf4(log: str, compression: int) -> str:
    """The log as an MF4 file beside it, laid out and compressed as python-can does (2) or not (0).

    Made by asammdf at once; python-can's own writer hands it frame by frame, which takes long.
    """
    import asammdf
    import numpy as np
    from asammdf.blocks.v4_blocks import SourceInformation
    from asammdf.blocks.v4_constants import BUS_TYPE_CAN, SOURCE_BUS
    from can.io.mf4 import STD_DTYPE

    from canscope.capture.read import read_capture
    from canscope.model.tables import join

    path = Path(log).with_suffix(f".{compression}.mf4")
    if path.exists():
        return str(path)
    frames = join(list(read_capture(log)))
    samples = np.zeros(len(frames), STD_DTYPE)
    for name, column in (
        ("BusChannel", frames.channel + 1),
        ("ID", frames.can_id),
        ("IDE", frames.flags & 1),
        ("DLC", frames.length),
        ("DataLength", frames.length),
    ):
        samples[f"CAN_DataFrame.{name}"] = column
    samples["CAN_DataFrame.DataBytes"][:, :8] = frames.data[:, None].view("u1")
    start_s = int(frames.time_ns[0]) // 10**9
    seconds = (frames.time_ns - start_s * 10**9) / 1e9
    source = SourceInformation(source_type=SOURCE_BUS, bus_type=BUS_TYPE_CAN)
    with asammdf.MDF(version="4.10") as file:
        file.header.start_time = datetime.fromtimestamp(start_s, UTC)
        file.append(asammdf.Signal(samples, seconds, name="CAN_DataFrame", source=source))
        file.save(path, compression=compression)
    return str(path)


def asammdf(log: str, dbc: str, compression: str) -> Work:
    """asammdf: MF4 bus logging to values."""
    from asammdf import MDF

    path = to_mf4(log, int(compression))

    def work(path: str = path) -> int:
        with MDF(path) as file:
            found = file.extract_bus_logging({"CAN": [(dbc, 0)]})
            for number, group in enumerate(found.groups):
                found.select([(None, number, at) for at in range(1, len(group.channels))])
        return frames_in(log)

    work(to_mf4(head_of(log), int(compression)))
    return work


def mf4(log: str, dbc: str, compression: str) -> Work:
    """canscope: the same file to the same values."""
    import asammdf  # noqa: F401 - as for asammdf itself, importing it is not what is measured

    from canscope.capture.read import read_capture
    from canscope.decoding.columns import decode
    from canscope.decoding.database import read_definitions

    path, definitions = to_mf4(log, int(compression)), read_definitions(dbc)

    def work(path: str = path) -> int:
        signals = decode(read_capture(path), definitions)
        return sum(len(chunk.frames) for chunk in signals)

    warm(lambda head: work(to_mf4(head, int(compression))), log)
    return work


def python_can(log: str, format: str) -> Work:
    """python-can: a capture in another format to its messages."""
    import can

    path = in_format(log, format)

    def work() -> int:
        return sum(1 for _ in can.LogReader(path))

    return work


def capture(log: str, format: str) -> Work:
    """canscope: a capture in another format to frames."""
    from canscope.capture.read import read_capture

    path = in_format(log, format)

    def work() -> int:
        return sum(len(chunk) for chunk in read_capture(path, channel="can0"))

    return work


def in_format(log: str, format: str) -> str:
    """The log in another format beside it, written by python-can, or by hand (pcap, pcapng)."""
    from canscope.capture.read import read_capture
    from canscope.model.tables import join
    from tests.capture import traffic

    path = Path(log).with_suffix(f".{format}")
    if format != "log" and not path.exists():
        rows = traffic.traffic_of(join(list(read_capture(log))))
        part = path.with_name(f"part.{format}")
        part.unlink(missing_ok=True)
        if format == "csv":
            traffic.write_csv(part, rows)
        elif format == "db":
            traffic.write_sqlite(part, rows)
        else:
            part.write_bytes(getattr(traffic, format)(rows))
        part.replace(path)
    return str(path)


CONTENDERS: dict[str, Callable[..., Work]] = {
    one.__name__: one
    for one in (
        *(limit, parse, decode, check, script, script_of, cantools_alone, cantools_line),
        *(table, script_table),
        *(polars, asammdf, mf4, python_can, capture),
    )
}


def used() -> float:
    """Seconds of a processor that this process and its children have used."""
    whose = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    return sum(u.ru_utime + u.ru_stime for u in map(resource.getrusage, whose))


if __name__ == "__main__":
    times = int(sys.argv[1])
    prepared = CONTENDERS[sys.argv[2]](*sys.argv[3:])
    taken: list[tuple[float, float, int]] = []
    while len(taken) < times and sum(wall for wall, *_ in taken) < LONG_S:
        begun, before = time.perf_counter(), used()
        frames = prepared()
        taken.append((time.perf_counter() - begun, used() - before, frames))
    wall, cpu, frames = min(taken)
    print(f"\n{frames} {wall} {cpu}")
