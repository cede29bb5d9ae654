"""High voltage that does not go away, or leaks."""

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
