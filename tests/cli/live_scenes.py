"""Three instants of a run as the watching process sees them, drawn by a process of its own.

``python -m tests.cli.live_scenes`` draws one after the other, a line on standard input apart, and
rings the bell after each.
"""

import os
from dataclasses import replace

from canscope.cli._keys import Keys
from canscope.cli._live_view import live_picture, view
from canscope.cli._reading_entry import Meters
from canscope.live.recording.status import RecorderStatus
from canscope.live.run_folder.run_file_schema import Bus
from canscope.live.watching.alarm_latch import LatchedAlarm
from canscope.live.watching.latest import ShownTemperature
from canscope.live.watching.watch import UNHEARD, Glance

ROLES = {"pack.voltage": "V", "pack.current": "A", "supply.voltage": "V"}
for unit in ("front", "rear"):
    ROLES |= {f"units.{unit}.speed": "rpm", f"units.{unit}.link_voltage": "V"}
    ROLES |= {f"units.{unit}.temperatures.{word}": "degC" for word in ("inverter", "winding")}
KEYS = Keys(["front", "rear"], Meters(ROLES))
LEGEND = KEYS.legend
KEYS.press("m")


def bus(frames, **more):
    given = {"state": "recording", "silent": True, "error_frames_are": "recorded", **more}
    return Bus(frames=frames, **given)


def temperature(role, value, slope=None, to_s=None):
    return ShownTemperature(f"units.{role}", value, slope, 75.0, to_s)


def alarm(rule, stops, text, short, at, acknowledged=False):
    return LatchedAlarm(rule, "x", stops, text, at, at, at, acknowledged, short)


STATUS = RecorderStatus(
    buses={"can0": bus(120_345), "can1": bus(240_690), "can2": bus(240_601)},
    per_s={"can0": 1210, "can1": 2420, "can2": 2419},
    disk_free=212_400_000_000,
)
BEGUN = RecorderStatus(
    buses={"can0": bus(0), "can1": bus(0, error_frames_are="unknown"), "can2": bus(0)},
    disk_free=212_400_000_000,
)
TURNING = Glance(
    "TURNING",
    ("front", "rear"),
    turning=("front", "rear"),
    dry_left=(("front", 3.2, 48.9), ("rear", 3.3, 51.0)),
    temperatures=(
        temperature("front.temperatures.inverter", 24.5, 0.12, 421.0),
        temperature("front.temperatures.winding", 21.0, 0.02),
        temperature("rear.temperatures.inverter", 23.0, 0.31, 167.7),
        temperature("rear.temperatures.winding", 20.5),
    ),
    values={
        "driver.direction": 1.0,
        "driver.brake": 0.0,
        "pack.voltage": 357.84,
        "pack.current": 6.3,
        "units.front.speed": 612.4,
        "units.rear.speed": 608.9,
    },
    bus_age_s={"can0": 0.01, "can1": 0.0, "can2": 0.0},
    alarms=(alarm("bus-load", False, "Can1: load 72 %.", "Can1: the load was 72 %.", 1, True),),
)
WRONG_WAY = "The front axle turned against the requested direction (forward): -690 rpm."
STOP = replace(
    TURNING,
    word="STOP",
    why=("long",),
    values={**TURNING.values, "units.front.speed": -690.2, "pack.current": None},
    alarms=(
        *TURNING.alarms,
        alarm("torque-response", False, "Front: ...", "Front: torque and speed disagree.", 2),
        alarm("axle-direction", True, "Front forward: ...", WRONG_WAY, 3),
        alarm("axle-agreement", True, "...", "The axles turned against each other.", 4),
    ),
)
NOT_READY = Glance(
    "NOT READY",
    (
        UNHEARD,
        "can0: no frame yet",
        "can1: no frame yet",
        "can2: no frame yet",
        *(f"units.front.{word} was never heard" for word in ("speed", "torque", "link_voltage")),
    ),
    dry_left=(("front", 5.0, 60.0), ("rear", 5.0, 60.0)),
    values=dict.fromkeys(TURNING.values),
)
SCENES = {
    "not ready": (NOT_READY, BEGUN, ""),
    "ready": (replace(TURNING, word="READY", why=(), turning=(), alarms=()), STATUS, ""),
    "turning": (TURNING, STATUS, "note: left wheel rubs_  (Enter keeps it, Esc drops it)"),
    "stop": (STOP, STATUS, ""),
    "stop, while a reading is noted": (STOP, STATUS, KEYS.prompt),
}


def main():
    with live_picture() as picture:
        for glance, status, prompt in SCENES.values():
            width, height = picture.console.size
            words = {"prompt": prompt, "legend": LEGEND, "width": width, "height": height}
            picture.update(view(glance, status, **words), refresh=True)
            os.write(1, b"\a")  # this picture is whole
            input()


if __name__ == "__main__":
    main()
