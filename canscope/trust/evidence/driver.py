"""The driver's inputs."""

from __future__ import annotations

from canscope.trust.evidence.row import Evidence, Unseen, Witness, dead_bit

WAITED = "what follows waits for longer than that, so that it answers to it all the same"

EARLY_INPUTS = Unseen(
    "early",
    ("driver.*",),
    "inputs of the driver that are stamped up to 0.6 s early, all alike: a unit may take as long "
    "to answer, and a controller as long to take its torque back",
    "watch a light that shows the brake while another person presses it, and mark it",
    least=0.0,
    most=0.6,
)

AFTERWARDS = Unseen(
    "inputs-repeat",
    ("driver.*",),
    "a lever or a key that stands still from the last release of the pedal on, or all inputs that "
    "a gateway repeats, in a message without counter and checksum: they ask for nothing then that "
    "is judged, and of a stop button it is told that nobody was seen to press it",
    "send a rolling counter with them, and bind it; move each once more at the end",
)

LATE_PEDAL = Unseen(
    "delay",
    ("driver.pedal*",),
    "a pedal that is late by up to 0.2 s: a unit takes about as long to come to speed",
    "watch its value while another person presses it",
    least=0.0,
    most=0.2,
)

RENEWED_PEDAL = Unseen(
    "renewed",
    ("driver.pedal*",),
    "a pedal that is renewed only every 0.3 s, and changes fewer than 8 times in the run: late by "
    "as much at most",
    "watch its value while another person presses it slowly",
    least=0.0,
    most=0.3,
)

PEDAL_AGAIN = Unseen(
    "first-again",
    ("driver.pedal*",),
    "a pedal that shows an earlier burst's course in place of its own, which differs from it by no "
    "more than 6 %",
    "watch its value while another person presses it slowly",
    least=0.0,
    most=6.0,
)

SMOOTHED_PEDAL = Unseen(
    "smoothed",
    ("driver.pedal*",),
    "a low-pass of up to half a second of a pedal: it is pressed as soon as it was, and a unit "
    "that comes to speed and slows down with it takes as long",
    "release the pedal at once, and see its value fall at once",
    least=0.0,
    most=0.5,
)

HELD_PEDAL = Unseen(
    "holds-last",
    ("driver.pedal*",),
    "a pedal that repeats its last value for moments of up to 0.3 s, while it changes little or is "
    "released: late by as much at most, and a unit takes longer to slow down",
    "watch its value while another person presses it slowly",
    least=0.0,
    most=0.3,
)

PART_PEDAL = tuple(
    Unseen(
        kind,
        ("driver.pedal*",),
        what,
        "press it slowly to its stop with the contactors open, and read 100 %",
        most=most,
    )
    for kind, what, most in (
        (
            "clipped",
            "a pedal that stops at some part of its travel: what is claimed of it is that it rests "
            "and that axles turn only with it",
            float("inf"),
        ),
        (
            "quantised",
            "a pedal in steps of up to 6 %: its rest is known to half a step then, and not better",
            6.0,
        ),
    )
)

DRIFTING_PEDAL = tuple(
    Unseen(
        kind,
        ("driver.pedal*",),
        f"a pedal whose zero {words} downwards: at rest it reads 0 % all the same, and too little "
        "while it is pressed, as with a wrong factor; upwards by more than the 3 % of its rest as "
        "it is judged last, or apart from its second track by more than 10 %, it is seen",
        "press it to its stop with the contactors open, at the end as well, and read 100 %",
        least=-15.0,
        most=most,
    )
    for kind, words, most in (("drift", "drifts", 4.0), ("offset", "lies", 2.0))
)

RESTING_PEDAL = tuple(
    Unseen(
        kind,
        ("driver.pedal*",),
        "a pedal that reads 0 % now and then while it rests within the 3 % that its rest may be "
        "off",
        "press it slowly, and watch its value",
        least=0.0,
        most=3.0,
    )
    for kind in ("every-second-zero", "absent")
)

STUCK_PEDAL = dead_bit(
    "driver.pedal*",
    float("inf"),
    "what it is pressed by: that it rests, and that axles turn only with it, holds all the same",
)

ROWS = (
    Evidence(
        "driver.ignition",
        (Witness("what nodes do", "they wake after it and sleep after it goes off"),),
        (
            "exchanged, or another signal: contactors close, or axles speed up, with ignition off",
            "off for a while: a unit is driven on all the same, or contactors stay closed",
        ),
        (
            Unseen(
                "delay",
                ("driver.ignition",),
                "an ignition that comes up to a second and two cycles after the first contactor, "
                "or is a contactor's state: a coil that hangs on the key does the same, and nodes "
                "fall asleep later than that",
                "watch its value while another person switches it",
                least=0.0,
                most=1.2,
            ),
            Unseen(
                "stuck-state",
                ("driver.ignition",),
                "always on, in a run to whose end nodes go on sending: no key-off is proven, and "
                "no rule needs one",
                "switch it off while recording, and see it change",
            ),
            AFTERWARDS,
        ),
    ),
    Evidence(
        "driver.brake",
        (
            Witness("brake-interlock", "it is pressed at each change of direction"),
            Witness("what axles do", "a pressed brake lets none speed up"),
        ),
        (
            "always pressed: axles speed up under it",
            "exchanged: pressed while axles turn, released as the direction changes",
            "pressed for a while: a unit is driven on at its speed all the same",
            "made of the pedal: it changes with it each time, and never otherwise",
            "pressed for seconds while a vehicle rolls on",
        ),
        (
            Unseen(
                "delay",
                ("driver.brake",),
                f"a brake that is late by up to a second and a half: {WAITED}",
                "watch its value while another person presses it",
                least=0.0,
                most=1.5,
            ),
            Unseen(
                "from-lever",
                ("driver.brake",),
                "a brake computed from the lever, before each of its changes: a driver "
                "who presses it only then reads the same; a controller, which cannot know what the "
                "lever will do, makes it late, which brake-interlock fails",
                "press it once without touching the lever, and mark it",
            ),
            EARLY_INPUTS,
        ),
    ),
    Evidence(
        "driver.emergency_stop",
        (
            Witness("emergency-stop", "torque goes and poles open after it"),
            Witness("what axles do", "none speeds up while it is pressed"),
        ),
        (
            "always released: the stop that the plan asks for is never seen",
            "always pressed: poles close and axles turn under it",
            "made of the contactors' states: it reads pressed until the first one closes",
        ),
        (
            Unseen(
                "delay",
                ("driver.emergency_stop",),
                "a stop that is late by up to 0.15 s, as much as its cycle and that of the states "
                "leave open: the time that it takes is told with them",
                "send stop and contactor states every 20 ms or faster",
                least=0.0,
                most=0.15,
            ),
            Unseen(
                "stuck-state",
                ("driver.emergency_stop",),
                "always released, in a run in which nobody had to press it",
                "press it once with the contactors closed, and watch them open",
            ),
        ),
    ),
    Evidence(
        "driver.pedal",
        (
            Witness("pedal-tracks", "the second track agrees"),
            Witness("pedal-at-rest", "it rests near 0 %, and axles turn only with it"),
            Witness("what axles do", "they turn after it was pressed and brake after its release"),
        ),
        (
            "frozen or always at rest: axles turn though nobody pressed it",
            "an offset: it does not rest near 0 %",
            "late: axles turn before it moves; early: it is held for a second before any answers",
            "at rest while a unit is driven on at its speed: it is not what the unit follows",
            "not there in every second frame: it jumps to and fro as no foot does",
        ),
        (
            Unseen(
                "scale",
                ("driver.pedal",),
                "a wrong factor of the only track: rest is 0 % all the same",
                "press it to its stop with the contactors open, and read 100 %",
            ),
            Unseen(
                "scale",
                ("driver.pedal", "driver.pedal_2"),
                "a wrong factor of both tracks alike",
                "press it to its stop with the contactors open, and read 100 %",
            ),
            LATE_PEDAL,
            SMOOTHED_PEDAL,
            RENEWED_PEDAL,
            HELD_PEDAL,
            PEDAL_AGAIN,
            *PART_PEDAL,
            STUCK_PEDAL,
            *DRIFTING_PEDAL,
            *RESTING_PEDAL,
            Unseen(
                "held",
                ("driver.pedal*",),
                "a pedal that reads pressed for up to half a second after its release: the unit "
                "takes as long to slow down by more than a controller's own swing",
                "watch its value while another person releases it",
                least=0.0,
                most=0.6,
            ),
        ),
    ),
    Evidence(
        "driver.pedal_2",
        (Witness("pedal-tracks", "the first track agrees"),),
        (
            "the first track again, to the bit or by its noise: one sensor, not two",
            "frozen: the tracks part",
        ),
        (
            LATE_PEDAL,
            SMOOTHED_PEDAL,
            RENEWED_PEDAL,
            *PART_PEDAL,
            STUCK_PEDAL,
            *(
                Unseen(
                    kind,
                    ("driver.pedal_2",),
                    f"a second track {words}, which stays within the 10 % of travel by which two "
                    "tracks may differ",
                    "press it to its stop with the contactors open, and read 100 % on both",
                    least=least,
                    most=most,
                )
                for kind, words, least, most in (
                    ("offset", "whose zero lies apart", -9.0, 9.0),
                    ("drift", "whose zero drifts", -9.0, 9.0),
                    ("scale", "of a wrong factor, of a pedal that is pressed little", 0.5, 1.5),
                )
            ),
        ),
    ),
    Evidence(
        "driver.direction",
        (
            Witness("axle-direction", "each axle turns the way that it says"),
            Witness("axle-witness", "a person saw the wheels"),
            Witness("asked marks", "what the person set"),
        ),
        (
            "forward and reverse exchanged: all axles turn against it",
            "frozen: axles change their sense though it did not",
            "late: axles turn before it changes",
        ),
        (
            Unseen(
                "delay",
                ("driver.direction",),
                f"a lever that is late by up to a second, or later than a late brake by as much: "
                f"{WAITED}",
                "watch its value while another person moves the lever",
                least=0.0,
                most=1.0,
            ),
        ),
    ),
)
