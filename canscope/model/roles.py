"""The roles: what a signal may mean to the rules. One row a role; what is known of it stands here.

The plan's schema, the order and the unit in which roles are bound, which of them may share a
signal, and ``canscope explain ROLE`` all come from this table. The rows are those of the bench
plan (design section 5).
"""

from __future__ import annotations

from dataclasses import dataclass

from canscope.model.bench import MAINS, POLES, Kind
from canscope.model.errors import UnknownNameError

NUMBER = ("invert", "not_available", "uncertainty")
STATE = ("invert", "not_available", "true", "false")

# What the keys of a role's table say. ``signal`` and ``cycle_ms`` are keys of every role.
KEYS = {
    "signal": "the signal, as channel:Message.Signal; the channel may be left out where only one "
    "has it",
    "cycle_ms": "how often its message comes, in ms, where the definition does not say so",
    "invert": "true turns it round: the sign of a number, true and false, forward and reverse",
    "not_available": 'raw codes that mean "no value": "j1939", "maximum", "none" or a list',
    "uncertainty": "of the instrument, in the unit of the role; half a raw step is added to it",
    "true": "raw codes or labels that mean true; without it 1",
    "false": "raw codes or labels that mean false; without it 0",
    "forward": "raw codes or labels that mean forward",
    "reverse": "raw codes or labels that mean reverse",
    "neutral": "raw codes or labels that mean neutral",
    "ok": "raw codes or labels that mean no fault",
    "modulus": "how many values the counter has; without it all that its bits can hold",
    "profile": "which checksum it is",
    "over": "first and last byte that it covers, from 0; without it all bytes before it",
    "kind": '"command" where it is what the controller asks of its units; without it the lever\'s '
    "state",
    "data_id": "a number known to sender and receiver that goes into the checksum",
    "wired_to": "the unit whose inverter reads it and sends it, where that is another one",
}


# What a person does by hand where no bus carries the role.
_POLE_CHECK = (
    "command it closed and open again, and measure across its terminals with a rated instrument, "
    "the service plug pulled"
)
_COMMAND_CHECK = "measure the voltage at its coil while it is told to close and to open"
HAND_CHECKS = {
    "pack.voltage": "measure it at the pack's terminals with a rated voltmeter",
    "pack.current": "clamp a d.c. ammeter round one cable of the pack while a unit turns",
    "pack.insulation": "measure each pole against the chassis with an insulation tester",
    "supply.voltage": "measure it at the contactor coils while each of them closes",
    "driver.ignition": "switch it off with high voltage on, and watch the contactors open",
    "driver.brake": "try to enter forward and reverse without the brake; neither may be taken",
    "driver.emergency_stop": "press it at creeping speed: torque ends and the contactors open",
    "driver.pedal": "release it at creeping speed, and watch that every wheel comes to rest",
    "driver.pedal_2": "measure both tracks of the pedal from rest to full travel",
    "driver.direction": "say what the lever is set to with a mark: asked = forward, reverse or "
    "neutral",
    "cooling.flow": "watch coolant return to the expansion tank while the pump runs",
    **{f"contactors.{pole}": _POLE_CHECK for pole in POLES},
    **{f"contactors.{pole}.command": _COMMAND_CHECK for pole in POLES},
    "units.*.speed": "count the turns of a wheel over a stated time, and watch which way it turns",
    "units.*.torque": "watch which way the unit pushes its mounts as it starts to turn",
    "units.*.link_voltage": "measure it at the inverter's terminals with a rated voltmeter, before "
    "closing, closed, and until it is below 60 V after opening",
    "units.*.fault": "read the unit's fault memory with its own tool before and after the run",
    "units.*.alive": "nothing by hand: lost frames of this message show in its cycle alone",
    "units.*.checksum": "nothing by hand: damaged frames of this message cannot be told",
    "units.*.temperatures.*": "measure the place with a contact or infrared thermometer before, "
    "during and for a minute after the run",
}


@dataclass(frozen=True)
class Role:
    """One role, or one for each word that may stand in place of a ``*``."""

    name: str
    kind: Kind
    unit: str  # numbers are converted to it; empty for every other kind
    keys: tuple[str, ...]  # what its table in the plan may say besides ``signal`` and ``cycle_ms``
    meaning: str
    example: str  # how a plan binds it, below the header of its section
    mounted: bool = False  # the sign of the unit's mounting goes into it
    shared: bool = False  # one signal may have this role for several units

    @property
    def hand_check(self) -> str:
        """What a person does at a vehicle that has no signal for it."""
        return HAND_CHECKS[self.name]

    @property
    def words(self) -> tuple[str, ...]:
        """The parts of its name: the key path of its table in the plan."""
        return tuple(self.name.split("."))

    def covers(self, name: str) -> bool:
        """Whether a name such as ``units.front.speed`` is one of this role's."""
        words = name.split(".")
        fits = [mine in ("*", word) for mine, word in zip(self.words, words, strict=False)]
        return len(words) == len(self.words) and all(fits)


def _number(
    name: str,
    unit: str,
    meaning: str,
    example: str,
    *,
    mounted: bool = False,
    more: tuple[str, ...] = (),
) -> Role:
    return Role(name, Kind.NUMBER, unit, (*NUMBER, *more), meaning, example, mounted=mounted)


def _state(name: str, meaning: str, example: str) -> Role:
    return Role(name, Kind.STATE, "", STATE, meaning, example)


def _code(name: str, keys: tuple[str, ...], meaning: str, example: str) -> Role:
    return Role(name, Kind.CODE, "", keys, meaning, example, shared=True)


def _pole(pole: str) -> tuple[Role, Role]:
    what = f"The {'pre-charge' if pole == 'precharge' else pole} contactor is"
    name, signal = f"contactors.{pole}", f"can0:ContactorBox.{pole.capitalize()}"
    two = f'{pole} = {{ state = "{signal}Closed", command = "{signal}Command" }}'
    alone = (
        ""
        if pole not in MAINS
        else (
            " Where one signal tells of both main contactors, bind it once, as "
            'both = "can0:ContactorBox.Closed"; their order and a weld of one then stay open.'
        )
    )
    return (
        _state(name, f"{what} closed.{alone}", f'{pole} = "{signal}Closed"'),
        _state(f"{name}.command", f"{what} commanded to close.", two),
    )


# In the order in which they are bound and shown; those of a unit unit by unit.
ROLES = (
    _number(
        "pack.voltage",
        "V",
        "Voltage of the pack, measured on the battery's side of the contactors.",
        'voltage = "can0:PackStatus.PackVoltage"',
    ),
    _number(
        "pack.current",
        "A",
        "Current of the pack, positive while the pack discharges.",
        'current = "can0:PackStatus.PackCurrent"',
    ),
    _number(
        "pack.insulation",
        "ohm",
        "Insulation resistance between the high-voltage circuit and the chassis.",
        'insulation = "can0:Insulation.Resistance"',
    ),
    _number(
        "supply.voltage",
        "V",
        "Voltage of the 12 V supply.",
        'voltage = "can0:Supply.ControlVoltage"',
    ),
    _state("driver.ignition", "The ignition is on.", 'ignition = "can0:Cabin.Ignition"'),
    _state("driver.brake", "The brake pedal is pressed.", 'brake = "can0:Cabin.BrakePressed"'),
    _state(
        "driver.emergency_stop",
        "The emergency stop is pressed.",
        'emergency_stop = "can0:Cabin.EmergencyStop"',
    ),
    _number(
        "driver.pedal",
        "%",
        "Travel of the accelerator pedal, 0 % when it is released.",
        'pedal = "can0:Cabin.Pedal"',
    ),
    _number(
        "driver.pedal_2",
        "%",
        "Travel of the accelerator pedal as its second track reports it.",
        'pedal_2 = "can0:Cabin.Pedal2"',
    ),
    Role(
        "driver.direction",
        Kind.DIRECTION,
        "",
        ("invert", "not_available", "forward", "reverse", "neutral", "kind"),
        "Direction that the driver asks for; a raw code that is not listed is unknown, never "
        "neutral.",
        'direction = { signal = "can0:Cabin.Direction", forward = [1], reverse = [2], '
        "neutral = [0] }",
    ),
    Role(
        "cooling.flow",
        Kind.NUMBER,
        "l/min",
        (*NUMBER, "true", "false"),
        "Flow of the coolant, or whether its pump runs: a signal of one bit without a unit, or one "
        "for which true or false is listed.",
        'flow = "can0:Cooling.Flow"',
    ),
    *(role for pole in POLES for role in _pole(pole)),
    _number(
        "units.*.speed",
        "rpm",
        "Speed of the unit's motor, raw positive where its donor vehicle drives forward; the sign "
        "of its mounting makes it positive where this vehicle does.",
        'speed = "can1:UnitFast.MotorSpeed"',
        mounted=True,
    ),
    _number(
        "units.*.torque",
        "Nm",
        "Torque of the unit's motor, its sign as that of the speed.",
        'torque = "can1:UnitFast.Torque"',
        mounted=True,
    ),
    _number(
        "units.*.link_voltage",
        "V",
        "Voltage of the unit's d.c. link, measured on the inverter's side of the contactors.",
        'link_voltage = "can1:UnitFast.LinkVoltage"',
    ),
    _code(
        "units.*.fault",
        ("not_available", "ok"),
        "The unit's own fault code.",
        'fault = { signal = "can1:UnitSlow.Fault", ok = [0] }',
    ),
    _code(
        "units.*.alive",
        ("modulus",),
        "Counter that goes up by one with every frame of its message.",
        'alive = { signal = "can1:UnitFast.Alive", modulus = 16 }',
    ),
    _code(
        "units.*.checksum",
        ("profile", "over", "data_id"),
        "Checksum over the bytes of its message.",
        'checksum = { signal = "can1:UnitFast.Checksum", profile = "crc8-sae-j1850" }',
    ),
    _number(
        "units.*.temperatures.*",
        "degC",
        "A temperature of the unit; its last word is free and names the place.",
        'temperatures = { winding = "can1:UnitSlow.WindingTemp" }',
        more=("wired_to",),
    ),
)


def role_of(name: str) -> Role:
    """The row of a name such as ``units.front.speed``. Raises ``UnknownNameError``."""
    for role in ROLES:
        if role.covers(name):
            return role
    raise UnknownNameError("role", name, [role.name for role in ROLES])
