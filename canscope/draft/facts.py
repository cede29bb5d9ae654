"""What a capture shows of its buses, messages and signals, counted chunk by chunk."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from canscope.draft.course import Course
from canscope.model.definition import MessageSpec
from canscope.model.signal_counts import SignalCounts
from canscope.model.signals import Series
from canscope.model.tables import Int64s

INTERVALS = 1024  # of a message, whose median is its cycle
PAYLOADS = 48  # of a message, kept to try checksums on
LONGER = 0.92  # what a frame counts that is longer than defined
MANY_CHANGES = 100  # of all its signals, before two buses that agree in them are called one
MOST_CODES = 64  # different raw codes that are kept apart
MOST_EDGES = 512  # changes of a signal of few codes that are kept with their instants


@dataclass
class SignalFacts(SignalCounts):
    """What a capture shows of one signal; times count from the first frame."""

    least: float = np.nan
    greatest: float = np.nan
    codes: dict[int, int] | None = field(default_factory=dict)  # None: more than MOST_CODES
    edges: list[tuple[int, int]] = field(default_factory=list)  # instant, raw code from then on
    course: Course = field(default_factory=Course)
    steps_of_one: int = 0  # frames whose raw code is that of the frame before and one more

    @property
    def _wrap(self) -> int:
        return (1 << min(self.spec.length_bits, 62)) - 1

    def add(self, series: Series, since_ns: Int64s) -> None:
        """Take in the values of one chunk."""
        raw = series.raw
        if not len(raw):
            return
        is_first = self.last_raw is None
        step = self.count_in(series)
        changed = np.flatnonzero(step)
        self.steps_of_one += int((step == 1).sum() + (step == -self._wrap).sum())
        if is_first:
            self.edges.append((int(since_ns[0]), int(raw[0])))
        room = max(MOST_EDGES - len(self.edges), 0)
        self.edges += [(int(since_ns[row]), int(raw[row])) for row in changed[:room]]
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
    lengths: dict[int, int] = field(default_factory=dict)  # bytes -> frames
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

    def share_of_length(self, length: int) -> float:
        """How well its frames fit a length, from 0 to 1; one that is longer may be meant."""
        exact = self.lengths.get(length, 0)
        longer = sum(count for size, count in self.lengths.items() if size > length)
        return (exact + LONGER * longer) / max(self.count, 1)

    def add(self, since_ns: Int64s, lengths: Mapping[int, int]) -> None:
        """Take in its frames of one chunk."""
        stamps = since_ns if not self.count else np.insert(since_ns, 0, self.last_ns)
        self.first_ns = self.first_ns if self.count else int(since_ns[0])
        self.intervals += np.diff(stamps)[: INTERVALS - len(self.intervals)].tolist()
        self.count += len(since_ns)
        self.last_ns = int(since_ns[-1])
        for length, times in lengths.items():
            self.lengths[length] = self.lengths.get(length, 0) + times


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

    def carries_the_same_as(self, other: Bus) -> bool:
        """Whether it looks like another recording of the same bus: all values alike throughout."""
        mine, theirs = ([*bus._prints()] for bus in (self, other))
        return mine == theirs and sum(changes for *_, changes in mine) >= MANY_CHANGES

    def _prints(self) -> Iterator[tuple[int, bool, int, float, float, int]]:
        for message, one in self.signals():
            extremes = (one.least, one.greatest) if one.least == one.least else (0.0, 0.0)
            yield message.can_id, message.extended, one.count, *extremes, one.changes

    def signals(self) -> Iterator[tuple[MessageFacts, SignalFacts]]:
        """Every signal with its message."""
        for message in self.messages:
            for signal in message.signals:
                yield message, signal
