"""Limits, pedal and selector: mostly a matter of settings."""

from __future__ import annotations

from canscope.judge.causes.pattern import Row, failed

HOT = ("temperature-*|{unit} *",)

ROWS = (
    Row(
        when=(failed("speed-ceiling", "{unit}"),),
        causes=(
            (
                "the speed limit for the first spin is not set in the controller ({unit})",
                "read the limit back from the controller before the next burst",
            ),
            (
                "a free wheel takes no load, so little torque is enough to over-speed",
                "limit torque and pedal travel, and press for a shorter time",
            ),
        ),
        explains=("dry-exposure|{unit}", "change-at-standstill|{unit}", *HOT),
    ),
    Row(
        when=(failed("pedal-at-rest", "pedal"),),
        causes=(
            (
                "the pedal sticks, or its rest is not taught",
                "read the pedal with the foot off, then teach its rest anew",
            ),
        ),
        explains=("pedal-at-rest",),
    ),
    Row(
        when=(failed("pedal-at-rest", "{unit}*"),),
        causes=(
            (
                "creep is on: the {unit} unit pulls with the pedal at rest",
                "switch creep off for the bench, or declare it in the plan",
            ),
            (
                "the controller takes an input other than the pedal for torque",
                "with all power off unplug the pedal; then, with the contactors open, see "
                "whether the "
                "command stays",
            ),
        ),
        explains=(
            "dry-exposure|{unit}",
            "units-fighting",
            "change-at-standstill|{unit}",
            "unasked-motion|{unit}",
            *HOT,
        ),
    ),
    Row(
        when=(failed("change-at-standstill"), failed("brake-interlock")),
        causes=(
            (
                "the selector is not locked by brake and standstill: the interlock is missing",
                "look at the controller's conditions for entering forward and reverse",
            ),
        ),
    ),
)
