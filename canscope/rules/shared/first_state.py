"""A recording, or one bus of it, that begins with contactors already closed."""

from __future__ import annotations

from collections.abc import Iterable

from canscope.model.outcome import Doubt
from canscope.model.piece import Piece
from canscope.rules.shared.poles import MAIN_ROLES


def first_seen_closed(
    subjects: Iterable[str], seen: frozenset[str], piece: Piece
) -> tuple[frozenset[str], list[Doubt]]:
    """The main poles seen so far, and a doubt for each whose first known state was closed.

    How it closed was not seen, and no later attempt proves it.
    """
    found = []
    for role in MAIN_ROLES:
        states = piece[role].known if role not in seen else None
        if states is None or not len(states):
            continue
        seen = seen | {role}
        if states.value[0] == 1:
            pole, at_ns = role.rpartition(".")[2], int(states.time_ns[0])
            text = f"it begins too late, {pole} was already closed when it was first seen"
            found += [Doubt(subject, "capture-damaged", text, at_ns) for subject in subjects]
    return seen, found
