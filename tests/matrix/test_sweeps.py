"""Severity swept through each limit: the verdict turns where the simulator's own truth says so.

Within the uncertainty that the finding states, and the sensor's noise. ``--full-matrix`` sweeps all
limits on two vehicles; a fifth of them, always the same, is swept with the tests.
"""

from dataclasses import replace

from tests.matrix.sweeps import CASES, made, sweep, wrongs_of

FIFTH = 5


def pytest_generate_tests(metafunc):
    if "case" in metafunc.fixturenames:
        full = metafunc.config.getoption("--full-matrix")
        chosen = [(c, v) for v in ("bramble", "bramble-coarse") for c in CASES]
        chosen = [(c, v) for c, v in chosen if c.coarse or v == "bramble"]
        chosen = chosen if full else [(c, "bramble") for c in CASES[::FIFTH]]
        names = [f"{case.name}-{vehicle}" for case, vehicle in chosen]
        metafunc.parametrize(("case", "vehicle"), chosen, ids=names)


def test_the_verdict_turns_where_the_truth_crosses_the_limit(case, vehicle):
    points = sweep(case, vehicle)
    assert wrongs_of(case, points) == []


def test_no_two_cases_have_the_same_name():
    assert len({case.name for case in CASES}) == len(CASES) >= 20


def test_a_sweep_notices_a_verdict_that_does_not_follow_the_truth():
    limit = CASES[0]
    points = [made(limit, "bramble", severity) for severity in (limit.low, limit.high)]
    assert wrongs_of(limit, points) == []
    wrong = wrongs_of(limit, [replace(point, over=-point.over) for point in points])
    assert [text.split(":")[0] for text in wrong] == ["false pass", "false fail"]
