"""Binding: a role's wish and the signal that fulfils it become one ``Binding``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from canscope.model.bench import Binding, Kind
from canscope.model.definition import MessageSpec, SignalSpec
from canscope.model.errors import nearest
from canscope.plan.codes import meanings, raw_codes, raw_range, state_codes
from canscope.plan.mistakes import Unusable, said
from canscope.plan.signal_names import Names
from canscope.plan.notes import Notes
from canscope.plan.requested_roles import Wish
from canscope.plan.units import Conversion, conversion, missing, role_unit
from canscope.rules.shared.checksums import PROFILES, WIDTH_BITS, bytes_of
from canscope.trust.no_value_codes import Policy, absent_rows

MAY_SHARE = {"fault", "alive", "checksum"}  # one node may speak for both units


def bind(
    wanted: Sequence[Wish], names: Names, signs: Mapping[str, int], notes: Notes
) -> dict[str, Binding]:
    """A binding for every role whose signal exists and makes sense; the rest are mistakes.

    ``signs`` gives the mounting sign by unit name; it goes into speed and torque.
    """
    bindings: dict[str, Binding] = {}
    taken: dict[str, str] = {}
    for wish in wanted:
        try:
            message, spec = names.find(wish.table.signal)
        except Unusable as error:
            if not names.excused(wish.table.signal):
                notes.mistake(wish.path, error.what, error.hint)
            continue
        _check_shared(wish, spec.key, taken, notes)
        taken[wish.role] = spec.key
        binding = _Binder(wish, message, spec, notes).bound(signs)
        if binding is not None:
            bindings[wish.role] = binding
    return bindings


def _check_shared(wish: Wish, key: str, taken: Mapping[str, str], notes: Notes) -> None:
    """Two roles on one signal cannot check each other, and one of them is wrong."""
    for role, other in taken.items():
        command = wish.role == f"{role}.command"
        words = {role.rsplit(".", 1)[-1], wish.role.rsplit(".", 1)[-1]}
        shared = len(words) == 1 and words <= MAY_SHARE
        if other == key and not command and not shared:
            what = f"bound to {key}, and so is {role}; they must differ"
            notes.mistake(wish.path, what, "give each role the signal that is its own")


class _Binder:
    """Makes one binding; mistakes are noted at the keys of the role's own table."""

    def __init__(self, wish: Wish, message: MessageSpec, spec: SignalSpec, notes: Notes) -> None:
        self.wish, self.message, self.spec, self.notes = wish, message, spec, notes

    def mistake(self, key: str, what: str, hint: str = "") -> None:
        path = (*self.wish.path, key) if key else self.wish.path
        self.notes.mistake(path, what, hint)

    def bound(self, signs: Mapping[str, int]) -> Binding | None:
        """The binding, or None after a mistake."""
        before = len(self.notes.mistakes.found)
        kind, table = self._kind(), self.wish.table
        if kind is not Kind.NUMBER and self.spec.is_float:
            self.mistake("", f"{self.spec.key} is a floating-point signal; this role needs codes")
            return None
        given = self._number(signs) if kind is Kind.NUMBER else {"codes": self._codes(kind, table)}
        self._check_absent(given.get("codes", {}))
        options = self._options(table)
        if len(self.notes.mistakes.found) > before:
            return None
        return Binding(
            self.wish.role, self.spec, kind, cycle_ns=self._cycle(), options=options, **given
        )

    def _kind(self) -> Kind:
        """A role's kind; coolant flow may be a measured flow or the state of a pump."""
        table = self.wish.table
        if self.wish.role != "cooling.flow":
            return self.wish.kind
        listed = getattr(table, "true", None) or getattr(table, "false", None)
        pump = listed or (self.spec.length_bits == 1 and missing(self.spec.unit))
        return Kind.STATE if pump else Kind.NUMBER

    def _cycle(self) -> int | None:
        if self.wish.table.cycle_ms is not None:
            return round(float(self.wish.table.cycle_ms) * 1e6)
        # A multiplexed signal comes once in several frames; its own cycle has to be learned.
        return None if self.spec.multiplexer else self.message.cycle_ns or None

    def _number(self, signs: Mapping[str, int]) -> dict[str, Any]:
        role, table = self.wish.role, self.wish.table
        unit = role_unit(role)
        if self.spec.factor == 0:
            what = f"{self.spec.key} has factor 0: its value can never change"
            self.mistake("", what, "correct the factor in the definition file")
        turn = self._conversion(unit)
        words = role.split(".")
        sign = -1 if getattr(table, "invert", False) else 1
        if words[0] == "units" and words[-1] in ("speed", "torque"):
            sign *= signs.get(words[1], 1)
        step = 0.0 if self.spec.is_float else abs(self.spec.factor * turn.factor)
        return {
            "unit": unit,
            "factor": sign * turn.factor,
            "offset": sign * turn.offset,
            "half_step": step / 2,
            "instrument": getattr(table, "uncertainty", None) or 0.0,
        }

    def _conversion(self, unit: str) -> Conversion:
        if missing(self.spec.unit):
            what = f"{self.spec.key} has no unit in its definition; it is read as {unit}"
            self.notes.warn(self.wish.path, what)
            return Conversion(1.0)
        try:
            return conversion(self.spec.unit, unit)
        except Unusable as error:
            self.mistake("", f"{self.spec.key}: {error.what}", error.hint)
            return Conversion(1.0)

    def _codes(self, kind: Kind, table: Any) -> dict[int, float]:
        """Raw code -> value; empty for roles whose raw code is the value."""
        sign = -1.0 if getattr(table, "invert", False) else 1.0
        if kind is Kind.DIRECTION:
            lists = {"forward": (table.forward, sign), "reverse": (table.reverse, -sign)}
            if not table.neutral:
                what = "no code for neutral is listed; neutral will never be seen"
                self.notes.warn(self.wish.path, what)
            return meanings(self.spec, {**lists, "neutral": (table.neutral, 0.0)}, self.mistake)
        if kind is not Kind.STATE:
            return {}
        true, false = getattr(table, "true", None), getattr(table, "false", None)
        codes = state_codes(self.spec, true, false, self.mistake)
        return codes if sign > 0 else {code: 1.0 - value for code, value in codes.items()}

    def _check_absent(self, codes: Mapping[int, float]) -> None:
        """A code cannot both mean something and mean "no value"."""
        listed = np.array(sorted(c for c in codes if abs(c) < 2**63), np.int64)
        absent = absent_rows(self.spec, listed)
        if absent is not None and absent.any():
            what = f"raw code {listed[absent][0]} of {self.spec.key} stands for not available"
            hint = 'if it does not, add not_available = "none" to this role'
            self.mistake("", what, hint)

    def _options(self, table: Any) -> dict[str, object]:
        """What rules about one kind of role need to know besides the signal."""
        if self.wish.code == "fault" and table.ok is not None:
            return {"ok": raw_codes(self.spec, "ok", table.ok, self.mistake)}
        if self.wish.code == "alive" and table.modulus is not None:
            most = 1 << self.spec.length_bits
            if table.modulus > most:
                what = f"{self.spec.key} has only {self.spec.length_bits} bits"
                self.mistake("modulus", what, f"at most {most}")
            return {"modulus": table.modulus}
        if self.wish.code == "checksum":
            return self._checksum(table)
        return {}

    def _checksum(self, table: Any) -> dict[str, object]:
        options: dict[str, object] = {"profile": table.profile}
        if table.profile not in PROFILES:
            hint = nearest(table.profile, PROFILES)
            self.mistake("profile", f"no checksum is known as {said(table.profile)}", hint)
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


def policy_of(wish: Wish, spec: SignalSpec, notes: Notes) -> Policy:
    """The role's own not-available policy, or None to leave the signal's as it is.

    It never applies to counters, checksums and one-bit states (design: not available).
    """
    given: Policy = getattr(wish.table, "not_available", None)
    if wish.code in ("alive", "checksum"):
        return "none"
    if spec.length_bits == 1:
        if given not in (None, "none"):
            what = f"{spec.key} has one bit; it has no code left that could mean not available"
            notes.mistake((*wish.path, "not_available"), what, "remove it here")
        return "none"
    if isinstance(given, list) and not spec.is_float:
        low, high = raw_range(spec)
        if wrong := [code for code in given if not low <= code <= high]:
            what = f"raw code {wrong[0]} does not fit {spec.key}"
            notes.mistake((*wish.path, "not_available"), what, f"{low} to {high}")
    return given
