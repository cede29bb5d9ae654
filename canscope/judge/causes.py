"""The table of the diagnosis: from the pattern of findings to probable causes.

A row matches where every one of its signs is among the findings and none of ``unless`` is. A sign
is a verdict, a rule, and, where it matters, the subject or the finding's code. ``{unit}`` and
``{bus}`` stand for the same unit or bus in all signs of a row. Rows are ordered by what must be
reported first. Causes and checks: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

from canscope.model.findings import Verdict


@dataclass(frozen=True)
class Sign:
    """A finding that has to be there."""

    verdict: Verdict
    rule: str
    subject: str = "*"
    code: str = ""  # of the finding; any if empty


@dataclass(frozen=True)
class Row:
    """A pattern, its causes with the check that decides for each, and what else it explains."""

    signs: tuple[Sign, ...]
    causes: tuple[tuple[str, str], ...]
    unless: tuple[Sign, ...] = ()
    explains: tuple[str, ...] = ()  # "rule" or "rule|subject" that fail as a consequence


def failed(rule: str, subject: str = "*", code: str = "") -> Sign:
    """A fail of that rule."""
    return Sign(Verdict.FAIL, rule, subject, code)


def passed(rule: str, subject: str = "*") -> Sign:
    """A pass of that rule."""
    return Sign(Verdict.PASS, rule, subject)


def unproven(rule: str, subject: str = "*", code: str = "") -> Sign:
    """That rule could not prove it."""
    return Sign(Verdict.UNPROVEN, rule, subject, code)


AGAINST = "against-request"
WRONG_WAY = (
    failed("axle-direction", "{unit} forward", AGAINST),
    failed("axle-direction", "{unit} reverse", AGAINST),
)
UNSTEADY = (failed("turns-after-release", "{unit}"), failed("rocking", "{unit}"))
MOVES_ODDLY = ("axle-agreement", "axle-direction|{unit} *", "axle-witness|{unit} *")
RUNS_AWAY = (*MOVES_ODDLY, "units-fighting", "power-balance", "dry-exposure|{unit}")
LINK = ("precharge-level|{unit} link", "precharge-curve|{unit} link", "closing-inrush")
HEAT = ("temperature-*|{unit} *",)

TABLE: tuple[Row, ...] = (
    # A recording that cannot be believed comes before anything that it shows.
    Row(
        (failed("capture-integrity", code="clock-stepped"),),
        (
            (
                "the recording computer's clock was set while it recorded",
                "switch automatic time setting off, or record with the adapter's own clock, "
                "and run again",
            ),
        ),
        explains=("capture-gaps", "cycle-time"),
    ),
    Row(
        (failed("capture-integrity", code="cut-off"),),
        (
            (
                "the file was copied while it was still being written, or the recorder lost power",
                "stop the recorder first, then copy the file again",
            ),
        ),
    ),
    Row(
        (failed("capture-integrity", code="unreadable-lines"),),
        (
            (
                "the file was damaged or edited on its way: a bad disk, a serial line, an editor",
                "look at the first unreadable line, compare with the file on the recorder",
            ),
        ),
        explains=("capture-gaps", "cycle-time", "alive-counter"),
    ),
    # Turning against its own torque, whatever else that makes look wrong.
    Row(
        (failed("torque-response", "{unit}"), failed("power-balance")),
        (
            (
                "the {unit} unit's position sensor is offset, or two of its phases are exchanged: "
                "it turns against its command while it draws power",
                "with all power off and measured dead, compare the phase order at the {unit} unit "
                "with the inverter's, then have the sensor offset taught anew",
            ),
            (
                "torque and speed of the {unit} unit have opposite signs in its definition",
                "turn the {unit} axle forward by hand and read the sign of its speed",
            ),
        ),
        explains=RUNS_AWAY,
    ),
    Row(
        (failed("torque-response", "{unit}"),),
        (
            (
                "torque and speed of the {unit} unit have opposite signs in its definition",
                "turn the {unit} axle forward by hand and read the sign of its speed",
            ),
            (
                "the {unit} unit's position sensor is offset, or two of its phases are exchanged",
                "with all power off and measured dead, compare the phase order at the {unit} unit "
                "with the inverter's",
            ),
        ),
        explains=RUNS_AWAY,
    ),
    # All axles alike, in both directions: it is not the units.
    Row(
        (
            failed("axle-direction", "* forward", AGAINST),
            failed("axle-direction", "* reverse", AGAINST),
            passed("axle-agreement"),
        ),
        (
            (
                "forward and reverse are exchanged in the plan's direction codes, or the "
                "selector's wires are: all axles turn together, against the request",
                "with contactors open, put the selector to forward and read the direction signal's "
                "raw code",
            ),
            (
                "every unit's controller has forward and reverse exchanged",
                "ask for forward and have a second person watch a wheel of each axle",
            ),
        ),
        unless=(passed("axle-direction"), failed("torque-response")),
        explains=("axle-direction", "axle-witness"),
    ),
    # Both directions of one axle, by what a person saw.
    Row(
        (
            *WRONG_WAY,
            passed("axle-witness", "{unit} forward"),
            passed("axle-witness", "{unit} reverse"),
        ),
        unless=UNSTEADY,
        causes=(
            (
                "the {unit} unit's controller asks for the wrong sense: its wheels do turn the "
                "other way, as a person saw",
                "ask the {unit} unit alone for forward and watch its wheel; then look at the "
                "controller's sense-of-rotation setting",
            ),
            (
                "mounting or phases_swapped of the {unit} unit is not as the controller was set up "
                "for",
                "compare how the {unit} unit sits with the plan's mounting, end for end and roll",
            ),
        ),
        explains=MOVES_ODDLY,
    ),
    Row(
        (*WRONG_WAY, failed("axle-witness", "{unit} *")),
        unless=UNSTEADY,
        causes=(
            (
                "mounting, phases_swapped or the sign of the speed in the {unit} unit's definition "
                "is wrong: a person saw other than CAN says",
                "turn the {unit} axle forward by hand and read the sign of its speed",
            ),
            (
                "the marks were made for the other direction",
                "repeat the burst with a second person watching",
            ),
        ),
        explains=MOVES_ODDLY,
    ),
    Row(
        WRONG_WAY,
        (
            (
                "the {unit} unit's mounting or phases_swapped in the plan is not as built, or the "
                "sign of its speed in the definition is wrong",
                "turn the {unit} axle forward by hand and read the sign of its speed",
            ),
            (
                "the {unit} unit's controller asks for the wrong sense",
                "ask it for forward with nobody near and have a second person watch the wheel",
            ),
        ),
        unless=UNSTEADY,
        explains=MOVES_ODDLY,
    ),
    *(
        Row(
            (
                failed("axle-direction", f"{{unit}} {wrong}", AGAINST),
                passed("axle-direction", f"{{unit}} {right}"),
            ),
            (
                (
                    f"the {{unit}} unit's controller does not take the request for {wrong}: the "
                    "other direction is right, so that it is no mounting and no phase order",
                    f"ask for {wrong} from standstill, and compare the signs of torque and speed",
                ),
                (
                    f"the plan's codes for the direction: the one for {wrong} means something else",
                    "with contactors open, put the selector to each place and read the signal's "
                    "raw code",
                ),
            ),
            unless=UNSTEADY,
            explains=MOVES_ODDLY,
        )
        for wrong, right in (("forward", "reverse"), ("reverse", "forward"))
    ),
    Row(
        (
            failed("axle-witness", "{unit} forward"),
            failed("axle-witness", "{unit} reverse"),
            passed("axle-direction", "{unit} forward"),
        ),
        (
            (
                "the plan's phases_swapped or mounting of the {unit} unit is not as built: CAN "
                "agrees with the request, the wheel does not",
                "compare phases and position of the {unit} unit with the plan, end for end and "
                "roll",
            ),
            (
                "the buses of two units are exchanged, so that another unit was read",
                "unplug the {unit} unit's bus and see which readings stop",
            ),
            (
                "the differential or reduction turns the wheels the other way than planned",
                "turn the motor by hand and watch the wheel",
            ),
        ),
    ),
    Row(
        (failed("axle-witness", "{unit} *", "wheel-stood-still"),),
        (
            (
                "the buses of two units are exchanged: CAN told of the {unit} axle while another "
                "one turned",
                "unplug the {unit} unit's bus and see which readings stop",
            ),
            (
                "the {unit} motor turns and its wheels do not: a shaft, spline or clutch is not in",
                "with all power off, turn a {unit} wheel by hand: the motor must follow",
            ),
            (
                "the mark names the wrong axle, or the wheel that was watched is the one that the "
                "differential leaves standing",
                "repeat the burst and watch both wheels of the {unit} axle",
            ),
        ),
    ),
    Row(
        (failed("axle-direction", "{unit} *", "stalled"),),
        (
            (
                "the {unit} axle is held: a brake binds, a park lock is in, or a drive shaft jams",
                "with all power off, turn the {unit} wheels by hand",
            ),
            (
                "a phase of the {unit} unit is open or its position sensor gives no angle",
                "read the {unit} unit's own fault memory, then measure its phases, dead",
            ),
        ),
        explains=("source-resistance", "temperature-*|{unit} *"),
    ),
    Row(
        (failed("rocking", "{unit}"),),
        (
            (
                "the {unit} unit's position sensor offset or phase order is wrong, so that it "
                "hunts for its angle",
                "compare the phase order at the {unit} unit with the inverter's, dead; then have "
                "the offset taught anew",
            ),
            (
                "the speed controller is set too hard for an axle without load",
                "halve its gain for the first spin and repeat",
            ),
        ),
        explains=(*RUNS_AWAY, "torque-response|{unit}"),
    ),
    Row(
        (failed("turns-after-release", "{unit}"),),
        (
            (
                "braking by recuperation goes on through standstill: the {unit} unit turns back",
                "switch recuperation off below walking speed, then repeat the release",
            ),
            (
                "the driveline springs back",
                "watch the wheel as it stops: a spring-back ends within half a turn",
            ),
        ),
        explains=(*RUNS_AWAY, "pedal-at-rest|{unit}*", "torque-response|{unit}"),
    ),
    # High voltage that does not go away.
    Row(
        (failed("contactor-weld", "negative pole"),),
        (
            (
                "the negative contactor has welded: it says open and the link stays live",
                "treat the link as live; a qualified person isolates the pack, measures, and "
                "tests the contactor by itself",
            ),
        ),
        explains=("link-discharge", "voltage-agreement"),
    ),
    Row(
        (failed("contactor-weld", "positive pole"),),
        (
            (
                "the positive contactor has welded, or the pre-charge path is still closed",
                "treat the link as live; a qualified person isolates the pack, measures, and "
                "tests the contactor by itself",
            ),
        ),
        explains=("link-discharge", "voltage-agreement"),
    ),
    Row(
        (failed("link-discharge"),),
        (
            (
                "the active bleed does not switch in, or its resistor is open",
                "wait, measure dead, then measure the bleed resistor and its switch",
            ),
            (
                "something still feeds the link: a charger, a turning motor, a closed contactor",
                "look whether the voltage falls along a curve or holds a level",
            ),
        ),
        unless=(failed("contactor-weld"),),
    ),
    Row(
        (failed("insulation-resistance"),),
        (
            (
                "damp or a chafed cable on the high-voltage side, inverters included",
                "a qualified person unplugs one consumer after the other, dead each time, and "
                "measures the insulation with a rated instrument",
            ),
            (
                "the monitor's reading has another unit than its definition says",
                "connect a known resistor as the monitor's maker describes and read the value",
            ),
        ),
    ),
    # Powering up.
    Row(
        (failed("precharge-curve", "{unit} link", "hardly-rose"),),
        (
            (
                "the pre-charge path is open: its fuse, resistor, contact or wire",
                "with the pack isolated, measure the pre-charge path from end to end",
            ),
            (
                "a dead short or a heavy load holds the link down ({unit})",
                "isolate, measure dead, then measure the resistance across the link",
            ),
            (
                "the link's voltage is not measured ({unit}): sensor, or factor in its definition",
                "compare with a rated instrument while pre-charge is closed",
            ),
        ),
        explains=(*LINK, "precharge-attempts", "contactor-sequence"),
    ),
    Row(
        (failed("precharge-curve", "{unit} link", "plateau"),),
        (
            (
                "a load on the link while it charges: a heater, a d.c. converter, an inverter "
                "already enabled",
                "unplug the loads one by one, dead each time, and repeat power-up",
            ),
            (
                "the pre-charge resistor is too large, or its fuse or contact is open",
                "with the pack isolated, measure the resistor from end to end",
            ),
        ),
        explains=LINK,
    ),
    Row(
        (failed("precharge-curve", "{unit} link", "step"),),
        (
            (
                "the link was already charged, or a contactor is welded",
                "measure the link before power-up, then test each contactor by itself, isolated",
            ),
            (
                "the pre-charge resistor is bypassed or far too small",
                "with the pack isolated, measure the resistor from end to end",
            ),
        ),
        explains=LINK,
    ),
    Row(
        (failed("precharge-curve", "{unit} link", "charged-before"),),
        (
            (
                "the link was still charged from before: the bleed is slow, or a contactor welded",
                "leave it off until the link is below 60 V, then repeat; if it holds, treat it as "
                "welded",
            ),
        ),
        explains=LINK,
    ),
    Row(
        (failed("precharge-curve", "{unit} link"),),
        (
            (
                "the resistor fitted, or the capacitance on the link, is not what the plan says",
                "with the pack isolated, measure the resistor; compare with "
                "precharge_resistor_ohm and link_capacitance_F",
            ),
            (
                "a load on the link slows the charging",
                "unplug the loads one by one, dead each time, and repeat power-up",
            ),
        ),
        explains=LINK,
    ),
    Row(
        (failed("contactor-sequence", code="precharge-never-closed"),),
        (
            (
                "pre-charge is not driven: wire, fuse or coil of its contactor, or the box's "
                "programme",
                "with the pack isolated, let the box go through its sequence and listen to each "
                "contactor",
            ),
        ),
        explains=("precharge-*", "closing-inrush", "current-ceiling"),
    ),
    Row(
        (failed("precharge-level", "{unit} link"),),
        (
            (
                "positive closes by a timer that is too short, not by the link's voltage",
                "lengthen the time or switch on the comparison with the pack's voltage",
            ),
            (
                "the pre-charge resistor is larger than planned, so that the time is too short",
                "with the pack isolated, measure the resistor from end to end",
            ),
        ),
        explains=LINK,
    ),
    Row(
        (failed("closing-inrush"), failed("current-ceiling")),
        (
            (
                "a load is on as the contactors close: heater, d.c. converter, compressor",
                "switch every high-voltage consumer off before power-up and repeat",
            ),
        ),
        explains=("source-resistance",),
    ),
    # 12 V and the bus.
    Row(
        (failed("control-supply"),),
        (
            (
                "the 12 V battery is tired or small: it gives way when a coil pulls in",
                "measure the 12 V at its terminals while the contactors close",
            ),
            (
                "a thin or loose 12 V supply or ground to the contactor box",
                "measure the drop from terminal to box while the contactors close",
            ),
        ),
        explains=("cycle-time", "alive-counter", "capture-gaps"),
    ),
    Row(
        (failed("error-frames", "{bus}", "bus-off"),),
        (
            (
                "a short, a broken wire or wrong termination of {bus}: one of its nodes met so "
                "many errors that it went silent",
                "with all power off, measure 60 ohm between the two bus wires, and no path from "
                "either to ground or supply",
            ),
            (
                "that node has another bit rate or sample point than the rest",
                "unplug one node after the other and see when the errors stop",
            ),
            (
                "an inverter's switching couples into the bus: shield, ground or routing of the "
                "motor cables",
                "repeat without spinning: it has to stay away then",
            ),
        ),
        explains=("cycle-time|{bus}:*", "capture-gaps"),
    ),
    Row(
        (failed("error-frames", "{bus}", "as-a-unit-turned"),),
        (
            (
                "the inverter's switching couples into the bus: shield, ground or routing of the "
                "motor cables",
                "earth the shields at both ends as the unit's maker describes, lead the bus away "
                "from the motor cables, repeat",
            ),
            (
                "a terminating resistor is missing, so that the bus has no margin",
                "with all power off, measure 60 ohm between the two bus wires",
            ),
        ),
        explains=("cycle-time|{bus}:*", "capture-gaps"),
    ),
    Row(
        (failed("error-frames", "{bus}", "no-acknowledge"),),
        (
            (
                "one unit is alone on {bus} with silent listeners: nobody acknowledges its frames",
                "put a second active node on {bus}; the silent recorder must not be it",
            ),
            (
                "bus wiring is broken between this node and all others",
                "with all power off, measure 60 ohm between the two bus wires at the node",
            ),
        ),
        explains=("bus-load|{bus}", "cycle-time|{bus}:*"),
    ),
    Row(
        (failed("error-frames", "{bus}"),),
        (
            (
                "termination of {bus}: a resistor is missing, or there is one too many",
                "with all power off, measure 60 ohm between the two bus wires",
            ),
            (
                "a node has another bit rate or sample point than the rest",
                "unplug one node after the other and see when the errors stop",
            ),
        ),
        explains=("cycle-time|{bus}:*", "capture-gaps"),
    ),
    Row(
        (failed("bus-load", "{bus}"),),
        (
            (
                "a node floods {bus}, or a unit alone repeats one frame that nobody acknowledges",
                "unplug one node after the other and see when the load falls",
            ),
        ),
        explains=("capture-gaps",),
    ),
    Row(
        (failed("capture-gaps"), failed("capture-integrity")),
        (
            (
                "the recorder lost frames",
                "read what the recorder says of itself in run.toml; use a faster adapter or disk",
            ),
        ),
        explains=("cycle-time",),
    ),
    Row(
        (failed("capture-gaps"),),
        (
            (
                "the recording computer or adapter stood still while the vehicle went on",
                "look for a gap in the rolling counters across the same time; keep the computer "
                "awake",
            ),
            (
                "all nodes lost their supply at once",
                "look at the 12 V reading on both sides of the gap",
            ),
        ),
        explains=("cycle-time",),
    ),
    Row(
        (unproven("message-presence", "{bus}:*", "not-seen"),),
        (
            (
                "nothing that the plan knows came on {bus}: the recorder's channels are exchanged, "
                "or {bus} is recorded at another bit rate, or its plug is out",
                "compare the identifiers of each channel with the definitions, channel by channel",
            ),
            (
                "every node on {bus} was off",
                "measure 12 V at their plugs with the ignition on",
            ),
        ),
        unless=(passed("message-presence", "{bus}:*"),),
        explains=("message-presence|{bus}:*",),
    ),
    Row(
        (unproven("message-presence", "{bus}:*", "not-seen"),),
        (
            (
                "the node that sends it was off, is not on {bus}, or {bus} is another bus in the "
                "capture",
                "look which identifiers {bus} carried, then unplug the node and see which stop",
            ),
            (
                "the definition gives it another identifier than this software version uses",
                "compare the node's software version with the definition's",
            ),
        ),
        explains=("message-presence|{bus}:*",),
    ),
    Row(
        (failed("cycle-time", "{bus}:*"),),
        (
            (
                "everything on {bus} fell silent: a node that is alone on it lost its supply or "
                "hangs, or all of its nodes did",
                "with {bus} silent, measure 12 V at the plug of each of its nodes",
            ),
            (
                "the wiring of {bus} itself: a plug, a broken wire, a short, the recorder's own "
                "plug",
                "with all power off, measure 60 ohm between the two bus wires, at both ends",
            ),
            (
                "it was switched off before the others, and that is meant so",
                "give its true cycle in the plan, or note the order of switching off",
            ),
        ),
        unless=(passed("cycle-time", "{bus}:*"),),
        explains=("cycle-time|{bus}:*", "link-discharge", "dry-exposure", "axle-witness"),
    ),
    Row(
        (failed("cycle-time", "{bus}:*"),),
        (
            (
                "a node on {bus} lost its supply, its bus plug, or hangs",
                "with the node silent, measure its 12 V and 60 ohm between the bus wires at its "
                "plug",
            ),
            (
                "it was switched off before the others, and that is meant so",
                "give its true cycle in the plan, or note the order of switching off",
            ),
        ),
        explains=("link-discharge", "dry-exposure", "axle-witness"),
    ),
    # Power.
    Row(
        (failed("power-balance"),),
        (
            (
                "the pack current has the wrong sign: its sensor is mounted the other way round",
                "switch a known load on, such as a heater: the current must rise; else invert it",
            ),
            (
                "a factor or unit of torque, speed, current or voltage in a definition is wrong",
                "compare each of the four with an instrument at one steady point",
            ),
        ),
        unless=(failed("torque-response"),),
    ),
    Row(
        (failed("bus-sag", "pack"), failed("source-resistance", "pack")),
        (
            (
                "a bad joint, fuse or service disconnect in the pack's circuit",
                "isolate, measure dead, then measure each joint with a milliohm meter; feel for "
                "one that was warm",
            ),
            (
                "the pack is empty, cold or worn",
                "compare the lowest cell voltage under the same load",
            ),
        ),
        explains=("bus-sag", "source-resistance"),
    ),
    Row(
        (failed("bus-sag", "pack"),),
        (
            (
                "the pack is weak for this load, or a joint in its circuit is bad",
                "compare the lowest cell voltage with the pack voltage under the same load",
            ),
        ),
        explains=("bus-sag", "source-resistance"),
    ),
    Row(
        (failed("source-resistance", "{unit} link"), passed("source-resistance", "pack")),
        (
            (
                "the pre-charge resistor is still in circuit: positive does not really carry",
                "isolate, measure dead, then measure across the closed positive contactor",
            ),
            (
                "a bad joint between the pack and the {unit} unit",
                "measure each joint with a milliohm meter, dead",
            ),
        ),
        explains=("bus-sag|{unit} link", "voltage-agreement|{unit} link"),
    ),
    Row(
        (failed("source-resistance", "pack"),),
        (
            (
                "a worn joint, fuse or service disconnect in the pack's circuit",
                "isolate, measure dead, then measure each joint with a milliohm meter",
            ),
            (
                "current and voltage do not belong together in time or in factor",
                "compare both with an instrument at one steady load",
            ),
        ),
        explains=("source-resistance",),
    ),
    Row(
        (failed("voltage-agreement", "{unit} link"), passed("voltage-agreement")),
        (
            (
                "the {unit} unit's voltage reading is off: factor in its definition, or its sensor",
                "compare it with the pack voltage and a rated instrument, contactors closed",
            ),
        ),
        explains=LINK,
    ),
    Row(
        (failed("current-ceiling"),),
        (
            (
                "a consumer is on that nobody counted: heater, compressor, d.c. converter",
                "switch the consumers off one by one and see when the current falls",
            ),
            (
                "the torque limit for the first spin is not set",
                "read the unit's torque at the same instant, then its limit",
            ),
        ),
        explains=("source-resistance", "bus-sag"),
    ),
    # Heat.
    Row(
        (failed("temperature-*", "{unit} *"), failed("dry-exposure", "{unit}")),
        (
            (
                "the {unit} unit turned too long while there is nothing to carry the heat away",
                "let it cool, keep to the agreed seconds, and feel whether both units warm alike",
            ),
            (
                "the {unit} unit works against something: a binding brake, a wrong sensor offset",
                "turn the {unit} wheels by hand with all power off",
            ),
        ),
        explains=("temperature-*|{unit} *", "dry-exposure"),
    ),
    Row(
        (failed("cold-soak"), failed("temperature-*", "{unit} *")),
        (
            (
                "the {unit} unit was still hot from an earlier run",
                "let it stand until all its sensors agree, then repeat",
            ),
            (
                "its sensor reads too much",
                "compare with a contact thermometer on the housing of the cold unit",
            ),
        ),
        explains=("temperature-*|{unit} *",),
    ),
    Row(
        (failed("temperature-*", "{unit} *"),),
        (
            (
                "the {unit} unit draws current without turning it into motion: sensor offset, "
                "phase order, a binding brake",
                "compare its current and torque with those of the other unit at the same speed",
            ),
            (
                "nothing carries its heat away: no coolant, no oil, a dry winding",
                "shorten the bursts, lengthen the pauses, and repeat from cold",
            ),
        ),
        explains=HEAT,
    ),
    Row(
        (failed("cold-soak"),),
        (
            (
                "one temperature sensor is off, or its definition has another offset",
                "compare each with a contact thermometer on the cold housing",
            ),
            (
                "a part was still warm from before",
                "let the vehicle stand until all sensors agree, then repeat",
            ),
        ),
    ),
    Row(
        (unproven("sensor-alive", code="at-end-of-range"),),
        (
            (
                "the temperature sensor is unplugged, broken or shorted",
                "measure its resistance at the unit's plug, cold",
            ),
        ),
    ),
    Row(
        (unproven("sensor-alive", code="never-changed"),),
        (
            (
                "the temperature sensor or its channel is stuck at one value",
                "warm the sensor by hand or compare it with a contact thermometer after a burst",
            ),
        ),
    ),
    Row(
        (failed("checksum", "{unit}", "some-frames"),),
        (
            (
                "another node sends some of these frames, or a gateway changes them without making "
                "their checksum anew",
                "look for wrong frames that come out of step with the right ones, then unplug one "
                "node after the other",
            ),
            (
                "bytes of the {unit} unit's frames change on their way inside the recorder",
                "record with another adapter and compare",
            ),
            (
                "profile, bytes or data_id in the plan fit only by chance",
                "compare them with the unit's description, byte by byte",
            ),
        ),
    ),
    # Driver, speed, the rest that is a matter of settings.
    Row(
        (failed("speed-ceiling", "{unit}"),),
        (
            (
                "the speed limit for the first spin is not set in the controller ({unit})",
                "read the limit back from the controller before the next burst",
            ),
            (
                "a free wheel takes no load, so little torque is enough to over-speed",
                "limit torque and pedal travel, and press for a shorter time",
            ),
        ),
        explains=("dry-exposure|{unit}", "change-at-standstill|{unit}", *HEAT),
    ),
    Row(
        (failed("pedal-at-rest", "pedal"),),
        (
            (
                "the pedal sticks, or its rest is not taught",
                "read the pedal with the foot off, then teach its rest anew",
            ),
        ),
        explains=("pedal-at-rest",),
    ),
    Row(
        (failed("pedal-at-rest", "{unit}*"),),
        (
            (
                "creep is on: the {unit} unit pulls with the pedal at rest",
                "switch creep off for the bench, or declare it in the plan",
            ),
            (
                "the controller takes an input other than the pedal for torque",
                "unplug the pedal with all power off and see whether the command stays",
            ),
        ),
        explains=("dry-exposure|{unit}", "units-fighting", "change-at-standstill|{unit}", *HEAT),
    ),
    Row(
        (failed("change-at-standstill"), failed("brake-interlock")),
        (
            (
                "the selector is not locked by brake and standstill: the interlock is missing",
                "look at the controller's conditions for entering forward and reverse",
            ),
        ),
    ),
)
