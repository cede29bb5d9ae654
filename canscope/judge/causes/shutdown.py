"""High voltage that does not go away, or leaks, and the button that takes it away."""

from __future__ import annotations

from canscope.judge.causes.pattern import Row, failed

ROWS = (
    Row(
        when=(failed("contactor-weld", "negative pole"),),
        causes=(
            (
                "the negative contactor has welded: it says open and the link stays live",
                "treat the link as live; a qualified person isolates the pack, measures, and "
                "tests the contactor by itself",
            ),
        ),
        explains=("link-discharge", "voltage-agreement"),
    ),
    Row(
        when=(failed("contactor-weld", "positive pole"),),
        causes=(
            (
                "the positive contactor has welded, or the pre-charge path is still closed",
                "treat the link as live; a qualified person isolates the pack, measures, and "
                "tests the contactor by itself",
            ),
        ),
        explains=("link-discharge", "voltage-agreement"),
    ),
    *(
        Row(
            when=(failed("link-discharge", code=code),),
            causes=(
                (
                    "something feeds the link while both contactors read open: one of them closed "
                    "again or is welded, a charger, a turning motor",
                    "treat the link as live; a qualified person isolates the pack, measures, and "
                    "tests each contactor by itself",
                ),
                (
                    "the state of a contactor is not its contact's own word",
                    "with the pack isolated, have each contactor pulled in and let go by itself, "
                    "and compare it with its state on the bus",
                ),
            ),
            unless=(failed("contactor-weld"),),
        )
        for code in ("live-again", "fed-again", "live-before")
    ),
    Row(
        when=(failed("link-discharge"),),
        causes=(
            (
                "the active bleed does not switch in, or its resistor is open",
                "treat the link as live; a qualified person waits, measures it dead, then "
                "measures the "
                "bleed resistor and its switch",
            ),
            (
                "something still feeds the link: a charger, a turning motor, a closed contactor",
                "look whether the voltage falls along a curve or holds a level",
            ),
        ),
        unless=(failed("contactor-weld"),),
    ),
    Row(
        when=(failed("emergency-stop", code="ignored"),),
        causes=(
            (
                "the emergency stop is not in the contactors' coil circuit, only a wish to the "
                "controller",
                "trace the stop loop with a meter: it must break the coils' supply without any "
                "software",
            ),
            (
                "the reading is not the button's, or is the other way round",
                "with the contactors open, press and release the button and see which way its "
                "signal moves",
            ),
            (
                "a contactor is welded, or its feedback contact is stuck",
                "with the pack isolated, test each contactor by itself",
            ),
        ),
    ),
    Row(
        when=(failed("emergency-stop", code="never-released"),),
        causes=(
            (
                "the reading of the emergency stop is the other way round, or its plug is out: it "
                "read pressed from the first reading on",
                "with the contactors open, press and release the button and see which way its "
                "signal moves; then trace the stop loop with a meter",
            ),
            (
                "the button was pressed and does not break the coils' supply",
                "trace the stop loop with a meter: it must break the coils' supply without any "
                "software",
            ),
        ),
    ),
    Row(
        when=(failed("insulation-resistance"),),
        causes=(
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
)
