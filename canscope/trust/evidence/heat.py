"""Temperatures and coolant."""

from __future__ import annotations

from canscope.trust.evidence.row import REPEATED, Evidence, Unseen, Witness, dead_bit, held_last

THERMOMETER = "compare it with an infrared thermometer once it is warm, and note it as a reading"

TEMPERATURES = Unseen(
    "warm-scale",
    ("units.*.temperatures.*",),
    "a wrong factor of temperatures that moves a cold one by no more than the 5 K that cold-soak "
    "allows: of the warming it shows too much, or as little as a sensor that touches its part "
    "badly",
    THERMOMETER,
    least=-5.0,
    most=5.0,
)

STOPPED = tuple(
    Unseen(
        kind,
        ("units.*.temperatures.*",),
        "a sensor that stops, sticks or drifts, as long as it never hides more than the 3.5 K "
        "by which the parts of a unit soak otherwise, nor shows 7 K too many",
        THERMOMETER,
        least=0.0,
        most=3.5,
    )
    for kind in ("freeze", "dither", "constant")
)

ROWS = (
    Evidence(
        "cooling.flow",
        (Witness("coolant-flow", "it is there whenever a unit turns"),),
        ("stuck: it reads a flow before the pump ran", "frozen: never a step"),
        (
            Unseen(
                "delay",
                ("cooling.flow",),
                "a delay of up to 2 s: a pump takes as long to fill its circuit and to run out",
                "watch the return in the expansion tank while another person reads the value",
                least=0.0,
                most=2.0,
            ),
            Unseen(
                "offset",
                ("cooling.flow",),
                "a flow that reads less than it is proves less, not more; one that reads more, at "
                "rest as well, has to rise over that by the limit",
                "catch the return in a measuring jug for a minute, and note it as a reading",
            ),
            dead_bit("cooling.flow", 0.5, "half a litre a minute, as with an offset"),
            held_last("cooling.flow", 0.3, "coolant takes longer to come to rest"),
            Unseen(
                "scale",
                ("cooling.flow",),
                "a wrong factor that leaves more than the limit",
                "catch the return in a measuring jug for a minute, and note it as a reading",
                least=0.2,
            ),
        ),
    ),
    Evidence(
        "units.*.temperatures.*",
        (
            Witness("cold-soak", "cold, it reads as the ambient and its neighbours do"),
            Witness("sensor-alive", "it warms as its neighbours do"),
            Witness("the burst's energy", "it cannot warm without loss, nor cool below ambient"),
        ),
        (
            "an offset, or degF called degC: cold, it differs from the ambient",
            "frozen, or flickering by a step: its neighbours warm and it does not",
            "another unit's sensor: equal to the bit, or warming as that unit turns",
            "falling while everything warms",
            "made up: it swings, wanders or jumps otherwise than bursts can warm a part",
            "made of speed, torque or current: it falls at once as its unit stops",
            "cut off: it stays at its highest while what is heated with it warms on",
        ),
        (
            TEMPERATURES,
            REPEATED,
            *STOPPED,
            Unseen(
                "clipped",
                ("units.*.temperatures.*",),
                "a sensor that shows nothing above some value and so hides no more than 2 K: parts "
                "soak by as much, and many sensors differ by more",
                THERMOMETER,
                least=0.0,
                most=2.0,
            ),
            Unseen(
                "quantised",
                ("units.*.temperatures.*",),
                "steps of up to 1 K, whatever the definition says: many sensors have no finer ones,"
                " and a level is known to half of one",
                "warm it by hand and see how its value goes up",
                least=0.0,
                most=1.0,
            ),
            held_last("units.*.temperatures.*", 0.3, "no part warms by a kelvin in that time"),
            Unseen(
                "mean-of-both",
                ("units.*.temperatures.*",),
                "a value that a unit computes from two of its parts, or of both units, and that "
                "hides no more than 2 K: parts soak by as much, and many sensors differ by more",
                THERMOMETER,
                least=0.0,
                most=2.0,
            ),
            Unseen(
                "drift",
                ("units.*.temperatures.*",),
                "a slow drift upwards by no more than the 10 K that a part may warm by: it shows "
                "too much, so every limit of heat is met earlier and not later; or downwards by no "
                "more than the 5 K of cold-soak, which keeps it above the air",
                THERMOMETER,
                least=-5.0,
                most=10.0,
            ),
            Unseen(
                "exchanged",
                ("units.*.temperatures.*",),
                "two parts of one unit, or the same part of two units that turned alike: which "
                "sensor sits where no signal tells",
                "warm each by hand and see which reading moves",
            ),
            Unseen(
                "delay",
                ("units.*.temperatures.*",),
                "a sensor that answers some tens of seconds late, or sluggishly, as one that "
                "touches its part badly; its highest value still lies within the soak",
                THERMOMETER,
                least=0.0,
                most=120.0,
            ),
            Unseen(
                "weak",
                ("units.*.temperatures.*",),
                "a sensor that shows a part of the warming only, as one that touches its part "
                "badly, where no other unit has the same one, or where all of a unit show as "
                "little: another make of unit may warm by a quarter",
                THERMOMETER,
            ),
            Unseen(
                "offset",
                ("units.*.temperatures.*",),
                "an offset of no more than the 5 K that cold-soak allows",
                THERMOMETER,
                least=-5.0,
                most=5.0,
            ),
        ),
    ),
)
