"""How a unit's mounting turns its axle: the sign between what it reports and what the axle does.

Vehicle axes are those of ISO 8855:2011 (x forward, y left, z up). They stay fixed while the unit
is turned by roll about x, then pitch about y, then yaw about z.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from canscope.model.bench import DriveUnit, Mounting

SMALLEST_Y = 0.966  # design: 15 degrees off the axle line at most
LEVEL_DEG = 15.0  # beyond it the oil no longer lies where its designer put it

PREDICTION = (
    "This sign is worked out from the plan. Only a person who watched the axle turn can confirm it."
)
CAUTION = (
    "This unit does not sit, or does not turn, as it was designed to. The sump pickup, the "
    "breather, the fill level, a mechanical pump and the thrust of helical gears may not be where "
    "or as they were meant. Nothing on the bus shows oil at the gears: inspect it and sign for it."
)


@dataclass(frozen=True)
class MountingEffect:
    """What a mounting does.

    ``y``, -1 to 1, is the part of the unit's axle line along the vehicle's y axis; ``sign`` turns
    what the unit reports into what its axle does.
    """

    y: float
    sign: int
    lubrication_caution: bool


def axle_y(mounting: Mounting) -> float:
    """The y component of the unit's y axis after roll, pitch and yaw: 1 as in the donor, -1 turned.

    Roll takes (0, 1, 0) to (0, cos r, sin r); pitch adds an x part sin p sin r; yaw mixes x and y.
    """
    roll, pitch, yaw = (math.radians(a) for a in (mounting.roll, mounting.pitch, mounting.yaw))
    return math.cos(yaw) * math.cos(roll) + math.sin(yaw) * math.sin(pitch) * math.sin(roll)


def effect_of(mounting: Mounting, phases_swapped: bool) -> MountingEffect | None:
    """Sign and caution of a mounting; None if the axle line is more than 15 degrees off y."""
    y = axle_y(mounting)
    if abs(y) < SMALLEST_Y:
        return None
    turned = 1 if y > 0 else -1
    tilted = any(_off_level(angle) > LEVEL_DEG for angle in (mounting.roll, mounting.pitch))
    return MountingEffect(y, -turned if phases_swapped else turned, tilted or turned < 0)


def _off_level(angle_deg: float) -> float:
    """How far an angle is from a whole turn, in degrees, 0 to 180."""
    return abs((angle_deg + 180.0) % 360.0 - 180.0)


def description(unit: DriveUnit, inverted: Mapping[str, bool]) -> Mapping[str, Any]:
    """One unit's mounting as the report shows it.

    ``inverted``: "speed" and "torque" -> whether the plan inverts that role by hand.
    """
    return {
        "unit": unit.name,
        **({"serial": unit.serial} if unit.serial else {}),
        "roll": unit.mounting.roll,
        "pitch": unit.mounting.pitch,
        "yaw": unit.mounting.yaw,
        "phases_swapped": unit.phases_swapped,
        "y": round(axle_y(unit.mounting), 6),
        "sign": unit.sign,
        "invert_speed": inverted.get("speed", False),
        "invert_torque": inverted.get("torque", False),
        "note": PREDICTION,
        "caution": CAUTION if unit.lubrication_caution else "",
    }
