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
    Row(
        when=(failed("contactor-sequence", code="positive-first"), failed("precharge-level")),
        causes=(
            (
                "positive and negative are exchanged, in the plan or in the wiring of their states "
                "(or this vehicle pre-charges on its negative side: then bind them so)",
                "with the pack isolated, have each contactor pulled in by itself and see whose "
                "state moves",
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
        ),
    ),
    *(
        Row(
            when=(failed(rule, code=code),),
            causes=(
                (
                    "the 12 V reading has a wrong factor or offset in its definition, or is "
                    "another quantity: it reads less than the nodes that talk need, already at "
                    "rest",
                    "measure the 12 V at the battery, and compare it with the reading at that "
                    "moment",
                ),
                (
                    "the 12 V battery is flat, or the node that reports it is badly supplied",
                    "charge the battery; measure the 12 V at the plug of that node",
                ),
            ),
            explains=("control-supply", "supply-range"),
        )
        for rule, code in (("control-supply", "low-before"), ("supply-range", "always-low"))
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
