"""Why decoding gave not one row: said, so that an empty table is never taken for an answer."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canscope.model.definition import Definitions
    from canscope.model.tables import Frames

MOST = 1000  # identifiers that are remembered
NAMED = 4


class Seen:
    """Identifiers of data frames that went by, as many as are needed to say why none was known."""

    def __init__(self) -> None:
        self.ids: set[tuple[int, bool]] = set()  # with whether it is one of 29 bits
        self.frames, self.errors, self.remote = 0, 0, 0

    def add(self, frames: Frames) -> None:
        """Remember those of a chunk."""
        import numpy as np

        from canscope.model.tables import Flag

        self.frames += len(frames)
        self.errors += int(np.count_nonzero(frames.flags & Flag.ERROR))
        self.remote += int(np.count_nonzero(frames.flags & Flag.REMOTE))
        if len(self.ids) < MOST:
            plain = (frames.flags & (Flag.ERROR | Flag.REMOTE)) == 0
            extended = (frames.flags & Flag.EXTENDED).astype(np.uint64)
            for word in np.unique(frames.can_id[plain] | extended[plain] << 32).tolist():
                self.ids.add((word & 0xFFFF_FFFF, word >> 32 > 0))


def reasons(seen: Seen, definitions: Definitions) -> Iterator[str]:
    """Sentences that say why there is no row, and what to do."""
    from canscope.decoding.lookup import group_of

    defined = {(message.can_id, message.extended) for message in definitions.messages}
    if not seen.frames:
        yield "no row was written: no frame was read within the time asked for"
        return
    if not seen.ids:
        swapped = "; were the bytes of its identifiers exchanged?" if seen.errors else ""
        yield (
            f"no row was written: of {seen.frames} frames none is a data frame: "
            f"{seen.errors} error frames, {seen.remote} remote ones{swapped}"
        )
        return
    if known := seen.ids & defined:
        yield (
            f"no row was written, though frames of {len(known)} defined messages came: they are "
            "too short, no signal of theirs is asked for, or no definition is of their channel"
        )
        return
    shown = ", ".join(f"{can_id:X}" for can_id, _ in sorted(seen.ids)[:NAMED])
    yield f"no row was written: no definition knows any identifier of this capture ({shown} ...)"
    groups = {int(group_of(can_id)) for can_id, extended in seen.ids if extended}
    alike = [
        message
        for message in definitions.messages
        if message.extended and not message.j1939 and int(group_of(message.can_id)) in groups
    ]
    if alike:
        yield (
            f"{len(alike)} messages have the same parameter group as frames that came, and another "
            f"priority or source address ({alike[0].name}): if they are J1939, mark them in the "
            'definition with the attribute VFrameFormat "J1939PG"; a source address of FE then '
            "means any"
        )
    low = {can_id for can_id, extended in defined if not extended}
    if {can_id for can_id, extended in seen.ids if extended} & low:
        yield "their numbers are defined, but with 11 bits, and in the capture they have 29"
