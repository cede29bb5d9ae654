"""The 12 V supply."""

from __future__ import annotations

from canscope.trust.evidence.row import VOLTMETER, Evidence, Unseen, Witness, dead_bit, held_last

ROWS = (
    Evidence(
        "supply.voltage",
        (
            Witness("its kind", "a 12 V circuit lies between 9 and 16 V"),
            Witness("control-supply", "it dips as each contactor's coil pulls in"),
        ),
        (
            "a wrong factor: outside 9 to 16 V",
            "frozen: no dip as contactors close, no rise as the converter starts, no fall as it "
            "stops",
        ),
        (
            Unseen(
                "delay",
                ("supply.voltage",),
                "a delay of up to 0.45 s: a dip is looked for around each closing for 0.3 s and "
                "the cycle of its state",
                "watch it dip as the contactors close",
                least=0.0,
                most=0.45,
            ),
            Unseen(
                "held",
                ("supply.voltage",),
                "a reading of coarse steps that is renewed only now and then and changes fewer "
                "than 8 times in the run: that is too seldom to tell, and a dip between two "
                "readings is not seen, as control-supply says",
                VOLTMETER,
                least=0.0,
                most=7.0,
            ),
            Unseen(
                "quantised",
                ("supply.voltage",),
                "steps of up to 0.6 V: a dip is known to half of that then, and not better",
                VOLTMETER,
                most=0.6,
            ),
            Unseen(
                "clipped",
                ("supply.voltage",),
                "a reading that stops at some level and hides no more than the 1.9 V that a small "
                "error of its factor makes: a coil's dip still shows, and what would lie beyond "
                "was never there",
                VOLTMETER,
                least=0.0,
                most=1.9,
            ),
            Unseen(
                "falls-late",
                ("supply.voltage",),
                "a fall that comes up to 2 s after the last contactor has opened: a converter may "
                "run on as long from what is left in its capacitors",
                VOLTMETER,
                least=0.0,
                most=2.0,
            ),
            Unseen(
                "after-key-off",
                ("supply.voltage",),
                "what it reads once the key reads off, and no contactor closed: its node may fall "
                "asleep then, and whoever sends its last value for it",
                "leave the key on for ten seconds after the contactors have opened, and see it "
                "fall to the battery's own",
            ),
            held_last("supply.voltage", 0.3, "a dip is looked for around each closing for as long"),
            dead_bit("supply.voltage", 1.9, "a small error of its factor makes it"),
            Unseen(
                "gain",
                ("supply.voltage",),
                "moves that are too small by one factor about its resting level: how far a coil "
                "pulls it down, or a converter lifts it, is known from nothing else",
                "catch its lowest value with a meter's minimum function as the contactors close, "
                "and note it as a reading",
                least=0.0,
                most=1.0,
            ),
            Unseen(
                "reflected",
                ("supply.voltage",),
                "a voltage with its sense turned about its resting level, where it is sent more "
                "seldom than every 60 ms: what a coil does may lie between two readings",
                "send it every 50 ms or faster, and see it dip as each coil pulls in",
                least=60.0,
            ),
            *(
                Unseen(
                    kind,
                    ("supply.voltage",),
                    f"a voltage that {words}, where it is sent every 40 ms or more seldom, or "
                    "every 20 ms or more seldom in steps of 0.1 V: a coil's dip may lie between "
                    "two readings or steps, and who lifted it is not seen",
                    "send it every 10 ms or in finer steps, and see it dip as each coil pulls in",
                    least=40.0,
                )
                for kind, words in (
                    ("from-command", "is made of the contactors' states"),
                    ("random-walk", "wanders at random"),
                    ("averaged", "is the mean of a second or two"),
                    ("late-dips", "comes up to a second and a half late"),
                )
            ),
            Unseen(
                "offset",
                ("supply.voltage",),
                "an offset which leaves it within 10.5 to 16 V, as that of a small error of its "
                "factor",
                VOLTMETER,
                least=-1.9,
                most=1.9,
            ),
            Unseen(
                "scale",
                ("supply.voltage",),
                "a small error of its factor, which stays within 10.5 to 16 V",
                VOLTMETER,
                least=0.85,
                most=1.15,
            ),
        ),
    ),
)
