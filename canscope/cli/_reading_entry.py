"""A hand reading while it is typed: which role, what the instrument says, which one, and who."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from canscope.attending.hand_readings import named, readable

if TYPE_CHECKING:
    from canscope.model.bench import Bench

CHOICES = "123456789abcdefghijklmnopqrstuvwxyz"
MOST = 1e12  # a plan takes no larger number


@dataclass(frozen=True)
class Meter:
    """An instrument, how far it may be off in the unit of what it reads, and who reads it."""

    instrument: str = ""
    uncertainty: float | None = None
    by: str = ""


@dataclass(frozen=True)
class TypedReading:
    """What a person read, as ``[[readings]]`` of a plan or the marks file say it."""

    role: str
    value: float
    unit: str
    uncertainty: float
    instrument: str
    by: str


class Meters:
    """What can be read by hand in a plan, and with what it was read last: one meter a unit."""

    def __init__(self, roles: Mapping[str, str], *, by: str = "") -> None:
        """``roles`` are those that can be read, with their units; ``by`` is who reads them."""
        self.roles = dict(list(roles.items())[: len(CHOICES)])
        self.by = by
        self._used: dict[str, Meter] = {}

    def used(self, unit: str) -> Meter:
        """The meter that this unit was read with last; the person alone if it never was."""
        return self._used.get(unit, Meter(by=self.by))

    def use(self, unit: str, meter: Meter) -> None:
        """Remember it, and who reads."""
        self._used[unit], self.by = meter, meter.by


def meters_of(bench: Bench, tester: str) -> Meters:
    """What can be read by hand on this vehicle, with the instruments of the plan's readings."""
    roles = readable(bench)
    meters = Meters(roles, by=tester)
    for reading in bench.readings:
        if reading.role in roles and not reading.counted:
            meter = Meter(reading.instrument, reading.uncertainty, reading.by or tester)
            meters.use(roles[reading.role], meter)
    meters.by = tester or meters.by
    return meters


class ReadingEntry:
    """One reading, press by press. ``over`` once it is complete (``reading``) or dropped."""

    def __init__(self, meters: Meters) -> None:
        self._meters = meters
        self._choices = dict(zip(CHOICES, meters.roles, strict=False))
        self._role, self._value, self._meter = "", 0.0, Meter()
        self._step, self._text, self._wrong = "role", "", ""
        self.over = False
        self.reading: TypedReading | None = None

    @property
    def prompt(self) -> str:
        """What is waited for."""
        if self._step == "role":
            roles = "   ".join(f"{key} {named(role)}" for key, role in self._choices.items())
            return f"read at this moment:   {roles}   (Esc drops it)"
        unit = self._meters.roles[self._role]
        known = self._meter
        asked = {
            "value": f"{named(self._role)} in {unit}: {self._text}_",
            "instrument": f"which instrument? {self._text}_",
            "uncertainty": f"how far may it be off, in {unit}? {self._text}_",
            "by": f"who reads it? {self._text}_",
        }[self._step]
        now = {
            "instrument": known.instrument,
            "uncertainty": "" if known.uncertainty is None else f"{known.uncertainty:g}",
            "by": known.by,
        }.get(self._step, "")
        if self._step == "value" and self._is_known:
            now = f"{known.instrument}, ±{known.uncertainty:g} {unit}, {known.by}"
            hint = f"Enter: with {now}; Tab: with another; Esc drops it"
        else:
            hint = f"Enter: {now}; Esc drops it" if now and not self._text else "Enter, or Esc"
        return f"{asked}  {self._wrong}({hint})"

    @property
    def _is_known(self) -> bool:
        meter = self._meter
        return bool(meter.instrument and meter.by and meter.uncertainty is not None)

    def press(self, key: str) -> None:
        """Take one key."""
        self._wrong = ""
        if key == "\x1b":
            self.over = True
        elif self._step == "role":
            self._choose(key)
        elif key in "\x7f\b":
            self._text = self._text[:-1]
        elif key in "\r\n" or (key == "\t" and self._step == "value"):
            self._enter(other=key == "\t")
        elif key.isprintable():
            self._text += key

    def _choose(self, key: str) -> None:
        if key not in self._choices:
            self.over = True
            return
        self._role, self._step = self._choices[key], "value"
        self._meter = self._meters.used(self._meters.roles[self._role])

    def _enter(self, *, other: bool) -> None:
        """Take what was typed for this step; an empty line takes what is known already."""
        text, meter = self._text.strip(), self._meter
        if self._step == "value":
            value = _number(text)
            if value is None:
                self._wrong = "not a number "
                return
            self._value = value
            steps = ["instrument", "uncertainty", "by"] if other or not self._is_known else []
        elif self._step == "instrument":
            self._meter = Meter(text or meter.instrument, meter.uncertainty, meter.by)
            steps = ["uncertainty", "by"] if self._meter.instrument else ["instrument"]
        elif self._step == "uncertainty":
            known = _number(text) if text else meter.uncertainty
            if known is None or known <= 0:
                self._wrong = "not a number above 0 "
                return
            self._meter = Meter(meter.instrument, known, meter.by)
            steps = ["by"]
        else:
            self._meter = Meter(meter.instrument, meter.uncertainty, text or meter.by)
            steps = [] if self._meter.by else ["by"]
        self._text = ""
        if steps:
            self._step = steps[0]
        else:
            self._complete()

    def _complete(self) -> None:
        meter, unit = self._meter, self._meters.roles[self._role]
        assert meter.uncertainty is not None
        self._meters.use(unit, meter)
        self.over = True
        self.reading = TypedReading(
            self._role, self._value, unit, meter.uncertainty, meter.instrument, meter.by
        )


def _number(text: str) -> float | None:
    """A number with a point or a comma; None if it is none that a plan takes."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) and abs(value) <= MOST else None
