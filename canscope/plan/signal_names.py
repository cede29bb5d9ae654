"""Finding a signal by the name that a plan gives it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection

from canscope.model.definition import Definitions, MessageSpec, SignalSpec
from canscope.model.errors import nearest
from canscope.plan.mistakes import Unusable, quoted


class SignalNames:
    """Every signal of the definitions, by ``channel:Message.Signal`` and ``Message.Signal``.

    ``unread`` are the channels of which a definition file could not be read.
    """

    def __init__(self, definitions: Definitions, unread: Collection[str] = ()) -> None:
        self._found: dict[str, tuple[MessageSpec, SignalSpec]] = {}
        self._short: dict[str, list[str]] = defaultdict(list)
        for message in definitions.messages:
            for signal in message.signals:
                if signal.key not in self._found:
                    self._short[f"{message.name}.{signal.name}"].append(signal.key)
                self._found[signal.key] = (message, signal)
        self._unread = frozenset(unread)
        self._lost = definitions.lost
        self._channels = sorted({message.channel for message in definitions.messages})

    def find(self, name: str) -> tuple[MessageSpec, SignalSpec]:
        """The signal of that name and its message. Raises ``Unusable`` with the nearest one."""
        keys = self._short.get(name, [])
        lost = next((one for one in self._lost if "." in name and one.covers(name)), None)
        if lost and keys:  # else a mistake in one file would bind the role to another bus
            what = f"signal {quoted(name)} is on several channels, on one of them unusable: "
            raise Unusable(f"{what}{lost.why}", f"name the channel: {', '.join(keys)}")
        if lost:
            what = f"signal {quoted(name)} cannot be used: {lost.why}"
            raise Unusable(what, lost.problem.hint)
        if name in self._found:
            return self._found[name]
        if len(keys) == 1:
            return self._found[keys[0]]
        if keys:
            raise Unusable(
                f"signal {quoted(name)} is on several channels", f"one of {', '.join(keys)}"
            )
        channel, colon, _ = name.partition(":")
        if colon and channel not in self._channels:
            what = f"no channel named {quoted(channel)} has definitions"
            raise Unusable(what, nearest(channel, self._channels))
        here = [key for key in self._found if key.startswith(f"{channel}:")]
        form = "" if "." in name else "; a name has the form channel:Message.Signal"
        known = here if colon else [*self._short, *self._found]
        broken = [one.why for one in self._lost if not colon or one.channel == channel]
        also = f"; or of those that cannot be used: {broken[0]}" if broken else ""
        raise Unusable(f"no signal named {quoted(name)}{form}", nearest(name, known) + also)

    def excused(self, name: str) -> bool:
        """Whether a signal that was not found may be in a file that could not be read."""
        channel, colon, _ = name.partition(":")
        return channel in self._unread if colon else bool(self._unread)
