"""What is measured. Each one runs in a process of its own: ``python -m ... NAME ARGUMENT ...``.

It prints how many frames it took, for how many seconds it worked and how many of a processor it
used, its imports and a warm-up left out; whoever started it measures the whole process.
"""

from __future__ import annotations

import io
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

Work = Callable[[], int]  # gives the number of frames


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
    from canscope.capture.candump import read

    def work(path: str = log) -> int:
        with open(path, "rb", buffering=0) as file:
            return sum(len(chunk) for chunk in read(io.BufferedReader(file, 1 << 16), path))

    warm(work, log)
    return work


def decode(log: str, dbc: str, names: str = "") -> Work:
    """canscope: text to the smallest and largest value of every signal, or of those named."""
    import numpy as np

    from canscope.capture.candump import read
    from canscope.decoding.columns import Decoder
    from canscope.decoding.database import read_definitions

    definitions = read_definitions(dbc)
    wanted = {f"*:{name}" for name in names.split(",")} if names else None

    def work(path: str = log) -> int:
        decoder, count = Decoder(definitions, wanted), 0
        extremes: dict[str, tuple[float, float]] = {}
        with open(path, "rb", buffering=0) as file:
            for chunk in read(io.BufferedReader(file, 1 << 16), path):
                count += len(chunk)
                for key, series in decoder(chunk).series.items():
                    if len(series.value):
                        low, high = extremes.get(key, (np.inf, -np.inf))
                        low = min(low, float(series.value.min()))
                        extremes[key] = low, max(high, float(series.value.max()))
        assert count < 100 or extremes
        return count

    warm(work, log)
    return work


def warm(work: Any, log: str) -> None:
    """Let compiled code be loaded, on a small part of the log."""
    from canscope.model import engine

    with open(log, "rb") as file:
        head = Path(log).with_suffix(".head")
        head.write_bytes(file.read(1 << 20))
    if engine.is_installed():
        os.environ[engine.VARIABLE] = "numba"
    work(str(head))


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


def to_mf4(log: str) -> str:
    """The log as an MF4 file beside it, written by python-can."""
    import can

    path = Path(log).with_suffix(".mf4")
    if not path.exists():
        with can.io.MF4Writer(str(path)) as writer:
            for message in can.LogReader(log):
                message.channel = int(str(message.channel)[3:]) + 1
                writer.on_message_received(message)
    return str(path)


def asammdf(log: str, dbc: str) -> Work:
    """asammdf: MF4 bus logging to values."""
    from asammdf import MDF

    path = to_mf4(log)

    def work() -> int:
        with MDF(path) as file:
            found = file.extract_bus_logging({"CAN": [(dbc, 0)]})
            for number, group in enumerate(found.groups):
                found.select([(None, number, at) for at in range(1, len(group.channels))])
        return frames_in(log)

    return work


def mf4(log: str, dbc: str) -> Work:
    """canscope: the same file to the same values."""
    from canscope.capture.read import read_capture
    from canscope.decoding.columns import decode
    from canscope.decoding.database import read_definitions

    path, definitions = to_mf4(log), read_definitions(dbc)

    def work() -> int:
        signals = decode(read_capture(path), definitions)
        return sum(len(chunk.frames) for chunk in signals)

    return work


CONTENDERS: dict[str, Callable[..., Work]] = {
    one.__name__: one
    for one in (
        *(limit, parse, decode, check, script, script_of, cantools_alone, cantools_line),
        *(polars, asammdf, mf4),
    )
}


def used() -> float:
    """Seconds of a processor that this process and its children have used."""
    whose = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    return sum(u.ru_utime + u.ru_stime for u in map(resource.getrusage, whose))


if __name__ == "__main__":
    prepared = CONTENDERS[sys.argv[1]](*sys.argv[2:])
    begun, before = time.perf_counter(), used()
    taken = prepared()
    print(f"\n{taken} {time.perf_counter() - begun} {used() - before}")
