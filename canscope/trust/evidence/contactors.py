"""States and commands of the contactors."""

from __future__ import annotations

from canscope.trust.evidence.row import Evidence, Unseen, Witness

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
    f"{LATE_STATE.what}; of the main pole that opens second, by any time: nothing flows then",
    LATE_STATE.anchor,
    least=0.0,
    most=0.5,
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

POLE = (ECHO, LATE_STATE, LATER_STATE, EARLY_STATE, FULL_LINK, LONE_POLE, SILENT_BOX)

ROWS = (
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
                POLE if pole != "precharge" else (*POLE, BRIDGED),
            ),
            Evidence(
                f"contactors.{pole}.command",
                (Witness("its state", "it follows within 0.3 s"),),
                ("frozen: the state changes without it", "late: the state changes before it"),
            ),
        )
    ),
)
