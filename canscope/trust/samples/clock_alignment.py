"""Do the adapters' clocks agree? Buses are aligned by what both of them must show.

When pre-charge and negative are closed, current leaves the pack and every link begins to rise, at
one instant. Where the two are stamped at different ones, the clocks of their adapters differ. That
is no fault of the vehicle; but within that difference nobody knows what came first.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from canscope.model.bench import SAFE_V, Bench
from canscope.model.events import Event
from canscope.model.outcome import Doubt
from canscope.model.piece import ClosedWindow
from canscope.model.tables import SECOND_NS
from canscope.trust.high_voltage.link_witness import Shown, current_onset, link_onset

MS = 10**6
CLOCKS_APART = "clocks-apart"  # code of a doubt
MOST_MS = 55.0  # clocks closer than this count as one; common practice, no source
SURE = 0.5  # of MOST_MS, which a difference surely exceeds before it is told; likewise
AGREE_NS = 25 * MS  # two that show one instant, besides what sampling leaves open; likewise
REACH_NS = 22 * SECOND_NS // 10  # how far clocks may differ for this to find it
AFTER_NS = 3 * SECOND_NS // 2  # how long after a link is full that is looked for; likewise
EARLIER_NS = SECOND_NS // 2  # a state may come so much later than the current
FLOWS, FLOWS_NS = 0.3, 100 * MS  # of the pack over the resistor, and how soon; likewise
QUIET_NS = 200 * MS  # of a current, before it may begin; likewise
LEAST_V = SAFE_V  # of the pack, to take a share of


@dataclass(frozen=True)
class Lag:
    """How much later one bus was stamped than another one, in ms, give or take ``u_ms``."""

    channel: str
    against: str
    ms: float
    u_ms: float
    by: str  # what showed it
    known_ns: int = 0

    @property
    def told(self) -> bool:
        """Whether it is too large for the order of events across the two buses."""
        return abs(self.ms) >= MOST_MS and abs(self.ms) - self.u_ms >= SURE * MOST_MS

    @property
    def ns(self) -> int:
        """The same in ns; 0 while it is too small to be told."""
        return round(self.ms * MS) if self.told else 0

    @property
    def text(self) -> str:
        """For a sentence."""
        word = "later" if self.ms > 0 else "earlier"
        return (
            f"{self.channel} is stamped {abs(self.ms):.0f} ms (+-{self.u_ms:.0f} ms) {word} than "
            f"{self.against}, by {self.by}"
        )


def unordered(subject: str, clocks: Lag, at_ns: int | None = None) -> Doubt:
    """What two clocks that differ leave open, and lowers a pass."""
    text = f"{clocks.text}: what came first on the two is not known within that"
    return Doubt(subject, "capture-damaged", text, at_ns, code=CLOCKS_APART)


def lag_of(window: ClosedWindow, role: str) -> Lag | None:
    """How late a link's bus is in an attempt against the bus of pack current and contactors.

    None where both are one bus, or where the attempt does not show it.
    """
    return window.once((lag_of, role), lambda: _lag_of(window, role))


def _lag_of(window: ClosedWindow, role: str) -> Lag | None:
    bench = window.bench
    channel = bench.bindings[role].signal.channel
    found = window.once(_reference, lambda: _reference(window))
    pack = _pack_V(window)
    if found is None or np.isnan(pack) or pack < LEAST_V:
        return None
    against, by, begin = found
    if against == channel:
        return None
    start_ns = window.span.start_ns - REACH_NS
    rise = link_onset(window, role, start_ns, window.until_ns, pack)
    if rise is None:
        return None
    earliest, latest = rise.after_ns - begin.time_ns, rise.time_ns - begin.after_ns
    if max(earliest, -latest) > REACH_NS:
        return None  # of another attempt
    middle, half = (earliest + latest) / 2 / MS, (latest - earliest) / 2 / MS
    text = f"{by} and the rise of {bench.bindings[role].key}"
    return Lag(channel, against, middle, half, text, window.span.end_ns)


def link_lag_ns(window: ClosedWindow, role: str) -> int:
    """The same in ns, 0 where it is small or not known."""
    lag = lag_of(window, role)
    return 0 if lag is None else lag.ns


@dataclass(frozen=True)
class Begins:
    """What began a pre-charge: the state that said so last, and the onset of the pack current.

    ``current_counts``: the current is the one to go by, since it came no later than the state, or
    a link agrees with it and not with the state. ``by`` says in words what the onset is.
    """

    closed: Event | None
    current: Shown | None
    current_counts: bool = False
    by: str = ""


def begins(window: ClosedWindow) -> Begins:
    """What the vehicle's own bus shows of the begin of the attempt's first pre-charge."""
    closed = _precharge(window)
    if not window.bench.has("pack.current"):
        return Begins(closed, None)
    start_ns = window.span.start_ns - EARLIER_NS
    heard = window.back("pack.current", start_ns).known.time_ns
    if closed is None and len(heard):  # its node may have woken late
        start_ns = max(start_ns, int(heard[0]) + QUIET_NS)
    begin = current_onset(window, start_ns, window.until_ns)
    if begin is None or (closed is None and not _charges(window, begin)):
        return Begins(closed, None)
    counts = closed is None or begin.after_ns <= closed.time_ns or _with_link(window, begin, closed)
    by = f"the onset of {window.bench.bindings['pack.current'].key}"
    return Begins(closed, begin, counts, by)


def positive_closings(window: ClosedWindow) -> list[int]:
    """Until when positive surely was open, by each of its closings."""
    events = window.events_of("pole", "positive")
    return [e.after_ns for e in events if e.value == 1 and e.time_ns >= window.span.start_ns]


def _with_link(window: ClosedWindow, begin: Shown, closed: Event) -> bool:
    """Whether a link rose when the current began, and not when the state said closed."""
    pack = _pack_V(window)
    if np.isnan(pack) or pack < LEAST_V:
        return False
    state = Shown(closed.after_ns, closed.time_ns)
    for role in window.bench.link_roles().values():
        rise = link_onset(window, role, window.span.start_ns - REACH_NS, window.until_ns, pack)
        if rise is not None and _apart_ns(rise, begin) <= AGREE_NS < _apart_ns(rise, state):
            return True
    return False


def _pack_V(window: ClosedWindow) -> float:
    """The pack's voltage as the attempt began, else, where it was not heard yet, as it ended."""
    ends = [window.span.start_ns, window.until_ns]
    known = window.at("pack.voltage", ends, before=True).value
    return float(known[1] if np.isnan(known[0]) else known[0])


def _charges(window: ClosedWindow, begin: Shown) -> bool:
    """Whether what begins to flow is as much as the pre-charge resistor lets through at first.

    Where no state tells, it may be a converter's, which starts as positive closes.
    """
    ohm = window.bench.precharge_resistor_ohm
    if not ohm:
        return False
    end_ns = begin.time_ns + FLOWS_NS
    before, flows = (
        window.back("pack.current", start).between(start, end).known.value
        for start, end in ((begin.after_ns - SECOND_NS, begin.after_ns), (begin.after_ns, end_ns))
    )
    rise_A = float(np.max(flows, initial=-np.inf)) - float(np.min(before, initial=np.inf))
    return bool(FLOWS * _pack_V(window) / ohm <= rise_A)


def _apart_ns(one: Shown, other: Shown) -> int:
    """How far two instants surely lie apart; 0 or less if they may be the same."""
    return max(one.after_ns - other.time_ns, other.after_ns - one.time_ns)


def _reference(window: ClosedWindow) -> tuple[str, str, Shown] | None:
    """What began the pre-charge on the vehicle's own bus: its channel, in words, and when."""
    bench, begin = window.bench, begins(window)
    if begin.current is not None and begin.current_counts:
        return bench.bindings["pack.current"].signal.channel, begin.by, begin.current
    if begin.closed is None:
        return None
    signal = bench.bindings["contactors.precharge"].signal
    shown = Shown(begin.closed.after_ns, begin.closed.time_ns)
    return signal.channel, f"{signal.key}", shown


def _precharge(window: ClosedWindow) -> Event | None:
    """The first closing of pre-charge in the attempt, or the closing of negative that came later.

    None where the states do not show it.
    """
    events = [e for e in window.events_of("pole") if e.time_ns >= window.span.start_ns]
    closed = [e for e in events if e.subject == "precharge" and e.value == 1]
    if not closed:
        return None
    others = [e for e in events if e.subject == "negative" and e.value == 1]
    others = [] if window.bench.poles_as_one else others  # it tells of both, not of negative
    both = [closed[0], *others[:1]]
    return max(both, key=lambda event: event.time_ns)


class Alignment:
    """The lags of all buses that an attempt has shown so far: of each bus the first that counts."""

    def __init__(self) -> None:
        self.lags: dict[str, Lag] = {}  # by channel

    def add(self, window: ClosedWindow) -> None:
        """Take in a closed attempt."""
        for role in window.bench.link_roles().values():
            lag = lag_of(window, role)
            if lag is not None:
                self._keep(lag)

    def add_falls(self, window: ClosedWindow, falls: Iterable[tuple[str, Shown]]) -> None:
        """Take in when the links left the pack in an opening, by role: one circuit falls as one.

        An adapter that fell behind, or whose clock runs otherwise, agrees at the begin of a run.
        """
        bench, found = window.bench, sorted(falls, key=lambda one: one[1].time_ns)
        for role, fall in found[1:]:
            (first, begin), channel = found[0], bench.bindings[role].signal.channel
            against = bench.bindings[first].signal.channel
            if against == channel:
                continue
            earliest, latest = fall.after_ns - begin.time_ns, fall.time_ns - begin.after_ns
            middle, half = (earliest + latest) / 2 / MS, (latest - earliest) / 2 / MS
            before = self.lags.get(against)
            if before is not None and before.against != channel:
                middle, half, against = middle + before.ms, half + before.u_ms, before.against
            text = f"the fall of {bench.bindings[first].key} and of {bench.bindings[role].key}"
            self._keep(Lag(channel, against, middle, half, text, window.span.end_ns))

    def _keep(self, lag: Lag) -> None:
        known = self.lags.get(lag.channel)
        if known is None or (lag.told and not known.told):
            self.lags[lag.channel] = lag

    def differs(self, bench: Bench, role: str) -> bool:
        """Whether the clock of a role's bus is known to differ."""
        lag = self.lags.get(bench.bindings[role].signal.channel)
        return lag is not None and lag.told

    def between(self, bench: Bench, roles: Iterable[str]) -> tuple[float, Lag] | None:
        """The largest difference in ms among the clocks of these roles' buses that counts."""
        found = self._counting(bench, roles)
        return max(found, key=lambda one: one[0], default=None)

    def first(self, bench: Bench, roles: Iterable[str]) -> Lag | None:
        """The lag among these roles' buses that was known first."""
        found = [lag for _, lag in self._counting(bench, roles)]
        return min(found, key=lambda lag: lag.known_ns, default=None)

    def _counting(self, bench: Bench, roles: Iterable[str]) -> list[tuple[float, Lag]]:
        if not any(lag.told for lag in self.lags.values()):
            return []
        own = {bench.bindings[role].signal.channel for role in roles if role in bench.bindings}
        found = []
        for lag in self.lags.values():
            if lag.told and lag.channel in own:
                others = own - {lag.channel}
                apart = [abs(lag.ms - self.lags[c].ms) for c in others if c in self.lags]
                # What nobody aligned, as a bus of inputs alone, is taken to go with that one.
                apart += [abs(lag.ms)] if others - self.lags.keys() else []
                if max(apart, default=0.0) >= MOST_MS:
                    found.append((max(apart), lag))
        return found

    def notes(self) -> list[str]:
        """Every lag that counts, for the report."""
        return [
            f"{lag.text}: the clocks of the two adapters differ, or the reading trails; what needs "
            "the order of events across them is unproven"
            for lag in self.lags.values()
            if lag.told
        ]
