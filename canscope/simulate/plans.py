"""Bench plans of the demo vehicles: ``vehicle.toml`` with the bindings, one plan a stage."""

from __future__ import annotations

from collections.abc import Sequence

from canscope.simulate.runs import Seen
from canscope.simulate.vehicle import UnitBuild, Vehicle


def vehicle_toml(vehicle: Vehicle) -> str:
    """What all stages of one vehicle share: buses, bindings and the vehicle as built."""
    pack, box, wiring = vehicle.pack, vehicle.box, vehicle.wiring
    buses = [("can0", wiring.vehicle_file)] + [(u.channel, wiring.unit_file) for u in vehicle.units]
    second = 'pedal_2   = "can0:Cabin.Pedal2"\n' if wiring.pedal_tracks > 1 else ""
    lines = [f"# {vehicle.name}: the vehicle as built. Every stage's plan includes this file."]
    lines += ["format = 1", "", "[buses]"]
    lines += [
        f'{channel} = {{ definitions = ["{file}"], bitrate = 500_000 }}' for channel, file in buses
    ]
    lines.append(f"""
[pack]
nominal_voltage_V = {pack.nominal_V}
maximum_voltage_V = {pack.maximum_V}
ac_protected = true
voltage    = "can0:PackStatus.PackVoltage"
current    = "can0:PackStatus.PackCurrent"
insulation = "can0:Insulation.Resistance"

[contactors]
negative  = "can0:ContactorBox.NegativeClosed"
precharge = "can0:ContactorBox.PrechargeClosed"
positive  = "can0:ContactorBox.PositiveClosed"
precharge_resistor_ohm = {box.stated_resistor_ohm:g}
link_capacitance_F     = {box.link_capacitance_F:.2e}
bleed = "active"

[supply]
voltage = "can0:Supply.ControlVoltage"

[driver]
ignition  = "can0:Cabin.Ignition"
brake     = "can0:Cabin.BrakePressed"
pedal     = "can0:Cabin.Pedal"
{second}emergency_stop = "can0:Cabin.EmergencyStop"
direction = {{ signal = "can0:Cabin.Direction", forward = [1], reverse = [2], neutral = [0] }}
""")
    return "\n".join(lines) + "\n".join(_unit(unit) for unit in vehicle.units)


def _unit(unit: UnitBuild) -> str:
    fast, slow = f"{unit.channel}:UnitFast", f"{unit.channel}:UnitSlow"
    return f"""
[units.{unit.name}]
speed        = "{fast}.MotorSpeed"
torque       = "{fast}.Torque"
link_voltage = "{fast}.LinkVoltage"
temperatures = {{ inverter = "{slow}.InverterTemp", winding = "{slow}.WindingTemp" }}
fault        = {{ signal = "{slow}.Fault", ok = [0] }}
gear_ratio   = {unit.gear_ratio:g}
mounting     = {{ roll = {unit.roll:g}, pitch = {unit.pitch:g}, yaw = {unit.yaw:g} }}
phases_swapped = {str(unit.phases_swapped).lower()}
alive        = {{ signal = "{fast}.Alive", modulus = 16 }}
checksum     = {{ signal = "{fast}.Checksum", profile = "crc8-sae-j1850" }}
"""


def stage_toml(vehicle: Vehicle, stage: str, marks: Sequence[Seen] = ()) -> str:
    """The plan of one stage; it includes ``vehicle.toml`` and carries the witness's marks."""
    text = f"""# {vehicle.name}: {stage.replace("-", " ")}. No coolant and no oil yet.
include = "vehicle.toml"
format = 1

[job]
vehicle  = "{vehicle.name}"
stage    = "{stage}"
coolant  = "empty"
oil      = "empty"
ambient_degC = {vehicle.ambient_degC:.1f}
cold     = true
tester   = "workshop bay 2"
witness  = "second person at the wheels"

[limits]
dry_current_A = 30
speed_rpm = 1500
temperature_ceiling_degC = {{ inverter = 75, winding = 110 }}
"""
    if stage != "power-up":
        text += "dry_burst_s = 5\ndry_total_s = 60\n"
    for mark in marks:
        text += f"""
[[marks]]
at_s = {mark.at_s:.3f}
axle = "{mark.axle}"
seen = "{mark.seen}"
text = "{mark.text}"
"""
    return text
