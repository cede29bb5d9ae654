"""The buses: wiring, nodes, the recorder's part in it."""

from __future__ import annotations

from canscope.judge.causes.pattern import Row, failed, passed, unproven

ROWS = (
    Row(
        when=(failed("error-frames", "{bus}", "bus-off"),),
        causes=(
            (
                "a short, a broken wire or wrong termination of {bus}: one of its nodes met so "
                "many errors that it went silent",
                "with all power off, measure 60 ohm between the two bus wires, and no path from "
                "either to ground or supply",
            ),
            (
                "that node has another bit rate or sample point than the rest",
                "with the contactors open, unplug one node after the other and see when the "
                "errors stop",
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
        when=(failed("error-frames", "{bus}", "as-a-unit-turned"),),
        causes=(
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
        when=(failed("error-frames", "{bus}", "no-acknowledge"),),
        causes=(
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
        when=(failed("error-frames", "{bus}"),),
        causes=(
            (
                "termination of {bus}: a resistor is missing, or there is one too many",
                "with all power off, measure 60 ohm between the two bus wires",
            ),
            (
                "a node has another bit rate or sample point than the rest",
                "with the contactors open, unplug one node after the other and see when the "
                "errors stop",
            ),
        ),
        explains=("cycle-time|{bus}:*", "capture-gaps"),
    ),
    Row(
        when=(failed("bus-load", "{bus}"),),
        causes=(
            (
                "a node floods {bus}, or a unit alone repeats one frame that nobody acknowledges",
                "with the contactors open, unplug one node after the other and see when the load "
                "falls",
            ),
        ),
        explains=("capture-gaps",),
    ),
    Row(
        when=(failed("capture-gaps"), failed("capture-integrity")),
        causes=(
            (
                "the recorder lost frames",
                "read what the recorder says of itself in run.toml; use a faster adapter or disk",
            ),
        ),
        explains=("cycle-time",),
    ),
    Row(
        when=(failed("capture-gaps"),),
        causes=(
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
        when=(unproven("message-presence", "{bus}:*", "not-seen"),),
        causes=(
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
        when=(unproven("message-presence", "{bus}:*", "not-seen"),),
        causes=(
            (
                "the node that sends it was off, is not on {bus}, or {bus} is another bus in the "
                "capture",
                "look which identifiers {bus} carried; then, with the contactors open, unplug "
                "the node "
                "and see which stop",
            ),
            (
                "the definition gives it another identifier than this software version uses",
                "compare the node's software version with the definition's",
            ),
        ),
        explains=("message-presence|{bus}:*",),
    ),
    Row(
        when=(failed("cycle-time", "{bus}:*", "frames-missing"),),
        causes=(
            (
                "the recorder or its adapter on {bus} loses frames",
                "record {bus} with another adapter and compare how often the message comes",
            ),
            (
                "its node leaves frames out, or the cycle in plan or definition is not its own",
                "look up its cycle in the node's description, and give it in the plan",
            ),
        ),
        explains=("cycle-time|{bus}:*", "alive-counter"),
    ),
    Row(
        when=(failed("alive-counter", "{unit}", "frames-lost"),),
        causes=(
            (
                "the recorder, its adapter or a gateway loses frames of the {unit} unit",
                "record again with another adapter, and see whether the same frames lack",
            ),
            (
                "the modulus in the plan is not the counter's own",
                "look at the counter's values one after the other in the recording",
            ),
        ),
    ),
    Row(
        when=(failed("cycle-time", "{bus}:*"),),
        causes=(
            (
                "everything on {bus} fell silent: a node that is alone on its bus lost its supply "
                "or hangs, or all nodes there did",
                "with {bus} silent, measure 12 V at the plug of each node there",
            ),
            (
                "the wiring of {bus}: a plug, a broken wire, a short, the recorder's own plug",
                "with all power off, measure 60 ohm between the two bus wires, at both ends",
            ),
            (
                "it was switched off before the others, and that is meant so",
                "give its true cycle in the plan, or note the order of switching off",
            ),
        ),
        unless=(passed("cycle-time", "{bus}:*"),),
        explains=(
            "cycle-time|{bus}:*",
            "link-discharge",
            "dry-exposure",
            "axle-witness",
            "bus-sag",
            "voltage-agreement",
            "alive-counter",
        ),
    ),
    Row(
        when=(failed("cycle-time", "{bus}:*"),),
        causes=(
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
)

AFTER_HEAT = (  # wrong checksums are less urgent than a unit that gets hot
    Row(
        when=(failed("checksum", "{unit}", "some-frames"),),
        causes=(
            (
                "another node sends some of these frames, or a gateway changes them without making "
                "their checksum anew",
                "look for wrong frames that come out of step with the right ones; then, with the "
                "contactors open, unplug one node after the other",
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
    Row(
        when=(failed("value-range", code="end-code"),),
        causes=(
            (
                "the sensor is unplugged, broken or shorted, or its node says so by a code that "
                "the plan does not list",
                "look at its plug; look its raw code up, and list it as not_available if it means "
                "no value",
            ),
            (
                "the definition's factor, offset, sign or byte order is wrong",
                "compare the definition with its source, bit by bit",
            ),
        ),
    ),
)
