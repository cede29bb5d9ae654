"""Signal definition files -> Definitions, through cantools (DBC, KCD, ARXML)."""

from __future__ import annotations

import os
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import replace

from canscope.decoding.columns import EVERY, on_channel
from canscope.decoding.definition_file import DefinitionFile, read_file
from canscope.decoding.lookup import identity
from canscope.model.definition import Definitions, MessageSpec
from canscope.model.errors import DefinitionError, Where
from canscope.trust.no_value_codes import Policy, absent_codes, check_policy

AnyPath = str | os.PathLike[str]


def read_definitions(
    files: Mapping[str, Sequence[AnyPath]] | Sequence[AnyPath] | AnyPath,
    not_available: Mapping[str, Policy] = {},
) -> Definitions:
    """Read the definition files of each channel.

    A channel ``*``, or files without channels, means every channel that has no files of its own.
    ``not_available`` gives a channel's policy for codes that mean "no value" (see
    ``trust/no_value_codes.py``); that of ``*`` holds for channels that have none. Of a file that
    describes several buses (KCD), a channel of the same name as one of them takes only that bus.

    Raises:
        DefinitionError: a file cannot be read or used, or two messages of a channel collide.
    """
    by_channel = files if isinstance(files, Mapping) else {EVERY: files}
    read: dict[str, DefinitionFile] = {}
    messages: list[MessageSpec] = []
    for channel, paths in by_channel.items():
        policy = not_available.get(channel, not_available.get(EVERY))
        check_policy(policy)
        taken = _Channel(channel)
        for path in [paths] if isinstance(paths, str | os.PathLike) else paths:
            name = os.fspath(path)
            if name not in read:
                read[name] = read_file(name)
            taken.take(read[name])
        messages += (_with_policy(message, policy) for message in taken.messages)
    warnings = tuple(warning for file in read.values() for warning in file.warnings)
    return Definitions(tuple(messages), tuple(read), warnings)


def _with_policy(message: MessageSpec, policy: Policy) -> MessageSpec:
    signals = tuple(
        replace(spec, absent=absent_codes(policy, spec, j1939=message.j1939))
        for spec in message.signals
    )
    return replace(message, signals=signals)


class _Channel:
    """Collects the messages of one channel and refuses what would make a name or id ambiguous."""

    def __init__(self, channel: str) -> None:
        self._channel = channel
        self._by: dict[Hashable, MessageSpec] = {}
        self.messages: list[MessageSpec] = []

    def take(self, file: DefinitionFile) -> None:
        """Add a file's messages; one that is there already, word for word, is not added again."""
        own_bus = self._channel in {bus for bus, _ in file.messages}
        for bus, message in file.messages:
            if own_bus and bus != self._channel:
                continue
            placed = on_channel(message, self._channel)
            same_id = self._by.setdefault(("id", identity(placed)), placed)
            same_name = self._by.setdefault(("name", placed.name), placed)
            if same_id is placed and same_name is placed:
                self.messages.append(placed)
            elif same_id is not placed and same_id != replace(placed, file=same_id.file):
                raise self._collision(placed, same_id, f"both have identifier {_shown(placed)}")
            elif same_name is not placed and same_name != replace(placed, file=same_name.file):
                raise self._collision(placed, same_name, "have the same name")

    def _collision(self, new: MessageSpec, old: MessageSpec, why: str) -> DefinitionError:
        channel = "every channel" if self._channel == EVERY else f"channel {self._channel}"
        files = old.file if old.file == new.file else f"{old.file} and {new.file}"
        return DefinitionError(
            f"messages {old.name!r} and {new.name!r} of {files} {why} on {channel}",
            where=Where(new.file),
            hint="keep one of them, or give each bus its own definition files",
        )


def _shown(message: MessageSpec) -> str:
    return f"{message.can_id:08X}x" if message.extended else f"{message.can_id:03X}"
