"""What is in a capture: per bus every message and signal, and which definition fits which bus.

One pass over the frames, in bounded memory: each definition file is decoded on every bus on which
any of its identifiers is seen, and the files that fit a bus best are chosen at the end.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from canscope.decoding.columns import Decoder, messages_of
from canscope.decoding.database import read_definitions
from canscope.decoding.lookup import Lookup
from canscope.draft.course import Course
from canscope.model.definition import MessageSpec, SignalSpec
from canscope.model.errors import DefinitionError
from canscope.model.signals import NOT_AVAILABLE, OUT_OF_RANGE, Series
from canscope.model.tables import Bools, Flag, FrameBuilder, Frames, Int64s, Tally

if TYPE_CHECKING:
    import pandas as pd

INTERVALS = 1024  # of a message, whose median is its cycle
PAYLOADS = 48  # of a message, kept to try checksums on
MOST_CODES = 64  # different raw codes that are kept apart
MOST_EDGES = 512  # changes of a signal of few codes that are kept with their instants
NO_DATA_FLAGS = Flag.REMOTE | Flag.ERROR


@dataclass
class SignalFacts:
    """What a capture shows of one signal; times count from the first frame."""

    spec: SignalSpec
    count: int = 0
    absent: int = 0
    outside: int = 0
    changes: int = 0
    least: float = np.nan
    greatest: float = np.nan
    codes: dict[int, int] | None = field(default_factory=dict)  # None: more than MOST_CODES
    edges: list[tuple[int, int]] = field(default_factory=list)  # instant, raw code from then on
    course: Course = field(default_factory=Course)
    last_raw: int | None = None
    steps_of_one: int = 0  # frames whose raw code is that of the frame before and one more

    @property
    def _wrap(self) -> int:
        return (1 << min(self.spec.length_bits, 62)) - 1

    def add(self, series: Series, since_ns: Int64s) -> None:
        """Take in the values of one chunk."""
        raw = series.raw
        if not len(raw):
            return
        self.count += len(raw)
        self.absent += int((series.status == NOT_AVAILABLE).sum())
        self.outside += int((series.status == OUT_OF_RANGE).sum())
        before = raw[0] if self.last_raw is None else self.last_raw
        step = np.diff(raw, prepend=before)
        changed = np.flatnonzero(step)
        self.steps_of_one += int((step == 1).sum() + (step == -self._wrap).sum())
        self.changes += len(changed)
        if self.last_raw is None:
            self.edges.append((int(since_ns[0]), int(raw[0])))
        room = max(MOST_EDGES - len(self.edges), 0)
        self.edges += [(int(since_ns[row]), int(raw[row])) for row in changed[:room]]
        self.last_raw = int(raw[-1])
        if self.codes is not None:
            for code, times in zip(*np.unique(raw, return_counts=True), strict=True):
                self.codes[int(code)] = self.codes.get(int(code), 0) + int(times)
            if len(self.codes) > MOST_CODES:
                self.codes = None
        known = ~np.isnan(series.value)
        value, since_ns = series.value[known], since_ns[known]
        if len(value):
            self.least = float(np.fmin(self.least, value.min()))
            self.greatest = float(np.fmax(self.greatest, value.max()))
            self.course.add(since_ns, value)


@dataclass
class MessageFacts:
    """What a capture shows of one identifier on one bus."""

    channel: str
    can_id: int
    extended: bool
    count: int = 0
    lengths: set[int] = field(default_factory=set)
    first_ns: int = 0
    last_ns: int = 0
    intervals: list[int] = field(default_factory=list)
    payloads: list[bytes] = field(default_factory=list)  # of its first frames
    spec: MessageSpec | None = None
    signals: tuple[SignalFacts, ...] = ()

    @property
    def cycle_ns(self) -> int | None:
        """The median of its first intervals, None if it came once."""
        return int(np.median(self.intervals)) if self.intervals else None

    @property
    def id_text(self) -> str:
        """The identifier in hexadecimal, with an x behind one of 29 bits."""
        return f"{self.can_id:08X}x" if self.extended else f"{self.can_id:03X}"

    def add(self, since_ns: Int64s, lengths: Iterable[int]) -> None:
        """Take in its frames of one chunk."""
        stamps = since_ns if not self.count else np.insert(since_ns, 0, self.last_ns)
        self.first_ns = self.first_ns if self.count else int(since_ns[0])
        self.intervals += np.diff(stamps)[: INTERVALS - len(self.intervals)].tolist()
        self.count += len(since_ns)
        self.last_ns = int(since_ns[-1])
        self.lengths.update(lengths)


@dataclass(frozen=True)
class Fit:
    """How well one definition file fits one bus; shares from 0 to 1."""

    file: str
    known_ids: int  # identifiers of the bus that the file defines
    seen_ids: int  # identifiers of the bus
    known_frames: float  # share of the bus's frames
    defined: int  # messages of the file
    plausible: float  # share of its values within their range, in frames of the length defined

    @property
    def score(self) -> float:
        """Share of known identifiers, times how plausible their values are."""
        return self.known_ids / max(self.seen_ids, 1) * self.plausible

    @property
    def is_meant(self) -> bool:
        """Whether it is more than an identifier met by chance."""
        enough = self.known_ids >= 2 or self.known_ids in (self.defined, self.seen_ids)
        enough = enough or self.known_frames > 0.5
        return bool(self.known_ids and enough and self.plausible >= 0.9)


@dataclass
class Bus:
    """One bus of the capture: its messages in the order of their identifiers."""

    channel: str
    messages: list[MessageFacts] = field(default_factory=list)
    fits: list[Fit] = field(default_factory=list)  # the best first
    files: tuple[str, ...] = ()  # the definitions that are taken for it
    rivals: tuple[str, ...] = ()  # others that fit exactly as well
    never_seen: tuple[MessageSpec, ...] = ()
    given: bool = False  # the files were named for it, not chosen

    @property
    def undefined(self) -> list[MessageFacts]:
        """Messages without a definition."""
        return [message for message in self.messages if message.spec is None]

    def signals(self) -> Iterator[tuple[MessageFacts, SignalFacts]]:
        """Every signal with its message."""
        for message in self.messages:
            for signal in message.signals:
                yield message, signal


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


COLUMNS = ("channel", "id", "message", "signal", "unit", "count", "cycle_ms", "least", "greatest",
           "changes", "curve")  # fmt: skip


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
    readings = [_Reading(name) for name in names]
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
        _choose(bus, readings, by_bus)
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
        table.add(since_ns[group], np.unique(chunk.length[group]).tolist())
        room = PAYLOADS - len(table.payloads)
        table.payloads += [chunk.payload(int(row)) for row in group[: max(room, 0)]]


class _Reading:
    """One definition file, tried on every bus."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.definitions = read_definitions(name)
        self._decoder = Decoder(self.definitions)
        self._facts: dict[str, SignalFacts] = {}
        self._specs: dict[tuple[str, int, bool], MessageSpec | None] = {}

    def add(self, chunk: Frames, since_ns: Int64s) -> None:
        decoded = self._decoder(chunk)
        for key, series in decoded.series.items():
            if len(series.raw):
                facts = self._facts.setdefault(key, SignalFacts(series.spec))
                facts.add(series, since_ns[series.row])

    def spec_of(self, message: MessageFacts) -> MessageSpec | None:
        """The message that this file defines for an identifier seen."""
        key = message.channel, message.can_id, message.extended
        if key not in self._specs:
            channel = message.channel
            specs = messages_of(self.definitions, channel)
            frame = FrameBuilder()
            frame.add(0, channel, key[1], Flag.EXTENDED if key[2] else 0, 0, b"")
            lookup = Lookup({channel: 0}, specs)
            code = int(lookup.codes(frame.build(), np.zeros(1, np.int64))[0])
            self._specs[key] = specs[code] if code >= 0 else None
        return self._specs[key]

    def signals_of(self, spec: MessageSpec) -> tuple[SignalFacts, ...]:
        """The signals of a message of this file, also those that never came."""
        return tuple(self._facts.get(s.key, SignalFacts(s)) for s in spec.signals)

    def fit(self, bus: Bus) -> Fit:
        known, frames, values, right = 0, 0, 0, 0
        for message in bus.messages:
            spec = self.spec_of(message)
            if spec is None:
                continue
            known += 1
            frames += message.count
            for facts in self.signals_of(spec):
                values += max(facts.count, 1)
                right += facts.count - facts.outside if message.lengths == {spec.length} else 0
        total = sum(message.count for message in bus.messages)
        plausible = right / values if values else 0.0
        share, ids = frames / max(total, 1), len(bus.messages)
        return Fit(self.name, known, ids, share, len(self.definitions.messages), plausible)


def _choose(
    bus: Bus, readings: Sequence[_Reading], by_bus: Mapping[str, Sequence[str | Path]]
) -> None:
    """Take the files that fit a bus best, or those named for it, and place their messages."""
    fits = {reading.name: reading.fit(bus) for reading in readings}
    named = [str(file) for file in by_bus.get(bus.channel, ())]
    free = [fit for fit in fits.values() if fit.known_ids]
    bus.fits = sorted(free, key=lambda fit: (-fit.score, fit.defined, fit.file))
    bus.given = bool(named)
    chosen = [reading for reading in readings if reading.name in named]
    if not named:
        by_name = {reading.name: reading for reading in readings}
        for fit in bus.fits:
            if fit.is_meant and _adds(by_name[fit.file], chosen, bus):
                chosen.append(by_name[fit.file])
        bus.rivals = tuple(_rivals(chosen, fits, by_name, bus))
    bus.files = tuple(reading.name for reading in chosen)
    placed: set[str] = set()
    for message in bus.messages:
        for reading in chosen:
            spec = reading.spec_of(message)
            if spec is not None and message.spec is None:
                message.spec, message.signals = spec, reading.signals_of(spec)
                placed.add(spec.name)
    bus.never_seen = tuple(
        spec
        for reading in chosen
        for spec in messages_of(reading.definitions, bus.channel)
        if spec.name not in placed
    )


def _rivals(
    chosen: Sequence[_Reading], fits: Mapping[str, Fit], readings: Mapping[str, _Reading], bus: Bus
) -> Iterator[str]:
    """Files that fit exactly as well as the first one chosen, and say something else."""
    if not chosen:
        return
    first, best = chosen[0], fits[chosen[0].name]
    said = [_content(first.spec_of(message)) for message in bus.messages]
    for fit in bus.fits:
        if fit.file == best.file or fit.score < best.score or not fit.is_meant:
            continue
        if [_content(readings[fit.file].spec_of(message)) for message in bus.messages] != said:
            yield fit.file


def _content(spec: MessageSpec | None) -> MessageSpec | None:
    return None if spec is None else replace(spec, file="")


def _adds(new: _Reading, chosen: Sequence[_Reading], bus: Bus) -> bool:
    """Whether a file knows identifiers that those chosen do not, and can stand beside them."""
    if not any(
        new.spec_of(message) and not any(reading.spec_of(message) for reading in chosen)
        for message in bus.messages
    ):
        return False
    try:
        read_definitions({bus.channel: [*(reading.name for reading in chosen), new.name]})
    except DefinitionError:
        return False
    return True
