"""Signal definition files -> Definitions, through cantools (DBC, KCD, ARXML)."""

from __future__ import annotations

import os
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import replace

from canscope.decoding.columns import EVERY, on_channel
from canscope.decoding.definition_file import DefinitionFile, read_file
from canscope.decoding.lookup import identity
from canscope.model.definition import Definitions, Lost, MessageSpec, Problem
from canscope.model.errors import DefinitionError, Where
from canscope.trust.samples.no_value_codes import Policy, absent_codes, check_policy

AnyPath = str | os.PathLike[str]


def read_definitions(
    files: Mapping[str, Sequence[AnyPath] | AnyPath] | Sequence[AnyPath] | AnyPath,
    not_available: Mapping[str, Policy] = {},
) -> Definitions:
    """Read the definition files of each channel.

    A channel ``*``, or files without channels, means every channel that has no files of its own.
    ``not_available`` gives a channel's policy for codes that mean "no value" (see
    ``trust/samples/no_value_codes.py``); that of ``*`` holds for channels that have none. Of a file
    that describes several buses (KCD), a channel of the same name as one of them takes only that
    bus.

    A message or signal that cannot be used is left out and is in ``Definitions.lost``.

    Raises:
        DefinitionError: a file cannot be read, or nothing in it or on a channel can be used.
    """
    by_channel = files if isinstance(files, Mapping) else {EVERY: files}
    read: dict[str, DefinitionFile] = {}
    messages: list[MessageSpec] = []
    lost: list[Lost] = []
    warnings: list[str] = []
    for channel, paths in by_channel.items():
        policy = not_available.get(channel, not_available.get(EVERY))
        check_policy(policy)
        taken = _Channel(channel)
        for path in [paths] if isinstance(paths, str | os.PathLike) else paths:
            name = os.fspath(path)
            if name not in read:
                read[name] = read_file(name)
            taken.take(read[name])
        messages += (_with_policy(message, policy) for message in taken.settled())
        lost += taken.lost
        warnings += taken.warnings
    told = (warning for file in read.values() for warning in file.warnings)
    return Definitions(tuple(messages), tuple(read), (*told, *warnings), tuple(lost))


def _with_policy(message: MessageSpec, policy: Policy) -> MessageSpec:
    signals = tuple(
        replace(spec, absent=absent_codes(policy, spec, j1939=message.j1939))
        for spec in message.signals
    )
    return replace(message, signals=signals)


class _Channel:
    """Collects the messages of one channel; two that share a name or identifier are both lost."""

    def __init__(self, channel: str) -> None:
        self._channel = channel
        self._by: dict[Hashable, list[int]] = {}  # places in ``_messages``
        self._messages: list[MessageSpec] = []
        self._bus: dict[str, str] = {}  # key of a message -> its bus within its file
        self.lost: list[Lost] = []
        self.warnings: list[str] = []

    def take(self, file: DefinitionFile) -> None:
        """Add a file's messages; one that is there already, word for word, is not added again."""
        buses = {bus for bus, _ in file.messages}
        own_bus = self._channel in buses
        for bus, message in file.messages:
            if own_bus and bus != self._channel:
                continue
            placed = on_channel(message, self._channel)
            keys = ("id", identity(placed)), ("name", placed.name)
            same = [self._messages[place] for key in keys for place in self._by.get(key, [])]
            if any(old == replace(placed, file=old.file) for old in same):
                continue
            if same and bus not in ("", self._bus.get(same[0].key)) and same[0].file == file.name:
                raise self._collision(placed, same[0])  # several buses taken for one
            for key in keys:
                self._by.setdefault(key, []).append(len(self._messages))
            self._messages.append(placed)
            self._bus[placed.key] = bus
        for problem in file.problems:
            if problem.weight == "unusable" and problem.message:
                self.lost.append(Lost(self._channel, file.name, problem))

    def settled(self) -> list[MessageSpec]:
        """The messages that nothing collides with.

        Raises:
            DefinitionError: none is left that has a signal.
        """
        colliding: dict[int, DefinitionError] = {}  # by place of a message
        for same in self._by.values():
            if len(same) > 1:
                error = self._collision(self._messages[same[1]], self._messages[same[0]])
                for place in same:
                    colliding.setdefault(place, error)
        kept = [m for place, m in enumerate(self._messages) if place not in colliding]
        for place, error in colliding.items():
            if not any(message.signals for message in kept):
                raise error
            message = self._messages[place]
            problem = Problem("unusable", error.what, error.hint, message=message.name)
            self.lost.append(Lost(self._channel, message.file, problem))
        told = {error.what: str(error.where) for error in colliding.values()}
        self.warnings += (f"{place}: {what}: not decoded" for what, place in told.items())
        return kept

    def _collision(self, new: MessageSpec, old: MessageSpec) -> DefinitionError:
        same_id = identity(new) == identity(old)
        why = f"both have identifier {_shown(new)}" if same_id else "have the same name"
        channel = "every channel" if self._channel == EVERY else f"channel {self._channel}"
        files = old.file if old.file == new.file else f"{old.file} and {new.file}"
        return DefinitionError(
            f"messages {old.name!r} and {new.name!r} of {files} {why} on {channel}",
            where=Where(new.file),
            hint="keep one of them, or give each bus its own definition files",
        )


def _shown(message: MessageSpec) -> str:
    return f"{message.can_id:08X}x" if message.extended else f"{message.can_id:03X}"
