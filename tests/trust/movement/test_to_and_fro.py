"""Readings that jump to and fro, worked by hand: six jumps in a row, each at once back."""

import numpy as np
import pytest

from canscope.trust.movement.to_and_fro import ToAndFro
from tests.trust.past import MS, bench_of, binding, samples

WINDING = "units.front.temperatures.winding"
ROLES = {
    WINDING: "Slow",
    "driver.pedal": "Cabin",
    "units.front.torque": "Fast",
    "units.front.speed": "Fast",
}
BENCH = bench_of(*(binding(role, 16, message=name) for role, name in ROLES.items()))


def told(role, values, every_ms=20, cuts_ms=()):
    of = samples([every_ms * row for row in range(len(values))], values)
    follows, found, begin = ToAndFro(BENCH), [], 0
    for end in (*cuts_ms, every_ms * len(values)):
        found += follows.feed({role: of.between(begin * MS, end * MS)})
        begin = end
    return [(remark.role, remark.kind, remark.at_ns // MS) for remark in found]


EVERY_SECOND = np.array([20.0, 0.0] * 10)
FIVE_EACH = np.repeat(EVERY_SECOND, 5)


@pytest.mark.parametrize("cuts_ms", [(), (40, 60), (20, 130)])
def test_a_pedal_that_is_zero_in_every_second_frame_is_not_believed(cuts_ms):
    """The first dip ends at 40 ms, the third at 120 ms; in fives the sixth jump back at 700 ms."""
    assert told("driver.pedal", EVERY_SECOND, cuts_ms=cuts_ms) == [("driver.pedal", "wrong", 120)]
    assert told("driver.pedal", FIVE_EACH, cuts_ms=cuts_ms) == [("driver.pedal", "wrong", 700)]


def test_three_dips_of_one_reading_each_are_no_foot_however_far_apart_they_are():
    """One reading of 0 % every 1.5 s, at 100 ms: the third returns at 4.6 s; two are believed."""
    dips = np.full(60, 17.0)
    dips[[15, 30, 45]] = 0.0
    assert told("driver.pedal", dips, 100) == [("driver.pedal", "wrong", 4600)]
    assert told("driver.pedal", dips[:45], 100) == []


@pytest.mark.parametrize(
    ("values", "every_ms"),
    [
        (np.repeat(EVERY_SECOND, 20), 20),  # pressed for 0.4 s each time
        (EVERY_SECOND, 200),  # read too seldom to know
        (EVERY_SECOND / 2.5, 20),
        (np.array([0.0, 20.0] * 3 + [20.0] * 30), 20),
        (20 + 20 * np.sin(np.arange(200) * 2 * np.pi / 12), 20),
    ],
)
def test_a_foot_that_taps_is_believed(values, every_ms):
    assert told("driver.pedal", values, every_ms) == []


def test_torque_and_no_other_number_of_a_shaft_is_followed():
    assert told("units.front.torque", EVERY_SECOND / 4)
    assert told("units.front.speed", EVERY_SECOND) == []


def test_two_parts_in_turn_are_no_temperature_though_they_differ_by_little():
    """17.0 and 19.8 degC by turns: the sixth return of 5 K is enough, of 2.8 K the 24th."""
    by_turns = np.array([17.0, 19.8] * 20)
    assert told(WINDING, by_turns, 100) == [(WINDING, "wrong", 2500)]
    assert told(WINDING, by_turns[:24], 100) == []
    assert told(WINDING, np.array([17.0, 22.0] * 20), 100) == [(WINDING, "wrong", 700)]
    assert told(WINDING, np.array([17.0, 18.4] * 20), 100) == []


@pytest.mark.parametrize("cuts_ms", [(), (500, 1900, 2000, 5100)])
@pytest.mark.parametrize(
    ("swing_K", "period_s", "said"), [(3.0, 2.0, True), (1.4, 2.0, False), (3.0, 8.0, False)]
)
def test_no_part_swings_by_kelvins_within_seconds(swing_K, period_s, said, cuts_ms):
    """Read every 0.1 s for 40 s: 6 K to and fro; 2.8 K are too few, four turns in 20 s as well."""
    at_s = np.arange(400) / 10
    values = 30 + np.round(swing_K * np.sin(2 * np.pi * at_s / period_s), 1)
    assert bool(told(WINDING, values, 100, cuts_ms)) == said
    assert told(WINDING, values, 100, cuts_ms) == told(WINDING, values, 100)
