"""Two adapters whose clocks differ, aligned by the onset of a pre-charge: at 1.0 s pre-charge
closes, 10 A flow and decay with tau 40 ms, the link rises. The link's own stamps are shifted."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from canscope.judge.judge import Judge
from canscope.judge.time_slice import TimeSlice
from canscope.judge.verdict import findings_of
from canscope.model.findings import Verdict
from canscope.rules import RULES
from tests.rules.harness import bench_of, frames_of, kind_of, samples_of
from tests.rules.vehicle import charging, clock, state

LINK = "units.front.link_voltage"
CHANNELS = {LINK: "can1"}


def judged(
    late_s,
    *,
    current=True,
    every_s=0.01,
    positive_s=1.4,
    rules=("precharge-level",),
    pieces=8,
    poles=True,
    extra=None,
    inputs="can0",
):
    times = clock(4, every_s)
    link = np.where(times - late_s >= positive_s, 400.0, charging(times - late_s, 1.0, 400.0, 0.04))
    amps = np.where(times < 1.0, 0.0, 10 * np.exp(-np.maximum(times - 1.0, 0) / 0.04))
    columns = {
        "contactors.negative": state(times, (0.7, 1)),
        "contactors.precharge": state(times, (1.0, 1), (positive_s + 0.4, 0)),
        "contactors.positive": state(times, (positive_s, 1)),
        "pack.voltage": np.where(times < 0.5, 399.0, 400.0),
        LINK: link,
    }
    if current:
        columns["pack.current"] = amps
    if not poles:
        columns = {role: column for role, column in columns.items() if "contactors" not in role}
    fields = {} if poles else {"precharge_resistor_ohm": 40.0}
    columns |= {role: np.full(len(times), value) for role, value in (extra or {}).items()}
    bench = bench_of(list(columns), "power-up", fields, {LINK: 0.05})
    bindings = dict(bench.bindings)
    for role in (role for role in columns if role.startswith(("units.", "driver."))):
        channel = "can1" if role.startswith("units.") else inputs
        signal = replace(bindings[role].signal, channel=channel)
        bindings[role] = replace(bindings[role], signal=signal)
    bench = replace(bench, bindings=bindings)
    data = {role: samples_of(times, column, kind_of(role)) for role, column in columns.items()}
    judge = Judge(bench, {name: RULES[name]() for name in rules})
    first, last = (int(data[LINK].time_ns[row]) for row in (0, -1))
    edges = np.linspace(first, last + 1, pieces + 1).astype(np.int64).tolist()
    for begin, end in itertools.pairwise(edges):
        part = {role: s.between(begin, end) for role, s in data.items()}
        arrivals = {bindings[role].signal.message_key: s.time_ns for role, s in part.items()}
        judge.feed(TimeSlice(part, arrivals, frames_of(part), end))
    judge.close()
    return judge, {finding.rule: finding for finding in findings_of(judge.ledger)}


@pytest.mark.parametrize("late_s", [-0.7, -0.3, -0.15, 0.15, 0.3, 0.7])
@pytest.mark.parametrize("current", [True, False])
def test_a_bus_that_is_stamped_otherwise_is_found_with_its_size(late_s, current):
    judge, findings = judged(late_s, current=current)
    lag = judge.ledger.alignment.lags["can1"]
    assert lag.told
    assert abs(lag.ms - 1000 * late_s) <= lag.u_ms
    finding = findings["precharge-level"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "capture-damaged")
    assert "can1 is stamped" in finding.sentence
    assert any("clocks of the two adapters differ" in note for note in judge.ledger.notes())


@pytest.mark.parametrize("pieces", [1, 9, 60])
@pytest.mark.parametrize("late_s", [-0.7, 0.02, 0.45, 0.88])
def test_clocks_are_compared_without_any_contactor_on_the_bus(late_s, pieces):
    """The link's rise and the current of 400 V over 40 ohm show them all the same."""
    lag = judged(late_s, poles=False, rules=(), pieces=pieces)[0].ledger.alignment.lags["can1"]
    assert lag.told == (abs(late_s) > 0.1)
    assert abs(lag.ms - 1000 * late_s) <= lag.u_ms


@pytest.mark.parametrize(
    ("late_s", "every_s"), [(0.0, 0.01), (0.03, 0.01), (-0.05, 0.01), (0, 0.1)]
)
def test_clocks_that_nearly_agree_or_coarse_buses_are_not_told(late_s, every_s):
    judge, findings = judged(late_s, every_s=every_s)
    assert not judge.ledger.notes()
    assert findings["precharge-level"].verdict is Verdict.PASS


@pytest.mark.parametrize("late_s", [-0.3, 0.3])
def test_a_closing_at_75_percent_still_fails_by_the_step_of_the_link_itself(late_s):
    findings = judged(late_s, positive_s=1.055)[1]
    assert findings["precharge-level"].verdict is Verdict.FAIL
    assert findings["precharge-level"].measured == pytest.approx(71.3, abs=1.0)


def test_what_does_not_need_the_order_stands():
    findings = judged(0.3, rules=("precharge-curve",))[1]
    assert findings["precharge-curve"].verdict is Verdict.PASS


def test_motion_in_power_up_needs_no_clock_of_the_ignition():
    extra = {"driver.ignition": 1.0, "units.front.speed": 0.0}
    findings = judged(0.3, rules=("unasked-motion",), extra=extra)[1]
    assert findings["unasked-motion"].verdict is Verdict.PASS


@pytest.mark.parametrize("late_s", [-0.3, 0.3])
def test_pieces_make_no_difference(late_s):
    """voltage-agreement is judged by its run's samples, before and after the lag is known."""
    rules = ("precharge-level", "precharge-curve", "voltage-agreement", "link-discharge")
    whole = judged(late_s, rules=rules, pieces=1)[1]
    for pieces in (3, 17, 100):
        assert judged(late_s, rules=rules, pieces=pieces)[1] == whole


@pytest.mark.parametrize(("late_s", "told"), [(0.0, False), (0.03, False), (0.3, True)])
def test_a_bus_that_fell_behind_during_the_run_is_found_by_the_fall_of_its_link(late_s, told):
    """Two links on one circuit fall with tau 0.3 s from 7 s on; one bus is late by then."""
    times = clock(11, 0.01)
    other = "units.rear.link_voltage"

    def link(at_s):
        up = np.where(at_s >= 1.4, 400.0, charging(at_s, 1.0, 400.0, 0.04))
        return np.where(at_s >= 7.0, 400.0 * np.exp(-np.maximum(at_s - 7.0, 0) / 0.3), up)

    columns = {
        "contactors.negative": state(times, (0.7, 1), (9.0, 0)),
        "contactors.precharge": state(times, (1.0, 1), (1.8, 0)),
        "contactors.positive": state(times, (1.4, 1), (7.02, 0)),
        "pack.voltage": np.where(times < 0.5, 399.0, 400.0),
        "pack.current": np.where(times < 1, 0.0, 10 * np.exp(-np.maximum(times - 1, 0) / 0.04)),
        LINK: link(times),
        other: link(times - np.where(times > 4, late_s, 0)),
    }
    bench = bench_of(list(columns), "power-up", {}, {LINK: 0.05, other: 0.05})
    bindings = dict(bench.bindings)
    for role, channel in ((LINK, "can1"), (other, "can2")):
        signal = replace(bindings[role].signal, channel=channel)
        bindings[role] = replace(bindings[role], signal=signal)
    bench = replace(bench, bindings=bindings)
    data = {role: samples_of(times, column, kind_of(role)) for role, column in columns.items()}
    judge = Judge(bench, {"precharge-level": RULES["precharge-level"]()})
    arrivals = {bindings[role].signal.message_key: s.time_ns for role, s in data.items()}
    judge.feed(TimeSlice(data, arrivals, frames_of(data), int(data[LINK].time_ns[-1]) + 1))
    judge.close()
    lag = judge.ledger.alignment.lags["can2"]
    assert lag.told is told
    if told:
        assert abs(lag.ms - 1000 * late_s) <= lag.u_ms
        assert "the fall of" in lag.text


def spun(late_s, pressed_s, **more):
    """The pedal is pressed then; from 2.4 s on 10 Nm speed 0.1 kgm^2 up by 955 rpm a second."""
    times = clock(4, 0.01)
    own_s = times - late_s
    extra = {
        "units.front.speed": 955 * np.clip(own_s - 2.4, 0, 0.5),
        "units.front.torque": np.where((own_s >= 2.4) & (own_s < 2.9), 10.0, 0.0),
        "driver.pedal": np.where(times >= pressed_s, 20.0, 0.5),
        "driver.direction": np.where(times >= 1.5, 1.0, 0.0),
    }
    judge, _ = judged(late_s, rules=("pedal-at-rest",), extra=extra, **more)
    found = {finding.subject: finding for finding in findings_of(judge.ledger)}
    return found["pedal"].sentence


def test_a_pedal_is_not_accused_of_what_the_clocks_may_explain():
    """The unit turns before the pedal is pressed: by its own clock, which is early, or truly."""
    assert "can1 is stamped 690 ms (+-10 ms) earlier" in spun(-0.7, 2.3)
    assert "cannot be believed" not in spun(-0.7, 2.3)
    assert "was at rest 0.00 s after" in spun(0.0, 3.0)


def test_a_bus_of_inputs_alone_goes_with_the_reference():
    """Nothing shows its clock: what came first on it and on the unit's bus is not known either."""
    assert "can1 is stamped 690 ms (+-10 ms) earlier" in spun(-0.7, 2.3, inputs="can3")
    assert "was at rest 0.00 s after" in spun(0.0, 3.0, inputs="can3")
