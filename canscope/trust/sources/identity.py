"""Do the frames that stand for one source really come from one, and two sources from two?

A J1939 message whose definition takes it from any source address (FE) may come from several nodes.
Their frames are one message then: one that died hides behind one that lives, and nobody knows whose
value a role had.
"""

from __future__ import annotations

from collections.abc import Mapping

from canscope.model.bench import Bench
from canscope.model.outcome import Doubt, Subject

MOST_NAMED = 8  # source addresses in a sentence


class Senders:
    """The source addresses from which each such message came, over the run so far."""

    def __init__(self) -> None:
        self._addresses: dict[str, frozenset[int]] = {}  # by message key

    def add(self, addresses: Mapping[str, frozenset[int]]) -> None:
        """Take in what decoding of one chunk saw (``DecodeTally.senders``)."""
        for key, some in addresses.items():
            self._addresses[key] = self._addresses.get(key, frozenset()) | some

    def doubts(self, bench: Bench, subject: Subject) -> list[Doubt]:
        """What came from several nodes, and lowers a pass that rests on it or shows it."""
        found = []
        for role in dict.fromkeys((*subject.needs, *subject.shows)):
            if role not in bench.bindings:
                continue
            key = bench.bindings[role].signal.message_key
            addresses = sorted(self._addresses.get(key, ()))
            if len(addresses) > 1:
                named = ", ".join(f"{one:02X}" for one in addresses[:MOST_NAMED])
                text = (
                    f"{key} came from {len(addresses)} source addresses ({named}), and the "
                    "definition takes them all for one (FE): write the address of the one that is "
                    "meant"
                )
                found.append(Doubt(subject.name, "sensor-suspect", text))
        return found


def twin_doubts(twins: Mapping[str, tuple[str, str]], subject: Subject) -> list[Doubt]:
    """What is no source of its own (role -> why, code), and lowers a pass that rests on it."""
    roles = dict.fromkeys((*subject.needs, *subject.shows))
    whys = dict.fromkeys(twins[role] for role in roles if role in twins)
    return [Doubt(subject.name, "sensor-suspect", text, code=code) for text, code in whys]
