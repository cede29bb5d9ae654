"""Power, voltage and current that do not fit together."""

from __future__ import annotations

from canscope.judge.causes.pattern import Row, failed, passed

LINK = ("precharge-level|{unit} link", "precharge-curve|{unit} link", "closing-inrush")

FACTOR = (
    "a factor or unit of torque, speed, current or voltage in a definition is wrong",
    "a qualified person compares voltage and current with rated instruments at one steady "
    "point; count wheel turns and compare them with the speed",
)
SIGN = (
    "the pack current has the wrong sign: its sensor is mounted the other way round",
    "switch a known load on, such as a heater: the current must rise; else invert it",
)

ROWS = (
    *(
        Row(
            when=(failed("bus-sag", "pack", "without-load"), held),
            unless=(failed("bus-sag", "* link"),),
            causes=(
                (
                    "the pack's voltage reading fails (its sense wire, its node, a code that "
                    "means no "
                    "value): the links, in one circuit with it, held",
                    "look up its raw code at that time; a qualified person compares it with a "
                    "rated "
                    "instrument while it reads low",
                ),
                (
                    "a fuse or service plug between the pack and that measurement opened",
                    "isolate, measure dead, then have a qualified person follow the voltage "
                    "joint by "
                    "joint",
                ),
            ),
            explains=(
                "bus-sag|pack",
                "source-resistance|pack",
                "voltage-agreement",
                "power-balance",
            ),
        )
        for held in (passed("bus-sag", "* link"), failed("voltage-agreement", "* link"))
    ),
    Row(
        when=(failed("bus-sag", "pack", "without-load"),),
        causes=(
            (
                "the pack's own circuit opened or collapsed (a fuse, a service plug, a cell "
                "group): no load drew its voltage down",
                "isolate, measure dead, then have a qualified person follow the voltage joint by "
                "joint",
            ),
            (
                "the pack's voltage reading fails: its sense wire, its node, or it is measured "
                "behind the contactors",
                "a qualified person compares it with a rated instrument while it reads low",
            ),
        ),
        explains=("bus-sag", "source-resistance", "voltage-agreement", "power-balance"),
    ),
    # A wrong factor is wrong all the time; a voltage that was right and fell is none.
    Row(
        when=(failed("bus-sag", "pack"), failed("voltage-agreement", "pack", "wrong-scale")),
        unless=(failed("source-resistance"),),
        causes=(
            (
                "the pack's own circuit opened or collapsed: a fuse, a service plug, a cell group",
                "isolate, measure dead, then have a qualified person follow the voltage joint by"
                " joint",
            ),
            (
                "the node that measures the pack lost its supply or its sense wire",
                "a qualified person compares it with a rated instrument while it reads low",
            ),
        ),
        explains=("bus-sag", "voltage-agreement", "power-balance"),
    ),
    Row(
        when=(failed("voltage-agreement", "pack", "wrong-scale"),),
        unless=(failed("voltage-agreement", "* link"), failed("bus-sag", "pack")),
        causes=(
            (
                "all voltages have the same wrong factor or offset in their definitions",
                "a qualified person measures the pack with a rated instrument, and notes it",
            ),
            (
                "the plan's nominal_voltage_V is another pack's, or the pack is empty",
                "compare it with the pack's label and its lowest cell",
            ),
        ),
        explains=("voltage-agreement", "power-balance"),
    ),
    Row(
        when=(failed("voltage-agreement", "pack", "wrong-scale"),),
        causes=(
            (
                "the pack's voltage has a wrong factor or offset in its definition: neither the "
                "links nor its nominal voltage agree with it",
                "a qualified person measures the pack with a rated instrument, and notes it",
            ),
        ),
        explains=("voltage-agreement", "power-balance", "precharge-level", "precharge-curve"),
    ),
    Row(
        when=(failed("power-balance", code="nothing-in"),),
        causes=(
            (
                "the pack's current is not measured: its sensor is dead, unplugged or not round "
                "this cable, or the plan binds another current",
                "switch a known load on, such as a heater: the current must rise",
            ),
            FACTOR,
        ),
        unless=(failed("torque-response"),),
    ),
    Row(
        when=(failed("power-balance", code="wrong-scale"),),
        causes=(FACTOR, SIGN),
        unless=(failed("torque-response"),),
    ),
    Row(
        when=(failed("power-balance"),),
        causes=(SIGN, FACTOR),
        unless=(failed("torque-response"),),
    ),
    Row(
        when=(failed("bus-sag", "{unit} link", "without-load"), passed("bus-sag", "pack")),
        causes=(
            (
                "a main contactor let go, or was opened, while its state still read closed (held, "
                "late or not its own): no load drew the link's voltage down",
                "with the pack isolated, have each contactor pulled in by itself, and look at its "
                "coil's supply and its state",
            ),
            (
                "the {unit} unit's voltage reading fails",
                "a qualified person compares it with a rated instrument while it reads low",
            ),
        ),
        explains=("bus-sag|{unit} link", "source-resistance|{unit} link", "voltage-agreement"),
    ),
    Row(
        when=(failed("bus-sag", "pack"), failed("source-resistance", "pack")),
        causes=(
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
        when=(failed("bus-sag", "pack"),),
        causes=(
            (
                "the pack is weak for this load, or a joint in its circuit is bad",
                "compare the lowest cell voltage with the pack voltage under the same load",
            ),
        ),
        explains=("bus-sag", "source-resistance"),
    ),
    Row(
        when=(failed("source-resistance", "{unit} link"), passed("source-resistance", "pack")),
        causes=(
            (
                "the pre-charge resistor is still in circuit: positive does not really carry",
                "isolate, measure dead, then measure across the closed positive contactor",
            ),
            (
                "a bad joint between the pack and the {unit} unit",
                "isolate, measure dead, then measure each joint with a milliohm meter",
            ),
        ),
        explains=("bus-sag|{unit} link", "voltage-agreement|{unit} link"),
    ),
    Row(
        when=(failed("source-resistance", "pack"),),
        causes=(
            (
                "a worn joint, fuse or service disconnect in the pack's circuit",
                "isolate, measure dead, then measure each joint with a milliohm meter",
            ),
            (
                "current and voltage do not belong together in time or in factor",
                "a qualified person compares both with rated instruments at one steady load",
            ),
        ),
        explains=("source-resistance",),
    ),
    Row(
        when=(failed("voltage-agreement", "{unit} link"), passed("voltage-agreement", "* link")),
        causes=(
            (
                "the {unit} unit's voltage reading is off: factor in its definition, or its sensor",
                "a qualified person compares it and the pack's with one rated instrument, "
                "contactors "
                "closed",
            ),
        ),
        explains=LINK,
    ),
    Row(
        when=(failed("current-while-open", code="links-empty"),),
        causes=(
            (
                "the current sensor has an offset or a fault: no contactor fed anything, for the "
                "links were empty",
                "isolate the pack at its disconnect; a qualified person puts a d.c. clamp round "
                "the pack cable and compares it with the reading",
            ),
            (
                "something on the pack's side of the contactors draws from it, or is shorted there",
                "isolate the pack at its disconnect; a qualified person follows what is connected "
                "there",
            ),
        ),
        explains=("opening-current",),
    ),
    Row(
        when=(failed("current-ceiling"),),
        causes=(
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
)
