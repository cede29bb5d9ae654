"""Rule ``checksum``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar, cast

import numpy as np
from numpy.typing import NDArray

from canscope.model.bench import Bench, Binding
from canscope.model.definition import SignalSpec
from canscope.model.findings import Verdict
from canscope.model.outcome import Outcome, Subject, deciding_rows, margins
from canscope.model.piece import Piece
from canscope.model.rule import Rule, Worst
from canscope.model.tables import Bools, Floats, Frames, Int64s
from canscope.rules import RULES
from canscope.rules.shared.checksums import PROFILES, bytes_of, id_bytes, places_of
from canscope.rules.shared.payloads import Bytes, column, rows_of
from canscope.rules.shared.waking import Woken, waking


@dataclass(frozen=True)
class Count:
    """The frames of one unit so far."""

    frames: int = 0
    wrong: int = 0
    woken: Woken = field(default_factory=Woken)
    starts: bool = True  # no frame since its node woke had one


@RULES.add("checksum")
@dataclass(frozen=True, kw_only=True)
class Checksum(Rule):
    """The checksum in a unit's frames fits their bytes.

    Judged
        For each unit with a checksum, at every frame long enough to hold it: over the bytes before
        it, or over bytes ``over`` of the binding (its own byte left out). With ``data_id`` its
        bytes follow, the lowest first, as many as its value needs (AUTOSAR end-to-end profiles 2
        and 22 append their one byte so, from memory). Profiles: crc8-sae-j1850, crc8-8h2f (AUTOSAR
        specification of its CRC library), xor8, sum8 (common practice, no source).
        Not judged: the first second after a restart at rest (cycle-time); and in the second after a
        node wakes with all poles open the frames before the first right one, as long as they bear
        no checksum yet (00 or FF).
    Margin
        Minus the number of frames with a wrong checksum so far; none is allowed.
    Unproven
        No frame with a checksum came (not-seen, not-exercised).
    """

    unit: ClassVar[str] = "frame"
    limit_source: ClassVar[str] = "plan"  # profile and bytes
    cross_checks: ClassVar[tuple[str, ...]] = ("units.*.checksum",)
    says: ClassVar[dict[str, str]] = {
        "pass": "the checksum fits the bytes of every frame; wrong ones",
        "fail": "the checksum does not fit the bytes of {share} (there it reads {said:02X} and"
        " has to be {due:02X}); wrong of {total}",
    }
    codes: ClassVar[tuple[str, ...]] = ("some-frames", "most-frames", "every-frame")
    exercise: ClassVar[str] = "record the bus with the unit powered"
    causes: ClassVar[tuple[str, ...]] = (
        "profile, bytes or data_id in the plan are not the unit's own",
        "something between unit and recorder changes frames without making their checksum anew",
        "another node sends with the same identifier",
    )
    next: ClassVar[str] = "if every frame is wrong, correct the profile; if a few, look who sends"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every unit with a checksum."""
        return [Subject(name, needs=(role,)) for name, role in _roles(bench).items()]

    def start(self, bench: Bench) -> Mapping[str, Count]:
        return dict.fromkeys(_roles(bench), Count())

    def fold(
        self, state: Mapping[str, Count], piece: Piece
    ) -> tuple[Mapping[str, Count], Sequence[Outcome]]:
        """Judge the new frames of every unit."""
        found: list[Outcome] = []
        after = dict(state)
        for name, role in _roles(piece.bench).items():
            binding = piece.bench.bindings[role]
            rows = _rows(piece, binding)
            if not len(rows):
                continue
            said = _received(piece.frames, rows, binding.signal)
            due = _computed(piece.frames, rows, binding)
            wrong = said != due
            times = piece.frames.time_ns[rows]
            new, woken = waking(piece, role, times, state[name].woken)
            blank = wrong & ((said == 0x00) | (said == 0xFF))
            starts = _start_up(blank, new, state[name].starts)
            wrong &= ~starts
            count = state[name].wrong + np.cumsum(wrong)
            frames = state[name].frames + len(rows)
            after[name] = Count(frames, int(count[-1]), woken, bool(starts[-1]))
            measured = np.where(wrong, count, 0).astype(np.float64)
            some = deciding_rows(np.where(starts, np.nan, -measured))
            total = state[name].frames + some + 1
            found.append(
                margins(
                    name,
                    piece.frames.time_ns[rows[some]],
                    -measured[some],
                    measured=measured[some],
                    limit=0.0,
                    code=_share(measured[some], total),
                    total=total,
                    said=said[some],
                    due=due[some],
                )
            )
        return after, found

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """Say how many frames there were, what this one says and what was due."""
        share = worst.code.replace("-", " ")
        says = self.says.get(str(verdict), self.says["fail"])
        return says.format(share=share, **worst.facts)


def _start_up(blank: Bools, new: Bools, starts: bool) -> Bools:
    """Which frames come before the first one with a checksum since their node woke.

    ``new``: which came in the second after it; ``starts``: whether the last one before was such.
    """
    found = np.zeros(len(blank), np.bool_)
    if starts or new.any():
        for row in np.flatnonzero(new).tolist():
            begins = row > 0 and not new[row - 1]
            starts = (starts or begins) and bool(blank[row])
            found[row] = starts
    return found


def _share(wrong: Floats, total: Int64s) -> NDArray[np.str_]:
    """How many of so many frames are wrong, in a word."""
    few = np.where(2 * wrong <= total, "some-frames", "most-frames")
    return np.where(wrong < total, few, "every-frame")


def _roles(bench: Bench) -> dict[str, str]:
    """Unit -> role, where checksum and message are known."""
    roles = {unit.name: unit.role("checksum") for unit in bench.units}
    return {
        name: role
        for name, role in roles.items()
        if bench.has(role)
        and bench.bindings[role].signal.message_key in bench.messages
        and bench.bindings[role].options.get("profile") in PROFILES
    }


def _over(binding: Binding) -> list[int]:
    """Payload bytes that the checksum covers."""
    own = bytes_of(binding.signal)
    first, last = cast("tuple[int, int]", binding.options.get("over") or (0, min(own) - 1))
    return [number for number in range(first, last + 1) if number not in own]


def _rows(piece: Piece, binding: Binding) -> Int64s:
    """Frames of this piece that hold the checksum and all that it covers."""
    rows = rows_of(piece, piece.bench.messages[binding.signal.message_key])
    need = max([*bytes_of(binding.signal), *_over(binding)])
    rows = rows[piece.frames.length[rows] > need]
    if binding.signal.multiplexer:
        held = piece[binding.role].time_ns
        rows = rows[np.isin(piece.frames.time_ns[rows], held)]
    return rows


def _received(frames: Frames, rows: Int64s, spec: SignalSpec) -> Bytes:
    """The checksums in the frames."""
    places = places_of(spec)
    columns = {number: column(frames, rows, number) for number in bytes_of(spec)}
    if places == list(range(places[0], places[0] + 8)) and not places[0] % 8:
        return columns[places[0] // 8]
    said = np.zeros(len(rows), np.uint8)
    for shift, place in enumerate(places):
        bit = columns[place // 8] >> np.uint8(place % 8) & np.uint8(1)
        said |= bit << np.uint8(shift)
    return said


def _computed(frames: Frames, rows: Int64s, binding: Binding) -> Bytes:
    """The checksums that fit the bytes of the frames."""
    data = [column(frames, rows, number) for number in _over(binding)]
    for byte in id_bytes(cast("int | None", binding.options.get("data_id"))):
        data.append(np.full(len(rows), byte, np.uint8))
    return PROFILES[str(binding.options["profile"])](data)
