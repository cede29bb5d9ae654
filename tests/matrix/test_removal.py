"""Evidence taken from healthy runs: what rested on it no longer passes, nor does the whole run.

Every message dropped, every bus silenced, every sensor frozen, the capture cut, roles that another
one checks read ten times too much, the two units' buses exchanged. A fifth of the removals, always
the same, is tried with the tests; all of them, on more vehicles, with ``--full-matrix``.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from canscope.simulate.messages import step_of
from canscope.simulate.random_vehicle import draw
from canscope.simulate.recording import START_US
from canscope.simulate.script import AxleByAxle
from tests.matrix.judging import report_of
from tests.matrix.removal import (
    TEN_TIMES,
    Removal,
    bench,
    exchanged,
    removals,
    removed,
    ten_times,
    wrongs_of,
)

FIFTH = 5
VEHICLES = (("dry-spin", 3), ("power-up", 5), ("wet-spin", 8))


def tells(vehicle):
    """Whether its sensors are fine enough to tell a frozen one from one that hardly moves."""
    nodes = [f"{unit.channel}:UnitSlow" for unit in vehicle.units]
    inside = [step_of(vehicle, f"{n}.{s}") for n in nodes for s in ("InverterTemp", "WindingTemp")]
    pack = step_of(vehicle, "can0:PackStatus.PackVoltage")
    return max(inside) <= 0.1 and pack <= 0.1 and vehicle.wiring.insulation_monitor


@cache
def made(stage, seed):
    """A healthy run to take evidence from."""
    vehicle, story = draw(seed, stage=stage, units=2, suits=tells)
    return bench(vehicle, story, seed)


@cache
def passed(stage, seed):
    """Its report."""
    return report_of(made(stage, seed).recorded())


def pytest_generate_tests(metafunc):
    full = metafunc.config.getoption("--full-matrix")
    if "signal" in metafunc.fixturenames:
        tens = [(signal, by) for by in ("traffic", "definition") for signal in TEN_TIMES]
        metafunc.parametrize(("signal", "by"), tens if full else tens[::FIFTH])
    if "removal" not in metafunc.fixturenames:
        return
    chosen = []
    for stage, seed in VEHICLES if full else VEHICLES[:1]:
        every = list(removals(made(stage, seed)))
        chosen += [(stage, seed, removal) for removal in (every if full else every[::FIFTH])]
    names = [f"{removal.name}-{stage}" for stage, _, removal in chosen]
    metafunc.parametrize(("stage", "seed", "removal"), chosen, ids=names)


def test_what_rested_on_removed_evidence_no_longer_passes(stage, seed, removal):
    report = passed(stage, seed)
    assert report.verdict == "pass"
    assert wrongs_of(report, report_of(removed(made(stage, seed), removal)), removal) == []


def test_a_role_that_another_checks_and_reads_ten_times_too_much_passes_no_run(signal, by):
    assert report_of(ten_times(made("dry-spin", 3), signal, by)).verdict != "pass"


def opened_s(bench):
    """When the driver first switches high voltage off."""
    return bench.script.first("power", 0.0)


@pytest.mark.parametrize(
    "reading", ["PackStatus.PackCurrent", "Supply.ControlVoltage", "Insulation.Resistance"]
)
def test_what_froze_before_the_poles_closed_passes_no_power_up(reading):
    bench, key = made("power-up", 5), f"can0:{reading}"
    at_s = bench.script.first("power", 1.0) - 0.3
    frozen = Removal("half", key, frozenset({key}), at_s)
    noisy = bench.column(key) + np.random.default_rng(5).normal(0, 0.1, len(bench.column(key)))
    column = np.where(np.arange(len(noisy)) < at_s * 1000, noisy, noisy[round(at_s * 1000)])
    for run in (removed(bench, frozen), bench.recorded({key: column})):  # quiet and lively before
        assert report_of(run).verdict != "pass"


@pytest.mark.parametrize("word", ["InverterTemp", "WindingTemp"])
def test_a_temperature_that_dies_with_the_last_burst_passes_no_run(word):
    bench = made("dry-spin", 3)
    key = f"{bench.vehicle.front.channel}:UnitSlow.{word}"
    dead = Removal("half", key, frozenset({key}), bench.script.spins[-1].end_s + 1.0)
    assert report_of(removed(bench, dead)).verdict != "pass"


@pytest.mark.parametrize("stage", [("dry-spin", 3), ("power-up", 5)], ids=lambda stage: stage[0])
@pytest.mark.parametrize("gone_V", [1e9, 150.0], ids=["with the opening", "below 150 V"])
def test_links_whose_sensors_go_while_they_are_charged_pass_no_run(stage, gone_V):
    """All units lose their supply as the poles open, or measure nothing at low voltage."""
    bench, columns = made(*stage), {}
    late = bench.truth.time_s > opened_s(bench) + 0.01
    for unit in bench.vehicle.units:
        key = f"{unit.channel}:UnitFast.LinkVoltage"
        volts = bench.column(key)
        columns[key] = np.where(late & (volts < gone_V), 0.0, volts)
    assert report_of(bench.recorded(columns)).verdict != "pass"


@pytest.mark.parametrize("stretched", [0.8, 1.25, 2.0])
def test_a_recording_whose_clock_ran_wrong_passes_no_run(stretched):
    run = made("power-up", 5).recorded()
    since_us = (run.recording.time_us - START_US) * stretched
    slow = replace(run.recording, time_us=START_US + since_us.astype(np.int64))
    assert report_of(replace(run, recording=slow)).verdict != "pass"


def alike(vehicle):
    """Both units speak alike, so that nothing but a person can tell their buses apart."""
    front, rear = (
        [
            (m.can_id, [s.start_bit for s in m.signals])
            for m in vehicle.wiring.messages[unit.channel]
        ]
        for unit in vehicle.units
    )
    return front == rear


@pytest.mark.parametrize("still", [True, False], ids=["still told", "only turning told"])
def test_exchanged_buses_are_not_proven_by_marks_of_one_axle_at_a_time(still):
    vehicle, _ = draw(11, units=2, suits=alike)
    healthy = bench(vehicle, AxleByAxle(), 11)
    before = report_of(healthy.recorded())
    assert {f.verdict for f in before.findings if f.rule == "axle-witness"} == {"pass"}
    report = report_of(exchanged(healthy, still=still))
    assert report.verdict != "pass"
    told = [f.verdict for f in report.findings if f.rule == "axle-witness"]
    assert len(told) == 4
    assert "pass" not in told


def test_taking_nothing_away_leaves_every_pass_standing():
    """Otherwise the others would hold for a run that proves nothing anyway."""
    report = passed("dry-spin", 3)
    assert len([f for f in report.findings if f.verdict == "pass"]) > 60
    assert passed("power-up", 5).verdict == "pass"
