"""Readings that are not what the plan says: bound wrongly, exchanged, of a wrong factor, late.

They come before what the vehicle itself may have, which such readings only make up.
"""

from __future__ import annotations

from canscope.judge.causes.pattern import Row, failed, unproven

BOUND_ELSEWHERE = (
    "bus-sag|pack",
    "source-resistance|pack",
    "voltage-agreement",
    "power-balance",
    "precharge-*",
)

ROWS = (
    Row(
        when=(unproven("axle-*", code="same-sensor"),),
        causes=(
            (
                "the speeds of two axles are one sensor's: the plan binds one of them twice, or a "
                "gateway or node sends the other's as its own",
                "with the contactors open, turn one axle by hand: only its own speed may move",
            ),
        ),
        explains=(
            "torque-response",
            "axle-*",
            "unasked-motion",
            "units-fighting",
            "power-balance",
            "turns-after-release",
        ),
    ),
    Row(
        when=(unproven("*", code="same-sensor"),),
        unless=(unproven("axle-*", code="same-sensor"),),
        causes=(
            (
                "two readings are one sensor's: the plan binds one of them twice, or a gateway or "
                "node sends the other's as its own",
                "look up which node sends each of the two; with the contactors open, move or warm "
                "only one of the two parts: only its own reading may follow",
            ),
        ),
    ),
    Row(
        when=(
            failed("link-discharge", "{unit} link"),
            unproven("*", "{unit} link", "out-of-range"),
        ),
        causes=(
            (
                "the reading of the {unit} link is no voltage: wrong byte order, start bit, factor "
                "or offset in its definition",
                "treat the link as live; look at its curve in the report, which has to rise and "
                "fall smoothly, and compare its definition with its source",
            ),
        ),
        explains=(
            "link-discharge|{unit} link",
            "precharge-*|{unit} link",
            "voltage-*|{unit} link",
            "value-range",
            "bus-sag|{unit} link",
            "source-resistance|{unit} link",
        ),
    ),
    Row(
        when=(
            failed("pedal-at-rest", "{unit}*"),
            unproven("pedal-at-rest", "pedal", "suspect-input"),
        ),
        causes=(
            (
                "the pedal's reading does not move: its plug is out, its track is dead, or the "
                "plan binds another signal, so that CAN does not show who asked",
                "with the contactors open, press the pedal and watch its signal",
            ),
            (
                "the controller takes an input other than the pedal for torque, or creep is on",
                "with all power off unplug the pedal; then, with the contactors open, see whether "
                "the command stays",
            ),
        ),
        explains=("pedal-at-rest", "unasked-motion", "dry-exposure", "change-at-standstill"),
    ),
    # Two readings of high voltage in each other's place.
    Row(
        when=(
            unproven("*", code="behind-contactors"),
            unproven("*", "{unit} link", "holds-open"),
        ),
        causes=(
            (
                "the plan exchanges pack.voltage and the {unit} unit's link_voltage: what "
                "is bound to the pack is empty before the contactors close, and that link is not",
                "until that is mended treat the link as live; then look up which of the two "
                "signals the battery sends, and exchange the bindings",
            ),
        ),
        explains=(*BOUND_ELSEWHERE, "link-discharge|{unit} link", "contactor-weld", "bus-sag"),
    ),
    Row(
        when=(unproven("*", code="behind-contactors"),),
        causes=(
            (
                "the plan binds pack.voltage to what is measured behind the contactors: it is "
                "empty before they close",
                "look up which signal is measured on the battery's side of the contactors, and "
                "bind "
                "that one",
            ),
            (
                "the node that measures the pack is only supplied once the contactors close",
                "a qualified person compares it with a rated instrument before the contactors "
                "close",
            ),
        ),
        explains=BOUND_ELSEWHERE,
    ),
    *(
        Row(
            when=(failed("contactor-sequence", code="positive-first"), failed(second)),
            causes=(
                (
                    "the state of the negative contactor is inverted, or positive and negative are "
                    "exchanged, in the plan or in their wiring (or this vehicle pre-charges on its "
                    "negative side: then bind them so)",
                    "with the pack isolated, have each contactor pulled in by itself and see whose "
                    "state moves, and which way",
                ),
                (
                    "the controller does close positive first, onto an empty link",
                    "with the pack isolated, let it go through its sequence and listen to each "
                    "contactor; look at the contacts of positive",
                ),
            ),
            explains=(
                "contactor-sequence",
                "precharge-*",
                "closing-inrush",
                "current-while-open",
                "contactor-weld",
                "bus-sag",
                "source-resistance",
                "voltage-agreement",
            ),
        )
        for second in ("precharge-level", "current-while-open")
    ),
    Row(
        when=(
            failed("link-discharge"),
            failed("current-while-open"),
            failed("contactor-sequence"),
        ),
        unless=(failed("contactor-weld"),),
        causes=(
            (
                "the states of two contactors are exchanged, in the definition, the plan or their "
                "wiring: current flows while one of them reads open",
                "treat the link as live; with the pack isolated, have each contactor pulled in by "
                "itself and see whose state moves",
            ),
            (
                "a main contactor conducts although its state says open: welded, or its feedback "
                "is wrong",
                "treat the link as live; with the pack isolated, a qualified person measures "
                "across both contactors",
            ),
        ),
    ),
    Row(
        when=(failed("voltage-ceiling"), failed("value-range")),
        causes=(
            (
                "a voltage has a wrong factor, offset or byte order in its definition",
                "a qualified person compares it with a rated instrument; compare its definition "
                "with its source",
            ),
            (
                "braking fed back into a pack that was full, or that had just been disconnected",
                "compare pack and links at that instant: if only one is high, it is that reading",
            ),
        ),
        explains=("voltage-ceiling", "value-range", "voltage-agreement"),
    ),
    Row(
        when=(failed("supply-range", code="always-low"),),
        causes=(
            (
                "the 12 V reading has a wrong factor or offset in its definition, or is "
                "another quantity: it reads less than the nodes that talk need, already at "
                "rest",
                "measure the 12 V at the battery, and compare it with the reading at that moment",
            ),
            (
                "the 12 V battery is flat, or the node that reports it is badly supplied",
                "charge the battery; measure the 12 V at the plug of that node",
            ),
        ),
        explains=("control-supply", "supply-range"),
    ),
    Row(
        when=(failed("supply-range", code="nothing-read"),),
        causes=(
            (
                "the 12 V reading is missing, not the 12 V: a node without supply does not talk",
                "measure the 12 V at the battery, and at the sense wire of the node that reports "
                "it, while it reads nothing",
            ),
            (
                "the 12 V is lost at the node that reports it, which is fed from elsewhere as well",
                "look at that node's plugs and fuses, then measure at its plug",
            ),
        ),
        explains=("control-supply", "supply-range"),
    ),
    Row(
        when=(unproven("contactor-*", code="echo"),),
        causes=(
            (
                "the controller sends what it asked for in place of what the contact did: the state"
                " is an echo of the command, or the plan binds the command twice",
                "with all power off unplug the coil of one contactor; then, with the pack isolated,"
                " have it pulled in: its state has to stay open",
            ),
        ),
    ),
    Row(
        when=(unproven("*", code="wrong-factor"),),
        causes=(
            (
                "a wrong scale: the speed is in other units (rad/s, revolutions a second), is a "
                "wheel's, or speed or torque has another factor than its definition says",
                "count a wheel's turns for ten seconds at creeping speed, and note it as a reading",
            ),
        ),
    ),
    Row(
        when=(unproven("*", code="suspect-current"),),
        causes=(
            (
                "a wrong factor, sign or zero of the pack current in its definition",
                "a qualified person puts a d.c. clamp round one cable of the pack under a known "
                "load, and compares",
            ),
            (
                "its sensor, or the node that sends it, is stuck, slow or saturated",
                "switch a known load on and off and watch the reading",
            ),
        ),
    ),
    Row(
        when=(unproven("*", code="clocks-apart"),),
        unless=(unproven("*", "* link", "out-of-range"),),  # its rise shows no clock
        causes=(
            (
                "the clocks of two adapters differ, or one of them runs fast or slow",
                "record all buses by one clock: one recorder, or adapters that it keeps in step",
            ),
            (
                "a filter, a gateway or a slow node delays one of the two readings",
                "look up how old its values may be, and compare its course with the other one's",
            ),
        ),
    ),
    Row(
        when=(unproven("*", code="heard-late"),),
        causes=(
            (
                "the clock of that bus's adapter is late, or its recording began after the others",
                "look whether every answer on that bus comes as much later than what asked for it; "
                "then record all buses by one clock, from before the ignition is switched on",
            ),
            (
                "that unit wakes only once a contactor has closed",
                "look at its supply and at what wakes it",
            ),
        ),
    ),
    Row(
        when=(unproven("cycle-time", code="too-often"),),
        causes=(
            (
                "the recorder writes every frame twice, or one bus is recorded by two adapters "
                "under one name",
                "look whether equal frames follow each other; then record with one adapter a bus",
            ),
            (
                "the cycle in plan or definition is not that of these messages",
                "compare it with how often each message comes, and state that in the plan",
            ),
            (
                "two nodes send the same message",
                "with the contactors open, unplug one node after the other and see whether it "
                "still comes",
            ),
        ),
        # Where every frame comes twice no counter counts on by one.
        explains=("cycle-time", "control-supply"),
    ),
)
