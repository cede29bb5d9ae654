"""A role that was absent while the vehicle was engaged lowers a pass that rests on it.

The cycle is 100 ms, so a role is stale after 300 ms.
"""

import numpy as np
import pytest

from canscope.model.events import Span, Window
from canscope.model.signals import NOT_AVAILABLE, OK, OUT_OF_RANGE
from canscope.trust.role_health import Health, window_doubts
from canscope.trust.samples.clock_alignment import Alignment
from tests.trust.past import MS, bench_of, binding, history_of, samples

ROLE = "driver.ignition"  # need not move in any run
BENCH = bench_of(binding(ROLE, 2, message="Cabin"))
EVERY = range(0, 3000, 100)


def health_of(times_ms, status=OK, *, engaged_ms=0, until_ms=3000, cuts_ms=()):
    """A segment until then; the vehicle is engaged from an instant on."""
    of = samples(times_ms, np.where(np.asarray(status) == OK, 1.0, np.nan), status=status)
    engaged = samples([0, engaged_ms], [0.0, 1.0]) if engaged_ms else samples([0], 1.0)
    states = {"@engaged": engaged, "@awake": samples([0], 1.0)}
    history, health = history_of(states, {ROLE: 100}), Health(BENCH)
    begin = 0
    for end in (*cuts_ms, until_ms):
        new = of.between(begin * MS, end * MS)
        history.append(ROLE, new)
        health.feed({ROLE: new} if len(new) else {}, history, end * MS)
        begin = end
    health.finish(history, until_ms * MS)
    return health


def doubts(*args, **more):
    found = health_of(*args, **more).doubts([ROLE], "driver")
    return [(doubt.reason, doubt.at_ns // MS, doubt.text) for doubt in found]


def test_a_role_that_always_had_a_value_raises_no_doubt():
    assert doubts(EVERY) == []


@pytest.mark.parametrize(
    ("status", "reason"), [(NOT_AVAILABLE, "not-available"), (OUT_OF_RANGE, "out-of-range")]
)
def test_an_absent_value_matters_while_the_vehicle_is_engaged(status, reason):
    states = [status if ms == 1000 else OK for ms in EVERY]
    said = {"not-available": "read 0, which means no value", "out-of-range": "read the raw value 0"}
    told = [(reason, 1000, f"can0:Cabin.ignition {said[reason]}")]
    assert doubts(EVERY, states) == told
    assert doubts(EVERY, states, engaged_ms=1001) == []
    assert doubts(EVERY, states, engaged_ms=1000) == told


@pytest.mark.parametrize(
    ("codes", "told"),
    [
        ([0, 3, 1], []),  # for 0.1 s, between two places of a lever
        (
            [0, 3, 3, 1],
            [("not-available", 1000, "can0:Cabin.ignition read 3, which the plan does not list")],
        ),
        (
            [0, 3],
            [("not-available", 1000, "can0:Cabin.ignition read 3, which the plan does not list")],
        ),
    ],
    ids=["passing", "standing", "to the end"],
)
@pytest.mark.parametrize("cuts_ms", [(), (1050, 1150)])
def test_a_code_that_the_plan_lacks_matters_unless_a_lever_only_passes_it(codes, told, cuts_ms):
    times = [0, *range(1000, 1000 + 100 * (len(codes) - 1), 100)]
    values = [0.0 if code != 3 else np.nan for code in codes]
    of = samples(times, values, raw=codes)
    history, health = (
        history_of({"@engaged": samples([0], 1.0), "@awake": samples([0], 1.0)}, {ROLE: 1000}),
        Health(BENCH),
    )
    begin = 0
    for end in (*cuts_ms, times[-1] + 10):
        new = of.between(begin * MS, end * MS)
        history.append(ROLE, new)
        health.feed({ROLE: new} if len(new) else {}, history, end * MS)
        begin = end
    health.finish(history, (times[-1] + 10) * MS)
    found = health.doubts([ROLE], "driver")
    assert [(doubt.reason, doubt.at_ns // MS, doubt.text) for doubt in found] == told


def test_a_gap_is_stale_from_three_cycles_after_its_last_value():
    times = [ms for ms in EVERY if not 1000 < ms < 1500]
    expected = [("stale", 1300, "can0:Cabin.ignition 0.50 s without one")]
    assert doubts(times) == expected
    # Engaged just before it was over: a node that is back has up to one cycle to say so.
    assert doubts(times, engaged_ms=1399) == expected
    assert doubts(times, engaged_ms=1400) == []


def test_a_silence_to_the_end_is_a_gap_as_well():
    assert doubts(range(0, 2000, 100)) == [
        ("stale", 2200, "can0:Cabin.ignition 1.10 s without one")
    ]
    assert doubts(range(0, 2000, 100), until_ms=2200) == []


def test_it_does_not_matter_how_a_run_is_cut():
    times = [ms for ms in EVERY if not 1000 < ms < 1500]
    for cuts in ([1200], [1000, 1001], [1500], list(range(50, 3000, 50))):
        assert doubts(times, cuts_ms=cuts) == doubts(times)


def test_counts_and_extremes_are_kept_for_the_report():
    role = health_of(EVERY, [NOT_AVAILABLE if ms < 300 else OK for ms in EVERY]).roles[ROLE]
    assert (role.samples, role.not_available, role.out_of_range) == (30, 3, 0)
    assert (role.lowest, role.highest) == (1.0, 1.0)


def window(times_ms, status=OK, kind=Window.BURST):
    """Doubts of a window from 1 to 2 s."""
    of = samples(times_ms, np.where(np.asarray(status) == OK, 1.0, np.nan), status=status)
    history = history_of({ROLE: of}, {ROLE: 100})
    span = Span(kind, "front", 1, 1000 * MS, 2000 * MS, 2000 * MS)
    found = window_doubts(BENCH, history, [ROLE], "driver", span)
    return [(doubt.reason, doubt.at_ns // MS, doubt.text) for doubt in found]


def test_a_window_asks_only_what_happened_in_it():
    states = [NOT_AVAILABLE if ms in (900, 2000) else OK for ms in EVERY]
    assert window(EVERY, states) == []
    states = [OUT_OF_RANGE if ms == 1900 else OK for ms in EVERY]
    said = "can0:Cabin.ignition read the raw value 0"
    assert window(EVERY, states) == [("out-of-range", 1900, said)]


def test_a_window_is_not_covered_by_values_that_end_within_it():
    said = "can0:Cabin.ignition gave nothing for 0.40 s"
    assert window(range(0, 1601, 100)) == [("stale", 1600, said)]
    assert window(range(0, 1701, 100)) == []


def test_after_an_opening_nodes_may_fall_silent():
    assert window(range(0, 1601, 100), kind=Window.OPENING) == []


def test_roles_that_are_not_bound_are_left_to_others():
    health = health_of(EVERY)
    assert health.doubts(["pack.voltage"], "pack") == []
    assert health.stuck(["pack.voltage"], "pack", Alignment()) == []


def test_a_role_that_is_first_heard_after_the_vehicle_was_engaged_was_not_there_when_it_mattered():
    late = [ms for ms in EVERY if ms >= 2000]
    text = "can0:Cabin.ignition was first heard 1.50 s after a contactor had closed or a unit had "
    assert doubts(late, engaged_ms=500) == [("stale", 500, text + "turned")]
    assert doubts(late, engaged_ms=500, cuts_ms=(700, 1500, 2050)) == doubts(late, engaged_ms=500)
    assert doubts(late, engaged_ms=1750) == []
    assert doubts(late, engaged_ms=2500) == []
