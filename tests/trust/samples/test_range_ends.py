"""Ends of ranges, by two's complement: 12 bits hold 0 to 4095 unsigned, -2048 to 2047 signed.

That a broken temperature probe reads -40 degC give or take 2 K: common practice, no source.
"""

import numpy as np
import pytest

from canscope.trust.samples.range_ends import at_end_of_range, first_at_end, last_at_end, railed
from tests.trust.past import MS, bench_of, binding, piece_of, samples


def ends(bound, *codes):
    """Which of these raw codes stand at an end, for a role whose value is code times factor."""
    values = np.array(codes) * bound.factor + bound.offset
    of = samples(range(len(codes)), values, raw=np.array(codes))
    return [code for code, end in zip(codes, at_end_of_range(bound, of), strict=True) if end]


def test_the_last_raw_code_is_an_end_and_a_zero_is_a_reading():
    assert ends(binding(bits=12, half_step=0.5), 0, 1, 4094, 4095) == [4095]


def test_both_ends_of_a_signed_code_count():
    assert ends(binding(bits=12, signed=True, half_step=0.5), -2048, -2047, 0, 2047) == [
        -2048,
        2047,
    ]


def test_the_lowest_raw_code_is_an_end_where_it_means_another_value_than_zero():
    assert ends(binding(bits=8, offset=-40.0, half_step=0.5), 0, 1, 40) == [0]


def test_a_declared_end_counts_as_well_and_what_lies_beyond_it():
    declared = binding(bits=16, minimum=-100.0, maximum=500.0, half_step=0.5)
    assert ends(declared, 0, 499, 500, 501) == [500, 501]


def test_a_role_turned_round_ends_where_its_signal_does():
    turned = binding(bits=16, signed=True, minimum=-300.0, maximum=200.0, factor=-1.0)
    assert ends(turned, -301, -300, -299, 199, 200) == [-301, -300, 200]


def test_an_absent_value_stands_nowhere():
    of = samples([0, 1], [np.nan, 5.0], raw=np.array([4095, 5]))
    assert at_end_of_range(binding(bits=12), of).tolist() == [False, False]


def test_no_samples_stand_at_no_end():
    assert first_at_end(binding(), samples([], [])) is None


def test_the_first_and_the_last_one_are_found_by_time():
    bound = binding(bits=12)
    of = samples([0, 100, 200, 300], [7, 4095, 8, 4095])
    assert first_at_end(bound, of) == 100 * MS
    past = piece_of({bound.role: of}, {bound.role: 100}, 400, bench=bench_of(bound))
    at_end = [last_at_end(past, bound.role, ms * MS) for ms in (50, 100, 199, 200, 300)]
    assert at_end == [False, True, True, False, True]


@pytest.mark.parametrize(
    ("degC", "expected"),
    [(-42.1, False), (-42.0, True), (-38.0, True), (-37.9, False), (20.0, False), (215.0, True)],
)
def test_temperatures_are_railed_in_the_cold_and_at_the_ends(degC, expected):
    bound = binding("units.front.temperatures.winding", 8, offset=-40.0, half_step=0.5)
    assert railed(bound, samples([0], degC, raw=round(degC + 40))).tolist() == [expected]
