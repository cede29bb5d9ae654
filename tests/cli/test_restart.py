"""A controller that restarts: silent for 49 ms, then frames of zeros, as seen on a bus.

The demo's front unit sends every 10 ms on can1; three cycles are 30 ms. Its checksum of zeros is
not zero (CRC-8 SAE J1850 begins with FF), and its temperatures have an offset of -40 degC. The
first contactor closes after 4 s; from 12 s on the unit turns.
"""

import json

import pytest

from canscope.capture.read import read_capture
from canscope.decoding.columns import decode
from canscope.judge.check import Run
from canscope.plan.load import read_plan

RULES = ("cycle-time", "checksum", "alive-counter")


def restarting(log, *starts_s, silent_s=0.049, zeros_s=0.2, until_s=1e9):
    """The log with can1 silent from these instants, and with zeros for a while after."""
    origin, kept = None, []
    for line in log.read_text().splitlines():
        stamp, channel, frame = line.split()
        origin = origin or float(stamp[1:-1])
        at_s = float(stamp[1:-1]) - origin
        since = [at_s - start for start in starts_s if 0 <= at_s - start < silent_s + zeros_s]
        if channel == "can1" and since:
            if since[0] < silent_s:
                continue
            number, _, data = frame.partition("#")
            line = f"{stamp} {channel} {number}#{'0' * len(data)}"
        if at_s < until_s:
            kept.append(line + "\n")
    log.write_text("".join(kept))


@pytest.fixture
def check(run, canscope):
    def call(*starts_s, **options):
        restarting(run / "capture.log", *starts_s, **options)
        code, out, err = canscope("check", run, "--json", run / "report.json")
        report = json.loads((run / "report.json").read_text("utf-8"))
        return code, " ".join(out.split()), report, err

    return call


def verdicts(report):
    """Of the front unit's three rules about messages."""
    return {
        f["rule"]: f["verdict"]
        for f in report["findings"]
        if f["rule"] in RULES and f["subject"] in ("front", "can1:UnitFast")
    }


def test_a_restart_at_rest_is_told_and_its_start_up_values_do_not_count(check):
    code, out, report, err = check(2.0)
    assert code == 0, (out, err)
    assert set(verdicts(report).values()) == {"pass"}
    assert "front on can1 restarted at 2.0" in out
    assert "what it sent in the second after that does not count (common practice" in out
    happened = [event for event in report["events"] if "restarted" in event["what"]]
    assert [event["what"] for event in happened] == ["front on can1 restarted"]
    alive = [f["verdict"] for f in report["findings"] if f["rule"] == "sensor-alive"]
    assert alive == ["pass"] * 4


@pytest.mark.parametrize(
    "starts_s",
    [(2.0, 3.3), (5.5,), (13.0,)],
    ids=["again and again", "under high voltage", "while it turns"],
)
def test_any_other_restart_is_the_fault_that_it_was(check, starts_s):
    code, _, report, _ = check(*starts_s, until_s=14.5)
    assert code == 1
    assert verdicts(report) == dict.fromkeys(RULES, "fail")


def test_a_contact_that_comes_and_goes_is_no_restart(check):
    """cycle-time forgives one pause before any contactor closes; its values count all the time."""
    _, out, report, _ = check(2.0, zeros_s=0.0, until_s=4.0)
    assert "restarted" not in out
    assert not any("restarted" in event["what"] for event in report["events"])


def test_start_up_values_that_last_longer_than_the_stated_time_count(check):
    _, _, report, _ = check(2.0, zeros_s=1.3, until_s=4.0)
    assert verdicts(report)["checksum"] == verdicts(report)["alive-counter"] == "fail"


def test_however_the_run_is_cut_a_restart_is_the_same(run):
    restarting(run / "capture.log", 1.0, 2.5, until_s=3.2)
    plan = read_plan(run / "plan.toml")
    found = []
    for size in (1 << 20, 11):
        judged = Run(plan)
        for frames in read_capture(str(run / "capture.log")):
            for first in range(0, len(frames), size):
                part = frames.take(slice(first, first + size))
                last = first + size >= len(frames)
                until_ns = frames.until_ns if last else int(frames.time_ns[first + size])
                for signals in decode([part.but(until_ns=until_ns)], plan.definitions):
                    judged.feed(signals)
        found.append(judged.report().findings)
    assert found[0] == found[1]
