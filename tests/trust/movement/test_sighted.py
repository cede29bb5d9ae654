"""A person who saw an axle turn, against a speed that stood, by hand: contactors close at 5 s."""

import numpy as np
import pytest

from canscope.model.bench import DriveUnit, Mark
from canscope.trust.movement.sighted import Sighted
from tests.trust.past import MS, bench_of, binding, history_of, samples

SPEED = "units.front.speed"
BENCH = bench_of(binding(SPEED, 16), units=(DriveUnit("front"),))
TIMES = np.arange(0, 60_000, 50)


def told(at_s, rpm, seen="forward", axle="front", closed=(0, 1), cuts_ms=()):
    history = history_of({SPEED: samples(TIMES, rpm)}, {SPEED: 50})
    history.append("@closed", samples([0, 5000], closed))
    follows, found = Sighted(BENCH), []
    follows.add([Mark(round(at_s * 1000) * MS, axle=axle, seen=seen, within_s=1.0)])
    for until_ms in (*cuts_ms, 60_000):
        found += follows.feed(history, until_ms * MS)
    return [(remark.role, remark.at_ns // MS) for remark in found]


@pytest.mark.parametrize("cuts_ms", [(), (40_100, 41_390, 41_401)])
def test_a_speed_that_stood_while_a_person_saw_its_axle_turn_is_not_believed(cuts_ms):
    assert told(40, 0.0, cuts_ms=cuts_ms) == [(SPEED, 40_000)]
    assert told(40, 15.0) == [(SPEED, 40_000)]  # a resolver's noise


@pytest.mark.parametrize(
    ("at_s", "rpm", "more"),
    [
        (40, np.where((TIMES > 12_000) & (TIMES < 13_000), 300.0, 0.0), {}),  # marked 27 s later
        (40, np.where((TIMES > 41_000), 300.0, 0.0), {}),  # or a second before
        (40, 0.0, {"seen": "still"}),
        (40, 0.0, {"axle": "rear"}),
        (40, 0.0, {"closed": (0, 0)}),  # a hand turns one wheel, and the other one backwards
        (5.5, 0.0, {}),
    ],
)
def test_what_explains_it_is_no_contradiction(at_s, rpm, more):
    assert told(at_s, rpm, **more) == []
