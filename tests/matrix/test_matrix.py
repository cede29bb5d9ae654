"""A seeded fifth of the matrix: every fault once, on a random vehicle, and healthy runs.

A fault is failed by the rules made for it and by none outside of what it declares; a healthy
run, however coarse its sensors, passes with nothing required unproven; no run with a fault passes.
What a fault declares was written knowing nothing of the rules' code. ``--full-matrix`` runs all.

The matrix itself is tested: with any rule emptied, or its good and bad exchanged, it turns red.
"""

from dataclasses import replace
from functools import cache

import pytest

from canscope.judge.diagnosis import diagnose
from canscope.model.findings import MENDS, REASONS
from canscope.rules import RULES
from canscope.simulate.faults.catalogue import fault_names, find_fault
from canscope.simulate.faults.fault import FAULTS
from canscope.simulate.runs import make_run
from canscope.simulate.script import DrySpin
from canscope.simulate.vehicle import BRAMBLE, Limits
from tests.matrix.judging import decoded, row_of, rules_with
from tests.matrix.scenarios import TIMES, fifth, scenarios
from tests.matrix.spoiled import spoiled

# They can only be unproven, never fail.
NEVER_FAILS = {"message-presence", "sensor-alive"}
# In a healthy run they judge nothing, or what they count is none: flipped, that stays none.
NOTHING_TO_FLIP = {
    "alive-counter",
    "checksum",
    "closing-inrush",
    "frame-length",
    "hand-reading",
    "unit-fault",
}
# What they fail is no fault of a vehicle: a second adapter on one bus (tests/lies tells that lie),
# a person's instrument that shows something else (tests/rules).
NOT_OF_A_VEHICLE = {"buses-distinct", "hand-reading"}

CODES = {"", *REASONS, *MENDS, *(code for name in RULES for code in RULES[name].codes)}


def pytest_generate_tests(metafunc):
    if "scenario" in metafunc.fixturenames:
        chosen = scenarios() if metafunc.config.getoption("--full-matrix") else fifth()
        metafunc.parametrize("scenario", chosen, ids=[s.name for s in chosen])


def test_a_run_is_judged_as_what_it_is(scenario):
    run = scenario.run()
    read = decoded(run)
    report = read.report()
    row = row_of(scenario, run, report)
    assert row.wrongs == ()
    assert_told_apart_by_codes(report, read.plan)
    if scenario.fault is None:
        return
    assert row.verdict != "pass"
    for name in NOTHING_TO_FLIP & run.fault.must_in(run.vehicle):
        report = read.report({name: spoiled(read.plan.rules[name], "flip")})
        assert rules_with(report, "fail") == set(), f"nothing notices that {name} is spoiled"


def assert_told_apart_by_codes(report, plan):
    """Other words change no diagnosis, and every code is one that somebody declares."""
    reworded = [replace(f, sentence="x", doubt="x", facts={}) for f in report.findings]
    assert diagnose(reworded, [unit.name for unit in plan.bench.units], plan.rules) == (
        report.diagnosis
    )
    assert {f.code for f in report.findings} <= CODES


@pytest.fixture(scope="module")
def healthy():
    """Runs in good health in which every rule speaks that can: honest, flipped and emptied."""
    limits = Limits(bus_load_percent=70.0)
    vehicle = replace(BRAMBLE, limits=limits)
    wet = replace(vehicle, wiring=replace(vehicle.wiring, coolant_flow=True))
    stages = {"dry-spin": vehicle, "power-up": vehicle, "wet-spin": wet}
    runs = {stage: decoded(make_run(v, stage=stage)) for stage, v in stages.items()}
    braked = DrySpin(pedal_percent=27.0, brake_in_burst=True)
    runs["braked"] = decoded(make_run(vehicle, story=braked))
    few = make_run(fault="nobody-acknowledges", severity=0.2)  # six error frames, ten are allowed
    runs["few errors"] = decoded(few)

    @cache
    def report(which, how):
        read = runs[which]
        rules = read.plan.rules
        return read.report({n: spoiled(rule, how) for n, rule in rules.items()} if how else rules)

    return report


ONLY_IN = {
    "brake-and-pedal": "braked",
    "contactor-weld": "power-up",
    "emergency-stop": "power-up",
    "error-frames": "few errors",
    "insulation-resistance": "power-up",
    "nothing-turns": "power-up",
    "coolant-flow": "wet-spin",
}


@pytest.mark.parametrize("name", sorted(set(RULES) - NOTHING_TO_FLIP))
def test_a_flipped_rule_turns_a_healthy_run_red(healthy, name):
    """All of them are flipped at once: what one says, no other one reads."""
    which = ONLY_IN.get(name, "dry-spin")
    assert name not in rules_with(healthy(which, ""), "fail")
    assert name in rules_with(healthy(which, "flip"), "fail")


@pytest.mark.parametrize("which", ["dry-spin", "power-up", "few errors"])
def test_rules_that_are_emptied_prove_nothing_and_fail_nothing(healthy, which):
    """So no fault is noticed whose rule is emptied: every row of the matrix would turn red."""
    report = healthy(which, "empty")
    assert {finding.verdict for finding in report.findings} == {"unproven"}


@pytest.mark.parametrize("name", sorted(NEVER_FAILS))
def test_a_rule_that_never_fails_and_is_emptied_leaves_a_healthy_run_unproven(healthy, name):
    assert name in rules_with(healthy("dry-spin", ""), "pass")
    emptied = [f for f in healthy("dry-spin", "empty").findings if f.rule == name]
    assert {(f.verdict, f.required) for f in emptied} == {("unproven", True)}


def test_the_matrix_is_large_enough_and_its_fifth_has_every_fault():
    every, chosen = scenarios(), fifth()
    assert len(every) >= 300
    for name in fault_names():
        assert sum(s.fault == name for s in every) >= TIMES
    assert {s.fault for s in chosen} == {None, *fault_names()}
    assert len({s.seed for s in every}) == len(every)


def test_for_every_rule_there_is_a_fault_that_it_has_to_fail():
    fault_names()
    failed = set().union(*(fault.must for fault in FAULTS.values()))
    assert set(RULES) - NEVER_FAILS - NOT_OF_A_VEHICLE == failed
    for name in NEVER_FAILS:
        assert any(name in find_fault(fault).unproven for fault in fault_names())
