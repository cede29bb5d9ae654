"""The law of pieces: offline is live in one piece.

However a run is cut, every finding is the same, with the instant at which it first failed; and
what the rules remember does not grow with the run.
"""

import pickle
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from canscope.capture.order import ordered
from canscope.capture.read import read_capture
from canscope.decoding.columns import decode
from canscope.judge.check import Run
from canscope.model.tables import join
from canscope.plan.load import read_plan
from canscope.rules import RULES
from canscope.rules.electrical import power_balance
from canscope.simulate.faults.catalogue import fault_names, find_fault
from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run

# Faults that make many different rules speak; all of them are tried with one cutting each.
HEALTHY, POWER_UP = "healthy", "power-up"  # beside the names of faults
CUT_FINELY = (HEALTHY, POWER_UP, "front-axle-wrong-way", "bad-precharge", "bus-off")
# What no simulated run exercises; the rules' own tests cut their hand-written runs at each sample.
ELSEWHERE = {"brake-and-pedal", "closing-inrush", "coolant-flow", "hand-reading"}
COUNTED = {"message-presence", "sensor-alive"}  # seen or not seen, moved or not
LIVE_NS = 200_000_000  # the pieces in which a run is judged while it goes on


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """(plan, all frames in order, report in one piece) of a run; made when first asked for."""
    made = {}

    def get(name):
        if name not in made:
            for other in made.keys() - {*CUT_FINELY}:
                del made[other]  # each of the many is asked for once; do not keep them all
            fault = None if name in (HEALTHY, POWER_UP) else name
            stage = POWER_UP if name == POWER_UP else "dry-spin"
            if fault and stage not in find_fault(fault).stages:
                stage = find_fault(fault).stages[0]
            run = make_run(fault=fault, stage=stage)
            files = write_run(run, tmp_path_factory.mktemp("run"))
            # Not put in order yet: that is part of what must not depend on the cutting.
            frames = replace(join(list(read_capture(files.capture))), until_ns=None)
            plan = read_plan(files.plan)
            made[name] = plan, frames, judged(plan, frames, [])
        return made[name]

    return get


def judged(plan, frames, cuts):
    """The report of a run cut before these rows."""
    rows = [0, *sorted({c for c in cuts if 0 < c < len(frames)}), len(frames)]
    chunks = (frames.take(slice(a, b)) for a, b in pairwise(rows))
    run = Run(plan)
    for signals in decode(ordered(chunks), plan.definitions, wanted=plan.wanted):
        run.feed(signals)
    return run.report()


def assert_same(cut, whole):
    for mine, other in zip(cut.findings, whole.findings, strict=True):
        assert mine == other
    assert cut.bursts == whole.bursts
    assert cut.plots == whole.plots
    assert replace(cut, unique_id="") == replace(whole, unique_id="")


@pytest.mark.parametrize("fault", CUT_FINELY)
@settings(max_examples=3, deadline=None, phases=[Phase.generate])  # shrinking takes minutes
@given(cuts=st.lists(st.floats(0, 1), min_size=1, max_size=60))
def test_any_cutting_of_a_whole_run_gives_the_same_report(runs, fault, cuts):
    plan, frames, whole = runs(fault)
    assert_same(judged(plan, frames, [int(c * len(frames)) for c in cuts]), whole)


def every(frames, step_ns):
    """The rows at which a run is cut into pieces of this length."""
    return np.flatnonzero(np.diff((frames.time_ns - frames.time_ns[0]) // step_ns)) + 1


@pytest.mark.parametrize("fault", CUT_FINELY[1:3])
def test_a_run_judged_live_gives_the_same_report_as_afterwards(runs, fault):
    plan, frames, _ = runs(fault)
    part = frames.take(frames.time_ns < frames.time_ns[0] + 20 * 10**9)
    assert_same(judged(plan, part, every(part, LIVE_NS)), judged(plan, part, []))


def pytest_generate_tests(metafunc):
    if "some_fault" in metafunc.fixturenames:
        full = metafunc.config.getoption("--full-matrix")
        metafunc.parametrize("some_fault", fault_names()[:: 1 if full else 5])


def test_every_fifth_fault_is_found_alike_in_one_piece_and_in_pieces(runs, some_fault, request):
    """``--full-matrix`` tries every fault, and cuts it into pieces half as long."""
    plan, frames, whole = runs(some_fault)
    length_ns = (17 if request.config.getoption("--full-matrix") else 34) * LIVE_NS
    assert_same(judged(plan, frames, every(frames, length_ns)), whole)


def around(frames, whole, what, before, after):
    """So many frames around the first instant of a kind."""
    at_s = {"start": 0.0, "burst": whole.bursts[0].start_s if whole.bursts else 0.0}
    at_s |= {f.rule: f.at_s or 0.0 for f in whole.findings}
    row = int(np.searchsorted(frames.time_ns, frames.time_ns[0] + int(at_s[what] * 1e9)))
    return frames.take(slice(max(0, row - before), row + after))


@pytest.mark.parametrize("step", [1, 7])
@pytest.mark.parametrize("what", ["start", "precharge-level", "burst", "link-discharge"])
def test_an_excerpt_fed_frame_by_frame_or_seven_at_a_time_gives_the_same_report(runs, what, step):
    plan, frames, whole = runs(HEALTHY)
    part = around(frames, whole, what, *((60, 150) if step == 1 else (150, 320)))
    assert 0.6 < len(part) / (210 if step == 1 else 470) <= 1
    assert_same(judged(plan, part, range(0, len(part), step)), judged(plan, part, []))


def test_the_runs_exercise_every_rule(runs):
    """Otherwise the law would be held by rules that never spoke."""
    spoken = set()
    for fault in CUT_FINELY:
        _, _, report = runs(fault)
        spoken |= {f.rule for f in report.findings if f.margin is not None}
    assert spoken >= set(RULES) - ELSEWHERE - COUNTED


def test_what_the_rules_remember_does_not_grow_with_the_run(runs, monkeypatch):
    monkeypatch.setattr(power_balance, "KEPT", 4)  # rests: as many as are reached in two laps
    plan, frames, _ = runs(HEALTHY)
    length = int(frames.time_ns[-1] - frames.time_ns[0]) + 10_000_000
    sizes = []
    run = Run(plan)
    for lap in range(4):
        part = replace(frames, time_ns=frames.time_ns + lap * length)
        for signals in decode(ordered([part]), plan.definitions, wanted=plan.wanted):
            run.feed(signals)
        segment = run._judge._segment
        sizes.append(
            {name: len(pickle.dumps(state)) for name, state in segment._states.items()}
            | {"history": segment._history.nbytes()}
        )
    for name, size in sizes[-1].items():
        # The second lap may remember what only a second lap has; after that it is steady.
        assert size <= 1.1 * sizes[1][name] + 200, f"{name} grew: {[s[name] for s in sizes]}"
