"""Rule ``cycle-time``."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import permutations
from typing import ClassVar

import numpy as np

from canscope.model.bench import POLES, Bench
from canscope.model.cycle import LEARNED_FROM, SETTLES_NS
from canscope.model.definition import MessageSpec
from canscope.model.findings import Verdict
from canscope.model.median import median
from canscope.model.outcome import Doubt, Margins, Outcome, Subject, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import ALL_STAGES, CardStep, Rule, Worst, limit, unjudged
from canscope.model.tables import Bools, Int64s
from canscope.rules import RULES
from canscope.rules.recording._losses import Growth, Losses, begin, follow
from canscope.rules.recording._messages import message_subjects
from canscope.rules.shared.links import clocks_ns
from canscope.trust.samples.silence import Silences, before_poles, gaps, idle

MS = 10**6
POLE_ROLES = tuple(f"contactors.{pole}" for pole in POLES)
SLOWER = 1.6  # times the interval of its twin on another bus; common practice, no source
# Of two senders: times its cycle allows in a second, or over so many cycles, and how far intervals
# that follow each other differ, of their mean; common practice, no source.
DENSE, FEWEST, UNEVEN = 1.7, 20, 0.5
AT_FIRST_NS = 10 * S  # in which a node that woke may send more often; likewise
OFTEN = 0.6  # of the stated cycle on average: less is another sender; common practice, no source
MISSED = 1.5  # cycles after a frame the next one is missing; common practice, no source
TOGETHER_NS = 10 * S  # a shutdown silences all nodes within this time; common practice, no source


@dataclass(frozen=True)
class Node:
    """One message so far."""

    cycle_ns: int | None
    last_ns: int | None = None
    due_ns: int = 0  # when the present silence gets too long, once the cycle is known
    quiet_ns: int = 0  # of the present silence: nothing at all was recorded on any bus
    restarted: bool = False  # it paused once before any pole closed
    settled_ns: int | None = None  # from when on intervals are learned from
    early: tuple[int, int, int] = (0, 0, 0)  # the longest before that: start, length, quiet
    learning: tuple[int, ...] = ()  # intervals, while the cycle is not known
    learning_quiet: tuple[int, ...] = ()  # the part of each in which nothing at all was recorded
    late: bool = False  # the present silence was reported as too long
    asked: bool = False  # it is too long, but the node may have been switched off
    heard: int = 0  # intervals, and their length, of a message whose cycle is stated
    heard_ns: int = 0
    clock_ns: int = 0  # how far stamps may lie from their instants
    first_ns: int | None = None  # the first arrival
    dense_ns: int | None = None  # when two senders were first heard for a second


@dataclass(frozen=True)
class Bus:
    """All messages, and whether their nodes must speak at all."""

    awake: bool
    nodes: Mapping[str, Node]
    frame_ns: int | None = None  # the last frame of any kind
    closed_ns: int | None = None  # when a pole was first seen closed
    losses: Losses = field(default_factory=Losses)


@RULES.add("cycle-time")
@dataclass(frozen=True, kw_only=True)
class CycleTime(Rule):
    """No message that a role rests on falls silent while its node must speak.

    Judged
        For each message, from its first frame to shutdown, and anew after waking: every interval
        between its frames, and a silence as soon as it lasts too long, so that a node that dies
        fails without sending anything more. The cycle is the plan's, else the definition's, else
        the median of the first 32 intervals later than 1 s after the first frame. Of a multiplexed
        message only the frames count that carry what is bound of it. A silence that begins while
        all poles are open, or not heard yet, and nothing turns may be a shutdown (all nodes within
        10 s of each other); it fails once another node is heard more than 10 s later, a pole
        closes, a unit turns, or the node itself speaks again. Not so where a node restarts, once
        and within 10 s, before any pole has closed (where none is bound: before a link was live);
        nor, where no ignition is bound, where all messages of a unit sleep after high voltage was
        on, until they wake or the recording ends: another bus may talk on. A node that lacks
        a frame before a pole closes, and is back, is heard a cycle later at most, and on another
        bus up to 1.2 s: clocks may differ. A restart is told where
        the node was silent for at most 5 s, while nothing was live and nothing turned, and came
        back with frames of zeros or with its counter at the beginning, once for each waking: what
        it sends in the second after that counts for no rule (common practice, no source).
        Stretches in which nothing at all was recorded, of no message and on no bus (``cycles`` of
        the fastest one), are no node's fault and not counted: a node is silent while others are
        heard.
        Frames that are missing one by one: more than 3 and more than one in 1,000 intervals of two
        or three whole cycles, beside which no frame came early or late to make up for it. Where
        nobody states the cycle, single ones have to come before and after.
    Margin
        ``cycles`` times the cycle minus the interval, in ms; of frames missing one by one, the
        cycle times the number allowed minus the cycle times their number. How late stamps may be,
        as the recorder states it, is the uncertainty of an interval that is too long.
    Unproven
        The message never came (not-seen), or too seldom to learn its cycle (not-exercised); it came
        far more often than its stated cycle, on the whole or, 10 s* after it was first heard, 1.7
        times* as often and in pairs over a second, so that a node that dies would hide behind
        another one that sends the same, or the cycle is not its own (inferred); nobody states its
        cycle, and the same message of an equal unit on another bus came 1.6 times as often
        (inferred), or intervals of whole cycles may come about by its stamps, since one in five of
        them is none, or since all of them lie on one line as in batches as long as its cycle
        (inferred); the recording ended during a silence that may have been a shutdown (stale); it
        was missing only because nothing at all was recorded (capture-damaged).
    """

    cycles: float = limit(
        3.0,
        "cycles",
        "ISO 11783-7: heartbeat 100 ms, error beyond 300 ms",
        low=1.0,
        high=10.0,
        looser="higher",
    )

    unit: ClassVar[str] = "ms"
    whole_run: ClassVar[bool] = True
    required_in: ClassVar[frozenset[str]] = ALL_STAGES
    limit_parameter: ClassVar[str] = "cycles"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.BEFORE_POWER})
    says: ClassVar[dict[str, str]] = {
        "pass": "the message kept its cycle of {cycle_ms:.4g} ms",
        "fail": "the message of {cycle_ms:.4g} ms cycle fell silent after {last_s:.3f} s, for"
        " longer than allowed",
    }
    codes: ClassVar[tuple[str, ...]] = ("silent", "frames-missing", "too-often", "slower-twin")
    exercise: ClassVar[str] = "record at least 33 frames of each message with its node powered"
    causes: ClassVar[tuple[str, ...]] = (
        "the node lost its supply or restarted",
        "a plug or the bus wiring has a loose contact",
        "the recorder or the bus was overloaded, and frames were lost",
    )
    next: ClassVar[str] = "look whether other messages paused at the same instant, and at the 12 V"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every message with a bound signal."""
        return message_subjects(bench)

    def start(self, bench: Bench) -> Bus:
        nodes, clock_ns = {}, round(bench.clock_ms * MS)
        for key in bench.bound_messages:
            nodes[key] = Node(_stated_ns(key, bench) or None, clock_ns=clock_ns)
        return Bus(awake=True, nodes=nodes, losses=begin(bench))

    def fold(self, state: Bus, piece: Piece) -> tuple[Bus, Sequence[Outcome]]:
        """Judge intervals, and silences whose deadline has passed by a later frame of any kind."""
        found: list[Outcome] = []
        nodes, awake, frame_ns = dict(state.nodes), state.awake, state.frame_ns
        closed_ns = state.closed_ns if state.closed_ns is not None else _first_closed_ns(piece)
        nodes = {k: _anew(node) if piece.restarted(k) else node for k, node in nodes.items()}
        every_gap = gaps(piece, state.frame_ns, self.cycles)
        for first_ns, last_ns, awake in _stretches(state.awake, piece):
            ends_ns = every_gap.end_ns
            quiet = every_gap[(ends_ns >= first_ns) & (ends_ns <= last_ns)]
            frame_ns = _last_frame(piece, last_ns, frame_ns)
            heard = {key: _between(piece, key, first_ns, last_ns) for key in nodes}
            for key, times in heard.items():
                nodes[key] = _dense(key, nodes[key], times, piece)
                nodes[key], rows = self._intervals(key, nodes[key], times, quiet, piece, closed_ns)
                found += rows
            # Only now the last arrival of every node is known.
            latest = {key: node.last_ns for key, node in nodes.items()}
            for key, node in nodes.items():
                if frame_ns is not None and frame_ns > node.due_ns:
                    slept = closed_ns is not None and closed_ns < node.due_ns
                    nodes[key], rows = self._silence(key, node, piece, last_ns, latest, slept)
                    found += rows
            if not awake:
                found += self._lasting(nodes, last_ns)
                nodes = {key: _asleep(node) for key, node in nodes.items()}
        losses, grown = follow(state.losses, piece)
        known = dict(losses.intervals)
        found += [
            _lost(key, growth, known[key].cycle_ns or 0)
            for key, growth in grown.items()
            if key in known and growth.beyond.any()
        ]
        frame_ns = _last_frame(piece, piece.until_ns, frame_ns)
        return Bus(awake, nodes, frame_ns, closed_ns, losses), found

    def _intervals(
        self,
        key: str,
        node: Node,
        times: Int64s,
        quiet: Silences,
        piece: Piece,
        closed_ns: int | None,
    ) -> tuple[Node, list[Outcome]]:
        """Judge the intervals that end with these arrivals."""
        if not len(times):
            return _longer(node, quiet), []
        before = node
        if before.last_ns is not None:
            times = np.concatenate((np.array([before.last_ns], np.int64), times))
        if node.cycle_ns is not None and not len(quiet) and not node.quiet_ns:
            interval, allowed = np.diff(times), self._allowed_ns(node)
            if not (interval > allowed).any():  # nearly always
                return self._punctual(key, _counted(node, interval), times, interval)
        spared = _spared(times, quiet)
        spared[:1] += before.quiet_ns
        found: list[Outcome] = []
        node = replace(node, last_ns=int(times[-1]), quiet_ns=0, late=False, asked=False)
        if node.cycle_ns is None:
            node, early = _settling(node, times, spared)
            times, spared = times[early:], spared[early:]
            used = min(LEARNED_FROM - len(node.learning), len(times) - 1)
            learning = (*node.learning, *np.diff(times[: used + 1]).tolist())
            learning_quiet = (*node.learning_quiet, *spared[:used].tolist())
            node = replace(node, learning=learning, learning_quiet=learning_quiet)
            if len(learning) < LEARNED_FROM:
                return _longer(node, quiet), []
            cycle_ns = max(1, int(median(learning)))
            node = replace(node, cycle_ns=cycle_ns, learning=(), learning_quiet=())
            times, spared = times[used:], spared[used:]
            # The intervals learned from cannot be judged sooner.
            early_ns, length_ns, early_quiet_ns = node.early
            intervals = np.array([length_ns, *learning], np.int64)
            quiets = np.array([early_quiet_ns, *learning_quiet], np.int64)
            starts = times[0] - np.cumsum(intervals[::-1])[::-1]
            starts[0] = early_ns
            node, judged = self._paused(key, node, starts, intervals, quiets, piece, closed_ns)
            at = np.full(int(judged.sum()), times[0])
            found += self._judged(key, node, at, intervals[judged], quiets[judged])
        allowed = self._allowed_ns(node)
        interval = np.diff(times)
        node = _counted(node, interval)
        node, judged = self._paused(key, node, times[:-1], interval, spared, piece, closed_ns)
        late_rows = np.flatnonzero((interval - spared > allowed) & judged)
        if before.late:
            late_rows = late_rows[late_rows > 0]
        if len(late_rows):
            due = times[:-1] + allowed
            for row in late_rows[spared[late_rows] > 0].tolist():
                carried = row == 0 and before.quiet_ns > 0 and before.cycle_ns is not None
                due[row] = _due(before.due_ns if carried else int(due[row]), times[row:], quiet)
            found.append(self._row(key, node, due[late_rows], allowed + 1))
        found += self._judged(key, node, times[1:][judged], interval[judged], spared[judged])
        return _longer(replace(node, due_ns=int(times[-1]) + allowed), quiet), found

    def _paused(
        self,
        key: str,
        node: Node,
        starts_ns: Int64s,
        interval: Int64s,
        spared: Int64s,
        piece: Piece,
        closed_ns: int | None,
    ) -> tuple[Node, Bools]:
        """Which of these intervals are judged: all but a restart, or sleep, with all poles open."""
        judged = np.ones(len(interval), np.bool_)
        allowed = self._allowed_ns(node)
        for row in np.flatnonzero(interval - spared > allowed).tolist():
            start_ns, end_ns = int(starts_ns[row]), int(starts_ns[row] + interval[row])
            rests_ns = _rests_ns(node, start_ns, start_ns + allowed, piece)
            until_ns = max(rests_ns, end_ns - _back_ns(piece.bench, key, node))
            engaged = piece.back("@engaged", rests_ns).between(rests_ns, until_ns + 1)
            poles = any(piece.bench.has(pole) for pole in POLE_ROLES)
            if (engaged.value == 1).any() or not (poles or idle(piece, rests_ns)):
                continue
            if closed_ns is not None and closed_ns <= until_ns:
                if not idle(piece, rests_ns):
                    continue
                middle_ns = np.array([start_ns + (end_ns - start_ns) // 2], np.int64)
                others = _companions(piece.bench, key)
                quiet = all(piece.at(f"#{other}", middle_ns).stale[0] for other in others)
                judged[row] = not (others and quiet)
            elif not node.restarted and end_ns - start_ns <= TOGETHER_NS:
                judged[row] = False
                node = replace(node, restarted=True)
        return node, judged

    def _punctual(
        self, key: str, node: Node, times: Int64s, interval: Int64s
    ) -> tuple[Node, list[Outcome]]:
        """Intervals that are all short enough, while something was heard all the time."""
        due_ns = int(times[-1]) + self._allowed_ns(node)
        node = replace(node, last_ns=int(times[-1]), due_ns=due_ns, late=False, asked=False)
        if not len(interval):
            return node, [self._row(key, node, times[1:], interval)]
        longest = slice(int(np.argmax(interval)), int(np.argmax(interval)) + 1)
        return node, [self._row(key, node, times[1:][longest], interval[longest])]

    def _judged(
        self, key: str, node: Node, at_ns: Int64s, interval: Int64s, spared: Int64s
    ) -> list[Outcome]:
        """Margins of intervals; a doubt where one is too long only because nothing was recorded."""
        net, allowed = interval - spared, self._allowed_ns(node)
        found: list[Outcome] = [self._row(key, node, at_ns, net)]
        excused = np.flatnonzero((interval > allowed) & (net <= allowed))
        if len(excused):
            row = excused[0]
            text = f"nothing at all was recorded for {spared[row] / S:.3f} s: recorder or supply"
            found.append(Doubt(key, "capture-damaged", text, int(at_ns[row])))
        return found

    def _silence(
        self,
        key: str,
        node: Node,
        piece: Piece,
        last_ns: int,
        latest: Mapping[str, int | None],
        slept: bool,
    ) -> tuple[Node, list[Outcome]]:
        """Judge the silence since the last arrival, if its deadline has passed by ``last_ns``.

        ``slept``: high voltage was on before, so that a unit may have gone to sleep.
        """
        if node.last_ns is None or node.cycle_ns is None or node.late:
            return node, []
        rests_ns = _rests_ns(node, node.last_ns, node.due_ns, piece)
        may_rest = node.asked or idle(piece, rests_ns) or before_poles(piece, rests_ns)
        if may_rest:
            awake = (_companions(piece.bench, key) if slept else ()) or tuple(latest)
            others = [heard for o in awake if o != key and (heard := latest[o]) is not None]
            spoke = max(others, default=0) > node.last_ns + TOGETHER_NS
            after = piece.back("@engaged", rests_ns + 1)
            back_ns = _back_ns(piece.bench, key, node)
            busy = (after.value == 1) & (after.time_ns <= last_ns - back_ns)
            if not spoke and not busy.any():
                return replace(node, asked=True), []
        at = np.array([node.due_ns], np.int64)
        row = self._row(key, node, at, self._allowed_ns(node) + 1)
        return replace(node, late=True, asked=False), [row]

    def close(self, state: Bus, piece: Piece) -> Sequence[Outcome]:
        """Silences that last until the end, and messages that could not be judged."""
        found: list[Outcome] = []
        nodes, end_ns = dict(state.nodes), piece.until_ns - 1
        latest = {key: node.last_ns for key, node in nodes.items()}
        for key, node in nodes.items():
            if node.due_ns <= end_ns:
                slept = state.closed_ns is not None and state.closed_ns < node.due_ns
                nodes[key], rows = self._silence(key, node, piece, end_ns, latest, slept)
                found += rows
        found += self._lasting(nodes, end_ns)
        found += _too_often(nodes, piece.bench)
        found += _slower_twins(nodes, piece.bench)
        found += _unclear(state.losses)
        for key, node in nodes.items():
            if node.asked and not _asleep_alike(nodes, key, state, piece.bench, end_ns):
                text = (
                    "it fell silent with all poles open and nothing turning, and the recording"
                    " ended before it could be told whether it died or was switched off"
                )
                found.append(Doubt(key, "stale", text, node.last_ns))
            if node.last_ns is None and state.awake:
                found.append(unjudged(key, "not-seen"))
            elif node.cycle_ns is None:
                few = f"fewer than {LEARNED_FROM + 1} frames came, too few to learn its cycle from"
                found.append(unjudged(key, "not-exercised", few))
            else:
                found.append(unjudged(key, "not-exercised", "fewer than two frames came"))
        return found

    def _lasting(self, nodes: Mapping[str, Node], end_ns: int) -> list[Margins]:
        """The full length of silences that were already reported as too long."""
        at = np.array([end_ns], np.int64)
        return [
            self._row(key, node, at, end_ns - node.last_ns - node.quiet_ns)
            for key, node in nodes.items()
            if node.late and node.last_ns is not None
        ]

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """The clause with the stamp of the last frame before the silence."""
        if worst.code == "frames-missing" and verdict == Verdict.FAIL:
            missing, heard = worst.facts["missing"], worst.facts["heard"]
            return (
                f"{missing} of {missing + heard} frames are missing: intervals of whole cycles of"
                f" {worst.facts['cycle_ms']:.4g} ms, together"
            )
        last_s = worst.at_s - worst.measured / 1e3
        return super().clause(verdict, replace(worst, facts={**worst.facts, "last_s": last_s}))

    def _allowed_ns(self, node: Node) -> int:
        """The longest silence that is no fail: late stamps alone may make an interval so long."""
        assert node.cycle_ns is not None
        return round(self.cycles * node.cycle_ns) + node.clock_ns

    def _row(self, key: str, node: Node, at_ns: Int64s, interval_ns: int | Int64s) -> Margins:
        """Margins at these instants; the stamps themselves are the only error of an interval."""
        assert node.cycle_ns is not None
        allowed = round(self.cycles * node.cycle_ns)
        margin_ms = (allowed - np.asarray(interval_ns)) / MS
        return margins(
            key,
            at_ns,
            margin_ms,
            # A late stamp that shortens one interval has made the one before it longer.
            uncertainty=np.where(margin_ms < 0, node.clock_ns / MS, 0.0),
            measured=np.asarray(interval_ns) / MS,
            limit=allowed / MS,
            start_ns=at_ns - interval_ns,
            end_ns=at_ns,
            code="silent",
            cycle_ms=node.cycle_ns / MS,
        )


def _lost(key: str, growth: Growth, cycle_ns: int) -> Margins:
    """Frames missing one by one, as the time that they would have filled."""
    some = growth.beyond
    missing, heard = growth.missing[some], growth.heard[some]
    cycle_ms = cycle_ns / MS
    lost_ms, allowed_ms = missing * cycle_ms, growth.allowed[some] * cycle_ms
    return margins(
        key,
        growth.time_ns[some],
        allowed_ms - lost_ms,
        measured=lost_ms,
        limit=allowed_ms,
        code="frames-missing",
        missing=missing,
        heard=heard,
        cycle_ms=cycle_ms,
    )


def _rests_ns(node: Node, last_ns: int, due_ns: int, piece: Piece) -> int:
    """When a silence is asked whether its node may rest: at its deadline, else as it began."""
    missed_ns = last_ns + round(MISSED * (node.cycle_ns or 0)) + node.clock_ns
    return missed_ns if not idle(piece, due_ns) and idle(piece, missed_ns) else due_ns


def _back_ns(bench: Bench, key: str, node: Node) -> int:
    """How long after a pole closed a node that was silent before is heard, though it is back.

    Its frame comes within a cycle; on another bus than the contactors clocks may differ.
    """
    role = bench.bound_messages[key][0]
    return max(node.cycle_ns or 0, clocks_ns(bench, role))


def _first_closed_ns(piece: Piece) -> int | None:
    """When high voltage was first known to be on: a pole closed, or a link full; a unit turned."""
    on = (
        event.time_ns
        for event in piece.events
        if event.kind == "burst-start" or (event.kind in ("pole", "link") and event.value == 1)
    )
    return min(on, default=None)


def _companions(bench: Bench, key: str) -> tuple[str, ...]:
    """All messages of a unit, which falls asleep as a whole; none where the ignition tells of it.

    Nor of other messages: nobody would know the poles if their node slept.
    """
    if bench.has("driver.ignition"):
        return ()
    unit = _unit(bench, key)
    return tuple(o for o in bench.bound_messages if unit and _unit(bench, o) == unit)


def _unit(bench: Bench, key: str) -> str | None:
    """The unit of which alone a message speaks."""
    owners = {role.split(".")[1] for role in bench.bound_messages[key] if role[:6] == "units."}
    alone = all(role.startswith("units.") for role in bench.bound_messages[key])
    return owners.pop() if alone and len(owners) == 1 else None


def _asleep_alike(
    nodes: Mapping[str, Node], key: str, state: Bus, bench: Bench, end_ns: int
) -> bool:
    """Whether a message ceased after high voltage was on, with all messages of its unit."""
    node, others = nodes[key], [nodes[o] for o in _companions(bench, key)]
    after = state.closed_ns is not None and state.closed_ns < node.due_ns
    return after and bool(others) and all(_silent_with(o, node, end_ns) for o in others)


def _silent_with(other: Node, node: Node, end_ns: int) -> bool:
    """Whether one message ceased with another one, within the time in which a node shuts down.

    A slow one may be missing just once by the end.
    """
    if other.last_ns is None or other.last_ns <= node.due_ns:
        return True
    together = other.last_ns <= (node.last_ns or 0) + TOGETHER_NS
    missed = end_ns > other.last_ns + MISSED * (other.cycle_ns or end_ns)
    return together and (other.asked or other.late or missed)


def _settling(node: Node, times: Int64s, spared: Int64s) -> tuple[Node, int]:
    """How many of these intervals begin too early to learn from; the longest of them is kept."""
    settled_ns = int(times[0]) + SETTLES_NS if node.settled_ns is None else node.settled_ns
    early = int(np.searchsorted(times[:-1], settled_ns))
    longest = node.early
    if early:
        intervals = np.diff(times[: early + 1])
        row = int(np.argmax(intervals - spared[:early]))
        some = (int(times[row]), int(intervals[row]), int(spared[row]))
        longest = max(longest, some, key=lambda one: one[1] - one[2])
    return replace(node, settled_ns=settled_ns, early=longest), early


def _counted(node: Node, interval: Int64s) -> Node:
    """The node with these intervals counted."""
    heard_ns = node.heard_ns + int(interval.sum())
    return replace(node, heard=node.heard + len(interval), heard_ns=heard_ns)


def _dense(key: str, node: Node, times: Int64s, piece: Piece) -> Node:
    """The node, with when two senders were first heard for a second, long after it woke.

    Their frames come in pairs; a node that sends faster by itself sends evenly.
    """
    cycle_ns = _stated_ns(key, piece.bench)
    if not len(times) or not cycle_ns or node.dense_ns is not None:
        return node
    first_ns = int(times[0]) if node.first_ns is None else node.first_ns
    node = replace(node, first_ns=first_ns)
    window_ns = max(S, FEWEST * cycle_ns)
    count = round(DENSE * window_ns / cycle_ns)
    from_ns = max(int(times[0]) - window_ns, first_ns + AT_FIRST_NS)
    every = piece.back(f"#{key}", from_ns).between(from_ns, int(times[-1]) + 1).time_ns
    new = np.arange(max(int(every.searchsorted(times[0])), count), len(every))
    for end in new[every[new] - every[new - count] < window_ns].tolist():  # nearly never
        intervals = np.diff(every[end - count : end + 1]).astype(np.float64)
        if median(np.abs(np.diff(intervals))) > UNEVEN * float(intervals.mean()):
            return replace(node, dense_ns=int(every[end]))
    return node


def _stated_ns(key: str, bench: Bench) -> int:
    """The cycle that plan or definition state; 0 if neither does."""
    return next((c for r in bench.bound_messages[key] if (c := bench.bindings[r].cycle_ns)), 0)


def _too_often(nodes: Mapping[str, Node], bench: Bench) -> Iterator[Doubt]:
    """Messages that came far more often than stated, in the plan or the definition."""
    for key in bench.bound_messages:
        node, cycle_ns = nodes[key], _stated_ns(key, bench)
        if node.heard < LEARNED_FROM or node.heard_ns >= OFTEN * cycle_ns * node.heard:
            if node.dense_ns is not None:
                text = f"its frames came in pairs for a second, {DENSE:g} times as many as its "
                text += f"stated cycle of {cycle_ns / MS:.4g} ms allows: another node sent it too"
                yield Doubt(key, "inferred", text, node.dense_ns, code="too-often")
            continue
        times = cycle_ns * node.heard / max(node.heard_ns, 1)
        text = f"it came {times:.1f} times as often as its stated cycle of {cycle_ns / MS:.4g} ms: "
        text += (
            "two nodes may send it, or frames were recorded twice, and one that dies would hide "
        )
        text += "behind the other; or state its own cycle in the plan"
        yield Doubt(key, "inferred", text, code="too-often")


def _unclear(losses: Losses) -> Iterator[Doubt]:
    """Messages of which frames would be missing, were they stamped as they came."""
    for key, known in losses.intervals:
        if known.doubted:
            text = f"{known.missing} of its intervals look as if frames were missing, and nobody "
            text += "states its cycle: its stamps come late, or in batches as long as its cycle; "
            text += "let the adapter stamp in hardware, or state its cycle in the plan"
            yield Doubt(key, "inferred", text, code="frames-missing")


def _slower_twins(nodes: Mapping[str, Node], bench: Bench) -> Iterator[Doubt]:
    """Messages of one definition on two buses, neither cycle stated, one far slower than the other.

    Two equal units send at one rate: every second frame of one is lost, or it is set otherwise.
    """
    known = {
        key: spec
        for key in nodes
        if (spec := bench.messages.get(key)) is not None
        and not any(bench.bindings[role].cycle_ns for role in bench.bound_messages[key])
        and nodes[key].heard >= LEARNED_FROM
    }
    for one, other in permutations(known, 2):
        if not _twins(known[one], known[other]):
            continue
        slow, fast = nodes[one], nodes[other]
        on_average = slow.heard_ns / slow.heard >= SLOWER * fast.heard_ns / fast.heard
        if on_average and (slow.cycle_ns or 0) >= SLOWER * (fast.cycle_ns or 0):
            text = (
                f"it came every {slow.heard_ns / slow.heard / MS:.4g} ms and {other}, of the same"
                f" definition, every {fast.heard_ns / fast.heard / MS:.4g} ms: frames are lost, or"
                " the two units are set differently; state both cycles in the plan if they are"
            )
            yield Doubt(one, "inferred", text, code="slower-twin")


def _twins(one: MessageSpec, other: MessageSpec) -> bool:
    """Whether two messages are the same one on two buses."""
    same = (one.can_id, one.extended, one.length) == (other.can_id, other.extended, other.length)
    names = [[signal.name for signal in message.signals] for message in (one, other)]
    return same and one.channel != other.channel and names[0] == names[1]


def _stretches(awake: bool, piece: Piece) -> Iterator[tuple[int, int, bool]]:
    """Stretches of a piece in which nodes must send: first and last instant, awake afterwards."""
    first_ns = piece.start_ns
    for event in piece.events:
        if event.kind == "shutdown" and awake:
            yield first_ns, event.known_ns, False
            awake, first_ns = False, event.known_ns + 1
        elif event.kind == "wake" and not awake:
            awake, first_ns = True, max(first_ns, event.known_ns)
    if awake:
        yield first_ns, piece.until_ns - 1, True


def _arrivals(piece: Piece, key: str) -> Int64s:
    """When the message came; of a multiplexed one, when it carried a bound signal.

    Values of a multiplexer have no fixed distance, so only the distance between two frames with the
    same value shows whether one is missing.
    """
    roles = piece.bench.bound_messages[key]
    if all(piece.bench.bindings[role].signal.multiplexer for role in roles):
        return piece[roles[0]].time_ns
    return piece.arrivals.get(key, np.zeros(0, np.int64))


def _between(piece: Piece, key: str, first_ns: int, last_ns: int) -> Int64s:
    times = _arrivals(piece, key)
    first, end = np.searchsorted(times, (first_ns, last_ns + 1))
    return times[first:end]


def _last_frame(piece: Piece, last_ns: int, before_ns: int | None) -> int | None:
    """The last frame of any kind up to an instant of this piece."""
    times = piece.frames.time_ns
    row = int(np.searchsorted(times, last_ns, "right")) - 1
    return int(times[row]) if row >= 0 else before_ns


def _spared(times: Int64s, quiet: Silences) -> Int64s:
    """For each interval between these arrivals, the part in which nothing at all was recorded."""
    total = np.concatenate((np.zeros(1, np.int64), np.cumsum(quiet.length_ns)))
    return np.diff(total[np.searchsorted(quiet.start_ns, times)])


def _due(due_ns: int, times: Int64s, quiet: Silences) -> int:
    """A deadline, put off by every gap that begins before it and before the next arrival."""
    first = int(np.searchsorted(quiet.start_ns, times[0]))
    end = int(np.searchsorted(quiet.start_ns, times[1])) if len(times) > 1 else len(quiet)
    for row in range(first, end):
        if quiet.start_ns[row] > due_ns:
            break
        due_ns += int(quiet.length_ns[row])
    return due_ns


def _longer(node: Node, quiet: Silences) -> Node:
    """The node after the gaps since its last arrival, which all belong to its silence."""
    if node.last_ns is None or not len(quiet):
        return node
    since = np.array([node.last_ns], np.int64)
    quiet_ns = int(quiet.length_ns[quiet.start_ns >= node.last_ns].sum())
    due_ns = node.due_ns if node.cycle_ns is None else _due(node.due_ns, since, quiet)
    return replace(node, due_ns=due_ns, quiet_ns=node.quiet_ns + quiet_ns)


def _asleep(node: Node) -> Node:
    return replace(node, last_ns=None, quiet_ns=0, late=False, asked=False)


def _anew(node: Node) -> Node:
    """The node after a restart at rest, of which the report tells."""
    return replace(_asleep(node), restarted=True)
