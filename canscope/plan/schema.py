"""The keys of a bench plan and what may stand in them (format 1); roles come from their table."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from canscope.model.bench import STAGES
from canscope.plan.role_tables import BothPoles, Policy, Table, Words, with_roles


def _bleed(value: Any) -> Any:
    answers = {"active": "active", "passive": "passive", True: "active", False: "none"}
    if not isinstance(value, str | bool) or value not in answers:
        raise ValueError('expected "active", "passive", true (= active) or false')
    return answers[value]


def _free_text(value: Any) -> Any:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return str(value)
    return value


def _file_list(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


def _format(value: Any) -> Any:
    if type(value) is not int or value != 1:
        raise ValueError("expected 1, the only format there is")
    return value


Positive = Annotated[float, Field(gt=0, le=1e12)]
FreeText = Annotated[Words, BeforeValidator(_free_text)]
Fill = Literal["empty", "filled"]
Angle = Annotated[float, Field(ge=-360, le=360)]


class Job(Table):
    """What is tested, by whom, and in which state it is."""

    vehicle: Words
    stage: Literal[STAGES]  # type: ignore[valid-type]
    coolant: Fill | None = None
    oil: Fill | None = None
    ambient_degC: Annotated[float, Field(ge=-90, le=90)] | None = None
    cold: bool = False
    tester: FreeText | None = None
    witness: FreeText | None = None
    job_number: FreeText | None = None
    notes: FreeText | None = None
    customer: FreeText | None = None
    place: FreeText | None = None
    laboratory: FreeText | None = None


class Bus(Table):
    """One channel of the capture."""

    definitions: Annotated[list[Words], BeforeValidator(_file_list)] = Field(default_factory=list)
    bitrate: Annotated[int, Field(ge=5_000, le=8_000_000)] | None = None
    not_available: Policy | None = None


@with_roles("pack")
class Pack(Table):
    """The battery."""

    nominal_voltage_V: Positive | None = None
    maximum_voltage_V: Positive | None = None
    ac_protected: bool = False


@with_roles("contactors")
class Contactors(Table):
    """The contactor box and what it charges.

    ``both`` is one signal for both main contactors, in place of negative and positive.
    """

    both: BothPoles | None = None
    precharge_resistor_ohm: Positive | None = None
    link_capacitance_F: Positive | None = None
    bleed: Annotated[str, BeforeValidator(_bleed)] | None = None


@with_roles("supply")
class Supply(Table):
    """The 12 V side."""


@with_roles("driver")
class Driver(Table):
    """What the driver does."""

    creep: bool = False


class MountingTable(Table):
    """Degrees from the way the unit sat in its donor vehicle."""

    roll: Angle = 0.0
    pitch: Angle = 0.0
    yaw: Angle = 0.0


@with_roles("units.*")
class UnitTable(Table):
    """One drive unit."""

    serial: Words | None = None
    gear_ratio: Annotated[float, Field(gt=0, le=1000)] | None = None
    inertia_kgm2: Annotated[float, Field(ge=0.001, le=10)] | None = None
    mounting: MountingTable = MountingTable()
    phases_swapped: bool = False


@with_roles("cooling")
class Cooling(Table):
    """The coolant circuit."""


class Limits(Table):
    """Shorthand for parameters of rules; the rules check the values."""

    dry_burst_s: Any = None
    dry_total_s: Any = None
    dry_pause_s: Any = None
    dry_current_A: Any = None
    current_A: Any = None
    speed_rpm: Any = None
    temperature_ceiling_degC: Any = None


class WaiverTable(Table):
    """Something unproven that somebody accepts."""

    rule: Words
    subject: Words | None = None
    reason: Words
    by: Words


class MarkTable(Table):
    """Something a person saw or did."""

    at_s: Annotated[float, Field(ge=0, le=1e9)] | None = None
    time_ns: Annotated[int, Field(ge=0, lt=2**63)] | None = None
    axle: str | None = None
    seen: Literal["forward", "reverse", "still"] | None = None
    asked: Literal["forward", "reverse", "neutral"] | None = None
    within_s: Annotated[float, Field(ge=0, le=10)] | None = None
    text: str = ""


class ReadingTable(Table):
    """What a person read from an instrument of their own, or counted over a time."""

    at_s: Annotated[float, Field(ge=0, le=1e9)] | None = None
    time_ns: Annotated[int, Field(ge=0, lt=2**63)] | None = None
    from_s: Annotated[float, Field(ge=0, le=1e9)] | None = None
    to_s: Annotated[float, Field(ge=0, le=1e9)] | None = None
    role: Words
    value: Annotated[float, Field(ge=-1e12, le=1e12)]
    unit: Words
    uncertainty: Positive
    instrument: FreeText
    by: FreeText


class NotOnThisVehicle(Table):
    """Roles that no bus of this vehicle carries, under one signature."""

    roles: Annotated[list[Words], Field(min_length=1)]
    reason: Words
    by: Words


class PlanTable(Table):
    """The whole plan, includes merged in."""

    format: Annotated[int, BeforeValidator(_format)]
    job: Job
    buses: dict[str, Bus] = Field(default_factory=dict)
    pack: Pack = Pack()
    contactors: Contactors = Contactors()
    supply: Supply = Supply()
    driver: Driver = Driver()
    units: dict[str, UnitTable] = Field(default_factory=dict)
    cooling: Cooling = Cooling()
    limits: Limits = Limits()
    rules: dict[str, dict[str, Any]] = Field(default_factory=dict)
    waivers: list[WaiverTable] = Field(default_factory=list)
    marks: list[MarkTable] = Field(default_factory=list)
    readings: list[ReadingTable] = Field(default_factory=list)
    not_on_this_vehicle: NotOnThisVehicle | None = None
