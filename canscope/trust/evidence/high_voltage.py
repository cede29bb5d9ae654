"""Pack, links and insulation."""

from __future__ import annotations

from dataclasses import replace

from canscope.trust.evidence.row import (
    REPEATED,
    VOLTMETER,
    Evidence,
    Unseen,
    Witness,
    dead_bit,
    held_last,
)

CLAMP = "compare it with a clamp meter at one steady load, and note it as a reading"

ALL_VOLTAGES = Unseen(
    "scale",
    ("pack.voltage", "units.*.link_voltage"),
    "a wrong factor of all voltages alike, as long as none of them comes above the pack's maximum: "
    "they agree with each other, and sag, level and curve are shares; with the nominal voltage in "
    "the plan only down to 80 % of it",
    VOLTMETER,
    least=0.8,
    most=1.15,
)

CURRENTS = Unseen(
    "scale",
    ("pack.current",),
    "a wrong factor of the current within what pre-charge leaves open (its resistor, and peaks "
    "between two readings), and below the power balance's reach: losses hide one that is too large",
    CLAMP,
    least=0.35,
    most=2.5,
)

COARSE_VOLTAGE = Unseen(
    "quantised",
    ("units.*.link_voltage",),
    "steps of up to 4 V, whatever its definition says: it is known to half of one then, which is "
    "less than the 3 % by which pack and links may differ",
    VOLTMETER,
    least=0.0,
    most=4.0,
)

STILL_PACK = tuple(
    Unseen(
        kind,
        ("pack.voltage",),
        f"{words} a voltage, never off by more than 2.5 V: it hardly gives way, so that nothing "
        "shows that it does not follow, and no limit of a sag is as narrow",
        "let it rest, load it once as far as the stage allows, and see pack and links give way "
        "together",
        least=0.0,
        most=2.5,
    )
    for kind, words in (
        ("late-feedback", "a delay of"),
        ("delay", "a delay, by whatever time, of"),
        ("dither", "a flicker in place of"),
        ("freeze", "a stop of"),
        ("pack-dead", "a stop or a flicker, from some moment on, of"),
        ("constant", "one value in place of"),
        ("reflected", "a sense turned about its first value, of"),
        ("replayed-burst", "another burst's sag in place of that of"),
        ("random-walk", "a wandering at random in place of"),
    )
)

LATE_BOTH = Unseen(
    "late-feedback",
    ("pack.current", "pack.voltage"),
    "a delay of both, in one message, within what cycles leave open",
    "send pack and contactor states every 20 ms or faster",
    most=200.0,
)

LATE_CURRENT = Unseen(
    "late-feedback",
    ("pack.current",),
    "a delay of up to 0.2 s, about what the cycles of current and contactor states leave open: it "
    "is told where it shows, and no ceiling, sag or balance depends on it",
    "send both every 20 ms or faster",
    most=200.0,
)

LATE_LINK = Unseen(
    "late-feedback",
    ("units.*.link_voltage",),
    "a delay within what the cycles of link and pack current leave open: a link that is late reads "
    "too low as positive closes and too high as it discharges, so it proves less and not more",
    "send both every 20 ms or faster",
    most=120.0,
)

AFTER_KEY_OFF = Unseen(
    "after-key-off",
    ("pack.voltage", "units.*.link_voltage"),
    "what it reads once the key is off, no contactor is closed and links are empty: its node may "
    "be switched off just then, and send anything",
    VOLTMETER,
)

ROWS = (
    Evidence(
        "pack.voltage",
        (
            Witness("voltage-agreement", "each link reads the same with the poles closed at rest"),
            Witness("its stated maximum", "it is never above it, nor far from nominal at rest"),
            Witness("source-resistance", "it gives way as current sets in, and by little"),
        ),
        (
            "a wrong factor: the links disagree",
            "frozen: it does not move by a step as load sets in",
            "one link's own voltage: it falls as the contactors open, and the pack does not",
            "lower while a link charges: nothing loads it then",
            "a collapse for a moment, with whatever contactors, or a fall together with the links: "
            "no current explains it",
            "late, or made up: it gives way after the links do, or otherwise",
            "stopped, or renewed seldom: it repeats one value to the bit where it flickered",
        ),
        (
            ALL_VOLTAGES,
            REPEATED,
            AFTER_KEY_OFF,
            *STILL_PACK,
            held_last("pack.voltage", 0.3, "links show what it misses, within 3 % of the pack"),
            dead_bit("pack.voltage", 4.0, "4 V of the 3 % by which pack and links may differ"),
            replace(COARSE_VOLTAGE, roles=("pack.voltage",)),
            Unseen(
                "clipped",
                ("pack.voltage",),
                "a reading that stops at some level and so hides no more than 4 V of a sag: links "
                "and pack may differ by 3 %, which is more",
                "load it once as far as the stage allows, and see pack and links give way together",
                least=0.0,
                most=4.0,
            ),
            Unseen(
                "pack-low-short",
                ("pack.voltage",),
                "up to 3 % less while a link charges, which is what pack and links may differ by, "
                "in a pre-charge whose states show less than half a second of it",
                VOLTMETER,
            ),
            Unseen(
                "held",
                ("pack.voltage",),
                "a reading of a stiff pack that is renewed only now and then and changes fewer "
                "than 8 times in the run: that is too seldom to tell; a sag of more than some of "
                "its steps shows at the links, and is then missed at the pack",
                "load it once as far as the stage allows, and see pack and links give way together",
                least=0.0,
                most=7.0,
            ),
            Unseen(
                "offset",
                ("pack.voltage",),
                "an offset within the 3 % that pack and links may differ by",
                VOLTMETER,
                least=-9.0,
                most=9.0,
            ),
        ),
    ),
    Evidence(
        "pack.current",
        (
            Witness("power-balance", "the shafts take no more than it gives, steady or in a burst"),
            Witness("open poles", "none flows while both are open"),
            Witness("source-resistance", "the voltage falls as it rises"),
            Witness("the shafts' power", "it flows as they take it, and not before or after"),
            Witness("the link's charge", "over a pre-charge it carries C dV out of the pack"),
        ),
        (
            "a wrong sign: the pack takes power while axles speed up, or while the link charges",
            "late: it begins to flow after the contacts closed",
            "a tenth: the shafts give more than the pack",
            "an offset: it reads some ampere with all poles open",
            "frozen: it stays while the shafts' power changes",
            "held: it flickers, and then repeats one value to the bit",
            "a wrong factor: it is not what the pre-charge resistor lets through",
            "more than converters take while no unit turns or gives torque",
            "clipped, or with a dead bit: it stays behind what the shafts take, or rises again in "
            "the midst of a pre-charge",
        ),
        (
            CURRENTS,
            Unseen(
                "clipped",
                ("pack.current",),
                "a reading that stops at some level and so hides no more than 3.5 A of what flows "
                "for 0.1 s and more: what units lose, and what a 12 V pump and its converter "
                "take, may change by as much meanwhile; a shorter peak, as of a pre-charge, may "
                "lie between two readings as well",
                CLAMP,
                least=0.0,
                most=3.5,
            ),
            Unseen(
                "unsigned",
                ("pack.current",),
                "up to 2 A that flow back into the pack, read as flowing out: losses, a 12 V pump "
                "and its converter may change by as much meanwhile",
                CLAMP,
                least=0.0,
                most=2.0,
            ),
            Unseen(
                "quantised",
                ("pack.current",),
                "steps of up to 3 A, whatever its definition says: it is known to half of one then,"
                " and its zero may be off by as much as that",
                CLAMP,
                least=0.0,
                most=3.0,
            ),
            held_last("pack.current", 0.4, "a peak as short may lie between two readings as well"),
            Unseen(
                "held-higher",
                ("pack.current",),
                "a reading that is repeated for 3 s and less while units let go, and so shows up "
                "to 4 A more than flows: a load that goes off by itself after them reads the same, "
                "and no ceiling is passed by it",
                CLAMP,
                least=0.0,
                most=4.0,
            ),
            dead_bit(
                "pack.current",
                3.0,
                "the 3 A that the zero of such a sensor may be off, but for one reading alone",
            ),
            Unseen(
                "absent",
                ("pack.current",),
                "zero with the contactors closed, in place of no more than 1 A, such as a "
                "converter takes at rest: nothing measures so little beside it",
                CLAMP,
                least=0.0,
                most=1.0,
            ),
            Unseen(
                "replayed-burst",
                ("pack.current",),
                "another burst's current in place of that of a burst that takes as much, where it "
                "is no more than 0.2 s off, as with a delay",
                "bind a rolling counter of its message",
                least=-200.0,
                most=200.0,
            ),
            Unseen(
                "current-smoothed",
                ("pack.current",),
                "a low-pass of up to half a second, as battery boxes average: the charge that it "
                "shows is right, and of a peak it shows less, as it would of a mean",
                CLAMP,
                least=0.0,
                most=500.0,
            ),
            LATE_CURRENT,
            replace(LATE_CURRENT, kind="delay", least=0.0, most=0.2),
            LATE_BOTH,
            Unseen(
                "offset",
                ("pack.current",),
                "an offset of up to 3 A, as current sensors have one: it is told by what they read "
                "with all contactors open, and current-ceiling leaves room for it; one that is "
                "there with the contactors closed alone is the load of a converter",
                CLAMP,
                least=-3.0,
                most=3.0,
            ),
            Unseen(
                "idle-current",
                ("pack.current",),
                "kilowatts within 2 s of the closing, below the ceiling of the current: a "
                "converter and its own capacitors take them as they start",
                CLAMP,
                least=0.0,
                most=2.0,
            ),
            *(
                Unseen(
                    kind,
                    ("pack.current",),
                    f"a {words}, as long as no more than 1.5 A of what flows is hidden by it, such "
                    "as a converter takes at rest: nothing measures so little beside it",
                    CLAMP,
                    least=0.0,
                    most=1.5,
                )
                for kind, words in (
                    ("freeze", "stop"),
                    ("dither", "flicker by a step in place of it"),
                    ("pack-dead", "stop or a flicker from some moment on"),
                )
            ),
        ),
    ),
    Evidence(
        "pack.insulation",
        (Witness("the contactors", "it sees another circuit with them closed than open"),),
        ("frozen, or flickering: the same value with poles open and closed",),
        (
            Unseen(
                "renewed",
                ("pack.insulation",),
                "a value that is renewed every 10 s or faster: a monitor itself measures for "
                "seconds",
                "watch its value settle again after the contactors have closed",
                least=0.0,
                most=10.0,
            ),
            Unseen(
                "insulation-settles",
                ("pack.insulation",),
                "insulation that reads too little from when contactors close or open on, or what "
                "it read before, for up to the 30 s that a monitor is given, and enough from then "
                "on: a monitor settles so, as the filters of what is newly connected charge; what "
                "comes later, or stays, is told",
                "connect a known resistor to the chassis, as the monitor's maker describes, and "
                "see how long it takes to read it",
                least=0.0,
                most=30.0,
            ),
            Unseen(
                "insulation-stops",
                ("pack.insulation",),
                "a stop after it has settled on what it reads with the contactors closed, where "
                "nodes fall asleep within seconds of their opening: nothing is connected or taken "
                "off while it has to speak",
                "leave the ignition on for ten seconds after the contactors have opened, and see "
                "its value change",
            ),
            Unseen(
                "insulation-reflected",
                ("pack.insulation",),
                "a sense turned about its first value, so that it reads up to an eighth more with "
                "the contactors closed than before and after: two measurements of one insulation "
                "may differ as far",
                "connect a known resistor to the chassis, as the monitor's maker describes",
                least=0.0,
                most=0.125,
            ),
            held_last("pack.insulation", 10.0, "a monitor itself measures for seconds"),
            Unseen(
                "quantised",
                ("pack.insulation",),
                "steps that are wider than its definition says: it is known to half of one then, "
                "as with a wrong offset, and nothing else measures it",
                "connect a known resistor to the chassis, as the monitor's maker describes",
                least=0.0,
            ),
            dead_bit("pack.insulation", float("inf"), "a wrong offset: nothing else measures it"),
            Unseen(
                "clipped",
                ("pack.insulation",),
                "a monitor whose range ends below what it would read: then more insulation is there"
                " than it says",
                "connect a known resistor to the chassis, as the monitor's maker describes",
                least=0.0,
            ),
            Unseen(
                "scale",
                ("pack.insulation",),
                "a wrong factor, as long as it stays below 1 Gohm: one monitor, and nothing else "
                "measures it",
                "connect a known resistor to the chassis, as the monitor's maker describes",
            ),
            Unseen(
                "from-command",
                ("pack.insulation",),
                "two values that are made of the contactors' states: one monitor, and nothing else "
                "measures it",
                "connect a known resistor to the chassis, as the monitor's maker describes",
            ),
            Unseen(
                "delay",
                ("pack.insulation",),
                "a delay of up to 10 s: a monitor itself measures for seconds, and it is judged "
                "once the contactors have been closed for three times as long",
                "watch its value settle again after the contactors have closed",
                least=0.0,
                most=10.0,
            ),
            Unseen(
                "offset",
                ("pack.insulation",),
                "a wrong offset: one monitor, and nothing else measures it",
                "connect a known resistor to the chassis, as the monitor's maker describes",
            ),
        ),
    ),
    Evidence(
        "units.*.link_voltage",
        (
            Witness("voltage-agreement", "it reads as the pack with the poles closed at rest"),
            Witness("precharge-curve", "it rises as a charging capacitor does, from below 60 V"),
            Witness("link-discharge", "it falls after opening"),
            Witness("the other unit", "its own values, counters and checksums are not the same"),
        ),
        (
            "a wrong factor: it disagrees with the pack",
            "an offset: with all open it stays above 4 % of nominal, though a bleed empties it",
            "frozen, held or made up: it does not follow the pack in a burst",
            "frozen: no curve, no discharge",
            "the pack's voltage: it does not leave it as the poles open",
            "late, or made up: it gives way after the pack does, or otherwise",
            "gone at once or by a step, or apart from the other link as both discharge on the same "
            "wires",
        ),
        (
            ALL_VOLTAGES,
            LATE_LINK,
            dead_bit("units.*.link_voltage", 9.0, "the 3 % by which pack and links may differ"),
            COARSE_VOLTAGE,
            Unseen(
                "offset",
                ("units.*.link_voltage",),
                "an offset within the 3 % that pack and links may differ by, which leaves an empty "
                "link below 4 % of nominal",
                VOLTMETER,
                least=-9.0,
                most=9.0,
            ),
            held_last(
                "units.*.link_voltage",
                0.3,
                "pack and other links show what it misses, within 3 % of the pack",
            ),
            Unseen(
                "link-fades",
                ("units.*.link_voltage",),
                "all links read that they are empty sooner after the opening than they are, or "
                "one of them by 0.2 s or by a quarter of the pack: within parts of a second on a "
                "vehicle that discharges actively, as an inverter that gives its motor current "
                "does, or along a curve as of a stronger bleed; nothing else measures what they "
                "still hold",
                "measure the link before touching, each time",
            ),
            Unseen(
                "early-end",
                ("units.*.link_voltage",),
                "a unit that falls silent up to 10 s before the others, with the ignition on or "
                "off, after all poles have opened and its link is below 60 V: a unit that falls "
                "asleep does the same",
                "measure the link before touching, and record until all nodes sleep",
                least=0.0,
                most=10.0,
            ),
            Unseen(
                "same-sensor",
                ("units.*.link_voltage",),
                "two links that are one circuit read alike: one sensor may speak for both as long "
                "as each bus carries its own noise",
                "unplug one unit's bus: its link has to fall silent alone",
            ),
        ),
    ),
)
