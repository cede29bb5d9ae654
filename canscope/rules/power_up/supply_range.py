"""Rule ``supply-range``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from canscope.model.bench import POLES, Bench
from canscope.model.median import median
from canscope.model.outcome import Outcome, Subject, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import CardStep, Rule, limit, unjudged
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import Bools, Floats
from canscope.rules import RULES
from canscope.trust.samples.range_ends import at_end_of_range

NAME, SUPPLY = "12 V", "supply.voltage"
WAIT_NS = S // 5  # a closing may be told so late; common practice, no source
PULL_NS = S // 20  # a coil draws before its contact meets; likewise
COLD_START_NS = S  # a node that has just woken may not have measured yet; likewise
FEWEST = 3  # readings that show that it lasted; likewise
NODES_V = 9.0  # below it nodes of a 12 V vehicle hardly speak; likewise
NOTHING_V = 1.0  # what speaks has a supply: less is no measurement; likewise
REST_NS, EARLY_NS = 2 * S, S // 10  # before the first closing, in which it rests; likewise
LIFTED_V, STOPPED_V, STOPPED_NS = 0.5, 0.3, 5 * S  # by a converter, and once it stopped; likewise


@dataclass(frozen=True)
class Seen:
    """What is known so far."""

    next_ns: int = int(NEVER)  # readings before it are judged
    last_ns: int = int(NEVER)  # the last reading of any kind
    woke_ns: int = int(NEVER)  # the first one after a silence
    closings: tuple[tuple[int, int], ...] = ()  # (after, time) of those that may still matter
    spoke: bool = False
    highest_V: float = float("-inf")  # of all that counts
    # What it rested at before each closing, and when that was; those that may still matter.
    rests: tuple[tuple[int, float], ...] = ((int(NEVER), float("nan")),)
    lifted_ns: int = int(NEVER)  # the last reading that a converter had lifted over that


@RULES.add("supply-range")
@dataclass(frozen=True, kw_only=True)
class SupplyRange(Rule):
    """The 12 V supply stays within its range for as long as nodes are awake.

    Judged
        Every reading from the first to the last while nodes are awake. No reading outside is too
        short: what shows in a reading has lasted as long as the node averages. Only while a
        contactor closes, from 0.05 s before to ``dip_s`` after it, a low reading is left to
        control-supply, which judges the dip of a coil that pulls in, against a stricter limit. In
        the first second after a node woke, a reading below 1 V or at an end of the range is no
        measurement yet. With both main contactors closed, a supply that reads below ``closed_V``
        for ``held_s`` fails as well: it does not sink so far for so long unless nothing feeds it.
        So does one that a converter had lifted by 0.5 V* while they were closed, and that then
        stays for 5 s* more than 0.3 V* below what it read before they closed: it has stopped.
        For a 24 V vehicle set all three in the plan, such as 18, 32 and 21 V.
    Margin
        The distance to the nearer end of the range, in V. The uncertainty is the reading's own.
    Unproven
        No reading came while nodes were awake (not-exercised); the readings were stale or not
        available while it mattered.
    """

    minimum_V: float = limit(9.0, "V", low=6.0, high=24.0)
    maximum_V: float = limit(16.0, "V", low=12.0, high=32.0)
    closed_V: float = limit(
        10.5,
        "V",
        low=8.0,
        high=24.0,
        note="for held_s with both main contactors closed",
        looser="lower",
    )
    held_s: float = limit(1.0, "s", low=0.1, high=5.0, note="below closed_V", looser="higher")
    dip_s: float = limit(0.5, "s", high=0.5, note="after a closing, left to control-supply")

    unit: ClassVar[str] = "V"
    limit_parameter: ClassVar[str] = "minimum_V"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.POWER_UP})
    says: ClassVar[dict[str, str]] = {
        "pass": "stayed between {low_V:g} and {high_V:g} V, nearest to an end",
        "fail": "was {side} the range of {low_V:g} to {high_V:g} V",
        "close": "came close to an end of its range of {low_V:g} to {high_V:g} V",
    }
    codes: ClassVar[tuple[str, ...]] = ("always-low", "nothing-read", "stopped")
    exercise: ClassVar[str] = "record the 12 V from before the contactors close until after key-off"
    causes: ClassVar[tuple[str, ...]] = (
        "the d.c. converter does not run, and the 12 V battery goes flat",
        "a weak 12 V battery, or thin or corroded supply or ground wires",
        "the d.c. converter's voltage is set too high, or it is regulated at the wrong place",
    )
    next: ClassVar[str] = (
        "measure the 12 V at the battery and at the node that reports it, converter on and off"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The supply."""
        return [Subject(NAME, (SUPPLY,))]

    def source(self, given: frozenset[str]) -> str:
        """Two ends, either of which the plan may set."""
        return "plan" if given & {"minimum_V", "maximum_V"} else super().source(given)

    def start(self, bench: Bench) -> Seen:
        return Seen()

    def fold(self, state: Seen, piece: Piece) -> tuple[Seen, Sequence[Outcome]]:
        """Judge the readings beside which it is known whether a contactor closed."""
        closings = [
            (event.after_ns, event.time_ns)
            for pole in POLES
            for event in piece.events_of("pole", pole)
            if event.value == 1
        ]
        state = replace(state, closings=(*state.closings, *closings))
        for after_ns, time_ns in sorted(closings):
            if piece.at("@engaged", after_ns).value[0] == 1:
                continue  # another pole closed before it
            first_ns = after_ns - EARLY_NS
            rest = piece.back(SUPPLY, first_ns - REST_NS).between(0, first_ns).known.value
            if len(rest) >= FEWEST:
                state = replace(state, rests=(*state.rests, (time_ns, median(rest))))
        return self._until(state, piece, piece.until_ns - WAIT_NS)

    def close(self, state: Seen, piece: Piece) -> Sequence[Outcome]:
        """Judge what waited, and say if nothing was judged."""
        state, found = self._until(state, piece, piece.until_ns)
        if not state.spoke:
            text = "no 12 V reading came while nodes were awake"
            return [*found, unjudged(NAME, "not-exercised", text)]
        return found

    def _until(self, state: Seen, piece: Piece, until_ns: int) -> tuple[Seen, list[Outcome]]:
        samples = piece.back(SUPPLY, state.next_ns).between(state.next_ns, until_ns)
        if SUPPLY not in piece.bench.bindings or not len(samples):
            return state, []
        state, judged = self._judged(state, piece, samples)
        kept_ns = state.next_ns - round(self.dip_s * S)
        kept = tuple(closing for closing in state.closings if closing[1] >= kept_ns)
        state = replace(state, closings=kept, spoke=state.spoke or bool(judged.any()))
        part = samples[judged]
        highest_V = np.maximum.accumulate(np.append(state.highest_V, part.value))
        state = replace(state, highest_V=float(highest_V[-1]))
        below, above = part.value - self.minimum_V, self.maximum_V - part.value
        state, stopped = self._stopped(state, piece, part)
        return state, [
            *self._sunk(piece, part, highest_V[1:]),
            *stopped,
            margins(
                NAME,
                part.time_ns,
                np.minimum(below, above),
                code=_codes(part.value, highest_V[1:]),
                measured=part.value,
                limit=np.where(below <= above, self.minimum_V, self.maximum_V),
                uncertainty=piece.bench.u(SUPPLY),
                side=np.where(below <= above, "below", "above"),
                low_V=self.minimum_V,
                high_V=self.maximum_V,
            ),
        ]

    def _sunk(self, piece: Piece, part: Samples, so_far_V: Floats) -> list[Outcome]:
        """The highest of the last ``held_s`` where all were low with both poles closed.

        ``so_far_V`` is the highest reading up to each.
        """
        rows, held_ns = np.flatnonzero(part.value < self.closed_V), round(self.held_s * S)
        if not len(rows):
            return []
        closed = piece.at("@closed", part.time_ns[rows])
        rows = rows[(closed.value == 1) & (closed.age_ns >= held_ns)]
        found = []
        for row in rows.tolist():
            time_ns = int(part.time_ns[row])
            before = piece.back(SUPPLY, time_ns - held_ns).between(0, time_ns + 1).known
            highest = float(before.value.max())
            if highest < self.closed_V and len(before) >= FEWEST:
                found.append((time_ns, highest, so_far_V[row]))
        if not found:
            return []
        highest_V = np.array([volts for _, volts, _ in found])
        return [
            margins(
                NAME,
                np.array([time for time, _, _ in found], np.int64),
                highest_V - self.closed_V,
                code=_codes(highest_V, np.array([so_far for _, _, so_far in found])),
                measured=highest_V,
                limit=self.closed_V,
                uncertainty=piece.bench.u(SUPPLY),
                side=f"for {self.held_s:g} s with the contactors closed below",
                low_V=self.closed_V,
                high_V=self.maximum_V,
            )
        ]

    def _stopped(self, state: Seen, piece: Piece, part: Samples) -> tuple[Seen, list[Outcome]]:
        """The highest of the last seconds, where all lie below what they rested at."""
        since_ns, rests_V = (np.array(column) for column in zip(*state.rests, strict=True))
        own = np.searchsorted(since_ns, part.time_ns, "right") - 1
        rest_V = rests_V[own]
        closed = piece.at("@closed", part.time_ns)
        lifted = (closed.value == 1) & (part.value >= rest_V + LIFTED_V)
        lifted_ns = np.where(lifted, part.time_ns, state.lifted_ns)
        lifted_ns = np.maximum.accumulate(np.maximum(lifted_ns, state.lifted_ns))
        least_V = rest_V - STOPPED_V
        low = (closed.value == 1) & (closed.age_ns >= STOPPED_NS) & (part.value < least_V)
        low &= lifted_ns >= since_ns[own]
        if len(part):
            rests = state.rests[int(own[-1]) :]
            state = replace(state, rests=rests, lifted_ns=int(lifted_ns[-1]))
        found = []
        for row in np.flatnonzero(low).tolist():
            time_ns = int(part.time_ns[row])
            before = piece.back(SUPPLY, time_ns - STOPPED_NS).between(0, time_ns + 1).known.value
            highest = float(before.max())
            if highest < least_V[row] and len(before) >= FEWEST:
                found.append((time_ns, highest, float(least_V[row])))
        if not found:
            return state, []
        times, highest_V, limit_V = (np.array(column) for column in zip(*found, strict=True))
        outcome = margins(
            NAME,
            times,
            highest_V - limit_V,
            code="stopped",
            measured=highest_V,
            limit=limit_V,
            uncertainty=piece.bench.u(SUPPLY),
            side="for 5 s below what it rested at before the converter lifted it, so outside",
            low_V=limit_V,
            high_V=self.maximum_V,
        )
        return state, [outcome]

    def _judged(self, state: Seen, piece: Piece, samples: Samples) -> tuple[Seen, Bools]:
        """Which readings count, and the state after them."""
        times, volts = samples.time_ns, samples.value
        judged = (piece.at("@awake", times).value == 1) & ~np.isnan(volts)
        before_ns = np.concatenate(([state.last_ns], times[:-1]))
        woke_ns = np.where(times - before_ns > COLD_START_NS, times, state.woke_ns)
        woke_ns = np.maximum.accumulate(woke_ns)
        empty = (volts < NOTHING_V) | at_end_of_range(piece.bench.bindings[SUPPLY], samples)
        judged &= ~(empty & (times - woke_ns < COLD_START_NS))
        low = volts < self.minimum_V
        for after_ns, time_ns in state.closings if low.any() else ():
            near = (times >= after_ns - PULL_NS) & (times <= time_ns + round(self.dip_s * S))
            judged &= ~(low & near)
        last_ns = int(times[-1])
        return replace(
            state, next_ns=last_ns + 1, last_ns=last_ns, woke_ns=int(woke_ns[-1])
        ), judged


def _codes(volts: Floats, highest_V: Floats) -> NDArray[np.str_]:
    """What a low reading is: one of those that all were low, nothing at all, or a supply's."""
    return np.where(
        highest_V < NODES_V, "always-low", np.where(volts < NOTHING_V, "nothing-read", "")
    )
