"""What is in a capture: per bus every message and signal, and which definition fits which bus.

One pass over the frames, in bounded memory: each definition file is decoded on every bus on which
any of its identifiers is seen, and the files that fit a bus best are chosen at the end.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from canscope.draft.facts import PAYLOADS, Bus, MessageFacts
from canscope.draft.fitting import Reading, choose
from canscope.model.tables import Bools, Flag, Frames, Int64s, Tally

if TYPE_CHECKING:
    import pandas as pd

NO_DATA_FLAGS = Flag.REMOTE | Flag.ERROR
FEW_FRAMES, SHORT_S = 300, 5.0  # a capture below is short; common practice, no source
COLUMNS = ("channel", "id", "message", "signal", "unit", "count", "cycle_ms", "least", "greatest",
           "changes", "curve")  # fmt: skip


@dataclass
class Inventory:
    """All buses of a capture."""

    buses: list[Bus]
    frames: int
    end_ns: int  # from the first frame to the last
    tally: Tally
    unused: tuple[str, ...] = ()  # definition files that fit no bus
    errors: int = 0
    warnings: tuple[str, ...] = ()

    @property
    def doubts(self) -> Iterator[str]:
        """What makes the whole capture a poor ground to draft from, in words."""
        if self.frames and (self.frames < FEW_FRAMES or self.end_ns < SHORT_S * 1e9):
            yield (
                f"only {self.frames} frames in {self.end_ns / 1e9:.1f} s: what signals do cannot "
                "be seen; record a whole attempt, from switching on to switching off"
            )
        for number, bus in enumerate(self.buses):
            for other in self.buses[:number]:
                if bus.carries_the_same_as(other):
                    yield (
                        f"{other.channel} and {bus.channel} carry the very same values: is one "
                        "bus recorded twice?"
                    )

    def to_frame(self) -> pd.DataFrame:
        """One row a signal; of a message without definition, one row without signal.

        Columns: channel, id, message, signal, unit, count, cycle_ms (measured), least, greatest,
        changes, curve.
        """
        import pandas as pd

        return pd.DataFrame(list(self.rows()), columns=list(COLUMNS))

    def rows(self) -> Iterator[dict[str, Any]]:
        """The rows of ``to_frame``, numbers that are not known as None."""
        for bus in self.buses:
            for message in bus.messages:
                cycle = message.cycle_ns
                base = {
                    "channel": bus.channel,
                    "id": message.id_text,
                    "message": message.spec.name if message.spec else None,
                    "cycle_ms": None if cycle is None else round(cycle / 1e6, 3),
                    "count": message.count,
                }
                if not message.signals:
                    yield {**dict.fromkeys(COLUMNS), **base}
                for facts in message.signals:
                    yield base | {
                        "signal": facts.spec.name,
                        "unit": facts.spec.unit,
                        "count": facts.count,
                        "least": _number(facts.least),
                        "greatest": _number(facts.greatest),
                        "changes": facts.changes,
                        "curve": facts.course.drawn(self.end_ns),
                    }


def _number(value: float) -> float | None:
    return None if np.isnan(value) else value


def take_inventory(
    capture: Iterable[Frames],
    files: Sequence[str | Path] = (),
    *,
    by_bus: Mapping[str, Sequence[str | Path]] = {},
) -> Inventory:
    """Look through a capture once.

    ``files`` are definition files; each is taken for the buses that it fits best. ``by_bus`` names
    the files of a bus instead. Raises ``DefinitionError`` for a file that cannot be used, and
    whatever reading the capture raises.
    """
    names = list(dict.fromkeys([*map(str, files), *(str(f) for fs in by_bus.values() for f in fs)]))
    readings = [Reading(name) for name in names]
    tables: dict[tuple[str, int, bool], MessageFacts] = {}
    frames, errors, end_ns, tally = 0, 0, 0, Tally()
    origin_ns: int | None = None
    channels: dict[str, None] = {}
    for chunk in capture:
        tally = tally + chunk.tally
        if not len(chunk):
            continue
        origin_ns = int(chunk.time_ns[0]) if origin_ns is None else origin_ns
        origin_ns += chunk.step_ns or 0  # the clock was set: the run goes on where it was
        since_ns = np.maximum(chunk.time_ns - origin_ns, 0)
        end_ns = max(end_ns, int(since_ns[-1]))
        frames += len(chunk)
        channels |= dict.fromkeys(chunk.channels)
        is_data = (chunk.flags & NO_DATA_FLAGS) == 0
        errors += int(((chunk.flags & Flag.ERROR) != 0).sum())
        _count(tables, chunk, since_ns, is_data)
        for reading in readings:
            reading.add(chunk, since_ns)
    buses = [Bus(channel) for channel in sorted(channels)]
    for bus in buses:
        own = sorted(key for key in tables if key[0] == bus.channel)
        bus.messages = [tables[key] for key in own]
        choose(bus, readings, by_bus)
    taken = {file for bus in buses for file in (*bus.files, *bus.rivals)}
    unused = tuple(name for name in names if name not in taken)
    warnings = tuple(w for reading in readings for w in reading.definitions.warnings)
    return Inventory(buses, frames, end_ns, tally, unused, errors, warnings)


def _count(
    tables: dict[tuple[str, int, bool], MessageFacts],
    chunk: Frames,
    since_ns: Int64s,
    is_data: Bools,
) -> None:
    """Count the data frames of one chunk by bus and identifier."""
    extended = (chunk.flags & Flag.EXTENDED) != 0
    keys = (chunk.channel.astype(np.int64) << 32) | (extended.astype(np.int64) << 31)
    keys |= chunk.can_id.astype(np.int64)
    rows = np.flatnonzero(is_data)
    order = rows[np.argsort(keys[rows], kind="stable")]
    if not len(order):
        return
    for group in np.split(order, np.flatnonzero(np.diff(keys[order])) + 1):
        row = int(group[0])
        key = chunk.channels[chunk.channel[row]], int(chunk.can_id[row]), bool(extended[row])
        table = tables.setdefault(key, MessageFacts(*key))
        sizes, times = np.unique(chunk.length[group], return_counts=True)
        table.add(since_ns[group], dict(zip(sizes.tolist(), times.tolist(), strict=True)))
        room = PAYLOADS - len(table.payloads)
        table.payloads += [chunk.payload(int(row)) for row in group[: max(room, 0)]]
