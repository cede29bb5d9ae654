"""Reports written by hand: a healthy dry spin, one that fails, one that leaves something open.

The figures are invented for an invented vehicle; nothing here is computed by the program.
"""

import math
from dataclasses import replace

from canscope.model.findings import COMMON_PRACTICE, Finding, Verdict
from canscope.model.report import (
    Burst,
    CaptureFacts,
    Cause,
    Input,
    Plot,
    Report,
    RoleFacts,
    RuleFacts,
    RunEvent,
    Trace,
)

TOPICS = {
    "Contactors and powering up": ("contactor-sequence", "control-supply", "precharge-level"),
    "Driver inputs": ("brake-interlock", "change-at-standstill"),
    "Motion": ("axle-agreement", "axle-direction", "axle-witness"),
    "Voltage and current": ("bus-sag", "current-ceiling"),
    "Heat": ("cold-soak", "coolant-flow", "dry-exposure", "temperature-ceiling"),
    "Insulation": ("insulation-resistance",),
    "Shutting down": ("link-discharge",),
    "Bus and recording": ("capture-integrity", "cycle-time", "message-presence"),
}
FRONT_SPEED, REAR_SPEED = "can1:UnitFast.MotorSpeed", "can2:UnitFast.MotorSpeed"
DIRECTION, VOLTAGE = "can0:Cabin.Direction", "can0:PackStatus.PackVoltage"
WINDING, CURRENT = "can1:UnitSlow.WindingTemp", "can0:PackStatus.PackCurrent"


def passed(rule, subject, measured=None, limit=None, unit="", **more):
    """A finding that passes; the margin is the plain distance."""
    margin = None if measured is None or limit is None else abs(limit - measured)
    about = {"required": True, "sentence": f"{rule} holds for {subject}.", "reason": None, **more}
    return Finding(
        rule,
        subject,
        Verdict.PASS,
        measured=measured,
        limit=limit,
        margin=margin,
        unit=unit,
        **{"limit_source": COMMON_PRACTICE, "uncertainty": 0.5, **about},
    )


def unproven(rule, subject, reason, *, required=True, **more):
    """A finding that could not be judged."""
    sentence = more.pop("sentence", f"{rule} could not be judged for {subject}.")
    return Finding(rule, subject, Verdict.UNPROVEN, reason, required, sentence, **more)


TURNED_WRONG = Finding(
    "axle-direction",
    "front forward",
    Verdict.FAIL,
    None,
    True,
    "front turned the wrong way while forward was requested: -182 rpm against a limit of 0 rpm,"
    f" at 14.210 s, on {FRONT_SPEED}.",
    measured=-182.0,
    limit=0.0,
    margin=-182.0,
    uncertainty=0.5,
    unit="rpm",
    at_s=14.21,
    window_s=(13.9, 17.4),
    signals=(FRONT_SPEED, DIRECTION),
    causes=(
        "two phases of the front unit are swapped, or the plan does not say so",
        "the unit sits turned end for end and the plan's mounting does not say so",
    ),
    next="mark the front axle flange with chalk, spin it 2 s and watch which way the mark goes",
    limit_source="plan",
    first_failed_s=14.1,
    short="The front axle turned against the requested direction (forward): -180 rpm.",
    roles=("units.front.speed", "driver.direction"),
    facts={"mounting_sign": -1, "requested": "forward"},
)
INSULATION = unproven(
    "insulation-resistance",
    "pack",
    "not-bound",
    required=False,
    waived="no monitor on this vehicle; measured by hand, 2.4 Mohm, instrument 7",
    waived_by="A. Tester",
    limit=40900.0,
    unit="ohm",
    limit_source="UN R100 5.1.3.2",
)
DISCHARGE = unproven(
    "link-discharge",
    "front link",
    "stale",
    sentence="the front link was last seen at 181.4 V, 0.8 s after opening; then it fell silent.",
    next="keep the 12 V on until the link is below 60 V",
    measured=181.4,
    limit=60.0,
    unit="V",
    uncertainty=0.05,
    margin=-121.4,
    at_s=31.2,
    window_s=(30.4, 31.2),
    signals=("can1:UnitFast.LinkVoltage",),
    limit_source="IEC 60204-1 6.2.4",
)
COLD_SOAK = unproven("cold-soak", "front winding", "not-exercised", required=False)
SAG = passed(
    "bus-sag",
    "pack",
    2.85,
    10.0,
    "%",
    uncertainty=0.03,
    at_s=15.02,
    window_s=(8.0, 30.0),
    signals=(VOLTAGE, CURRENT),
    sentence=f"the pack held: 347.8 V of 358.0 V resting, at 22.4 A, at 15.020 s, on {VOLTAGE}.",
)
HEAT = passed(
    "temperature-ceiling", "front winding", 31.0, 110.0, "degC", limit_source="plan", at_s=22.0
)
OTHERS = (
    passed("contactor-sequence", "attempt 1", 0.52, 0.0, "s", signals=("can0:ContactorBox.State",)),
    passed("precharge-level", "front link", 97.2, 95.0, "%", signals=(VOLTAGE,)),
    passed("control-supply", "supply", 11.9, 10.5, "V"),
    passed("brake-interlock", "driver", uncertainty=0.0),
    passed("change-at-standstill", "front", 12.0, 100.0, "rpm"),
    passed("axle-agreement", "front and rear"),
    passed("current-ceiling", "pack", 22.4, 30.0, "A", limit_source="plan"),
    passed("dry-exposure", "front", 12.4, 60.0, "s", limit_source="plan"),
    passed("message-presence", "can1:UnitFast", uncertainty=0.0),
    passed("cycle-time", "can1:UnitFast", 1.1, 3.0, "cycles"),
    passed("capture-integrity", "capture", 0.0, 1.0, "%"),
    passed("house-habit", "cable tie", required=False),
)
AXLES = tuple(
    passed(rule, f"{axle} {direction}", 176.0, 0.0, "rpm", signals=(FRONT_SPEED,), at_s=14.3)
    for rule in ("axle-direction", "axle-witness")
    for axle in ("front", "rear")
    for direction in ("forward", "reverse")
)


def stamps(count, start, end):
    """So many instants from start to end."""
    return tuple(start + (end - start) * i / (count - 1) for i in range(count))


def spin_plot(sign=-1.0):
    """A burst with a gap of missing speed, the request as a state, limit and worst instant."""
    at = stamps(220, 12.0, 19.0)
    speed = tuple(
        None if 15.2 < t < 15.9 else round(sign * 182 * max(0.0, math.sin((t - 13.8) / 1.2)), 1)
        for t in at
    )
    return Plot(
        traces=(
            Trace("units.front.speed", FRONT_SPEED, "rpm", at, speed),
            Trace("driver.direction", DIRECTION, "", (12.0, 13.8, 17.5, 19.0), (0, 1, 0, 0), True),
        ),
        from_s=12.0,
        until_s=19.0,
        worst_s=14.21,
        limit=0.0,
        window_s=(13.9, 17.4),
        judged=(at[69], speed[69]),  # 14.205 s, the last sample before 14.21 s
    )


def sag_plot():
    """Pack voltage above pack current; the limit is in percent, so there is no line for it."""
    at = stamps(400, 8.0, 30.0)
    load = [max(0.0, math.sin((t - 13) / 1.5)) if 13 < t < 17.7 else 0.0 for t in at]
    volts = tuple(round(358.0 - 10.2 * part, 1) for part in load)
    amps = tuple(round(22.4 * part, 1) for part in load)
    traces = (
        Trace("pack.voltage", VOLTAGE, "V", at, volts),
        Trace("pack.current", CURRENT, "A", at, amps),
    )
    return Plot(traces, 8.0, 30.0, worst_s=15.3, window_s=(8.5, 29.5))


def heat_plot():
    """A slow sensor in whole degrees under its ceiling."""
    at = stamps(40, 5.0, 90.0)
    warm = tuple(float(round(18 + 13 * (1 - math.exp(-(t - 5) / 30)))) for t in at)
    trace = Trace("units.front.temperatures.winding", WINDING, "degC", at, warm)
    return Plot((trace,), 5.0, 90.0, worst_s=22.0, limit=110.0, window_s=(13.8, 77.4))


def fall_plot():
    """A link that falls and goes silent above 60 V."""
    at = stamps(60, 29.0, 31.2)
    volts = tuple(round(358 * math.exp(-max(0.0, t - 30.4) / 1.18), 1) for t in at)
    trace = Trace("units.front.link_voltage", "can1:UnitFast.LinkVoltage", "V", at, volts)
    return Plot((trace,), 29.0, 36.0, worst_s=31.2, limit=60.0, window_s=(30.4, 31.2))


def course():
    """The whole run: request and brake, a speed with a gap, a temperature, and a pedal besides."""
    at = stamps(200, 0.0, 94.5)
    speed = tuple(
        None if 60 < t < 65 else (182.0 if 13.9 < t < 17.4 else -176.0 if 20.1 < t < 23.2 else 0.0)
        for t in at
    )
    turned = (0.0, 13.8, 17.5, 20.0, 23.3, 94.5)
    return Plot(
        (
            Trace("driver.direction", DIRECTION, "", turned, (0, 1, 0, -1, 0, 0), True),
            Trace("driver.brake", "can0:Cabin.BrakePressed", "", (0.0, 9.0, 12.0), (0, 1, 0), True),
            Trace("units.front.speed", FRONT_SPEED, "rpm", at, speed),
            Trace("units.front.temperatures.winding", WINDING, "degC", (0.0, 94.5), (17.0, 31.0)),
            Trace("driver.pedal", "can0:Cabin.Pedal", "%", (0.0, 94.5), (0.0, 3.0)),
        ),
        0.0,
        94.5,
    )


PLOTS = {
    "axle-direction|front forward": spin_plot(),
    "bus-sag|pack": sag_plot(),
    "temperature-ceiling|front winding": heat_plot(),
    "link-discharge|front link": fall_plot(),
}
CAPTURE = CaptureFacts(
    frames=48211,
    lines=48215,
    skipped=4,
    skipped_examples=("dry_spin.log:17: not a frame: 'garbage'",),
    first_ns=1_760_000_000_000_000_000,
    last_ns=1_760_000_094_500_000_000,
    channels={"can0": 20111, "can1": 14050, "can2": 14050},
    error_frames={"can1": 2},
    sha256="9f2c" * 16,
    notes=("whether error frames were recorded is not known",),
)


def whole(**changes):
    """A dry spin that passes everything, with one item accepted."""
    report = Report(
        verdict="pass",
        headline="pass, 1 item accepted by A. Tester",
        waived=1,
        stage="dry-spin",
        vehicle="Bramble, forestry 4x4",
        findings=(*AXLES, *OTHERS[:6], SAG, *OTHERS[6:8], HEAT, COLD_SOAK, INSULATION, *OTHERS[8:]),
        not_applicable=("coolant-flow",),
        bursts=(
            Burst("front", 1, 13.9, 3.5, "forward", 182.0, 22.4, 347.8, {"winding": 4.0}),
            Burst("rear", 1, 20.1, 3.1, "reverse", -176.0, 21.0, None, {}),
        ),
        capture=CAPTURE,
        inputs=(
            Input("capture", "dry_spin.log", "9f2c" * 16, 2_201_441),
            Input("plan", "bench.toml", "11aa" * 16, 2210),
            Input("definition", "drive_unit.dbc", "22bb" * 16, 5120),
        ),
        version="0.1.0",
        job={"tester": "workshop bay 2", "witness": "B. Helper", "job_number": "J-17"},
        conditions={"coolant": "empty", "oil": "empty", "ambient_degC": 17.0, "cold": True},
        roles=(
            RoleFacts("pack.voltage", VOLTAGE, "V", 9450, 347.8, 358.2, 10.0, 0, 0, 0.05),
            RoleFacts(
                "units.front.speed",
                FRONT_SPEED,
                "rpm",
                9380,
                -3.0,
                182.0,
                10.0,
                70,
                0,
                0.5,
                ("axle-witness",),
                ("axle-witness", "torque-response"),
            ),
        ),
        events=(
            RunEvent(1.98, 2.0, "forward requested", "state"),
            RunEvent(2.9, 3.1, "front <link> came up to the pack's voltage", "inferred"),
        ),
        topics=TOPICS,
        rules=(
            RuleFacts(
                "axle-direction",
                "Each axle turns the way the driver asked.",
                (("standstill_rpm", 50.0, "rpm", COMMON_PRACTICE),),
            ),
            RuleFacts(
                "dry-exposure",
                "A dry unit turns only briefly.",
                (("burst_s", 5.0, "s", "plan"), ("pause_s", None, "s", "plan")),
            ),
            RuleFacts("coolant-flow", "Coolant flows.", (), off="no pump fitted yet"),
        ),
        plots=PLOTS,
        course=course(),
        marks=({"at_s": 21.5, "axle": "rear", "seen": "forward", "text": "left wheel watched"},),
        cautions=("Keep the 12 V on until the link is below 60 V.",),
        warnings=("can0:Cabin.Pedal has no unit; taken as %", "nothing cross-checks pack.current"),
        plan_text='format = 1\n\n[job]\nvehicle = "Bramble, forestry 4x4"\n',
        number=3,
        written_at="2025-10-09T09:00:00Z",
        unique_id="bramble-dry-spin-0003-9f2c9f2c",
        mounting=(
            {
                "unit": "front",
                "roll": 0.0,
                "yaw": 180.0,
                "sign": -1,
                "note": "Only a person who watched the axle can confirm it.",
                "caution": "This unit is turned against its donor: inspect its oil.",
            },
            {"unit": "rear", "roll": 0.0, "yaw": 0.0, "sign": 1, "note": "", "caution": ""},
        ),
    )
    return replace(report, **changes)


def failing(**changes):
    """The same run with the front axle turning the wrong way and the link seen too briefly."""
    good = whole()
    wrong = {("axle-direction", "front forward"): TURNED_WRONG}
    findings = tuple(wrong.get((f.rule, f.subject), f) for f in good.findings)
    witness = unproven("axle-witness", "rear reverse", "not-exercised", next="watch the rear wheel")
    findings = tuple(
        witness if (f.rule, f.subject) == ("axle-witness", "rear reverse") else f for f in findings
    )
    failed = replace(
        good,
        verdict="fail",
        headline="fail: 1 finding failed, 2 required items unproven",
        findings=(*findings, DISCHARGE),
        look_first=(
            "The front axle turns against the request in forward; torque and speed agree, so the"
            " unit itself is sound: two phases are swapped or the mounting in the plan is wrong.",
            "The front link fell silent at 181.4 V: keep the 12 V on until it is below 60 V.",
        ),
        diagnosis=(
            Cause(
                "two phases of the front unit are swapped & the plan says they are not",
                "mark the front axle flange with chalk and turn the motor by hand",
                ("axle-direction, front forward", "axle-direction, front reverse"),
            ),
        ),
    )
    return replace(failed, **changes)


def open_ended(**changes):
    """The same run with the link seen too briefly: nothing failed, one required item unproven."""
    good = whole()
    return replace(
        good,
        verdict="unproven",
        headline="unproven: 1 required item",
        findings=(*good.findings, DISCHARGE),
        **changes,
    )
