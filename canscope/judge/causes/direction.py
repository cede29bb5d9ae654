"""Axles that turn the wrong way, hunt, or do not turn."""

from __future__ import annotations

from canscope.judge.causes.pattern import Row, failed, passed, unproven

AGAINST = "against-request"
WRONG_WAY = (
    failed("axle-direction", "{unit} forward", AGAINST),
    failed("axle-direction", "{unit} reverse", AGAINST),
)
ANOTHER_INPUT = (
    "the {unit} unit's controller takes an input other than pedal and selector, or holds its last "
    "command",
    "with all power off unplug the pedal; then, with the contactors open, see whether the command "
    "stays",
)
UNSTEADY = (failed("turns-after-release", "{unit}"), failed("rocking", "{unit}"))
MOVES_ODDLY = (
    "axle-agreement",
    "axle-direction|{unit} *",
    "axle-witness|{unit} *",
    "unasked-motion|{unit}",
)
RUNS_AWAY = (*MOVES_ODDLY, "units-fighting", "power-balance", "dry-exposure|{unit}")

ROWS = (
    # Turning against its own torque, whatever else that makes look wrong.
    Row(
        when=(failed("torque-response", "{unit}"), failed("power-balance")),
        causes=(
            (
                "the {unit} unit's position sensor is offset, or two of its phases are exchanged: "
                "it turns against its command while it draws power",
                "with all power off and measured dead, compare the phase order at the {unit} unit "
                "with the inverter's, then have the sensor offset taught anew",
            ),
            (
                "torque and speed of the {unit} unit have opposite signs in the definition",
                "with the contactors open, turn the {unit} axle forward by hand and read the "
                "sign of "
                "its speed",
            ),
        ),
        explains=RUNS_AWAY,
    ),
    Row(
        when=(failed("torque-response", "{unit}"),),
        causes=(
            (
                "torque and speed of the {unit} unit have opposite signs in the definition",
                "with the contactors open, turn the {unit} axle forward by hand and read the "
                "sign of "
                "its speed",
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
        when=(
            failed("axle-direction", "* forward", AGAINST),
            failed("axle-direction", "* reverse", AGAINST),
            passed("axle-agreement"),
        ),
        causes=(
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
            (
                "the buses of the axles are exchanged, in the plan or at the recorder: where the "
                "units sit opposite ways, each then seems to turn wrongly",
                "with the contactors open, turn one axle by hand and see on which bus its speed "
                "moves",
            ),
        ),
        unless=(passed("axle-direction"), failed("torque-response")),
        explains=("axle-direction", "axle-witness", "unasked-motion"),
    ),
    *(
        Row(
            when=(
                failed("axle-direction", f"* {wrong}", AGAINST),
                passed("axle-agreement"),
            ),
            causes=(
                (
                    f"the selector's reading stays at {wrong} or is not the selector's: all axles "
                    "turned together, the way that the driver may have asked",
                    "with the contactors open, put the selector to each place and read the "
                    "signal's raw code",
                ),
                (
                    f"the controller does not take the request for {wrong}",
                    f"ask for {wrong} from standstill, with a second person watching a wheel of "
                    "each axle from a distance",
                ),
            ),
            unless=(passed("axle-direction", f"* {wrong}"), failed("torque-response")),
            explains=("axle-direction", "axle-witness", "unasked-motion"),
        )
        for wrong in ("forward", "reverse")
    ),
    # Both directions of one axle, by what a person saw.
    Row(
        when=(
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
        when=(*WRONG_WAY, failed("axle-witness", "{unit} *")),
        unless=UNSTEADY,
        causes=(
            (
                "mounting, phases_swapped or the sign of the speed in the {unit} unit's definition "
                "is wrong: a person saw other than CAN says",
                "with the contactors open, turn the {unit} axle forward by hand and read the "
                "sign of "
                "its speed",
            ),
            (
                "the marks were made for the other direction",
                "repeat the burst with a second person watching",
            ),
        ),
        explains=MOVES_ODDLY,
    ),
    Row(
        when=WRONG_WAY,
        causes=(
            (
                "the {unit} unit's mounting or phases_swapped in the plan is not as built, or the "
                "sign of its speed in the definition is wrong",
                "with the contactors open, turn the {unit} axle forward by hand and read the "
                "sign of "
                "its speed",
            ),
            (
                "the {unit} unit's controller asks for the wrong sense",
                "ask it for forward, with a second person watching the wheel from a distance",
            ),
        ),
        unless=UNSTEADY,
        explains=MOVES_ODDLY,
    ),
    *(
        Row(
            when=(
                failed("axle-direction", f"{{unit}} {wrong}", AGAINST),
                passed("axle-direction", f"{{unit}} {right}"),
            ),
            causes=(
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
        when=(failed("axle-agreement", code="speeds-differ"),),
        causes=(
            (
                "a gear ratio in the plan is wrong, or the tyres of the two axles differ in size",
                "push the vehicle one turn of a wheel with the contactors open, and compare the "
                "turns of both motors with their ratios",
            ),
            (
                "one axle's speed has a wrong factor in its definition",
                "count the turns of a wheel of each axle over a stated time, and compare them with "
                "the speeds",
            ),
            (
                "a wheel slipped",
                "repeat on dry ground with less pedal",
            ),
        ),
    ),
    Row(
        when=(failed("axle-direction", "{unit} *", AGAINST),),
        causes=(
            (
                "the selector's reading does not follow the selector: the other direction was "
                "never seen to be asked for",
                "with the contactors open, put the selector to each place and read the signal's "
                "raw code",
            ),
            (
                "the {unit} unit's mounting or phases_swapped in the plan is not as built",
                "with the contactors open, turn the {unit} axle forward by hand and read the sign "
                "of its speed",
            ),
        ),
        unless=(*UNSTEADY, passed("axle-direction", "{unit} *")),
        explains=MOVES_ODDLY,
    ),
    Row(
        when=(
            failed("axle-witness", "{unit} forward"),
            failed("axle-witness", "{unit} reverse"),
            passed("axle-direction", "{unit} forward"),
        ),
        causes=(
            (
                "the plan's phases_swapped or mounting of the {unit} unit is not as built: CAN "
                "agrees with the request, the wheel does not",
                "compare phases and position of the {unit} unit with the plan, end for end and "
                "roll",
            ),
            (
                "the buses of two units are exchanged, so that another unit was read",
                "with the contactors open, unplug the {unit} unit's bus and see which readings "
                "stop",
            ),
            (
                "the differential or reduction turns the wheels the other way than planned",
                "with all power off, turn the motor by hand and watch the wheel",
            ),
        ),
    ),
    Row(
        when=(failed("axle-witness", "{unit} *", "wheel-stood-still"),),
        causes=(
            (
                "the buses of two units are exchanged: CAN told of the {unit} axle while another "
                "one turned",
                "with the contactors open, unplug the {unit} unit's bus and see which readings "
                "stop",
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
        when=(
            failed("axle-direction", "{unit} *", "stalled"),
            unproven("axle-witness", "{unit} *", "sensor-suspect"),
        ),
        causes=(
            (
                "the {unit} unit's speed is not read: a person saw its wheel turn, and CAN knew of "
                "no motion",
                "with the contactors open, turn the {unit} axle by hand and watch its speed; look "
                "at the sensor's plug and at what the plan binds",
            ),
            (
                "the mark is another axle's, and the {unit} axle is held: a brake, a park lock",
                "with all power off, turn the {unit} wheels by hand",
            ),
        ),
        explains=("source-resistance", "temperature-*|{unit} *", "axle-direction|{unit} *"),
    ),
    # What says that it stands does not belong to what says that it pushes.
    Row(
        when=(
            failed("axle-direction", "{unit} *", "stalled"),
            unproven("*", "{unit}*", "apart"),
        ),
        causes=(
            (
                "the {unit} unit's speed comes late, is held, or is another unit's: it turned, but "
                "not when its torque says",
                "watch the {unit} wheel and its speed at creeping pace, from a distance: both "
                "must begin "
                "together",
            ),
            (
                "the {unit} axle is held at first: a brake binds, or a park lock is in",
                "with all power off, turn the {unit} wheels by hand",
            ),
        ),
        explains=("source-resistance", "temperature-*|{unit} *", "axle-direction|{unit} *"),
    ),
    Row(
        when=(failed("axle-direction", "{unit} *", "stalled"),),
        causes=(
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
        when=(failed("rocking", "{unit}"),),
        causes=(
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
        when=(failed("turns-after-release", "{unit}"),),
        causes=(
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
    Row(
        when=(failed("unasked-motion", "{unit}", "asked-in-power-up"),),
        causes=(
            (
                "somebody spun the {unit} axle with pedal and selector: this run is of a stage in "
                "which axles are spun",
                "judge it again with the plan of that stage; in power-up leave the pedal alone",
            ),
            (
                "the {unit} unit takes torque requests in a stage in which nothing shall turn",
                "before the next closing limit its torque to nothing, or put the selector to "
                "neutral",
            ),
        ),
        explains=("nothing-turns|{unit}", "dry-exposure|{unit}", "pedal-at-rest|{unit}*"),
    ),
    Row(
        when=(failed("unasked-motion", "{unit}", "in-power-up"),),
        causes=(
            (
                "the {unit} unit is asked for torque as soon as it has high voltage, by its "
                "controller: "
                "nobody asked it to turn",
                "read torque request and enable on the {unit} unit's bus before the next closing",
            ),
            (
                "the {unit} axle was turned from outside, or its speed is disturbed while it "
                "stands",
                "with the contactors open, see whether its speed reads zero",
            ),
        ),
        explains=("nothing-turns|{unit}", "dry-exposure|{unit}", "pedal-at-rest|{unit}*"),
    ),
    Row(
        when=(failed("unasked-motion", "{unit}", "in-neutral"),),
        unless=(failed("pedal-at-rest", "{unit}*"), *UNSTEADY, failed("torque-response", "{unit}")),
        causes=(
            ANOTHER_INPUT,
            (
                "the selector's signal says neutral while it is not: a bad contact, or a wrong "
                "code in its definition or in the plan",
                "with the contactors open, go through its places and watch the signal",
            ),
        ),
        explains=("dry-exposure|{unit}", "change-at-standstill|{unit}"),
    ),
    Row(
        when=(failed("unasked-motion", "{unit}"),),
        unless=(failed("pedal-at-rest", "{unit}*"), *UNSTEADY, failed("torque-response", "{unit}")),
        causes=(
            ANOTHER_INPUT,
            (
                "the {unit} unit's speed is not what its wheels do: its sensor or its definition "
                "is wrong",
                "with the contactors open, turn the {unit} axle by hand and compare it with its "
                "speed",
            ),
        ),
        explains=("dry-exposure|{unit}", "change-at-standstill|{unit}"),
    ),
)
