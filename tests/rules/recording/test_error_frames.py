"""error-frames: classes by linux/can/error.h (TX timeout 1, lost arbitration 2, controller 4,
protocol 8, transceiver 10, no acknowledge 20, bus-off 40, bus error 80, restarted 100; data[1] of a
controller frame: 40 back to active). Counts and times are worked by hand.
"""

import pytest

from canscope.model.bench import Kind
from canscope.model.findings import Verdict
from tests.rules.frames import ERROR, Row, bench_of, judge, message

BOX = message("Box", 0x200, 1, {"Neg": (0, 1), "Pos": (1, 1)}, cycle_s=0.1)
FAST = message("Fast", 0x100, 2, {"Speed": (0, 16)}, cycle_s=0.1, channel="can1")
ROLES = {
    "contactors.negative": ("can0:Box.Neg", Kind.STATE),
    "contactors.positive": ("can0:Box.Pos", Kind.STATE),
    "units.front.speed": ("can1:Fast.Speed", Kind.NUMBER),
}
UNITS = {"front": "can1:Fast", "rear": "can2:Rear"}


def traffic(closes_s=99.0, until_s=5.0):
    """Both messages every 100 ms; the negative contactor closes at some instant."""
    rows = []
    for k in range(round(until_s * 10)):
        rows.append(Row(k / 10, "can0", 0x200, bytes([1 if k / 10 >= closes_s else 0])))
        rows.append(Row(k / 10 + 0.001, "can1", 0x100, b"\0\0"))
    return rows


def errors(kind, *times_s, channel="can1", state=0):
    return [Row(t, channel, kind, bytes([0, state, 0, 0, 0, 0, 0, 0]), ERROR) for t in times_s]


def run(*parts, cuts=None, **rules):
    rows = sorted((row for part in parts for row in part), key=lambda row: row.at_s)
    return judge(
        "error-frames", rows, [BOX, FAST], bench_of([BOX, FAST], ROLES), cuts=cuts, rules=rules
    )


def test_bus_off_fails_by_itself():
    finding = run(traffic(), errors(0x40, 2.0))["can1"]
    assert (finding.verdict, finding.margin, finding.at_s) == (Verdict.FAIL, -1.0, 2.0)
    assert "went off the bus" in finding.sentence
    assert "bus-off 1, in 1 burst" in finding.sentence
    assert finding.code == "bus-off"


def test_none_recorded_proves_nothing():
    findings = run(traffic(), errors(0x80, 2.0))
    assert (findings["can0"].verdict, findings["can0"].reason) == (Verdict.UNPROVEN, "inferred")
    assert "whether the recorder keeps them is not known" in findings["can0"].sentence


def test_a_bus_of_which_nothing_was_recorded_is_not_seen():
    findings = run([row for row in traffic() if row.channel == "can0"])
    assert findings["can1"].reason == "not-seen"


def test_a_bus_of_the_plan_is_judged_though_no_role_is_bound_to_it():
    bench = bench_of([BOX, FAST], ROLES, buses=("can0", "can1", "can2"))
    rows = sorted([*traffic(), *errors(0x40, 2.0, channel="can2")], key=lambda row: row.at_s)
    found = judge("error-frames", rows, [BOX, FAST], bench)
    assert (found["can2"].verdict, found["can2"].measured) == (Verdict.FAIL, 1.0)


def test_a_few_are_told_by_class_and_pass():
    finding = run(traffic(), errors(0x80, 2.0, 2.1, 2.2), errors(0x88, 4.0))["can1"]
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.PASS, 4.0, 6.0)
    assert "protocol violation 1, bus error 4, in 2 bursts" in finding.sentence


def test_more_than_allowed_within_ten_seconds_fail():
    # Ten at 1.0 to 1.9 s are allowed, the eleventh is not.
    times = [1 + k / 10 for k in range(11)]
    assert run(traffic(), errors(0x20, *times[:10]))["can1"].verdict is Verdict.PASS
    finding = run(traffic(), errors(0x20, *times))["can1"]
    assert (finding.verdict, finding.margin, finding.first_failed_s) == (Verdict.FAIL, -1.0, 2.0)
    assert "no acknowledge 11" in finding.sentence
    assert finding.code == "no-acknowledge"
    spread = run(traffic(until_s=30), errors(0x20, *(2.5 * k for k in range(11))))["can1"]
    assert (spread.verdict, spread.measured) == (
        Verdict.PASS,
        4.0,
    )  # within 10 s, open at its start


def test_what_a_burst_follows_is_told():
    finding = run(traffic(closes_s=2.0), errors(0x80, 1.0, 2.04, 2.05))["can1"]
    assert "the latest of which began 40 ms after the negative contactor closed" in finding.sentence
    # Of two contactors the one that closed last is named.
    rows = [*traffic(), *(Row(k / 10 + 0.05, "can0", 0x200, b"\1") for k in range(10, 20))]
    rows = [row for row in rows if row.channel != "can0" or row.at_s < 1 or row.data != b"\0"]
    rows += [Row(k / 10 + 0.05, "can0", 0x200, b"\3") for k in range(20, 30)]
    both = run(rows, errors(0x80, 2.09))["can1"]
    assert "the latest of which began 40 ms after the positive contactor closed" in both.sentence
    late = run(traffic(closes_s=2.0), errors(0x80, 4.5))["can1"]
    assert "after" not in late.sentence.split(":")[2]


def test_of_two_units_that_start_together_the_one_on_this_bus_is_named():
    rear = message("Rear", 0x101, 2, {"Speed": (0, 16)}, cycle_s=0.1, channel="can2")
    speeds = {f"units.{u}.speed": (f"{c}.Speed", Kind.NUMBER) for u, c in UNITS.items()}
    rows = [
        Row(k / 10 + late, channel, can_id, bytes([200 if k >= 20 else 0, 0]))
        for channel, can_id, late in (("can1", 0x100, 0.0), ("can2", 0x101, 0.03))
        for k in range(50)
    ]
    for channel in ("can1", "can2"):
        both = sorted([*rows, *errors(0x80, 2.9, channel=channel)], key=lambda row: row.at_s)
        specs = [FAST, rear]
        for cuts in (None, [2.85]):
            found = judge("error-frames", both, specs, bench_of(specs, speeds), cuts=cuts)
            unit = {"can1": "front", "can2": "rear"}[channel]
            assert f"after the {unit} unit started turning" in found[channel].sentence


def test_lost_arbitration_restarts_and_recovery_are_no_faults():
    kinds = errors(2, 1.0), errors(0x100, 1.1), errors(4, 1.2, state=0x40)
    finding = run(traffic(), *kinds)["can1"]
    assert (finding.verdict, finding.measured) == (Verdict.PASS, 0.0)
    passive = run(traffic(), errors(4, 1.2, state=0x10))["can1"]
    assert passive.measured == 1.0


def test_the_number_allowed_can_be_set():
    some = errors(0x80, 1.0, 1.1)
    assert run(traffic(), some, limit_count=1)["can1"].verdict is Verdict.FAIL
    assert run(traffic(), some, limit_count=1, within_s=0.1)["can1"].verdict is Verdict.PASS


CASES = {
    "bus-off": (traffic(closes_s=1.0), errors(0x40, 1.5, 3.0)),
    "burst": (traffic(closes_s=1.0), errors(0x80, *(1.04 + k / 100 for k in range(30)))),
    "few": (traffic(), errors(0x80, 2.0, 2.1), errors(2, 3.0)),
}


@pytest.mark.parametrize("name", CASES)
def test_cutting_changes_nothing(name):
    whole = run(*CASES[name])
    assert run(*CASES[name], cuts="each") == whole
    assert run(*CASES[name], cuts=[1.05, 1.2, 2.05]) == whole
