"""Pre-charge, contactors, and the 12 V that holds them."""

from __future__ import annotations

from canscope.judge.causes.pattern import Row, failed

LINK = ("precharge-level|{unit} link", "precharge-curve|{unit} link", "closing-inrush")

ROWS = (
    Row(
        when=(failed("precharge-curve", "{unit} link", "hardly-rose"),),
        causes=(
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
                "a qualified person compares it with a rated instrument while pre-charge is closed",
            ),
        ),
        explains=(*LINK, "precharge-attempts", "contactor-sequence"),
    ),
    Row(
        when=(failed("precharge-curve", "{unit} link", "plateau"),),
        causes=(
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
        when=(failed("precharge-curve", "{unit} link", "step-at-positive"),),
        causes=(
            (
                "the pre-charge path is open (its resistor, fuse, contact or wire), and positive "
                "closed onto an empty link: the inrush welds its contacts",
                "with the pack isolated, measure the pre-charge path from end to end, and look "
                "whether "
                "the contacts of positive are pitted or stick",
            ),
            (
                "the pre-charge resistor is bypassed or far too small, and the clock of the link's "
                "bus is late",
                "with the pack isolated, measure the resistor from end to end",
            ),
        ),
        explains=LINK,
    ),
    Row(
        when=(failed("precharge-curve", "{unit} link", "step"),),
        causes=(
            (
                "the pre-charge resistor is bypassed or far too small",
                "with the pack isolated, measure the resistor from end to end, and that each "
                "contactor is open without its coil",
            ),
            (
                "a contactor is welded, so that the link rises at once as the next one closes",
                "treat the link as live; a qualified person isolates the pack, measures, and tests "
                "each contactor by itself",
            ),
            (
                "the pre-charge path is open, and positive closed onto an empty link",
                "with the pack isolated, measure that path from end to end, and look at the "
                "contacts of positive",
            ),
        ),
        explains=LINK,
    ),
    Row(
        when=(failed("precharge-curve", "{unit} link", "charged-before"),),
        causes=(
            (
                "the link was still charged from before: the bleed is slow, or a contactor welded",
                "leave it off until the link is below 60 V, then repeat; if it holds, treat it as "
                "welded",
            ),
        ),
        explains=LINK,
    ),
    Row(
        when=(failed("precharge-curve", "{unit} link"),),
        causes=(
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
        when=(failed("contactor-sequence", code="precharge-never-closed"),),
        causes=(
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
        when=(failed("contactor-sequence", code="closed-again"),),
        causes=(
            (
                "the negative contactor let go and closed again onto the link: its coil's supply "
                "or its command broke off",
                "with the pack isolated, have it pulled in and move its plug and wires; look at "
                "its contacts",
            ),
            (
                "only its auxiliary contact or that wire flickers",
                "compare its state with the current at that instant: through an open contactor "
                "none flows",
            ),
        ),
    ),
    Row(
        when=(failed("precharge-level", "{unit} link"),),
        causes=(
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
        when=(failed("closing-inrush"), failed("current-ceiling")),
        causes=(
            (
                "a load is on as the contactors close: heater, d.c. converter, compressor",
                "switch every high-voltage consumer off before power-up and repeat",
            ),
        ),
        explains=("source-resistance",),
    ),
    # 12 V and the bus.
    Row(
        when=(failed("control-supply"), failed("supply-range")),
        causes=(
            (
                "nothing charges the 12 V battery, which goes flat: the d.c. converter does not "
                "run, or its fuse or cable is open",
                "measure the 12 V at the battery, converter on and off",
            ),
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
        when=(failed("control-supply"),),
        causes=(
            (
                "the 12 V battery is tired or small: it gives way when a coil pulls in",
                "measure the 12 V at its terminals while the contactors close",
            ),
            (
                "a thin or loose 12 V supply or ground to the contactor box",
                "measure the drop from terminal to box while the contactors close",
            ),
        ),
        explains=("supply-range", "cycle-time", "alive-counter", "capture-gaps"),
    ),
)
