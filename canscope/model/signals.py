"""Signals: the decoded values of a chunk. Samples: a role's values in the role's own unit."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar, NamedTuple

import numpy as np
from numpy.typing import NDArray

from canscope.model.definition import SignalSpec
from canscope.model.errors import CanscopeError, UnknownNameError
from canscope.model.tables import Floats, Frames, Int64s

if TYPE_CHECKING:
    from canscope.model.dataframes import DataFrame

OK, NOT_AVAILABLE, OUT_OF_RANGE = 0, 1, 2  # values of a status column


class Series(NamedTuple):
    """The values of one signal in one chunk of frames, in frame order.

    One is made for every signal of every chunk: a tuple takes a fifth of a dataclass's time.

    ======= ======= ======================================================================
    column  dtype   meaning
    ======= ======= ======================================================================
    time_ns int64   as in the frames
    value   float64 physical value in the definition's unit; NaN where not available
    raw     int64   raw code (uint64 codes above 2**63 wrap; the bit pattern if a float)
    status  uint8   OK, NOT_AVAILABLE, OUT_OF_RANGE (outside the declared range; value kept)
    row     int64   row of the chunk's frames that it came from
    ======= ======= ======================================================================
    """

    spec: SignalSpec
    time_ns: Int64s
    value: Floats
    raw: Int64s
    status: NDArray[np.uint8]
    row: Int64s

    def __repr__(self) -> str:
        unit = f" in {self.spec.unit}" if self.spec.unit else ""
        return f"<{self.spec.key}{unit}: {len(self.time_ns)} values>"


@dataclass(frozen=True)
class DecodeTally:
    """What decoding could not use, by message key; tallies can be added."""

    short_frames: Mapping[str, int] = field(default_factory=dict)  # shorter than a signal needs
    undefined_multiplexer: Mapping[str, int] = field(default_factory=dict)
    undefined_ids: Mapping[str, int] = field(default_factory=dict)  # by channel: frames
    # source addresses that sent a J1939 message which its definition takes from any of them
    senders: Mapping[str, frozenset[int]] = field(default_factory=dict)

    def __add__(self, other: DecodeTally) -> DecodeTally:
        def plus(a: Mapping[str, int], b: Mapping[str, int]) -> dict[str, int]:
            return {key: a.get(key, 0) + b.get(key, 0) for key in {**a, **b}}

        return DecodeTally(
            plus(self.short_frames, other.short_frames),
            plus(self.undefined_multiplexer, other.undefined_multiplexer),
            plus(self.undefined_ids, other.undefined_ids),
            {
                key: self.senders.get(key, frozenset()) | other.senders.get(key, frozenset())
                for key in {**self.senders, **other.senders}
            },
        )


@dataclass(frozen=True, eq=False)
class Signals:
    """One decoded chunk; it keeps its frames.

    ``series`` holds every wanted signal by key (``channel:Message.Signal``), also those without a
    value in this chunk. ``arrivals`` holds the stamps of the data frames of every wanted message,
    whatever they carried.
    """

    frames: Frames
    series: Mapping[str, Series]
    arrivals: Mapping[str, Int64s]
    tally: DecodeTally = field(default_factory=DecodeTally)

    def __repr__(self) -> str:
        values = sum(len(series.row) for series in self.series.values())
        return (
            f"<Signals: {values} values of {len(self.series)} signals in {len(self.frames)} frames>"
        )

    def __getitem__(self, name: str) -> Series:
        """One signal: ``MotorSpeed``, ``UnitFast.MotorSpeed`` or ``can1:UnitFast.MotorSpeed``.

        Raises ``CanscopeError``: with the nearest name if there is none, with all if several.
        """
        return self.series[key_of(name, self.series)]

    # Without it Python would count 0, 1, 2 ... through ``__getitem__``.
    __iter__: ClassVar[None] = None

    def to_frame(self, *, wide: bool = False) -> DataFrame:
        """The values as a pandas table; ``attrs["units"]`` has the unit of each signal by key.

        One row a value (``time_ns``, ``time_s``, ``channel``, ``message``, ``signal``, ``value``,
        ``unit``, ``label``; texts are categoricals), or with ``wide`` one row a frame and one
        column a signal that occurs, named ``channel:Message.Signal``. ``time_s`` counts from the
        first frame. A value that is not available is NaN.
        """
        from canscope.model.dataframes import signals_frame

        return signals_frame([self], wide=wide)


def key_of(name: str, known: Collection[str]) -> str:
    """The one key that a name means, which may leave out its channel, or channel and message.

    Raises ``UnknownNameError``, which names the nearest, if there is none, and ``CanscopeError``,
    which lists them, if there are several.
    """
    if name in known:
        return name
    short: dict[str, list[str]] = {}
    for key in known:
        rest = key.partition(":")[2]
        for one in {rest, rest.rpartition(".")[2]}:
            short.setdefault(one, []).append(key)
    keys = short.get(name, [])
    if len(keys) == 1:
        return keys[0]
    if keys:
        what = f"{len(keys)} signals are named {name!r}"
        raise CanscopeError(what, hint=f"name one of them: {', '.join(sorted(keys)[:12])}")
    raise UnknownNameError("signal", name, known if ":" in name else {*short})


@dataclass(frozen=True, eq=False, init=False)
class Samples:
    """The values of one role over some stretch of time, in its role's own unit (``model.roles``).

    ======= ======= =====================================================================
    column  dtype   meaning
    ======= ======= =====================================================================
    time_ns int64   since 1970 UTC, never decreasing
    value   float64 NaN where absent: not available, out of range, or an unknown code.
                    States are 1 true, 0 false. Directions are 1 forward, -1 reverse, 0 neutral
    raw     int64   raw code of the signal
    status  uint8   as in Series
    ======= ======= =====================================================================

    ``is_complete`` says that no value is absent, where that is known already.
    """

    time_ns: Int64s
    value: Floats
    raw: Int64s
    status: NDArray[np.uint8]

    def __init__(
        self,
        time_ns: Int64s,
        value: Floats,
        raw: Int64s,
        status: NDArray[np.uint8],
        *,
        is_complete: bool = False,
    ) -> None:
        # As a frozen dataclass does it by itself it takes three times as long, and thousands are
        # made for each chunk of a capture.
        columns = self.__dict__
        columns["time_ns"], columns["value"] = time_ns, value
        columns["raw"], columns["status"] = raw, status
        if is_complete:
            columns["is_complete"] = True

    def __len__(self) -> int:
        return len(self.time_ns)

    def __getitem__(self, rows: slice | NDArray[np.bool_] | Int64s) -> Samples:
        return Samples(
            self.time_ns[rows],
            self.value[rows],
            self.raw[rows],
            self.status[rows],
            # A part of what is complete is complete.
            is_complete="is_complete" in self.__dict__ and self.is_complete,
        )

    @property
    def known(self) -> Samples:
        """The samples that carry a value."""
        return self if self.is_complete else self._known

    @cached_property
    def is_complete(self) -> bool:
        """Whether every sample carries a value."""
        return not np.logical_or.reduce(np.isnan(self.value))

    @cached_property
    def _known(self) -> Samples:
        return self[~np.isnan(self.value)]

    def between(self, start_ns: int, end_ns: int) -> Samples:
        """The samples with start <= time < end."""
        times = self.time_ns
        first, last = int(times.searchsorted(start_ns)), int(times.searchsorted(end_ns))
        return self if last - first == len(times) else self[first:last]


NO_SAMPLES = Samples(
    np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int64), np.zeros(0, np.uint8)
)


class RoleAt(NamedTuple):
    """A role's last known value at given instants (one row an instant).

    ``value`` is NaN where nothing was known, the last sample was absent, or it was stale (older
    than three of its cycles). ``sampled_ns`` is the stamp of that last sample (``NEVER`` if there
    was none), ``age_ns`` the instant minus it.
    """

    value: Floats
    sampled_ns: Int64s
    age_ns: Int64s
    stale: NDArray[np.bool_]


MANY = 64  # instants; for fewer it does not pay to see whether they are the samples' own
NEVER = np.int64(-(2**62))


class Place(NamedTuple):
    """Where instants lie among samples (one row an instant)."""

    row: Int64s  # of the last sample by then; 0 where there is none
    sampled_ns: Int64s
    age_ns: Int64s
    oldest_ns: int
    unknown: NDArray[np.bool_] | None  # instants before the first sample; None where there are none


def place_of(samples: Samples, times_ns: Int64s, *, before: bool = False) -> Place:
    """Where these instants lie among samples, of which there is at least one."""
    stamps = samples.time_ns
    own = _own_rows(stamps, times_ns) if len(times_ns) >= MANY else None
    if own is None:
        row = stamps.searchsorted(times_ns, "left" if before else "right") - 1
    else:
        row = own - 1 if before else own
    if len(row) == 1:  # as often as not
        unknown = row < 0 if row[0] < 0 else None
    else:
        unknown = row < 0 if np.minimum.reduce(row, initial=0) < 0 else None
    if unknown is not None:
        row[unknown] = 0
    sampled = stamps[row]
    if unknown is not None:
        sampled[unknown] = NEVER
    age = times_ns - sampled
    oldest = age[0] if len(age) == 1 else np.maximum.reduce(age, initial=0)
    return Place(row, sampled, age, int(oldest), unknown)


def _own_rows(stamps: Int64s, times_ns: Int64s) -> Int64s | None:
    """The rows that bear these instants as their stamps, each a different one; else None.

    A role is mostly asked for at the samples of another role of its message. Looking these up one
    by one takes a twentieth of a whole check.
    """
    count = len(times_ns)
    first = int(stamps.searchsorted(times_ns[0]))
    same = stamps[first : first + count + 1]
    if len(same) < count or same[count - 1] != times_ns[-1] or same[0] != times_ns[0]:
        return None
    alone = (same[1:] > same[:-1]).all()  # and the stamp that follows is another one
    found = alone and (same[:count] == times_ns).all()
    return np.arange(first, first + count) if found else None
