"""The example of the contract (design.md section 5) and definitions that fit it."""

VEHICLE_DBC = """VERSION ""
NS_ :
BS_:
BU_: Node
BO_ 256 PackStatus: 4 Node
 SG_ PackVoltage : 0|16@1+ (0.1,0) [0|500] "V" Node
 SG_ PackCurrent : 16|16@1- (0.1,0) [-1000|1000] "A" Node
BO_ 257 Insulation: 2 Node
 SG_ Resistance : 0|16@1+ (1,0) [0|0] "kOhm" Node
BO_ 258 ContactorBox: 1 Node
 SG_ NegativeClosed : 0|1@1+ (1,0) [0|1] "" Node
 SG_ PrechargeClosed : 1|1@1+ (1,0) [0|1] "" Node
 SG_ PositiveClosed : 2|1@1+ (1,0) [0|1] "" Node
 SG_ NegativeCommand : 3|1@1+ (1,0) [0|1] "" Node
 SG_ PrechargeCommand : 4|1@1+ (1,0) [0|1] "" Node
 SG_ PositiveCommand : 5|1@1+ (1,0) [0|1] "" Node
BO_ 259 Supply: 1 Node
 SG_ ControlVoltage : 0|8@1+ (0.1,0) [0|25] "Volt" Node
BO_ 260 Cabin: 5 Node
 SG_ Ignition : 0|1@1+ (1,0) [0|1] "" Node
 SG_ BrakePressed : 1|1@1+ (1,0) [0|1] "" Node
 SG_ EmergencyStop : 2|1@1+ (1,0) [0|1] "" Node
 SG_ Direction : 3|2@1+ (1,0) [0|3] "" Node
 SG_ Pedal : 8|8@1+ (0.5,0) [0|100] "%" Node
 SG_ Pedal2 : 16|8@1+ (0.5,0) [0|100] "%" Node
BO_ 261 Cooling: 1 Node
 SG_ Flow : 0|8@1+ (0.2,0) [0|50] "l/min" Node
VAL_ 260 Direction 0 "Neutral" 1 "Forward" 2 "Reverse" ;
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 256 20;
"""
UNIT_DBC = """VERSION ""
NS_ :
BS_:
BU_: Node
BO_ 512 UnitFast: 8 Node
 SG_ MotorSpeed : 0|16@1- (0.5,0) [-12000|12000] "1/min" Node
 SG_ Torque : 16|16@1- (0.1,0) [-300|300] "Nm" Node
 SG_ LinkVoltage : 32|16@1+ (0.1,0) [0|500] "V" Node
 SG_ Alive : 48|4@1+ (1,0) [0|15] "" Node
 SG_ Checksum : 56|8@1+ (1,0) [0|255] "" Node
BO_ 513 UnitSlow: 3 Node
 SG_ InverterTemp : 0|8@1+ (1,-40) [-40|210] "C" Node
 SG_ WindingTemp : 8|8@1+ (1,-40) [-40|210] "degC" Node
 SG_ Fault : 16|8@1+ (1,0) [0|255] "" Node
"""

FRONT = """
[units.front]
speed        = "can1:UnitFast.MotorSpeed"
torque       = "can1:UnitFast.Torque"
link_voltage = "can1:UnitFast.LinkVoltage"
temperatures = { inverter = "can1:UnitSlow.InverterTemp", winding = "can1:UnitSlow.WindingTemp" }
fault        = { signal = "can1:UnitSlow.Fault", ok = [0] }
gear_ratio   = 9.1
mounting     = { roll = 0, pitch = 0, yaw = 180 }
phases_swapped = true
alive        = { signal = "can1:UnitFast.Alive", modulus = 16 }
checksum     = { signal = "can1:UnitFast.Checksum", profile = "crc8-sae-j1850" }
"""
REAR = (
    FRONT.replace("front", "rear")
    .replace("can1", "can2")
    .replace("yaw = 180", "yaw = 0")
    .replace("phases_swapped = true", "phases_swapped = false")
)

PLAN = (
    """format = 1

[job]
vehicle  = "Bramble, forestry 4x4"
stage    = "dry-spin"
coolant  = "empty"
oil      = "empty"
ambient_degC = 17.0
cold     = true
tester   = "workshop bay 2"

[buses]
can0 = { definitions = ["bramble_vehicle.dbc"], bitrate = 500_000 }
can1 = { definitions = ["drive_unit.dbc"], bitrate = 500_000, not_available = "j1939" }
can2 = { definitions = ["drive_unit.dbc"], bitrate = 500_000 }

[pack]
nominal_voltage_V = 358
maximum_voltage_V = 409
ac_protected = true
voltage    = "can0:PackStatus.PackVoltage"
current    = "can0:PackStatus.PackCurrent"
insulation = "can0:Insulation.Resistance"

[contactors]
negative  = "can0:ContactorBox.NegativeClosed"
precharge = "can0:ContactorBox.PrechargeClosed"
positive  = "can0:ContactorBox.PositiveClosed"
precharge_resistor_ohm = 40
link_capacitance_F     = 1.0e-3
bleed = "active"

[supply]
voltage = "can0:Supply.ControlVoltage"

[driver]
ignition  = "can0:Cabin.Ignition"
brake     = "can0:Cabin.BrakePressed"
pedal     = "can0:Cabin.Pedal"
pedal_2   = "can0:Cabin.Pedal2"
emergency_stop = "can0:Cabin.EmergencyStop"
direction = { signal = "can0:Cabin.Direction", forward = [1], reverse = [2], neutral = [0] }
"""
    + FRONT
    + REAR
    + """
[cooling]
flow = "can0:Cooling.Flow"

[limits]
dry_burst_s = 5
dry_total_s = 60
dry_current_A = 30
speed_rpm = 1500
temperature_ceiling_degC = { inverter = 75, winding = 110 }

[rules.precharge-level]
minimum_percent = 94

[rules.axle-witness]
off = "no second person today"

[[waivers]]
rule = "insulation-resistance"
subject = "pack"
reason = "no monitor on this vehicle; measured by hand, 2.4 Mohm, instrument 7"
by = "A. Tester"

[[marks]]
at_s = 21.5
axle = "rear"
seen = "forward"
text = "left wheel watched"
"""
)


def lay_out(folder, plan=PLAN, **files):
    """Write the plan and its definitions into a folder; the plan's path."""
    (folder / "bramble_vehicle.dbc").write_text(VEHICLE_DBC)
    (folder / "drive_unit.dbc").write_text(UNIT_DBC)
    for name, text in files.items():
        (folder / name.replace("__", ".")).write_text(text)
    path = folder / "bench.toml"
    path.write_text(plan, "utf-8")
    return path


def changed(*swaps):
    """The example with pieces of text replaced; each must be there."""
    text = PLAN
    for old, new in swaps:
        assert old in text, old
        text = text.replace(old, new)
    return text
