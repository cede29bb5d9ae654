"""Did a node restart? It is silent for a moment, and then it begins anew.

What it sends at first are start-up values: a controller may send frames of zeros until its program
has measured anything. While nothing is live and nothing turns they do not count, once for each
waking; a node that restarts under voltage, while a unit turns, or again and again is at fault.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from canscope.model.bench import POLES, SAFE_V, Bench
from canscope.model.cycle import STALE_CYCLES, Cycle
from canscope.model.events import Event
from canscope.model.history import History, step_at
from canscope.model.median import median
from canscope.model.piece import ClosedWindow
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Int64s
from canscope.trust.samples.even_stamps import LATEST_NS
from canscope.trust.samples.sent_order import Waiting, in_order

AROUND_S = 2.0  # before the window, from which a counter's habit is learned as well
FEWEST = 4  # counts that show a habit
LOST_CYCLES = 1.5  # a longer way between two counts is a gap in the stamps
LATELY_CYCLES = 3.0  # before a window, in which a count has to lie that is broken in it
# All common practice, no source.
STARTS_UP_NS = SECOND_NS  # so long what a node sends after its restart does not count
LONGEST_NS = 5 * SECOND_NS  # of silence: a node that is away for longer has died
BLANK_BITS = 16  # fewer that are all alike are no sign: they may be two states
TURNS_RPM = 50.0


@dataclass(frozen=True)
class Restart:
    """A node that fell silent after ``last_ns``, and whose first frame after it is a beginning."""

    node: str
    last_ns: int
    back_ns: int


class Restarts:
    """Follows the nodes of one segment. ``starting`` says whose frames do not count yet.

    Its keys are messages, its values stretches [from, until).
    """

    def __init__(self, bench: Bench) -> None:
        self.starting: dict[str, tuple[int, int]] = {}
        self._bench = bench
        self._nodes = nodes_of(bench)
        self._last_ns: dict[str, int] = {}
        self._told: set[str] = set()  # nodes that restarted since the last waking
        stated = {
            key: next((c for role in roles if (c := bench.bindings[role].cycle_ns)), None)
            for key, roles in bench.bound_messages.items()
        }
        self._cycles = {key: Cycle(cycle_ns) for key, cycle_ns in stated.items()}

    def returns(
        self, arrivals: Mapping[str, Int64s], samples: Mapping[str, Samples]
    ) -> list[Restart]:
        """The ends of silences in a slice at which a node may have begun anew, in time order."""
        for key, times in arrivals.items():
            if key in self._cycles:
                self._cycles[key].learn(times)
        found = []
        for node, keys in self._nodes.items():
            heard = [arrivals[key] for key in keys if len(arrivals.get(key, ()))]
            if not heard:
                continue
            times = np.sort(np.concatenate(heard)) if len(heard) > 1 else heard[0]
            if node in self._last_ns:
                times = np.concatenate((np.array([self._last_ns[node]], np.int64), times))
            self._last_ns[node] = int(times[-1])
            ways = np.diff(times)
            fastest = np.min([self._cycles[key].at_ns(times[1:]) for key in keys], axis=0)
            silent = (ways > STALE_CYCLES * fastest) & (ways <= LONGEST_NS)
            for row in np.flatnonzero(silent).tolist():
                back_ns = int(times[row + 1])
                if any(self._may_begin(key, samples, back_ns) for key in keys):
                    found.append(Restart(node, int(times[row]), back_ns))
        return sorted(found, key=lambda one: (one.back_ns, one.node))

    def may_be(self, one: Restart, samples: Mapping[str, Samples], history: History) -> bool:
        """Whether it may be a restart, by what its messages said just before it.

        ``history`` ends where ``samples`` begin, at or before ``one.back_ns``. A recording that
        lost frames has hundreds of such silences, and what is cut there takes as long as a piece.
        """
        if self.starting:  # of what does not count it is not known yet how much is kept
            return True
        return any(
            self._begins(key, samples, history, one.back_ns) for key in self._nodes[one.node]
        )

    def decide(self, one: Restart, samples: Mapping[str, Samples], history: History) -> bool:
        """Whether it was a restart at rest; its frames then do not count for a second.

        ``history`` ends just before ``one.back_ns``, ``samples`` begin there.
        """
        keys = self._nodes[one.node]
        if one.node in self._told or not _at_rest(self._bench, history, one):
            return False
        if not any(self._begins(key, samples, history, one.back_ns) for key in keys):
            return False
        self._told.add(one.node)
        for key in keys:
            self.starting[key] = (one.back_ns, one.back_ns + STARTS_UP_NS)
        return True

    def counting(self, samples: Mapping[str, Samples]) -> Mapping[str, Samples]:
        """The samples without start-up values. They count from the moment a pole closes."""
        first_ns = min((int(s.time_ns[0]) for s in samples.values() if len(s)), default=0)
        self.starting = {k: times for k, times in self.starting.items() if times[1] > first_ns}
        if not self.starting:
            return samples
        for pole in POLES:
            if (states := samples.get(f"contactors.{pole}")) is not None:
                for closed_ns in states.time_ns[states.value == 1][:1].tolist():
                    for key, (begin_ns, end_ns) in self.starting.items():
                        self.starting[key] = (begin_ns, max(begin_ns, min(end_ns, closed_ns)))
        return {role: self._counting(role, some) for role, some in samples.items()}

    def follow(self, events: Iterable[Event]) -> None:
        """Take in what happened: after a waking or key-on every node may restart once more."""
        for event in events:
            if event.kind == "wake" or (event.kind == "ignition" and event.value == 1):
                self._told.clear()

    def _counting(self, role: str, samples: Samples) -> Samples:
        begin_ns, end_ns = self.starting.get(self._bench.bindings[role].signal.message_key, (0, 0))
        if end_ns <= begin_ns:
            return samples
        counts = (samples.time_ns < begin_ns) | (samples.time_ns >= end_ns)
        return samples if counts.all() else samples[counts]

    def _may_begin(self, key: str, samples: Mapping[str, Samples], at_ns: int) -> bool:
        """Whether the message then carried one and the same bit throughout, or a count of 0 or 1.

        So far as the plan binds it.
        """
        now = self._raw(key, samples, at_ns)
        counts = [raw for role, raw in now.items() if role.endswith(".alive")]
        return self._is_blank(now) or any(count <= 1 for count in counts)

    def _begins(
        self, key: str, samples: Mapping[str, Samples], history: History, at_ns: int
    ) -> bool:
        """Whether it said something else before, or its counter did not count on."""
        now = self._raw(key, samples, at_ns)
        known = {role: _just_before(samples[role], history.samples(role), at_ns) for role in now}
        before = {role: int(one.raw[-1]) for role, one in known.items() if len(one)}
        if self._is_blank(now) and before and not self._is_blank(before):
            return True
        for role, raw in now.items():
            if role.endswith(".alive") and role in before and raw <= 1:
                modulus = self._bench.bindings[role].modulus
                way_ns = at_ns - int(known[role].time_ns[-1])
                frames = round(way_ns / int(self._cycles[key].at_ns(np.array([at_ns]))[0]))
                # A frame more or less over a gap is the cycle's own jitter.
                if (raw - before[role] - frames + 1) % modulus > 2:
                    return True
        return False

    def _raw(self, key: str, samples: Mapping[str, Samples], at_ns: int) -> dict[str, int]:
        found = {}
        for role in self._bench.bound_messages[key]:
            if role in samples:
                row = int(samples[role].time_ns.searchsorted(at_ns))
                if row < len(samples[role]) and samples[role].time_ns[row] == at_ns:
                    found[role] = int(samples[role].raw[row])
        return found

    def _is_blank(self, raws: Mapping[str, int]) -> bool:
        """Whether all bits that are bound are 0, or all are 1."""
        bits = {role: self._bench.bindings[role].signal.length_bits for role in raws}
        ones = {role: (1 << width) - 1 for role, width in bits.items()}
        return sum(bits.values()) >= BLANK_BITS and (
            not any(raws.values())
            or all(raw & ones[role] == ones[role] for role, raw in raws.items())
        )


def nodes_of(bench: Bench) -> dict[str, tuple[str, ...]]:
    """Node -> its bound messages: those of one unit on one bus together, any other by itself."""
    nodes: dict[str, tuple[str, ...]] = {}
    for key, roles in bench.bound_messages.items():
        units = {role.split(".")[1] for role in roles if role.startswith("units.")}
        apart = len(units) != 1 or not all(role.startswith("units.") for role in roles)
        node = key if apart else f"{units.pop()} on {key.partition(':')[0]}"
        nodes[node] = (*nodes.get(node, ()), key)
    return nodes


def _at_rest(bench: Bench, history: History, one: Restart) -> bool:
    """Whether nothing was live and nothing turned, from the silence's begin to its end."""
    begin = np.array([one.last_ns], np.int64)
    engaged = history.samples("@engaged")
    lively = engaged.between(one.last_ns, one.back_ns).value == 1
    if lively.any() or step_at(engaged, begin)[0] == 1:
        return False
    speeds = [_last(history, unit.role("speed")) for unit in bench.units]
    links = [_last(history, role) for role in bench.link_roles().values()]
    if any(speed >= TURNS_RPM for speed in speeds) or any(volts >= SAFE_V for volts in links):
        return False
    poles = [f"contactors.{pole}" for pole in POLES if bench.has(f"contactors.{pole}")]
    known = [_last(history, role) for role in poles or bench.link_roles().values()]
    return bool(known) and not np.isnan(known).any()


def _just_before(samples: Samples, past: Samples, at_ns: int) -> Samples:
    """The sample before an instant, of these or of the past that ended where they begin."""
    row = int(samples.time_ns.searchsorted(at_ns))
    return samples[row - 1 : row] if row else past[-1:]


def _last(history: History, role: str) -> float:
    """How large a role last was; NaN where nothing is known."""
    samples = history.samples(role)
    return abs(float(samples.value[-1])) if len(samples) else float("nan")


def counter_jump(window: ClosedWindow, role: str, begin_ns: int, last_ns: int) -> int | None:
    """When a rolling counter first broke its own habit between two instants; None if it did not.

    Its habit is its most usual step and way between two counts, over the window and 2 s before.
    Missing frames are no restart as long as the count goes on as if they had been there, nor are
    late ones that it counts one by one.
    """
    counts = window.around(role, AROUND_S)
    if len(counts) < FEWEST:
        return None
    modulus, end_ns = window.bench.bindings[role].modulus, int(counts.time_ns[-1]) + 2 * LATEST_NS
    _, raw, _ = in_order(Waiting(), counts.time_ns, counts.raw, None, modulus, end_ns)
    ways, steps = np.diff(counts.time_ns), np.diff(raw) % modulus
    kinds, times = np.unique(steps, return_counts=True)
    usual = int(kinds[np.argmax(times)])
    cycle = max(median(ways), 1.0)
    frames = np.where(ways > LOST_CYCLES * cycle, np.round(ways / cycle), 1).astype(np.int64)
    # A frame more or less over a gap is the cycle's own jitter.
    slack = [(frames + more) * usual % modulus for more in (-1, 0, 1)]
    on = np.where(frames > 1, np.any([steps == s for s in slack], axis=0), steps == usual)
    on |= (steps == usual) & (ways <= cycle + LATEST_NS)  # its stamp was late
    at, before = counts.time_ns[1:], counts.time_ns[:-1]
    # One that was silent before has its own reason; one that begins to count again is none.
    lately = before >= begin_ns - LATELY_CYCLES * cycle
    broken = np.flatnonzero(~on & lately & (at >= begin_ns) & (at <= last_ns))
    return int(at[broken[0]]) if len(broken) else None
