"""The definition files that a plan names for its buses, and what roles change in them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.decoding.database import read_definitions
from canscope.model.definition import Definitions, MessageSpec, SignalSpec
from canscope.model.errors import CanscopeError
from canscope.plan.mistakes import Unusable
from canscope.plan.signal_names import Names
from canscope.plan.notes import Notes
from canscope.plan.requested_roles import Wish
from canscope.plan.binding import policy_of
from canscope.plan.source import Source, read_bytes
from canscope.trust.no_value_codes import with_policy

if TYPE_CHECKING:
    from canscope.plan.schema import PlanTable


def definitions_of(
    plan: PlanTable, source: Source, notes: Notes
) -> tuple[Definitions, frozenset[str]]:
    """All messages of all buses, and the channels of which some could not be read.

    Files that cannot be read are mistakes, each by itself.
    """
    policies: dict[str, Any] = {
        channel: bus.not_available
        for channel, bus in plan.buses.items()
        if bus.not_available is not None
    }
    unread: set[str] = set()
    files = {channel: _files(channel, plan, source, notes, unread) for channel in plan.buses}
    try:
        return read_definitions(files, policies), frozenset(unread)
    except CanscopeError as error:
        before = len(notes.mistakes.found)
        readable = _one_by_one(files, policies, notes, unread)
        if len(notes.mistakes.found) == before:  # each is fine, but not all together
            notes.mistake(("buses",), *_said(error))
        return readable, frozenset(unread)


def _files(
    channel: str, plan: PlanTable, source: Source, notes: Notes, unread: set[str]
) -> list[Path]:
    """A bus's definition files that are there to be read."""
    key = ("buses", channel, "definitions")
    if channel in ("", "*") or ":" in channel:
        notes.mistake(("buses", channel), "cannot be a channel's name", "as in the capture: can0")
    found = []
    for name in plan.buses[channel].definitions:
        path = source.find(key, name)
        content = read_bytes(path)
        if isinstance(content, str):
            notes.mistake(key, f"{name}: cannot be read: {content}", f"looked for {path}")
            unread.add(channel)
        else:
            source.take("definition", name, path, content)
            found.append(path)
    return found


def _one_by_one(
    files: dict[str, list[Path]], policies: dict[str, Any], notes: Notes, unread: set[str]
) -> Definitions:
    """After one of them failed: which ones do, and what the others say."""
    messages: list[MessageSpec] = []
    for channel, paths in files.items():
        own = {channel: policies[channel]} if channel in policies else {}
        for path in paths:
            try:
                messages += read_definitions({channel: [path]}, own).messages
            except CanscopeError as error:
                notes.mistake(("buses", channel, "definitions"), *_said(error))
                unread.add(channel)
    return Definitions(tuple(messages))


def _said(error: CanscopeError) -> tuple[str, str]:
    """What a definition file's own error says, with its place, and its hint."""
    place = f"{error.where}: " if error.where else ""
    return f"{place}{error.what}", error.hint


def with_policies(definitions: Definitions, wanted: Sequence[Wish], notes: Notes) -> Definitions:
    """The definitions with the roles' own say on which codes mean not available."""
    names = Names(definitions)
    changed: dict[str, SignalSpec] = {}
    for wish in wanted:
        try:
            _, spec = names.find(wish.table.signal)
        except Unusable:  # said when the role is bound
            continue
        policy = policy_of(wish, spec, notes)
        if policy is not None:
            changed[spec.key] = with_policy(spec, policy)
    if not changed:
        return definitions

    def renewed(message: MessageSpec) -> MessageSpec:
        signals = tuple(changed.get(signal.key, signal) for signal in message.signals)
        return replace(message, signals=signals)

    return replace(definitions, messages=tuple(renewed(m) for m in definitions.messages))
