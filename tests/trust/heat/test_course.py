"""Levels of a slow reading, worked by hand: blocks of 2 s, a level over 3 of them (6 s)."""

import itertools

import numpy as np
import pytest

from canscope.model.signals import Samples
from canscope.trust.heat.course import BLOCK_NS, MOST, START, follow

S = 10**9


def samples(times_s, values):
    times = np.round(np.asarray(times_s) * S).astype(np.int64)
    value = np.broadcast_to(np.asarray(values, float), times.shape)
    return Samples(
        times, value, np.rint(value * 10).astype(np.int64), np.zeros(len(times), np.uint8)
    )


def course_of(times_s, values, cuts=()):
    whole, course = samples(times_s, values), START
    edges = [0, *np.searchsorted(times_s, cuts), len(times_s)]
    for begin, end in itertools.pairwise(edges):
        course = follow(course, 0, whole[begin:end])
    return course.whole()


T = np.arange(0, 60, 0.5)


def test_the_level_before_an_instant_and_the_highest_after_it():
    course = course_of(T, np.where(T < 20, 17.0, np.where(T < 40, 19.0, 18.0)))
    assert course.level_at(20 * S).value == 17.0
    assert course.highest_after(20 * S).value == 19.0
    assert course.lowest_after(20 * S).value == 18.0
    assert course.level_at(0).value == 17.0  # nothing before: the first one


def test_a_flicker_has_a_level_between_its_codes_and_a_scatter():
    """Every second reading is 1 K higher: steps of 1 K, so a scatter of 1 K / sqrt(2)."""
    course = course_of(T, 17.0 + np.arange(len(T)) % 2)
    assert course.highest_after(0).value == pytest.approx(17.5)
    assert course.scatter == pytest.approx(1 / np.sqrt(2), rel=0.01)
    # 10 s before it hold 20 readings.
    assert course.level_at(30 * S).u == pytest.approx(1 / np.sqrt(2) / np.sqrt(20), rel=0.01)


def test_the_lowest_single_value_between_two_instants():
    course = course_of(T, np.where((T >= 20) & (T < 20.6), 0.0, 17.0))
    assert course.lowest_between(10 * S, 30 * S) == 0.0
    assert course.lowest_between(30 * S, 50 * S) == 17.0
    assert course.lowest_between(30 * S, 31 * S) == float("inf")


@pytest.mark.parametrize("seconds", [50, 3000])
def test_cuts_change_nothing_and_memory_is_bounded(seconds):
    times = np.arange(0, seconds, 0.5)
    values = 20 + np.random.default_rng(1).normal(0, 1, len(times))
    whole = course_of(times, values)
    cut = course_of(times, values, cuts=np.sort(np.random.default_rng(2).uniform(0, seconds, 40)))
    assert np.array_equal(whole.table, cut.table)
    assert (whole.width, whole.before) == (cut.width, cut.before)
    assert len(whole.table) <= MOST
    assert whole.end_ns[-1] - whole.start_ns[0] >= (seconds - 1) * S - BLOCK_NS
