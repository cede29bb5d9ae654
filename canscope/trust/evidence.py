"""The evidence table: for every role, what in a run would look otherwise if it were not true.

A row a role: what cross-checks it (a rule by its name, or what physics or a person says, in words),
how a lie would look, and what nobody can see from inside the run. ``canscope explain ROLE`` prints
it; the lies of the tests may pass only where a row says that nobody can see them.

Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fnmatch import fnmatchcase


@dataclass(frozen=True)
class Witness:
    """Something independent that a role is held against: a rule's name, or words; and how."""

    by: str
    how: str


@dataclass(frozen=True)
class Unseen:
    """What no signal of a run contradicts.

    ``kind`` is what was done (scale, offset, same-sensor, exchanged, delay ...), ``roles`` the
    patterns of all that it was done to alike, ``least`` and ``most`` between which sizes nobody
    sees it: of a scale the factor (of a temperature's by how much it moves a cold one), of an
    offset the change in the role's unit, of an idle current the seconds since both poles closed, of
    a pack voltage how far it is off, of an insulation the seconds, of a state that a link stands
    for the share of the pack, of a reading that is held how often it changes, of one that is
    clipped what that hides (of a torque or speed as a part of its highest value), of a torque's
    delay the rpm gained in it, of other delays, a low-pass and an early end the seconds, of an echo
    the cycle in ms.
    ``unless`` is a key of the plan whose statement makes it seen.
    """

    kind: str
    roles: tuple[str, ...]
    what: str
    anchor: str  # what a person does about it
    least: float = float("-inf")
    most: float = float("inf")
    unless: str = ""


@dataclass(frozen=True)
class Evidence:
    """What is known about the proof of one role, or of one for each word in place of a ``*``."""

    role: str
    witnesses: tuple[Witness, ...]
    lies: tuple[str, ...]
    unseen: tuple[Unseen, ...] = ()

    def covers(self, name: str) -> bool:
        """Whether this row is about that role."""
        same = name.count(".") == self.role.count(".")
        return same and fnmatchcase(name, self.role)


VOLTMETER = "measure it with a rated instrument by a qualified person, and note it as a reading"
TURNS = "count a wheel's turns in a steady stretch, and note them as a reading"
CLAMP = "compare it with a clamp meter at one steady load, and note it as a reading"
THERMOMETER = "compare it with an infrared thermometer once it is warm, and note it as a reading"

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
CURRENTS = Unseen(
    "scale",
    ("pack.current",),
    "a wrong factor of the current within what pre-charge leaves open (its resistor, and peaks "
    "between two readings), and below the power balance's reach: losses hide one that is too large",
    CLAMP,
    least=0.35,
    most=2.5,
)
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
COARSE_TORQUE = Unseen(
    "quantised",
    ("units.*.torque",),
    "steps of up to 3 Nm: it is known to half of one then, which losses hide and no limit is as "
    "narrow as; sense and energy are the shaft's all the same",
    "read in the unit's own documentation how finely it says its torque",
    most=3.0,
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

ECHO = Unseen(
    "state-echo",
    ("contactors.*",),
    "a state that is what was asked for, where the command is not sent or the sampling is coarser "
    "than a contact takes (10 to 30 ms), on a vehicle whose contacts follow: current and link show "
    "themselves when the circuit closes, opens and carries, and a state that differs from that is "
    "not believed",
    "bind the command beside it at 20 ms or faster, or unplug a coil with the pack isolated and "
    "see the state stay open",
    least=20.0,
)
LATE_STATE = Unseen(
    "late-feedback",
    ("contactors.*",),
    "a state that comes a little late, where the curve of the link has no step until then: the "
    "link was as full whenever the contact closed; of openings, what rests on the time is told",
    "compare it with the current of its coil",
    most=300.0,
)
LATER_STATE = Unseen(
    "delay",
    ("contactors.*",),
    LATE_STATE.what,
    LATE_STATE.anchor,
    least=0.0,
    most=0.3,
)
EARLY_STATE = Unseen(
    "state-early",
    ("contactors.*",),
    "a state that is early of the pole that closes first, or after pre-charge, or opens second: "
    "nothing flows then that could show it",
    "open and close in the other order, one attempt for each",
)
BRIDGED = Unseen(
    "reads-on",
    ("contactors.precharge",),
    "a pre-charge that reads otherwise than it is while positive is closed: positive bridges it, "
    "so that nothing flows through it",
    "open and close in the other order, one attempt for each",
)
FULL_LINK = Unseen(
    "pole-by-link",
    ("contactors.positive",),
    "a state of positive that is derived from a full link: it says closed once the link is within "
    "5 % of the pack, open once it has left it, and a contact that closes without a step reads the "
    "same; closed earlier, or open later than the pack current ends, is seen",
    "bind the command beside it, or unplug the coil of positive and see the state stay open",
    least=0.95,
    most=1.0,
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

REPEATED = Unseen(
    "gateway-repeats",
    ("*",),
    "a message without counter and checksum that a gateway repeats, while nothing that it says "
    "would have changed by more than three steps (of a temperature: by more than 3 K)",
    "send a rolling counter in it, and bind it",
    most=3.0,
)
LONE_POLE = Unseen(
    "state-alone",
    ("contactors.*",),
    "a pole that says closed for a moment while all others are open, where the command is not "
    "sent: one contact alone closes no circuit, whether it was true or not",
    "bind the command beside it",
)
SILENT_BOX = Unseen(
    "early-end",
    ("contactors.*",),
    "a vehicle's bus that falls silent up to 10 s before the units', after all poles have opened "
    "and the links are below 60 V: nodes that fall asleep do the same",
    "record until all nodes sleep, and measure the link before touching",
    least=0.0,
    most=10.0,
)
AFTERWARDS = Unseen(
    "inputs-repeat",
    ("driver.*",),
    "inputs that a gateway repeats from the last release of the pedal on, in a message without "
    "counter and checksum: lever and key ask for nothing then that is judged, and of a stop button "
    "it is told that nobody was seen to press it",
    "send a rolling counter in it, and bind it",
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
COARSE = Unseen(
    "coarse",
    ("units.*.speed",),
    "steps that are wider than its definition says, but not wider than what the shaft gains in two "
    "or three readings: highest speed, sense and standstill are the shaft's within a step",
    "let the unit speed up slowly, and read how its value goes up",
    least=0.0,
    most=3.0,
)


def _dead_bit(role: str, most: float, narrow: str) -> Unseen:
    """A bit of a number that never changes, where the reading passes over too few of its codes."""
    return Unseen(
        "bit-stuck",
        (role,),
        "a bit that never changes, as long as the reading passes over fewer than three of the "
        f"stretches of codes that it leaves out: it is off by no more then than {narrow}",
        "let the reading go slowly through its range, and see that it leaves out nothing",
        least=0.0,
        most=most,
    )


def _held(role: str, most: float, why: str) -> Unseen:
    """A reading that a gateway repeats for moments, wherever it does not move fast just then."""
    return Unseen(
        "holds-last",
        (role,),
        f"a reading that is repeated for up to {most:g} s at a time, as a gateway does in place of "
        f"damaged frames, but never in the midst of a fast move: {why}",
        "look at the node's own diagnosis, or bind a rolling counter that the node itself sends",
        least=0.0,
        most=most,
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
RESTING_PEDAL = Unseen(
    "every-second-zero",
    ("driver.pedal*",),
    "a pedal that reads 0 % now and then while it rests within the 3 % that its rest may be off",
    "press it slowly, and watch its value",
    least=0.0,
    most=3.0,
)
STUCK_PEDAL = _dead_bit(
    "driver.pedal*",
    float("inf"),
    "what it is pressed by: that it rests, and that axles turn only with it, holds all the same",
)

EVIDENCE = (
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
            *STILL_PACK,
            _held("pack.voltage", 0.3, "links show what it misses, within 3 % of the pack"),
            _dead_bit("pack.voltage", 4.0, "4 V of the 3 % by which pack and links may differ"),
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
                "a reading that stops at some level and so hides no more than 3 A of what flows "
                "for 0.1 s and more: what units lose, and what a 12 V pump and its converter "
                "take, may change by as much meanwhile; a shorter peak, as of a pre-charge, may "
                "lie between two readings as well",
                CLAMP,
                least=0.0,
                most=3.0,
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
            _held("pack.current", 0.4, "a peak as short may lie between two readings as well"),
            _dead_bit(
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
            _held("pack.insulation", 10.0, "a monitor itself measures for seconds"),
            Unseen(
                "quantised",
                ("pack.insulation",),
                "steps that are wider than its definition says: it is known to half of one then, "
                "as with a wrong offset, and nothing else measures it",
                "connect a known resistor to the chassis, as the monitor's maker describes",
                least=0.0,
            ),
            _dead_bit("pack.insulation", float("inf"), "a wrong offset: nothing else measures it"),
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
            _held("supply.voltage", 0.3, "a dip is looked for around each closing for as long"),
            _dead_bit("supply.voltage", 1.9, "a small error of its factor makes it"),
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
                    f"a voltage that {words}, where it is sent every 50 ms or more seldom, or "
                    "every 25 ms or more seldom in steps of 0.1 V: a coil's dip may lie between "
                    "two readings or steps, and who lifted it is not seen",
                    "send it every 20 ms or faster, and see it dip as each coil pulls in",
                    least=50.0,
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
                "an ignition that comes up to a second and its cycle after the first contactor, "
                "or is that one's state: a coil that hangs on the key does the same, and nodes "
                "fall asleep later than that",
                "watch its value while another person switches it",
                least=0.0,
                most=1.1,
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
            "late: axles turn before it moves",
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
            RESTING_PEDAL,
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
                f"a lever that is late by up to a second: {WAITED}",
                "watch its value while another person moves the lever",
                least=0.0,
                most=1.0,
            ),
        ),
    ),
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
            _held("cooling.flow", 0.3, "coolant takes longer to come to rest"),
            Unseen(
                "scale",
                ("cooling.flow",),
                "a wrong factor that leaves more than the limit",
                "catch the return in a measuring jug for a minute, and note it as a reading",
                least=0.2,
            ),
        ),
    ),
    *(
        row
        for pole in ("negative", "precharge", "positive")
        for row in (
            Evidence(
                f"contactors.{pole}",
                (
                    Witness("precharge-curve", "the link rises when it closes and not before"),
                    Witness("link-discharge", "the link falls after it opened"),
                    Witness("contactor-weld", "the link leaves the pack as it alone opens"),
                    Witness("its command", "it follows within 0.3 s, both ways"),
                ),
                (
                    "an echo: it never differs from the command by a frame",
                    "late: the link rises before it closes",
                    "always closed: the link is dead under it",
                    "exchanged: the link rises as it opens",
                    "early: it says closed before current flows, or open before the link leaves",
                ),
                (
                    *(ECHO, LATE_STATE, LATER_STATE, EARLY_STATE, FULL_LINK, LONE_POLE),
                    *(SILENT_BOX, BRIDGED),
                ),
            ),
            Evidence(
                f"contactors.{pole}.command",
                (Witness("its state", "it follows within 0.3 s"),),
                ("frozen: the state changes without it", "late: the state changes before it"),
            ),
        )
    ),
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
            _dead_bit("units.*.speed", 10.0, "10 rpm, as with an offset"),
            _held(
                "units.*.speed",
                0.8,
                "where its steps hide its flicker; its torque, told beside it, goes on meanwhile",
            ),
            EXCHANGED,
            ASKED_SPEED,
            Unseen(
                "offset",
                ("units.*.speed",),
                "an offset of up to 10 rpm of the motor, about one turn of a wheel in a minute: "
                "resolvers flicker by more at standstill, and no limit is as narrow",
                "see the wheel stand still while it is read",
                least=-10.0,
                most=10.0,
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
            _held("units.*.torque", 0.3, "a controller's ramp takes as long, a shaft longer"),
            _dead_bit("units.*.torque", 3.0, "3 Nm, as with an offset"),
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
            "gone at once, or apart from the other link as both discharge on the same wires",
        ),
        (
            ALL_VOLTAGES,
            LATE_LINK,
            _dead_bit("units.*.link_voltage", 9.0, "the 3 % by which pack and links may differ"),
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
            _held(
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
            _held("units.*.temperatures.*", 0.3, "no part warms by a kelvin in that time"),
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


def evidence_of(name: str) -> Evidence | None:
    """The row about that role; None if there is none."""
    return next((row for row in EVIDENCE if row.covers(name)), None)


def unseen(
    kind: str,
    roles: frozenset[str],
    size: float | None = None,
    stated: frozenset[str] = frozenset(),
) -> str:
    """Why nobody can see a lie of that kind about all of these roles alike; empty if one can.

    ``stated`` are the optional keys that the plan gives about them. A lie of unknown size fits no
    row that has a range.
    """
    for row in EVIDENCE:
        for lie in row.unseen:
            told = all(any(fnmatchcase(name, role) for role in lie.roles) for name in roles)
            whole = all(any(fnmatchcase(name, role) for name in roles) for role in lie.roles)
            free = lie.least == float("-inf") and lie.most == float("inf")
            fits = free if size is None else lie.least <= size <= lie.most
            seen = lie.unless in stated
            if lie.kind == kind and roles and told and whole and fits and not seen:
                return lie.what
    return ""
