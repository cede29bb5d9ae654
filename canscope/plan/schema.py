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


def says(default: Any, meaning: str, example: str) -> Any:
    """A key with what it means and how it may be written; ``canscope explain plan`` shows both."""
    return Field(default, description=meaning, examples=[example])


Positive = Annotated[float, Field(gt=0, le=1e12)]
FreeText = Annotated[Words, BeforeValidator(_free_text)]
Fill = Literal["empty", "filled"]
Angle = Annotated[float, Field(ge=-360, le=360)]


class Job(Table):
    """What is tested, by whom, and in which state it is."""

    vehicle: Words = says(..., "what the vehicle is called", '"Bramble, forestry 4x4"')
    stage: Literal[STAGES] = says(..., "the stage that is tested", '"dry-spin"')  # type: ignore[valid-type]
    coolant: Fill | None = says(None, "coolant; filled in wet stages, else empty", '"empty"')
    oil: Fill | None = says(None, "oil; filled in wet stages, else empty", '"empty"')
    ambient_degC: Annotated[float, Field(ge=-90, le=90)] | None = says(
        None, "temperature around the vehicle", "17.0"
    )
    cold: bool = says(False, "first run of the day: cold-soak may fail", "true")
    tester: FreeText | None = says(None, "who tests", '"workshop bay 2"')
    witness: FreeText | None = says(None, "who watches the wheels", '"second person"')
    job_number: FreeText | None = says(None, "for the report", '"2024-117"')
    notes: FreeText | None = says(None, "for the report", '"first spin after welding"')
    customer: FreeText | None = says(None, "for the report", '"forestry office"')
    place: FreeText | None = says(None, "where it was tested, for the report", '"hall 1"')
    laboratory: FreeText | None = says(None, "whose report it is", '"the workshop"')


class Bus(Table):
    """One channel of the capture."""

    definitions: Annotated[list[Words], BeforeValidator(_file_list)] = says(
        [], "definition files, beside the plan", '["bramble_vehicle.dbc"]'
    )
    bitrate: Annotated[int, Field(ge=5_000, le=8_000_000)] | None = says(
        None, "in bit/s; without it the bus load is not judged", "500_000"
    )
    not_available: Policy | None = says(
        None, 'raw codes that mean "no value": "j1939", "maximum", "none" or a list', '"none"'
    )


@with_roles("pack")
class Pack(Table):
    """The battery."""

    nominal_voltage_V: Positive | None = says(None, "its nominal voltage", "358")
    maximum_voltage_V: Positive | None = says(None, "its voltage when fully charged", "409")
    ac_protected: bool = says(
        False, "a.c. side doubly insulated or mechanically robust (UN R100 5.1.3.2)", "true"
    )


@with_roles("contactors")
class Contactors(Table):
    """The contactor box and what it charges.

    ``both`` is one signal for both main contactors, in place of negative and positive.
    """

    both: BothPoles | None = says(
        None, "one signal for both main contactors", '"can0:ContactorBox.MainsClosed"'
    )
    precharge_resistor_ohm: Positive | None = says(None, "the resistor that is fitted", "40")
    link_capacitance_F: Positive | None = says(None, "of all links together", "1.0e-3")
    bleed: Annotated[str, BeforeValidator(_bleed)] | None = says(
        None, 'what discharges the link: "active", "passive", true (= active) or false', '"active"'
    )


@with_roles("supply")
class Supply(Table):
    """The 12 V side."""


@with_roles("driver")
class Driver(Table):
    """What the driver does."""

    creep: bool = says(False, "the vehicle may creep with the pedal released", "false")


class MountingTable(Table):
    """Degrees from the way the unit sat in its donor vehicle."""

    roll: Angle = says(0.0, "about the vehicle's x axis (forward), in degrees", "0")
    pitch: Angle = says(0.0, "about the y axis (left), the axle line, in degrees", "0")
    yaw: Angle = says(0.0, "about the z axis (up), in degrees; 180 is end for end", "180")


@with_roles("units.*")
class UnitTable(Table):
    """One drive unit."""

    serial: Words | None = says(None, "the unit's serial number, for the build record", '"HX-0471"')
    gear_ratio: Annotated[float, Field(gt=0, le=1000)] | None = says(
        None, "turns of the motor for one of a wheel", "9.1"
    )
    inertia_kgm2: Annotated[float, Field(ge=0.001, le=10)] | None = says(
        None, "of rotor, gears and hanging wheels, at the motor", "0.09"
    )
    mounting: MountingTable = says(
        MountingTable(), "how the unit is turned from its donor vehicle", "{ yaw = 180 }"
    )
    phases_swapped: bool = says(False, "two phases and the position sensor were exchanged", "true")


@with_roles("cooling")
class Cooling(Table):
    """The coolant circuit."""


class Limits(Table):
    """Shorthand for parameters of rules; the rules check the values."""

    dry_burst_s: Any = says(None, "longest dry burst (dry-exposure)", "5")
    dry_total_s: Any = says(None, "all dry turning together (dry-exposure)", "60")
    dry_pause_s: Any = says(None, "shortest pause between dry bursts (dry-exposure)", "8")
    dry_current_A: Any = says(None, "of the pack while anything is dry (current-ceiling)", "30")
    current_A: Any = says(None, "of the pack (current-ceiling)", "200")
    speed_rpm: Any = says(None, "of each motor (speed-ceiling)", "1500")
    temperature_ceiling_degC: Any = says(
        None, "by temperature word (temperature-ceiling)", "{ inverter = 75, winding = 110 }"
    )


class WaiverTable(Table):
    """Something unproven that somebody accepts."""

    rule: Words = says(..., "the rule", '"insulation-resistance"')
    subject: Words | None = says(None, "one of its subjects; without it all", '"pack"')
    reason: Words = says(..., "why it is accepted", '"measured by hand, 2.4 Mohm"')
    by: Words = says(..., "who accepts it", '"A. Tester"')


Moment = Annotated[float, Field(ge=0, le=1e9)]
SINCE = "in s since the first frame"


class MarkTable(Table):
    """Something a person saw or did."""

    at_s: Moment | None = says(None, f"when, {SINCE}", "21.5")
    time_ns: Annotated[int, Field(ge=0, lt=2**63)] | None = says(
        None, "when, in ns since 1970 UTC, instead of at_s", "1715677221500000000"
    )
    axle: str | None = says(None, "the unit whose wheel was watched", '"front"')
    seen: Literal["forward", "reverse", "still"] | None = says(
        None, "which way the wheel turned", '"forward"'
    )
    asked: Literal["forward", "reverse", "neutral"] | None = says(
        None, "which way was asked for", '"forward"'
    )
    within_s: Annotated[float, Field(ge=0, le=10)] | None = says(
        None, "uncertainty of the time; 1 s without it", "0.5"
    )
    text: str = says("", "free text", '"left wheel watched"')


class ReadingTable(Table):
    """What a person read from an instrument of their own, or counted over a time."""

    at_s: Moment | None = says(None, f"when, {SINCE}", "95.0")
    time_ns: Annotated[int, Field(ge=0, lt=2**63)] | None = says(
        None, "when, in ns since 1970 UTC, instead of at_s", "1715677295000000000"
    )
    from_s: Moment | None = says(None, f"begin of counting, {SINCE}", "20.0")
    to_s: Moment | None = says(None, f"end of counting, {SINCE}", "30.0")
    role: Words = says(..., "what was read", '"pack.voltage"')
    value: Annotated[float, Field(ge=-1e12, le=1e12)] = says(..., "the reading", "357.9")
    unit: Words = says(..., "its unit", '"V"')
    uncertainty: Positive = says(..., "of the instrument, in the same unit", "0.5")
    instrument: FreeText = says(..., "which instrument", '"voltmeter 3"')
    by: FreeText = says(..., "who read it", '"A. Tester"')


class NotOnThisVehicle(Table):
    """Roles that no bus of this vehicle carries, under one signature."""

    roles: Annotated[list[Words], Field(min_length=1)] = says(..., "the roles", '["cooling.flow"]')
    reason: Words = says(..., "why, and what was checked by hand instead", '"watched by eye"')
    by: Words = says(..., "who signs for it", '"A. Tester"')


class PlanTable(Table):
    """The whole plan, includes merged in."""

    format: Annotated[int, BeforeValidator(_format)] = says(..., "of the plan: 1", "1")
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
