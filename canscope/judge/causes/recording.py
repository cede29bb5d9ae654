"""A recording that cannot be believed; it comes before anything that it shows."""

from __future__ import annotations

from canscope.judge.causes.pattern import Row, failed

ROWS = (
    Row(
        when=(failed("buses-distinct"),),
        causes=(
            (
                "two adapters are plugged into the same bus, or one bus was recorded under two "
                "names",
                "unplug one unit's bus from its adapter: only the frames of that unit may stop",
            ),
            (
                "a gateway repeats the frames of one unit's bus on the other's",
                "look up in the vehicle's description which messages the gateway repeats",
            ),
        ),
        explains=(
            "capture-integrity",
            "alive-counter",
            "axle-*",
            "unasked-motion",
            "torque-response",
            "units-fighting",
            "power-balance",
        ),
    ),
    Row(
        when=(failed("capture-integrity", code="clock-stepped"),),
        causes=(
            (
                "the recording computer's clock was set while it recorded",
                "switch automatic time setting off, or record with the adapter's own clock, "
                "and run again",
            ),
        ),
        explains=("capture-gaps", "cycle-time"),
    ),
    Row(
        when=(failed("capture-integrity", code="cut-off"),),
        causes=(
            (
                "the file was copied while it was still being written, or the recorder lost power",
                "stop the recorder first, then copy the file again",
            ),
        ),
    ),
    Row(
        when=(failed("capture-integrity", code="missing-frames"),),
        causes=(
            (
                "the recorder, its adapter or a filter in it lost frames that were on the buses",
                "record again with another adapter and fewer programs running, and see whether the "
                "same messages lack frames",
            ),
            (
                "lines of the file are damaged and could not be read: a bad disk, a serial line, "
                "an editor",
                "look in the report how many lines could not be read, and compare the first of "
                "them with the file on the recorder",
            ),
            (
                "the cycles in plan or definition are not those of these messages",
                "compare them with how often each message comes, message by message",
            ),
        ),
        explains=("cycle-time", "alive-counter", "capture-gaps"),
    ),
    Row(
        when=(failed("capture-integrity", code="unreadable-lines"),),
        causes=(
            (
                "the file was damaged or edited on its way: a bad disk, a serial line, an editor",
                "look at the first unreadable line, compare with the file on the recorder",
            ),
        ),
        explains=("capture-gaps", "cycle-time", "alive-counter"),
    ),
)
