"""Do two buses carry the same frames? Then what was recorded twice is one source.

Compared are messages of one identifier on two buses, of both of which a role is bound. A frame of
the second bus tells something if a number in it changed, or if the first bus has no frame with its
payload within ``NEAR_NS``: counters and checksums of two healthy units agree now and then, and what
stands still may stand at the same value. It is the same if the first bus has a frame with its
payload, itself another than the one before, at one and the same distance in time for (nearly) all
of them, beyond the share that agrees at any distance, as payloads of few values do. Two units alike
do not come close: of their noise and slopes no more than some tens of percent fall together, while
40 changes and more have to.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from canscope.model.bench import Bench, Kind
from canscope.model.definition import MessageSpec
from canscope.model.piece import Piece
from canscope.model.tables import Bools, Flag, Floats, Frames, Int64s

NEAR_NS = 300 * 10**6  # at most so far apart are two recordings of one frame
BIN_NS = 2 * 10**6  # distances are counted in steps of this
WIDE = 4  # steps to either side that count as the same distance: an adapter's own jitter
BINS = 2 * (NEAR_NS // BIN_NS) + 1
FEWEST_TELLING = 40  # telling frames, before which nothing is said
USUAL = BINS * 4 // 5  # distances agree no more often than so, which is by chance
SURE = 5.0  # times what the count of such as agree by chance spreads by
SAME_PERCENT = 80.0  # of them that two buses share at most
FEWEST_SLOW = 8  # of a message that changes seldom, where all of them are the same
MOST_TELLING = 2000  # telling frames, after which a pair of messages is known well enough
BLOCK = 256  # rows compared at once
# All of these: common practice, no source.

ALL_BITS = 0xFFFF_FFFF_FFFF_FFFF
Words = NDArray[np.uint64]
NONE = np.zeros(0, np.int64)
NO_WORDS = np.zeros(0, np.uint64)


@dataclass(frozen=True, eq=False)
class Stream:
    """The last frames of one message, their payloads as words, and which of them are fresh."""

    time_ns: Int64s
    word: Words
    fresh: Bools  # another payload than the frame before

    def since(self, time_ns: int) -> Stream:
        """Without what is older."""
        first = int(self.time_ns.searchsorted(time_ns))
        return Stream(self.time_ns[first:], self.word[first:], self.fresh[first:])


EMPTY = Stream(NONE, NO_WORDS, np.zeros(0, np.bool_))


@dataclass(frozen=True, eq=False)
class Pair:
    """Two messages so far: telling frames of the second, and at which distances the first has them.

    ``waiting`` are frames of the second that are not compared yet, ``changed`` those of them in
    which a number changed.
    """

    first: str
    second: str
    votes: Int64s
    agreed: Int64s = field(default_factory=lambda: np.zeros(BINS, np.int64))  # to within ``WIDE``
    telling: int = 0
    same: bool = False  # more than ``SAME_PERCENT`` were, once there were enough
    heard: Stream = EMPTY
    waiting: Stream = EMPTY
    changed: Int64s = field(default_factory=lambda: NONE)

    @property
    def buses(self) -> tuple[str, str]:
        """The channels of the two messages."""
        one, other = (key.partition(":")[0] for key in (self.first, self.second))
        return one, other


@dataclass(frozen=True, eq=False)
class Comparison:
    """All pairs so far, the last raw codes of the numbers in them and the last payloads."""

    pairs: tuple[Pair, ...] = ()
    raw: tuple[tuple[str, int], ...] = ()
    word: tuple[tuple[str, int], ...] = ()
    rows: tuple[Rows, ...] = ()  # what the last piece brought


@dataclass(frozen=True, eq=False)
class Rows:
    """Of one pair: the instants at which one more telling frame was compared, and the counts."""

    pair: int
    time_ns: Int64s
    same_percent: Floats
    delay_ms: Floats  # at which most agree: how much later the second bus has them


def begin(bench: Bench) -> Comparison:
    """Nothing compared yet; always the same object for a bench."""
    return bench.once("same frames", lambda: Comparison(tuple(_pairs(bench))))


def _pairs(bench: Bench) -> list[Pair]:
    bound = [bench.messages[key] for key in bench.bound_messages if key in bench.messages]
    return [
        Pair(one.key, other.key, np.zeros(BINS, np.int64))
        for one, other in combinations(bound, 2)
        if one.channel != other.channel
        and (one.can_id, one.extended) == (other.can_id, other.extended)
    ]


def compare(state: Comparison, piece: Piece) -> Comparison:
    """The comparison after a piece: the frames in it and those whose time has come."""
    if all(pair.telling >= MOST_TELLING for pair in state.pairs) and not state.rows:
        return state
    return piece.once((compare, state), lambda: _compare(state, piece))


def _compare(state: Comparison, piece: Piece) -> Comparison:
    raw, last = dict(state.raw), dict(state.word)
    open_pairs = [pair for pair in state.pairs if pair.telling < MOST_TELLING]
    keys = dict.fromkeys(k for p in open_pairs for k in (p.first, p.second))
    streams = {key: _stream(piece.frames, piece.bench.messages[key], last) for key in keys}
    changed = {key: _changed(key, piece, raw) for key in keys}
    pairs, rows = [], []
    for number, pair in enumerate(state.pairs):
        if pair.telling >= MOST_TELLING:
            pairs.append(pair)
            continue
        new = replace(
            pair,
            heard=_joined(pair.heard, streams[pair.first]),
            waiting=_joined(pair.waiting, streams[pair.second]),
            changed=np.concatenate((pair.changed, changed[pair.second])),
        )
        after, told = _compared(new, piece.until_ns, number)
        pairs.append(after)
        rows += [] if told is None else [told]
    return Comparison(tuple(pairs), tuple(raw.items()), tuple(last.items()), tuple(rows))


def _stream(frames: Frames, message: MessageSpec, last: dict[str, int]) -> Stream:
    """This piece's data frames of a message; notes its last payload."""
    if message.channel not in frames.channels:
        return EMPTY
    kind = frames.flags & (Flag.EXTENDED | Flag.REMOTE | Flag.ERROR)
    mine = (frames.can_id == message.can_id) & (kind == (Flag.EXTENDED if message.extended else 0))
    mine &= frames.channel == frames.channels.index(message.channel)
    rows = np.flatnonzero(mine)
    word = frames.data[rows].copy()
    for row in np.flatnonzero(frames.heap_at[rows] >= 0).tolist():
        word[row] = hash(frames.payload(int(rows[row]))) & ALL_BITS
    if not len(rows):
        return EMPTY
    before = np.array([last.get(message.key, ~int(word[0]) & ALL_BITS)], np.uint64)
    last[message.key] = int(word[-1])
    return Stream(frames.time_ns[rows], word, word != np.concatenate((before, word[:-1])))


def _changed(key: str, piece: Piece, raw: dict[str, int]) -> Int64s:
    """When a number of a message had another raw code than before."""
    found = [NONE]
    for role in piece.bench.bound_messages[key]:
        samples = piece[role]
        if piece.bench.bindings[role].kind is not Kind.NUMBER or not len(samples):
            continue
        known = raw.get(role, int(samples.raw[0]))
        codes = np.concatenate((np.array([known]), samples.raw))
        found.append(samples.time_ns[np.diff(codes) != 0])
        raw[role] = int(samples.raw[-1])
    return np.sort(np.concatenate(found))


def _joined(one: Stream, other: Stream) -> Stream:
    if not len(other.time_ns):
        return one
    return Stream(
        np.concatenate((one.time_ns, other.time_ns)),
        np.concatenate((one.word, other.word)),
        np.concatenate((one.fresh, other.fresh)),
    )


def _compared(pair: Pair, until_ns: int, number: int) -> tuple[Pair, Rows | None]:
    """Compare the waiting frames around which everything has come."""
    end = int(pair.waiting.time_ns.searchsorted(until_ns - NEAR_NS))
    votes, agreed, telling = pair.votes, pair.agreed, pair.telling
    at, counts, chances, where = [], [], [], []
    for first in range(0, end, BLOCK):
        if telling == MOST_TELLING:
            break
        rows = slice(first, min(first + BLOCK, end))
        times, words = pair.waiting.time_ns[rows], pair.waiting.word[rows]
        low = int(pair.heard.time_ns.searchsorted(times[0] - NEAR_NS))
        high = int(pair.heard.time_ns.searchsorted(times[-1] + NEAR_NS, "right"))
        if low == high:
            continue
        far = times[:, None] - pair.heard.time_ns[None, low:high]
        near = np.abs(far) <= NEAR_NS
        equal = near & (words[:, None] == pair.heard.word[None, low:high])
        tells = near.any(axis=1) & (_among(times, pair.changed) | ~equal.any(axis=1))
        chosen = np.flatnonzero(tells)[: MOST_TELLING - telling]
        if not len(chosen):
            continue
        equal &= pair.heard.fresh[None, low:high]
        cast = np.zeros((len(chosen), BINS), np.int64)
        row, column = np.nonzero(equal[chosen])
        place = np.rint(far[chosen][row, column] / BIN_NS).astype(np.int64) + BINS // 2
        cast[row, place] = 1
        total = votes + np.cumsum(cast, axis=0)
        at.append(times[chosen] + NEAR_NS)
        wide = agreed + np.cumsum(_beside(cast), axis=0)
        counts.append(wide.max(axis=1))
        chances.append(np.partition(wide, USUAL, axis=1)[:, USUAL])
        where.append((wide * (2 * MOST_TELLING) + total).argmax(axis=1))  # the middle of several
        votes, agreed, telling = total[-1], wide[-1], telling + len(chosen)
    compared_ns = int(pair.waiting.time_ns[end - 1]) if end else 0
    after = replace(
        pair,
        votes=votes,
        agreed=agreed,
        telling=telling,
        waiting=pair.waiting.since(compared_ns + 1) if end else pair.waiting,
        heard=pair.heard.since(until_ns - 3 * NEAR_NS),
        changed=pair.changed[pair.changed > compared_ns] if end else pair.changed,
    )
    if not at:
        return after, None
    numbers = pair.telling + 1 + np.arange(telling - pair.telling)
    # Payloads of few values agree at any distance: only what is beyond that tells.
    chance = np.concatenate(chances)
    beyond = np.concatenate(counts) - chance
    spread = np.sqrt(chance * (1.0 - chance / numbers))
    percent = 100.0 * beyond / np.maximum(numbers - chance, 1.0)
    percent *= np.minimum(beyond / np.maximum(SURE * spread, 1e-9), 1.0)
    same = pair.same or bool(((percent > SAME_PERCENT) & (numbers >= FEWEST_TELLING)).any())
    enough = numbers >= FEWEST_TELLING
    delay_ms = (np.concatenate(where) - BINS // 2) * BIN_NS / 1e6
    told = Rows(number, np.concatenate(at)[enough], percent[enough], delay_ms[enough])
    return replace(after, same=same), told


def _among(times: Int64s, sorted_ns: Int64s) -> Bools:
    """Which instants are among others that are sorted (``np.isin`` would sort them again)."""
    left, right = sorted_ns.searchsorted(times), sorted_ns.searchsorted(times, "right")
    return np.asarray(right > left)


def _beside(cast: Int64s) -> Int64s:
    """Which distances, or any within ``WIDE`` of them, a frame agrees at: a row a frame, 0 or 1."""
    wide = cast.copy()
    for step in range(1, WIDE + 1):
        wide[:, step:] |= cast[:, :-step]
        wide[:, :-step] |= cast[:, step:]
    return wide


def _all_the_same(pair: Pair) -> bool:
    """Whether a message that changes seldom was the same on both buses each time that it changed.

    Two units change theirs at instants of their own: one in ten falls into the same frame.
    """
    return pair.telling >= FEWEST_SLOW and int(pair.agreed.max()) == pair.telling


def doubted(comparison: Comparison, bench: Bench) -> dict[str, str]:
    """Roles of buses that carry the same frames, and why nothing about them is proven.

    A message that differs on the two buses is left out: a gateway may repeat the others.
    """
    found: dict[str, str] = {}
    for pair in comparison.pairs:
        if not pair.same and not _all_the_same(pair):
            continue
        one, other = pair.buses
        text = (
            f"{other} carries the same frames as {one}: one source, so nothing about the second"
            " unit is proven, nor which of the two it is"
        )
        differ = {
            key
            for p in comparison.pairs
            if p.buses == pair.buses and not p.same and p.telling >= FEWEST_TELLING
            for key in (p.first, p.second)
        }
        for key, roles in bench.bound_messages.items():
            if key.partition(":")[0] in pair.buses and key not in differ:
                found.update(dict.fromkeys(roles, text))
    return found
