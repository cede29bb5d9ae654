"""How much each meaning of a word speaks for a role, or against it. Common practice, no source."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from canscope.draft.evidence import Candidate
from canscope.draft.words import meanings

FROM_MESSAGE = 0.4  # what a word in the message's name counts beside one in the signal's
OF_A_MESSAGE = ("target", "command", "limit")  # a message of targets has nothing but targets
# Role -> meaning of a word -> how much it speaks for the role (or against it).
SAYS: Mapping[str, Mapping[str, float]] = {
    "pack.voltage": {
        "voltage": 0.5, "battery": 0.5, "high": 0.3, "link": -0.6, "inverter": -0.5, "motor": -0.4,
        "low": -1, "cell": -1, "limit": -0.6, "target": -0.8, "charger": -0.6, "current": -0.4,
        "temperature": -0.5, "second": -0.1, "insulation": -0.5,
    },
    "pack.current": {
        "current": 0.5, "battery": 0.5, "high": 0.3, "phase": -1, "motor": -0.4, "limit": -0.6,
        "target": -0.8, "low": -1, "charger": -0.6, "cell": -0.5, "voltage": -0.4, "inverter": -0.3,
    },
    "pack.insulation": {"insulation": 0.75, "resistance": 0.35, "limit": -0.5, "fault": -0.6},
    "supply.voltage": {
        "voltage": 0.45, "low": 0.6, "high": -1, "link": -0.7, "cell": -1, "motor": -0.3,
        "inverter": -0.5, "target": -0.8, "limit": -0.6, "battery": 0.0,
    },
    "driver.ignition": {"ignition": 1.0, "contactor": -0.5, "brake": -0.9, "fault": -0.6,
                        "counter": -0.3, "emergency": -0.6, "pedal": -0.5, "direction": -0.5},
    "driver.brake": {"brake": 0.95, "pedal": 0.1, "pressure": -1, "emergency": -0.5, "fault": -0.7,
                     "temperature": -1, "wheel": -0.5, "target": -0.3, "torque": -0.6},
    "driver.emergency_stop": {"emergency": 1.0, "fault": -0.4, "brake": -0.5},
    "driver.pedal": {"accelerator": 0.8, "pedal": 0.65, "position": 0.2, "brake": -1,
                     "second": -0.5, "limit": -0.6, "fault": -0.7, "steering": -0.8,
                     "power": -0.5},
    "driver.pedal_2": {"accelerator": 0.5, "pedal": 0.2, "position": 0.15, "brake": -1,
                       "second": 0.6, "limit": -0.6, "fault": -0.7, "steering": -0.8},
    "driver.direction": {"direction": 0.9, "accelerator": -0.5, "brake": -0.6, "contactor": -0.6,
                         "fault": -0.6, "steering": -0.8, "valid": -0.6},
    "cooling.flow": {"flow": 0.75, "coolant": 0.35, "temperature": -0.8, "pressure": -0.6},
    "units.*.speed": {"speed": 0.75, "motor": 0.35, "command": -0.8, "wheel": -0.9,
                      "vehicle": -0.9, "target": -0.8,
                      "limit": -0.7, "fan": -0.8, "torque": -0.6, "temperature": -0.6,
                      "valid": -0.8, "second": -0.1},
    "units.*.torque": {"torque": 0.85, "motor": 0.25, "target": -0.8, "limit": -0.7, "speed": -0.4,
                       "steering": -1, "command": -0.6, "wheel": -0.6, "valid": -0.8,
                       "brake": -0.5},
    "units.*.link_voltage": {
        "voltage": 0.45, "link": 0.6, "inverter": 0.5, "motor": 0.1, "battery": -0.5, "low": -1,
        "cell": -1, "target": -0.8, "limit": -0.6, "phase": -0.6, "current": -0.4, "charger": -0.5,
    },
    "units.*.fault": {"fault": 0.95, "brake": -0.5, "battery": -0.5, "contactor": -0.5,
                      "counter": -0.7, "limit": -0.3, "insulation": -0.6},
}  # fmt: skip
UNIT_OF = {
    "pack.voltage": "V", "pack.current": "A", "pack.insulation": "ohm", "supply.voltage": "V",
    "driver.pedal": "%", "driver.pedal_2": "%", "cooling.flow": "l/min", "units.*.speed": "rpm",
    "units.*.torque": "Nm", "units.*.link_voltage": "V",
}  # fmt: skip


def says(one: Candidate, words: Mapping[str, float]) -> float:
    """From -1 to 1: what the names of a signal and its message say for a role."""
    own = meanings(one.facts.spec.name)
    around = meanings(one.message.spec.name) if one.message.spec else {}
    total = 0.0
    for word, weight in words.items():
        strength = own.get(word, 0.0)
        if weight > 0 or word in OF_A_MESSAGE:
            strength = max(strength, FROM_MESSAGE * around.get(word, 0.0))
        total += weight * strength
    return float(np.clip(total, -1.0, 1.0))
