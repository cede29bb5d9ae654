"""A brake that changes with the pedal each time, worked by hand: read every 20 ms."""

import numpy as np
import pytest

from canscope.trust.sources.feet import Feet
from tests.trust.past import MS, bench_of, binding, samples

BENCH = bench_of(*(binding(role, 8, message="Cabin") for role in ("driver.pedal", "driver.brake")))
T = np.arange(0, 20_000, 20)
PEDAL = 20.0 * (((T >= 5000) & (T < 8000)) | ((T >= 12_000) & (T < 15_000)))


def told(brake, pedal=PEDAL, cuts_ms=()):
    feet, begin = Feet(BENCH), 0
    roles = {"driver.pedal": samples(T, pedal), "driver.brake": samples(T, brake * 1.0)}
    for end in (*cuts_ms, 20_000):
        feet.feed({role: of.between(begin * MS, end * MS) for role, of in roles.items()})
        begin = end
    return [(remark.role, remark.at_ns // MS) for remark in feet.finish()]


@pytest.mark.parametrize("cuts_ms", [(), (5000, 8020), (4980, 5040, 12_000)])
@pytest.mark.parametrize("late_ms", [0, 60, -100])
def test_a_brake_that_is_what_the_pedal_is_not_is_made_of_it(late_ms, cuts_ms):
    made = np.roll(PEDAL < 3, late_ms // 20)
    assert told(made, cuts_ms=cuts_ms) == [("driver.brake", 15_000 + late_ms)]


@pytest.mark.parametrize(
    "brake",
    [
        np.roll(PEDAL < 3, 8),  # a quick foot: 160 ms, of which 20 are each one's cycle
        (PEDAL < 3) & ~((T > 17_000) & (T < 18_000)),  # let go once more
        T < 4000,
    ],
)
def test_a_foot_of_its_own_is_believed(brake):
    assert told(brake) == []


def test_one_burst_is_too_few():
    assert told(T < 5000, pedal=20.0 * (T >= 5000)) == []
