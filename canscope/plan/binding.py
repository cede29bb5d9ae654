"""A requested role and the signal that the plan names for it become one ``Binding``."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from itertools import combinations, permutations
from typing import Any

import numpy as np

from canscope.model.bench import Binding, Kind
from canscope.model.definition import MessageSpec, SignalSpec
from canscope.model.errors import nearest
from canscope.plan.codes import meanings, raw_codes, state_codes
from canscope.plan.mistakes import Notes, Unusable, quoted
from canscope.plan.requested_roles import RequestedRole
from canscope.plan.signal_names import SignalNames
from canscope.plan.units import Conversion, conversion, missing
from canscope.rules.shared.checksums import PROFILES, WIDTH_BITS, bytes_of
from canscope.trust.samples.no_value_codes import absent_rows

ASKS = re.compile("command|request|setpoint|demand|cmd", re.IGNORECASE)


def bind(
    requested: Sequence[RequestedRole], names: SignalNames, signs: Mapping[str, int], notes: Notes
) -> dict[str, Binding]:
    """Role name -> binding, for every role whose signal exists and fits; the rest are mistakes.

    ``signs`` gives the mounting sign by unit name; it goes into speed and torque.
    """
    bindings: dict[str, Binding] = {}
    earlier: list[tuple[RequestedRole, str]] = []  # roles and the signals that they are bound to
    for request in requested:
        try:
            message, spec = names.find(request.table.signal)
        except Unusable as error:
            if not names.excused(request.table.signal):
                notes.mistake(request.path, error.what, error.hint)
            continue
        _check_shared(request, spec.key, earlier, notes)
        _check_asks(request, spec, notes)
        earlier.append((request, spec.key))
        binding = _Binder(request, message, spec, notes).bound(signs)
        if binding is not None:
            bindings[request.name] = binding
    told = _wired_to_others(requested, bindings, notes)
    _check_crossed([request for request in requested if request.name not in told], bindings, notes)
    return bindings


def _wired_to_others(
    requested: Sequence[RequestedRole], bindings: Mapping[str, Binding], notes: Notes
) -> set[str]:
    """Roles of a unit that the plan says another unit's inverter reads; the report shows them."""
    told = set()
    units = list(dict.fromkeys(r.path[1] for r in requested if r.path[0] == "units"))
    for request in requested:
        other = getattr(request.table, "wired_to", None)
        if other is None or request.name not in bindings:
            continue
        path = (*request.path, "wired_to")
        if other not in units or other == request.path[1]:
            names = [str(name) for name in units if name != request.path[1]]
            hint = f"one of {', '.join(names)}" if names else "leave it out: there is no other unit"
            notes.mistake(path, f"{quoted(other)} is no other unit of this plan", hint)
            continue
        speed = bindings.get(f"units.{other}.speed")
        signal = bindings[request.name].signal
        if speed is not None and speed.signal.channel != signal.channel:
            what = f"{signal.key} is not on {speed.signal.channel}, the bus of {other}"
            notes.mistake(path, what, "bind the signal that this unit's inverter sends")
            continue
        told.add(request.name)
        notes.warn(request.path, f"read and sent by the inverter of {other}, as wired_to says")
    return told


def _check_crossed(
    requested: Sequence[RequestedRole], bindings: Mapping[str, Binding], notes: Notes
) -> None:
    """Of two units that send the same messages, each has to have all of its roles from its own bus.

    Speed from one bus and torque from the other, and the other unit the other way round: the two
    units would speak for each other, and would agree as long as they do the same.
    """
    signals: dict[str, dict[str, SignalSpec]] = {}  # unit -> word -> signal
    for request in requested:
        if request.path[0] == "units" and request.name in bindings:
            unit, word = request.name.split(".", 2)[1:]
            signals.setdefault(unit, {})[word] = bindings[request.name].signal
    for one, other in permutations(signals, 2):
        _check_borrowed(one, other, signals, requested, notes)
    for one, other in combinations(signals, 2):
        ways: dict[tuple[str, str], list[str]] = {}  # the two buses -> words bound so
        for word, signal in signals[one].items():
            twin = signals[other].get(word)
            if twin is None or twin.channel == signal.channel:
                continue
            if (twin.message, twin.name) == (signal.message, signal.name):
                ways.setdefault((signal.channel, twin.channel), []).append(word)
        for (here, there), words in ways.items():
            crossed = ways.get((there, here), [])
            if here < there or not crossed:
                continue
            own, odd = (words, crossed) if len(words) >= len(crossed) else (crossed, words)
            key, twin_key = (signals[unit][odd[0]].key for unit in (one, other))
            what = (
                f"bound to {key} and units.{other}.{odd[0]} to {twin_key}, but "
                f"units.{one}.{own[0]} to {signals[one][own[0]].key}: these roles of the two units "
                "are exchanged"
            )
            path = next(r.path for r in requested if r.name == f"units.{one}.{odd[0]}")
            hint = "bind all roles of a unit to the bus that it is on"
            if odd[0].startswith("temperatures."):
                hint += f'; or say wired_to = "{other}" if its inverter really reads the sensor'
            notes.mistake(path, what, hint)


def _check_asks(request: RequestedRole, spec: SignalSpec, notes: Notes) -> None:
    """Warn of a contactor's state whose signal is named as what asks for it."""
    state = request.name.startswith("contactors.") and not request.name.endswith(".command")
    kind = getattr(request.table, "kind", None)
    if state and kind != "command" and ASKS.search(spec.name):
        what = f"bound to {spec.key}, by its name what asks for the contact and not what the "
        what += "contact does: a welded pole would not show"
        notes.warn(request.path, what)


def _check_borrowed(
    one: str,
    other: str,
    signals: Mapping[str, Mapping[str, SignalSpec]],
    requested: Sequence[RequestedRole],
    notes: Notes,
) -> None:
    """A unit whose fault is another one's on another bus; no other signal may be shared at all."""
    mine, its = signals[one], signals[other]
    borrowed = {word for word, signal in mine.items() if its.get(word) == signal}
    own = {signal.channel for word, signal in mine.items() if word not in borrowed}
    if "fault" not in borrowed or not own:
        return
    channel = mine["fault"].channel
    if channel in own or channel not in {its[w].channel for w in set(its) - borrowed}:
        return
    path = next(r.path for r in requested if r.name == f"units.{one}.fault")
    what = f"bound to {mine['fault'].key}, which is that of {other}, while all else of {one} is "
    what += f"on {', '.join(sorted(own))}: a fault of {one} itself would not show here"
    notes.mistake(path, what, f"bind {one}'s own signal, or none")


def _check_shared(
    request: RequestedRole, key: str, earlier: Sequence[tuple[RequestedRole, str]], notes: Notes
) -> None:
    """Two roles on one signal cannot check each other, and one of them is wrong."""
    for other, taken in earlier:
        if other.name == request.name:
            what = f"{other.name} is bound by itself and by contactors.both"
            notes.mistake(("contactors", "both"), what, "remove one of the two")
            return
        if request.path[:2] == other.path[:2] == ("contactors", "both"):
            continue
        if taken == key and request.name == f"{other.name}.command":
            what = f"bound to {key}, and so is {other.name}: a command cannot show that it follows"
            notes.mistake(request.path, what, "bind the state to what the contact itself says")
            continue
        shared = request.role.shared and request.role is other.role
        if taken == key and not shared:
            what = f"bound to {key}, and so is {other.name}; they must differ"
            notes.mistake(request.path, what, "give each role the signal that is its own")


class _Binder:
    """Makes one binding; mistakes are noted at the keys of the role's own table."""

    def __init__(
        self, request: RequestedRole, message: MessageSpec, spec: SignalSpec, notes: Notes
    ) -> None:
        self.request, self.role, self.table = request, request.role, request.table
        self.message, self.spec, self.notes = message, spec, notes

    def mistake(self, key: str, what: str, hint: str = "") -> None:
        path = (*self.request.path, key) if key else self.request.path
        self.notes.mistake(path, what, hint)

    def bound(self, signs: Mapping[str, int]) -> Binding | None:
        """The binding, or None after a mistake."""
        before = len(self.notes.mistakes.found)
        kind = self._kind()
        if kind is not Kind.NUMBER and self.spec.is_float:
            self.mistake("", f"{self.spec.key} is a floating-point signal; this role needs codes")
            return None
        given = self._number(signs) if kind is Kind.NUMBER else {"codes": self._codes(kind)}
        self._check_absent(given.get("codes", {}))
        options = self._options()
        if len(self.notes.mistakes.found) > before:
            return None
        return Binding(
            self.request.name, self.spec, kind, cycle_ns=self._cycle(), options=options, **given
        )

    def _kind(self) -> Kind:
        """The role's kind; a number that may list true and false may be a state as well."""
        if self.role.kind is not Kind.NUMBER or "true" not in self.role.keys:
            return self.role.kind
        listed = self.table.true or self.table.false
        state = listed or (self.spec.length_bits == 1 and missing(self.spec.unit))
        return Kind.STATE if state else Kind.NUMBER

    def _cycle(self) -> int | None:
        if self.table.cycle_ms is not None:
            return round(float(self.table.cycle_ms) * 1e6)
        # A multiplexed signal comes once in several frames; its own cycle has to be learned.
        return None if self.spec.multiplexer else self.message.cycle_ns or None

    def _number(self, signs: Mapping[str, int]) -> dict[str, Any]:
        if self.spec.factor == 0:
            what = f"{self.spec.key} has factor 0: its value can never change"
            self.mistake("", what, "correct the factor in the definition file")
        turn = self._conversion(self.role.unit)
        sign = -1 if self.table.invert else 1
        if self.role.mounted:
            sign *= signs.get(str(self.request.path[1]), 1)
        step = 0.0 if self.spec.is_float else abs(self.spec.factor * turn.factor)
        return {
            "unit": self.role.unit,
            "factor": sign * turn.factor,
            "offset": sign * turn.offset,
            "half_step": step / 2,
            "instrument": self.table.uncertainty or 0.0,
        }

    def _conversion(self, unit: str) -> Conversion:
        if missing(self.spec.unit):
            what = f"{self.spec.key} has no unit in its definition; it is read as {unit}"
            self.notes.warn(self.request.path, what)
            return Conversion(1.0)
        try:
            return conversion(self.spec.unit, unit)
        except Unusable as error:
            self.mistake("", f"{self.spec.key}: {error.what}", error.hint)
            return Conversion(1.0)

    def _codes(self, kind: Kind) -> dict[int, float]:
        """Raw code -> value; empty for roles whose raw code is the value."""
        if kind is Kind.CODE:
            return {}
        table, sign = self.table, -1.0 if self.table.invert else 1.0
        if kind is Kind.STATE:
            codes = state_codes(self.spec, table.true, table.false, self.mistake)
            return codes if sign > 0 else {code: 1.0 - value for code, value in codes.items()}
        if not table.neutral:
            what = "no code for neutral is listed; neutral will never be seen"
            self.notes.warn(self.request.path, what)
        lists = {"forward": (table.forward, sign), "reverse": (table.reverse, -sign)}
        return meanings(self.spec, {**lists, "neutral": (table.neutral, 0.0)}, self.mistake)

    def _check_absent(self, codes: Mapping[int, float]) -> None:
        """A code cannot both mean something and mean "no value"."""
        listed = np.array(sorted(c for c in codes if abs(c) < 2**63), np.int64)
        absent = absent_rows(self.spec, listed)
        if absent is not None and absent.any():
            what = f"raw code {listed[absent][0]} of {self.spec.key} stands for not available"
            hint = 'if it does not, add not_available = "none" to this role'
            self.mistake("", what, hint)

    def _options(self) -> dict[str, object]:
        """What rules about one kind of role need to know besides the signal."""
        if "profile" in self.role.keys:
            return self._checksum()
        ok, modulus = (getattr(self.table, key, None) for key in ("ok", "modulus"))
        if getattr(self.table, "kind", "state") == "command":
            return {"kind": "command"}
        if ok is not None:
            return {"ok": raw_codes(self.spec, "ok", ok, self.mistake)}
        if modulus is None:
            return {}
        most = 1 << self.spec.length_bits
        if modulus > most:
            what = f"{self.spec.key} has only {self.spec.length_bits} bits"
            self.mistake("modulus", what, f"at most {most}")
        return {"modulus": modulus}

    def _checksum(self) -> dict[str, object]:
        table = self.table
        options: dict[str, object] = {"profile": table.profile}
        if table.profile not in PROFILES:
            hint = nearest(table.profile, PROFILES)
            self.mistake("profile", f"no checksum is known as {quoted(table.profile)}", hint)
        if self.spec.length_bits != WIDTH_BITS:
            what = f"{self.spec.key} has {self.spec.length_bits} bits, a checksum {WIDTH_BITS}"
            self.mistake("", what)
        if not table.over and min(bytes_of(self.spec)) == 0:
            what = f"there is no byte before {self.spec.key}"
            self.mistake("", what, "say which bytes it covers: over = [first, last]")
        if table.over:
            first, last = table.over
            if not first <= last < self.message.length:
                what = f"bytes {first} to {last} are not all in {self.message.key}"
                self.mistake("over", what, f"0 to {self.message.length - 1}, the first one first")
            elif set(range(first, last + 1)) <= bytes_of(self.spec):
                self.mistake("over", f"{self.spec.key} cannot be the checksum of itself")
            options["over"] = (first, last)
        if table.data_id is not None:
            options["data_id"] = table.data_id
        return options
