"""What is really wrong in each fault, in a word that one of its three probable causes has to say.

The words are those of the faults' own descriptions in the simulator, not of the diagnosis.
"""

from canscope.simulate.vehicle import Vehicle

CAUSES = {
    "bad-precharge": "timer",
    "bus-off": "termina",
    "change-on-the-move": "coasting",
    "checksum-wrong": "data_id",
    "clock-step": "clock",
    "counter-stuck": "hangs",
    "creep": "creep",
    "current-sensor-reversed": "wrong sign",
    "current-while-open": "pack's side of the contactors",
    "cut-end": "copied while",
    "direction-without-brake": "brake",
    "drives-against-the-brake": "brake",
    "emergency-stop-ignored": "emergency stop",
    "errors-while-driving": "inverter's switching couples",
    "front-axle-wrong-way": "{front} unit's controller asks for the wrong sense",
    "garbled-lines": "damaged",
    "heater-left-on": "heater",
    "high-source-resistance": "joint",
    "link-sensor-wrong": "{rear} unit's voltage reading",
    "load-at-closing": "heater",
    "long-dry-burst": "too long",
    "low-12V": "12 V battery",
    "low-insulation": "damp",
    "message-missing": "node that sends it",
    "no-precharge": "pre-charge is not driven",
    "node-dies": "node",
    "nobody-acknowledges": "nobody acknowledges",
    "over-voltage": "full",
    "overspeed": "speed limit",
    "pedal-rests-high": "pedal",
    "pedal-tracks-apart": "track",
    "phases-not-swapped": "phases_swapped",
    "rear-axle-locked": "axle is held",
    "rear-axle-wrong-way": "{rear} unit's controller asks for the wrong sense",
    "recording-gap": "recording computer",
    "sensor-at-the-rail": "unplugged",
    "sensor-frozen": "stuck",
    "sensor-offset": "sensor is off",
    "slow-discharge": "bleed",
    "supply-sinks": "converter",
    "turns-against-its-torque": "position sensor",
    "turns-in-power-up": "nobody asked",
    "turns-back-on-release": "through standstill",
    "unit-still-hot": "still hot",
    "weak-pack": "joint",
    "welded-negative": "negative contactor has welded",
    "welded-positive": "positive contactor has welded",
    "wrong-precharge-resistor": "resistor",
}

# With one unit there is no second link to say which of two voltages is wrong.
OF_ONE_UNIT = {"link-sensor-wrong": "one of the two voltage signals"}


def cause_of(fault: str, vehicle: Vehicle) -> str:
    """The words that have to be found; empty where nothing is asked."""
    words = OF_ONE_UNIT.get(fault) if len(vehicle.units) == 1 else None
    words = words or CAUSES.get(fault, "")
    return words.format(front=vehicle.front.name, rear=vehicle.rear.name)
