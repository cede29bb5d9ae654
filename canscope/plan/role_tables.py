"""What a plan may say of one role: its signal, and how that signal is read."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field


class Table(BaseModel):
    """A table of the plan: unknown keys are mistakes, and nothing is converted silently."""

    # Built at first use: only whole plans are validated, and those build their parts themselves.
    model_config = ConfigDict(
        extra="forbid", strict=True, allow_inf_nan=False, frozen=True, defer_build=True
    )


def _table_form(value: Any) -> Any:
    if isinstance(value, str):
        return {"signal": value}
    if not isinstance(value, dict):
        raise ValueError('expected "channel:Message.Signal" or a table with signal = "..."')
    return value


def _contactor_form(value: Any) -> Any:
    if isinstance(value, dict) and "signal" in value and "state" not in value:
        value = {("state" if key == "signal" else key): entry for key, entry in value.items()}
    elif isinstance(value, str):
        value = {"state": value}
    if not isinstance(value, dict):
        raise ValueError('expected "channel:Message.Signal" or a table with state = "..."')
    return value


def _code(value: Any) -> Any:
    if not isinstance(value, int | str) or isinstance(value, bool):
        raise ValueError("expected a raw code (a whole number) or a label in quotes")
    return value


def _policy(value: Any) -> Any:
    if value in ("j1939", "maximum", "none") and isinstance(value, str):
        return value
    whole = isinstance(value, list) and all(type(code) is int for code in value)
    if not whole:
        raise ValueError('expected "j1939", "maximum", "none" or a list of raw values')
    return value


Words = Annotated[str, Field(pattern=r"\S")]  # text that is not blank
SignalName = Annotated[str, Field(min_length=1)]
Codes = list[Annotated[Any, BeforeValidator(_code)]]
SomeCodes = Annotated[Codes, Field(min_length=1)]
Policy = Annotated[Any, BeforeValidator(_policy)]
CycleMs = Annotated[float, Field(ge=0.01, le=3_600_000)]


class Role(Table):
    """What every role may say besides its signal."""

    signal: SignalName
    cycle_ms: CycleMs | None = None


class NumberRole(Role):
    """A measured quantity."""

    invert: bool = False
    not_available: Policy | None = None
    uncertainty: Annotated[float, Field(ge=0, le=1e12)] | None = None


class StateRole(Role):
    """Something that is true or false."""

    invert: bool = False
    not_available: Policy | None = None
    true: SomeCodes | None = None
    false: SomeCodes | None = None


class FlowRole(NumberRole):
    """Coolant flow, or the state of a pump."""

    true: SomeCodes | None = None
    false: SomeCodes | None = None


class DirectionRole(Role):
    """What the driver asks for."""

    invert: bool = False
    not_available: Policy | None = None
    forward: SomeCodes
    reverse: SomeCodes
    neutral: Codes = []


class FaultRole(Role):
    """A unit's own fault code."""

    not_available: Policy | None = None
    ok: SomeCodes | None = None


class AliveRole(Role):
    """A rolling counter."""

    modulus: Annotated[int, Field(ge=2)] | None = None


class ChecksumRole(Role):
    """A checksum over the bytes of its message."""

    profile: Words
    over: Annotated[list[Annotated[int, Field(ge=0, le=63)]], Field(min_length=2, max_length=2)] = (
        Field(default_factory=list)
    )
    data_id: Annotated[int, Field(ge=0, le=0xFFFF_FFFF)] | None = None


Number = Annotated[NumberRole, BeforeValidator(_table_form)]
State = Annotated[StateRole, BeforeValidator(_table_form)]
Flow = Annotated[FlowRole, BeforeValidator(_table_form)]
Direction = Annotated[DirectionRole, BeforeValidator(_table_form)]
Fault = Annotated[FaultRole, BeforeValidator(_table_form)]
Alive = Annotated[AliveRole, BeforeValidator(_table_form)]
Checksum = Annotated[ChecksumRole, BeforeValidator(_table_form)]


class ContactorTable(Table):
    """One pole: its state and perhaps its command; the other keys belong to the state."""

    state: State
    command: State | None = None
    cycle_ms: CycleMs | None = None
    invert: bool | None = None
    not_available: Policy | None = None
    true: SomeCodes | None = None
    false: SomeCodes | None = None


Contactor = Annotated[ContactorTable, BeforeValidator(_contactor_form)]
