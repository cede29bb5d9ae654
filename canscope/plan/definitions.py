"""The definition files that a plan names for its buses, and what roles change in them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.decoding.database import read_definitions
from canscope.model.definition import Definitions, Lost, MessageSpec, SignalSpec
from canscope.model.errors import CanscopeError
from canscope.plan.codes import raw_range
from canscope.plan.mistakes import Notes, Unusable
from canscope.plan.requested_roles import RequestedRole
from canscope.plan.signal_names import SignalNames
from canscope.plan.source import Source, read_bytes
from canscope.trust.samples.no_value_codes import Policy, with_errors, with_policy

if TYPE_CHECKING:
    from canscope.plan.schema import PlanTable


def definitions_of(
    plan: PlanTable, source: Source, notes: Notes
) -> tuple[Definitions, frozenset[str]]:
    """All messages of all buses, and the channels with a definition that could not be read.

    Each file that cannot be read is a mistake.
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
            notes.mistake(("buses",), *_what_and_hint(error))
        return readable, frozenset(unread)


def _files(
    channel: str, plan: PlanTable, source: Source, notes: Notes, unread: set[str]
) -> list[Path]:
    """The definition files of a bus that exist; the others are mistakes."""
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
            source.add_input("definition", name, path, content)
            found.append(path)
    return found


def _one_by_one(
    files: dict[str, list[Path]], policies: dict[str, Any], notes: Notes, unread: set[str]
) -> Definitions:
    """Read file by file: a file that fails is a mistake, and its channel goes into ``unread``."""
    messages: list[MessageSpec] = []
    lost: list[Lost] = []
    told: set[str] = set()  # one broken file of two buses is one mistake
    for channel, paths in files.items():
        own = {channel: policies[channel]} if channel in policies else {}
        for path in paths:
            try:
                read = read_definitions({channel: [path]}, own)
            except CanscopeError as error:
                if str(error) not in told:
                    notes.mistake(("buses", channel, "definitions"), *_what_and_hint(error))
                told.add(str(error))
                unread.add(channel)
            else:
                messages += read.messages
                lost += read.lost
    return Definitions(tuple(messages), lost=tuple(lost))


def _what_and_hint(error: CanscopeError) -> tuple[str, str]:
    """A definition file's own error as a mistake of the plan: its text with its place, its hint."""
    place = f"{error.where}: " if error.where else ""
    return f"{place}{error.what}", error.hint


def with_policies(
    definitions: Definitions, requested: Sequence[RequestedRole], notes: Notes
) -> Definitions:
    """The definitions with each requested role's own codes for not available in its signal."""
    names = SignalNames(definitions)
    changed: dict[str, SignalSpec] = {}
    for request in requested:
        try:
            _, spec = names.find(request.table.signal)
        except Unusable:  # a mistake that is noted when the role is bound
            continue
        policy = _policy(request, spec, notes)
        own = with_policy(spec, policy)
        # Codes that the plan itself lists are taken at their word.
        if "ok" in request.role.keys and not isinstance(policy, list):
            own = with_errors(own)
        if own != spec:
            changed[spec.key] = own
    if not changed:
        return definitions

    def renewed(message: MessageSpec) -> MessageSpec:
        signals = tuple(changed.get(signal.key, signal) for signal in message.signals)
        return replace(message, signals=signals)

    return replace(definitions, messages=tuple(renewed(m) for m in definitions.messages))


def _policy(request: RequestedRole, spec: SignalSpec, notes: Notes) -> Policy:
    """The role's own not-available policy, or None to leave the signal's as it is.

    It never applies to counters, checksums and one-bit states (design: not available).
    """
    if "not_available" not in request.role.keys:
        return "none"
    given: Policy = request.table.not_available
    path = (*request.path, "not_available")
    if spec.length_bits == 1:
        if given not in (None, "none"):
            what = f"{spec.key} has one bit; it has no code left that could mean not available"
            notes.mistake(path, what, "remove it here")
        return "none"
    if isinstance(given, list) and not spec.is_float:
        low, high = raw_range(spec)
        if wrong := [code for code in given if not low <= code <= high]:
            what = f"raw code {wrong[0]} does not fit {spec.key}"
            notes.mistake(path, what, f"{low} to {high}")
    return given
