"""Bench plans of a vehicle: ``vehicle.toml`` with the bindings, and one plan a stage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from canscope.simulate.contactors import POLES
from canscope.simulate.messages import all_messages
from canscope.simulate.runs import WitnessMark
from canscope.simulate.script import FORWARD, NEUTRAL, REVERSE
from canscope.simulate.vehicle import UnitBuild, Vehicle
from canscope.simulate.wiring import Encoding

# Role -> the signal that shows it; bound where the vehicle has it.
PACK = {
    "voltage": "can0:PackStatus.PackVoltage",
    "current": "can0:PackStatus.PackCurrent",
    "insulation": "can0:Insulation.Resistance",
}
DRIVER = {
    "ignition": "can0:Cabin.Ignition",
    "brake": "can0:Cabin.BrakePressed",
    "pedal": "can0:Cabin.Pedal",
    "pedal_2": "can0:Cabin.Pedal2",
    "emergency_stop": "can0:Cabin.EmergencyStop",
    "direction": "can0:Cabin.Direction",
}
FAST = {"speed": "MotorSpeed", "torque": "Torque", "link_voltage": "LinkVoltage"}
NO_MONITOR = """
[[waivers]]
rule = "insulation-resistance"
reason = "no monitor on this vehicle; measured by hand"
by = "workshop bay 2"
"""


def vehicle_toml(vehicle: Vehicle) -> str:
    """What all stages of one vehicle share: buses, bindings and the vehicle as built."""
    pack, box = vehicle.pack, vehicle.box
    lines = [f"# {vehicle.name}: the vehicle as built. Every stage's plan includes this file."]
    lines += ["format = 1", "", "[buses]"]
    for channel in all_messages(vehicle):
        file = definition_file(vehicle, channel)
        lines.append(f'{channel} = {{ definitions = ["{file}"], bitrate = 500_000 }}')
    lines += ["", "[pack]"]
    lines += [f"nominal_voltage_V = {pack.nominal_V}", f"maximum_voltage_V = {pack.maximum_V}"]
    lines.append(f"ac_protected = {str(pack.ac_protected).lower()}")
    lines += _bound(vehicle, 10, PACK)
    lines += ["", "[contactors]"]
    lines += [line for pole in POLES for line in _pole(vehicle, pole)]
    lines.append(f"precharge_resistor_ohm = {box.stated_resistor_ohm:g}")
    lines.append(f"link_capacitance_F     = {box.link_capacitance_F:.2e}")
    lines.append(f'bleed = "{box.bleed}"')
    lines += ["", "[supply]", *_bound(vehicle, 0, {"voltage": "can0:Supply.ControlVoltage"})]
    lines += ["", "[driver]", *_bound(vehicle, 9, DRIVER)]
    if flow := _bound(vehicle, 0, {"flow": "can0:Cooling.Flow"}):
        lines += ["", "[cooling]", *flow]
    return "\n".join(lines) + "\n" + "\n".join(_unit(vehicle, unit) for unit in vehicle.units)


def definition_file(vehicle: Vehicle, channel: str) -> str:
    """The name of the definition file of one bus."""
    wiring = vehicle.wiring
    if wiring.messages:
        return f"{channel}.dbc"
    return wiring.vehicle_file if channel == "can0" else wiring.unit_file


def _bound(vehicle: Vehicle, width: int, roles: Mapping[str, str]) -> list[str]:
    """A line for each role whose signal is sent."""
    sent = {spec.key for own in all_messages(vehicle).values() for m in own for spec in m.signals}
    return [
        f"{name:<{width}} = {_signal(vehicle, key)}" for name, key in roles.items() if key in sent
    ]


def _signal(vehicle: Vehicle, key: str, *more: str) -> str:
    """A role's value in the plan: the signal, its sense and its codes."""
    encoding = vehicle.wiring.encodings.get(key, Encoding())
    words = list(more)
    if key.endswith(".Direction"):
        codes = encoding.codes or {NEUTRAL: 0, FORWARD: 1, REVERSE: 2}
        names = {"forward": FORWARD, "reverse": REVERSE, "neutral": NEUTRAL}
        words += [f"{name} = [{codes[code]}]" for name, code in names.items()]
    elif encoding.codes:
        words += [f"true = [{encoding.codes[1]}]", f"false = [{encoding.codes[0]}]"]
    if encoding.inverted:
        words.append("invert = true")
    return f"{{ signal = {', '.join([_quoted(key), *words])} }}" if words else _quoted(key)


def _quoted(text: str) -> str:
    return f'"{text}"'


def _pole(vehicle: Vehicle, pole: str) -> list[str]:
    name = f"can0:ContactorBox.{pole.capitalize()}"
    state = _signal(vehicle, f"{name}Closed")
    if not vehicle.wiring.commands:
        return [f"{pole:<9} = {state}"]
    return [f"{pole} = {{ state = {state}, command = {_signal(vehicle, f'{name}Command')} }}"]


def _unit(vehicle: Vehicle, unit: UnitBuild) -> str:
    fast, slow = f"{unit.channel}:UnitFast", f"{unit.channel}:UnitSlow"
    inside = {"inverter": f"{slow}.InverterTemp", "winding": f"{slow}.WindingTemp"}
    words = ", ".join(f"{word} = {_signal(vehicle, key)}" for word, key in inside.items())
    moves = {name: f"{fast}.{FAST[name]}" for name in ("speed", "torque", "link_voltage")}
    lines = ["", f"[units.{unit.name}]", *_bound(vehicle, 12, moves)]
    lines.append(f"temperatures = {{ {words} }}")
    lines.append(f"fault        = {_signal(vehicle, f'{slow}.Fault', 'ok = [0]')}")
    lines.append(f"gear_ratio   = {unit.gear_ratio:g}")
    if unit.states_inertia:
        lines.append(f"inertia_kgm2 = {unit.inertia_kgm2:.4g}")
    lines.append(
        f"mounting     = {{ roll = {unit.roll:g}, pitch = {unit.pitch:g}, yaw = {unit.yaw:g} }}"
    )
    lines.append(f"phases_swapped = {str(unit.phases_swapped).lower()}")
    messages = {m.name: m for m in all_messages(vehicle)[unit.channel]}
    alive = messages["UnitFast"].signal("Alive")
    if alive is not None:
        modulus = f"modulus = {1 << alive.length_bits}"
        lines.append(f"alive        = {_signal(vehicle, alive.key, modulus)}")
    if messages["UnitFast"].signal("Checksum") is not None:
        key, profile = f"{fast}.Checksum", 'profile = "crc8-sae-j1850"'
        lines.append(f"checksum     = {_signal(vehicle, key, profile)}")
    return "\n".join([*lines, ""])


def stage_toml(vehicle: Vehicle, stage: str, marks: Sequence[WitnessMark] = ()) -> str:
    """The plan of one stage; it includes ``vehicle.toml`` and carries the witness's marks."""
    limits, wet = vehicle.limits, stage == "wet-spin"
    fill = "filled" if wet else "empty"
    filling = "Coolant and oil are in." if wet else "No coolant and no oil yet."
    text = f"""# {vehicle.name}: {stage.replace("-", " ")}. {filling}
include = "vehicle.toml"
format = 1

[job]
vehicle  = "{vehicle.name}"
stage    = "{stage}"
coolant  = "{fill}"
oil      = "{fill}"
ambient_degC = {vehicle.ambient_degC:.1f}
cold     = true
tester   = "workshop bay 2"
witness  = "second person at the wheels"

[limits]
{"current_A" if wet else "dry_current_A"} = {limits.current_A:g}
speed_rpm = {limits.speed_rpm:g}
temperature_ceiling_degC = {{ inverter = {limits.inverter_degC:g}, winding = {
        limits.winding_degC:g} }}
"""
    if stage not in ("power-up", "wet-spin"):
        text += f"dry_burst_s = {limits.burst_s:g}\ndry_total_s = {limits.total_s:g}\n"
    if limits.inrush_A is not None:
        text += f"\n[rules.closing-inrush]\nlimit_A = {limits.inrush_A:g}\n"
    if limits.bus_load_percent is not None:
        text += f"\n[rules.bus-load]\nlimit_percent = {limits.bus_load_percent:g}\n"
    if stage == "power-up" and not vehicle.wiring.insulation_monitor:
        text += NO_MONITOR
    for mark in marks:
        text += f"""
[[marks]]
at_s = {mark.at_s:.3f}
axle = "{mark.axle}"
seen = "{mark.seen}"
text = "{mark.text}"
"""
    return text
