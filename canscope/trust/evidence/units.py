"""Speed, torque and frames of the units."""

from __future__ import annotations

from dataclasses import replace

from canscope.trust.evidence.row import REPEATED, Evidence, Unseen, Witness, dead_bit, held_last

TURNS = "count a wheel's turns in a steady stretch, and note them as a reading"

SPEEDS = Unseen(
    "scale",
    ("units.*.speed",),
    "a wrong factor of a speed, so that it still amounts, with the torque, to more inertia than a "
    "bare rotor has and less than wheels and a large rotor: on stands axles are not coupled; where "
    "the plan states the inertia, only within half as much again",
    TURNS + ", or state inertia_kgm2 and let it coast without brake",
    least=0.2,
    most=5.0,
    unless="inertia_kgm2",
)

SPEEDS_NEAR = Unseen(
    "scale",
    ("units.*.speed",),
    "a factor of a speed within half as much again, though the inertia is stated",
    TURNS,
    least=0.6,
    most=1.55,
)

TORQUES = Unseen(
    "scale",
    ("units.*.torque",),
    "a wrong factor of a torque within what losses hide: too small, but not too small to speed a "
    "bare rotor up so far; or too large, but not so that the shafts give more than the pack, or "
    "that more inertia turns than wheels and a large rotor have",
    "state inertia_kgm2 and let it coast without brake",
    least=0.2,
    most=4.0,
    unless="inertia_kgm2",
)

TORQUES_NEAR = Unseen(
    "scale",
    ("units.*.torque",),
    "a factor of a torque within half as much again, though the inertia is stated",
    "compare the pack's power at one steady load with an instrument, and know the losses",
    least=0.6,
    most=1.55,
)

ONE_BURST = Unseen(
    "burst-scale",
    ("units.*.speed",),
    "another factor of a torque or a speed in one burst, within half as much again: the inertia "
    "that the two amount to is not known better",
    TURNS,
    least=0.66,
    most=1.5,
)

ONE_BURST_BOTH = Unseen(
    "burst-scale",
    ("units.*.speed", "units.*.torque"),
    "another factor of torque and speed alike in one burst: a unit that was asked for less turns "
    "and pushes less, and losses hide what the pack gave it",
    TURNS,
)

COARSE_TORQUE = Unseen(
    "quantised",
    ("units.*.torque",),
    "steps of up to 3 Nm: it is known to half of one then, which losses hide and no limit is as "
    "narrow as; sense and energy are the shaft's all the same",
    "read in the unit's own documentation how finely it says its torque",
    most=3.0,
)

ASKED_TORQUE = Unseen(
    "asked-for",
    ("units.*.torque",),
    "a torque that a unit was told to give, where the pack takes nothing back while it slows down, "
    "or another unit may have given that: all else is a matter of its size, as of a wrong factor",
    "read in the unit's own documentation that the signal is measured, or let it coast and see the "
    "torque of its drag",
)

ASKED_SPEED = Unseen(
    "asked-for",
    ("units.*.speed",),
    "a speed that a unit was told to keep, where the unit keeps it at once and its torque, its "
    "power and the person at the wheel say that it turned",
    "read in the unit's own documentation that the signal is measured, or " + TURNS,
)

EXCHANGED = Unseen(
    "exchanged",
    ("units.*.speed",),
    "axles exchanged in the plan where both always turned alike: each shows what the other would",
    "spin one axle alone and mark which wheel turned",
)

COARSE = Unseen(
    "coarse",
    ("units.*.speed",),
    "steps that are wider than its definition says, but not wider than what the shaft gains in two "
    "or three readings: highest speed, sense and standstill are the shaft's within a step",
    "let the unit speed up slowly, and read how its value goes up",
    least=0.0,
    most=3.0,
)

ROWS = (
    Evidence(
        "units.*.speed",
        (
            Witness("axle-witness", "a person saw the wheel turn, and which way"),
            Witness("torque-response", "it speeds up the way its torque points"),
            Witness("power-balance", "with the torque it amounts to the stated inertia"),
            Witness("axle-agreement", "the other axle turns the same way; in rolling as fast"),
            Witness("the other unit", "its own values, counters and checksums are not the same"),
        ),
        (
            "a wrong sign: against the request, the torque and the person",
            "the other unit's speed: equal to the bit, frame by frame, or late and scaled with the "
            "other's noise in it",
            "frozen: it stays though torque works, or does not come to rest after release",
            "rad/s called rpm, a wheel's speed: more inertia than anything that turns freely",
            "an offset: it never comes to zero",
            "clipped, held or smoothed: it is not what its torque makes of it, less friction",
        ),
        (
            SPEEDS,
            SPEEDS_NEAR,
            ONE_BURST,
            REPEATED,
            COARSE,
            dead_bit("units.*.speed", 10.0, "10 rpm, as with an offset"),
            held_last(
                "units.*.speed",
                0.8,
                "where its steps hide its flicker; its torque, told beside it, goes on meanwhile",
            ),
            EXCHANGED,
            ASKED_SPEED,
            Unseen(
                "offset",
                ("units.*.speed",),
                "an offset of up to 10 rpm of the motor, and half of its step, about one turn of a "
                "wheel in a minute: resolvers flicker by more at standstill, and no limit is as "
                "narrow",
                "see the wheel stand still while it is read",
                least=-12.5,
                most=12.5,
            ),
            Unseen(
                "delay",
                ("units.*.speed",),
                "a speed that is late of its torque by up to 0.1 s: friction and a filter do as "
                "much, and no rule rests on less",
                "see from the wheel itself when it begins to turn",
                least=0.0,
                most=0.1,
            ),
            Unseen(
                "smoothed",
                ("units.*.speed",),
                "a low-pass of up to 0.3 s, as controllers have one for their own speed: sense, "
                "a steady speed and standstill are the shaft's all the same, and speed-ceiling "
                "takes what it hides of a rise into account",
                "let the unit run at one steady speed, and compare that",
                least=0.0,
                most=0.3,
            ),
            Unseen(
                "clipped",
                ("units.*.speed",),
                "a reading that stops at some level and so hides no more than a twelfth of the "
                "highest speed (in rolling an eighth): friction that is not quite what one takes "
                "it for does as much",
                "let the unit speed up slowly, and see whether its value stops before it does",
                least=0.0,
                most=0.085,
            ),
        ),
    ),
    Evidence(
        "units.*.torque",
        (
            Witness("torque-response", "the shaft speeds up the way that it points"),
            Witness("power-balance", "the shafts take no more than the pack gives, and something"),
            Witness("the motion", "it gives at least what a bare rotor takes to speed up so far"),
            Witness("power-balance", "with the speed it amounts to the stated inertia"),
        ),
        (
            "a wrong sign: the shaft speeds up against it, or energy comes from nowhere",
            "a request or a limit: it stays while the shaft slows down, or the pack takes what no "
            "torque gives",
            "an offset: it is there with all contactors open",
            "frozen: it stays after release",
            "clipped, held or smoothed: the shaft speeds up otherwise, less its friction",
        ),
        (
            TORQUES,
            TORQUES_NEAR,
            replace(ONE_BURST, roles=("units.*.torque",)),
            ONE_BURST_BOTH,
            ASKED_TORQUE,
            COARSE_TORQUE,
            held_last("units.*.torque", 0.3, "a controller's ramp takes as long, a shaft longer"),
            dead_bit("units.*.torque", 3.0, "3 Nm, as with an offset"),
            Unseen(
                "not-enabled",
                ("units.*.speed", "units.*.torque"),
                "a speed that stands in one burst, and a torque of next to nothing all along: a "
                "unit that is not enabled reads the same, and below 3 kW a converter may take "
                "what the pack gives",
                "watch the axle, and mark what it does",
            ),
            Unseen(
                "both-smoothed",
                ("units.*.speed", "units.*.torque"),
                "a low-pass of up to half a second of both alike: they agree with each other, and "
                "sense, a steady speed and the energy of a burst are the shaft's all the same",
                "press and release the pedal at once, and see the torque come and go with it",
                least=0.0,
                most=0.5,
            ),
            Unseen(
                "torque-smoothed",
                ("units.*.torque",),
                "a low-pass of up to 0.3 s: over a burst its sense and its energy are the shaft's "
                "all the same",
                "press and release the pedal at once, and see the torque come and go with it",
                least=0.0,
                most=0.3,
            ),
            Unseen(
                "clipped",
                ("units.*.torque",),
                "a reading that stops at some level and so hides no more than 35 % of the highest "
                "torque, for as long as the unit speeds up: a friction that falls as the unit comes"
                " to speed does the same, and no limit is as narrow",
                "hold one steady load above that torque, and see the pack's power grow with it",
                least=0.0,
                most=0.35,
            ),
            Unseen(
                "offset",
                ("units.*.torque",),
                "an offset of up to 3 Nm, which the offset of a current sensor amounts to",
                "read it with the contactors open, where it has to be zero",
                least=-3.0,
                most=3.0,
            ),
            Unseen(
                "delay",
                ("units.*.torque",),
                "a torque that comes up to 0.3 s late, while the unit gains no more than 130 rpm "
                "from rest: noise of its speed hides the first 30 of them, and a bare rotor takes "
                "little for the rest; after a release it reads too much for longer, not too little",
                "press the pedal further, as far as the stage allows",
                least=0.0,
                most=130.0,
            ),
            Unseen(
                "towed",
                ("units.*.torque",),
                "in rolling, a torque that stays near zero in some bursts, or is far too small: the"
                " other unit may tow this one, and losses hide which of the two the pack fed",
                "spin it on stands, where nothing else turns it",
            ),
            Unseen(
                "same-sensor",
                ("units.*.torque",),
                "the other unit's torque, unless it carries the other's noise at rest: both may "
                "report the one torque that both were told to give, and the power of both together "
                "is right either way",
                "spin one unit alone, and see the other's torque stay at rest",
            ),
        ),
    ),
    Evidence(
        "units.*.fault",
        (Witness("unit-fault", "a code while high voltage is on is told"),),
        ("frozen at no fault: no code as the unit wakes or loses high voltage",),
        (
            Unseen(
                "stuck-state",
                ("units.*.fault",),
                "a unit that says no fault, whatever it has",
                "pull a plug that it watches, with everything off, and see its code",
            ),
        ),
    ),
    Evidence(
        "units.*.alive",
        (Witness("alive-counter", "it goes up by one, across every gap as well"),),
        ("frames lost: it jumps", "a frozen node repeats it"),
        (
            Unseen(
                "clock-fast",
                ("units.*.alive",),
                "a clock of the recording that runs up to 3 % too fast or too slow: the timers of "
                "nodes are as far off their stated cycles, and no limit of a time is as narrow",
                "let it record for ten minutes by a watch, and compare first and last stamp",
                least=0.97,
                most=1.03,
            ),
            Unseen(
                "splice",
                ("units.*.alive",),
                "a stretch of rest that was cut out of a recording and closed up, or is in it "
                "twice, as long as it is a whole number of rounds of every counter and of every "
                "message's cycle",
                "record into a run folder, whose hashes are written as it ends",
            ),
        ),
    ),
    Evidence(
        "units.*.checksum",
        (Witness("checksum", "it fits the bytes of each frame"),),
        ("changed bytes: it does not fit", "another node's frames: it does not fit"),
    ),
)
