"""Rule ``capture-integrity``."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.cycle import LEARNED_FROM, SETTLES_NS
from canscope.model.median import median
from canscope.model.outcome import Doubt, Margins, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import ALL_STAGES, CardStep, Rule, limit
from canscope.model.tables import Flag, Tally
from canscope.rules import RULES
from canscope.rules.recording._losses import Growth, Losses, begin, follow
from canscope.rules.recording._rhythm import Beats, beats, cut_out

S = 10**9
NONE = np.zeros(0, np.int64)
MOST_NAMED = 3  # messages in a sentence
FEWEST = 3  # messages that must agree on how wrong the clock runs; common practice, no source
# By which they must be off, and agree: a timer that counts 1/1024 s is 2.4 % off 10 ms already.
WRONG = 0.03  # common practice, no source
MOST_EXCHANGED = 0.01  # of the frames of a message, as of lines; likewise


@dataclass(frozen=True)
class Missing:
    """Frames of one message that are surely missing, and how many came."""

    frames: int
    heard: int


@dataclass(frozen=True)
class Recorded:
    """What was read of this segment so far."""

    frames: int = 0
    error_frames: int = 0
    tally: Tally = field(default_factory=Tally)
    stepped: bool = False  # the clock step in front of this segment was reported
    # The first stamps of every bound message whose cycle is stated.
    first_ns: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    losses: Losses = field(default_factory=Losses)
    missing: Mapping[str, Missing] = field(default_factory=dict)
    unjudged: Mapping[str, int] = field(default_factory=dict)  # bus -> frames as of a unit
    beats: Beats = ()


@RULES.add("capture-integrity")
@dataclass(frozen=True, kw_only=True)
class CaptureIntegrity(Rule):
    """The recording is whole: nothing unreadable, nothing lost, its clock never jumped.

    Judged
        A clock step (more than 100 ms back, or its return) where it happened. Lines or records
        that could not be read, a last one that is cut off and frames that the recorder itself says
        it lost, at the end. So are frames missing of two messages or more, if they are more than
        the lines that could not be read: a
        rolling counter that jumped over a gap as if they had been there, or more than 3 and more
        than one in 1,000 intervals of two or three whole cycles (where nobody states the cycle,
        single ones have to come before and after). One message alone is left to alive-counter and
        cycle-time. Whether the recorder was silent and whether it recorded error frames is told,
        not judged.
        Files that share no clock are told, not judged: what spans them is unproven elsewhere.
        Where every message comes faster, or slower, than its stated cycle by the same factor, it is
        the recording's clock that ran wrong, and with it all times and slopes.
    Margin
        ``skipped_percent`` minus the percentage of lines that could not be read; minus the number
        of lost or missing frames; -1 for a cut end; -1 for a clock step. It can be neither waived
        nor switched off.
    Unproven
        Nothing was recorded (not-exercised); the recorder counted another number of frames than its
        captures hold (capture-damaged); three messages or more, and all that state a cycle,
        came at the same multiple of it, more than 5 % off (capture-damaged); more than 1 % of the
        frames of a message stand in another order than they were sent in, by their rolling counter:
        their stamps are late by more than a cycle (capture-damaged; fewer are told); three messages
        or more, of two nodes at least, missed their cycle in the same instant by 15 % of it or
        more, and kept the new beat (capture-damaged); a bus on which
        the plan binds nothing carries the identifiers of a unit of the plan, so that there is
        another unit, of which nothing is judged (not-bound; not in stage unit-alone).
    """

    skipped_percent: float = limit(1.0, "%", high=5.0, note="of lines or records", looser="higher")

    required_in: ClassVar[frozenset[str]] = ALL_STAGES
    waivable: ClassVar[bool] = False
    limit_parameter: ClassVar[str] = "skipped_percent"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.BEFORE_POWER, CardStep.CLOSE})
    says: ClassVar[dict[str, str]] = {"pass": "{what}", "fail": "{what}"}
    codes: ClassVar[tuple[str, ...]] = (
        "clock-stepped",
        "unreadable-lines",
        "lost-frames",
        "missing-frames",
        "cut-off",
    )
    exercise: ClassVar[str] = "record again, and stop the recorder before taking power away"
    causes: ClassVar[tuple[str, ...]] = (
        "the recorder was too slow, or its disk was full",
        "the recorder was switched off while writing",
        "the recorder's clock was set during the recording, or files were joined in wrong order",
        "the file was edited or copied incompletely",
    )
    next: ClassVar[str] = "open the capture at the place named and look; then record again"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The capture."""
        return [Subject("capture")]

    def start(self, bench: Bench) -> Recorded:
        return Recorded(losses=begin(bench))

    def fold(self, state: Recorded, piece: Piece) -> tuple[Recorded, Sequence[Outcome]]:
        """Count, and report a clock step in front of this segment."""
        frames = piece.frames
        found = []
        losses, grown = follow(state.losses, piece)
        missing = _missing(state.missing, grown)
        if frames.segment > 0 and not state.stepped:
            found.append(_step(piece))
        after = Recorded(
            state.frames + len(frames),
            state.error_frames + int(np.count_nonzero(frames.flags & Flag.ERROR)),
            state.tally + frames.tally,
            stepped=True,
            first_ns=_learned(state.first_ns, piece),
            losses=losses,
            missing=missing,
            unjudged=_of_no_unit(state.unjudged, piece),
            beats=beats(state.beats, losses, piece),
        )
        return after, found

    def close(self, state: Recorded, piece: Piece) -> Sequence[Outcome]:
        """Judge the counts, at the stamp of the end of the recording."""
        tally, at_ns = state.tally, piece.until_ns - 1
        lines = max(tally.lines, state.frames + tally.skipped)
        if not lines:
            return ()
        percent = 100.0 * tally.skipped / lines
        what = f"{tally.skipped} of {lines} lines or records could not be read"
        if tally.skipped:
            what += f", the first of them {'; '.join(tally.examples[:1])}"
        ran = "each recording's own clock ran on" if tally.clocks else "the clock ran on"
        told = "".join(_told_exchanged(key, *few) for key, few in _moved(state.losses, piece.bench))
        whole = f"{what}, none was lost, and {ran}; {_unvouched(state)}{told}; percent unreadable"
        skipped = self.skipped_percent - percent
        found: list[Outcome] = [
            margins(
                "capture",
                at_ns,
                skipped,
                measured=percent,
                limit=self.skipped_percent,
                code="unreadable-lines",
                what=whole if skipped >= 0 else f"{what}; percent unreadable",
            )
        ]
        if tally.dropped:
            lost = f"the recorder says that it lost frames ({tally.dropped}); number lost"
            found.append(_fault(at_ns, tally.dropped, lost, "lost-frames"))
        if tally.cut_end:
            cut = "the recording is cut off in the middle of its last line or record; cut ends"
            found.append(_fault(at_ns, 1, cut, "cut-off"))
        found += _lost(state.missing, tally.skipped, at_ns)
        found += _uncounted(state, piece)
        found += _exchanged(state.losses, piece.bench)
        found += _cut_out(state.beats, piece)
        for bus, count in state.unjudged.items():
            text = (
                f"{count} frames on {bus} bear the identifiers of a unit of the plan, which binds "
            )
            text += "nothing on this bus: a unit is recorded there, and not judged"
            found.append(Doubt("capture", "not-bound", text))
        return [*found, *_paced(state.first_ns, piece.bench)]


def _uncounted(state: Recorded, piece: Piece) -> Iterator[Doubt]:
    """A doubt if the captures do not hold as many frames as the recorder counted."""
    counted = piece.bench.counted_frames
    if counted is None or piece.frames.segment or counted == state.frames:
        return
    text = f"the recorder counted {counted} frames, and its captures hold {state.frames}"
    yield Doubt("capture", "capture-damaged", text)


def _moved(losses: Losses, bench: Bench) -> Iterator[tuple[str, tuple[int, int]]]:
    """Message -> how many of its frames stand in another order than sent, and how many came."""
    for role, counted in losses.counted:
        if counted.waiting.moved:
            yield bench.bindings[role].signal.message_key, (counted.waiting.moved, counted.frames)


def _told_exchanged(key: str, moved: int, frames: int) -> str:
    return f"; {moved} of {frames} frames of {key} were stamped out of their order"


def _exchanged(losses: Losses, bench: Bench) -> Iterator[Doubt]:
    """A doubt for each message of which so many frames are out of order that its course is."""
    for key, (moved, frames) in _moved(losses, bench):
        if moved > MOST_EXCHANGED * frames:
            text = f"{moved} of {frames} frames of {key} were stamped out of their order, by their "
            text += "rolling counter: the adapter stamps late by more than a cycle, and no order "
            text += "or slope within it is known; let the adapter stamp in hardware"
            yield Doubt("capture", "capture-damaged", text)


def _cut_out(known: Beats, piece: Piece) -> Iterator[Doubt]:
    """A doubt for each instant at which time was cut out, or the recorder's clock was set."""
    for at_ns, keys in cut_out(known, piece.bench):
        named = ", ".join(keys[:MOST_NAMED])
        more = f" and {len(keys) - MOST_NAMED} more" if len(keys) > MOST_NAMED else ""
        text = f"{named}{more} left their rhythm at one instant, and kept the new one: time was cut"
        yield Doubt("capture", "capture-damaged", f"{text} out, or the clock was set", at_ns)


def _of_no_unit(known: Mapping[str, int], piece: Piece) -> Mapping[str, int]:
    """How many frames so far, on each bus without a role, bear an identifier of a bound unit."""
    bench, frames = piece.bench, piece.frames
    bound = bench.once("bound buses", lambda: {b.signal.channel for b in bench.bindings.values()})
    others = [code for code, name in enumerate(frames.channels) if name not in bound]
    if not others or bench.stage == "unit-alone" or not bench.units:
        return known
    own = [
        (message.can_id, message.extended)
        for key, message in bench.messages.items()
        if any(role.startswith("units.") for role in bench.bound_messages[key])
    ]
    counted = dict(known)
    for code in others:
        mine = (frames.channel == code) & ((frames.flags & (Flag.ERROR | Flag.REMOTE)) == 0)
        extended = (frames.flags[mine] & Flag.EXTENDED) != 0
        count = sum(
            int(((frames.can_id[mine] == can_id) & (extended == is_extended)).sum())
            for can_id, is_extended in set(own)
        )
        if count:
            counted[frames.channels[code]] = counted.get(frames.channels[code], 0) + count
    return counted


def _missing(known: Mapping[str, Missing], grown: Mapping[str, Growth]) -> Mapping[str, Missing]:
    """What is missing of each message after this piece."""
    rows = sorted(
        (time_ns, key, missing, heard)
        for key, more in grown.items()
        for time_ns, missing, heard, beyond in zip(
            more.time_ns.tolist(),
            more.missing.tolist(),
            more.heard.tolist(),
            more.beyond.tolist(),
            strict=True,
        )
        if beyond or key.endswith("#")
    )
    return {**known, **{key: Missing(missing, heard) for _, key, missing, heard in rows}}


def _lost(known: Mapping[str, Missing], skipped: int, at_ns: int) -> Iterator[Margins]:
    """The outcome if several messages lost more frames than there are lines that nobody can read.

    Those are judged by their own share, and are missing here again.
    """
    surest = {**known, **{key.rstrip("#"): m for key, m in known.items() if key.endswith("#")}}
    messages = {key: m for key, m in surest.items() if not key.endswith("#")}
    total = sum(m.frames for m in messages.values())
    if len(messages) > 1 and total > skipped:
        yield _fault(at_ns, total, _told(messages), "missing-frames")


def _told(messages: Mapping[str, Missing]) -> str:
    """How much is missing of which messages, the worst first."""
    worst = sorted(messages, key=lambda key: -messages[key].frames)[:MOST_NAMED]
    shares = [
        f"{messages[key].frames} of {messages[key].frames + messages[key].heard} of {key}"
        for key in worst
    ]
    more = f" and of {len(messages) - len(worst)} more" if len(messages) > len(worst) else ""
    return (
        f"counters that jump over gaps, or intervals of whole cycles, show that frames of "
        f"{len(messages)} messages are missing ({', '.join(shares)}{more}); frames missing"
    )


def _learned(known: Mapping[str, tuple[int, ...]], piece: Piece) -> Mapping[str, tuple[int, ...]]:
    """The first stamp of every message whose cycle is stated, and 33 from 1 s later on."""
    short = [key for key in _cycles_ns(piece.bench) if len(known.get(key, ())) < LEARNED_FROM + 2]
    after = dict(known) if short else known
    for key in short:
        had, times = known.get(key, ()), piece.arrivals.get(key, NONE)
        if not len(times):
            continue
        had = had or (int(times[0]),)
        times = times[times >= had[0] + SETTLES_NS][: LEARNED_FROM + 2 - len(had)]
        after = {**after, key: (*had, *times.tolist())}
    return after


def _paced(first_ns: Mapping[str, tuple[int, ...]], bench: Bench) -> Iterator[Doubt]:
    """A doubt if all messages agree that the clock ran too fast or too slow."""
    pace = [
        median(np.diff(first_ns[key][1:])) / cycle_ns
        for key, cycle_ns in _cycles_ns(bench).items()
        if len(first_ns.get(key, ())) > LEARNED_FROM + 1
    ]
    if len(pace) < FEWEST or max(pace) > min(pace) * (1 + WRONG):
        return
    middle = median(pace)
    if abs(middle - 1) > WRONG:
        text = f"all {len(pace)} messages came at {middle:.2f} times their stated cycle: the clock"
        text += " of the recording ran wrong, or every cycle in plan and definition is"
        yield Doubt("capture", "capture-damaged", text)


def _cycles_ns(bench: Bench) -> Mapping[str, int]:
    """The stated cycle of each bound message that has one."""

    def stated() -> Mapping[str, int]:
        cycles = {
            key: next((c for role in roles if (c := bench.bindings[role].cycle_ns)), None)
            for key, roles in bench.bound_messages.items()
        }
        return {key: cycle for key, cycle in cycles.items() if cycle}

    return bench.once(_cycles_ns, stated)


def _step(piece: Piece) -> Margins:
    size_ns = piece.frames.step_ns
    jump, at_ns = "by an unknown time", piece.start_ns
    if size_ns:
        at_ns -= size_ns  # the last stamp before the step, where a reader looks
        way = "back" if size_ns < 0 else "forward"
        jump = f"{way} by {abs(size_ns) / S:.3f} s"
    what = f"the recording's clock stepped {jump}, and nothing is judged across the step; steps"
    return _fault(at_ns, 1, what, "clock-stepped")


def _fault(at_ns: int, count: int, what: str, code: str) -> Margins:
    number = float(count)
    return margins("capture", at_ns, -number, measured=number, limit=0.0, code=code, what=what)


def _unvouched(state: Recorded) -> str:
    """What the capture cannot prove of itself."""
    errors = "no error frame was recorded, which proves nothing"
    if state.error_frames:
        errors = f"error frames were recorded ({state.error_frames})"
    notes = "".join(f"; {note}" for note in state.tally.notes)
    return f"{errors}; whether the recorder was silent is not known from the frames{notes}"
