"""pedal-tracks, worked by hand: 10 % of travel, 100 ms (Formula SAE T.4.2.5, from memory)."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

ONE, TWO = "driver.pedal", "driver.pedal_2"
TIMES = np.round(np.arange(0, 3, 0.02), 3)
RAMP = np.interp(TIMES, [1, 1.5, 2, 2.5], [0, 60, 60, 0])
CYCLES = {ONE: 0.02, TWO: 0.02}


def inside(start_s, end_s):
    """Where a sample lies in [start, end)."""
    begin, end = np.searchsorted(TIMES, (start_s - 1e-9, end_s - 1e-9))
    return (np.arange(len(TIMES)) >= begin) & (np.arange(len(TIMES)) < end)


def judge(apart=0.0, one=RAMP, two=None, u=None, times_2=TIMES, **more):
    second = one + apart if two is None else two
    roles = {ONE: (TIMES, one), TWO: (times_2, second)}
    return run("pedal-tracks", roles, u=u, cycles_s=CYCLES, **more)["pedal"]


def between(start_s, end_s, value):
    return np.where(inside(start_s, end_s), value, 0.0)


def test_tracks_that_agree_pass_by_what_is_left():
    finding = judge(0.5)
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.PASS, 0.5, 9.5)


@pytest.mark.parametrize("sign", [1, -1])
def test_tracks_apart_for_longer_than_tolerated_fail(sign):
    finding = judge(sign * between(1.6, 1.9, 16.0))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 16.0, -6.0)
    # Apart from 1.6 s on; at 1.7 s they have been so for 100 ms.
    assert finding.first_failed_s == 1.7


def test_a_short_disagreement_is_tolerated():
    assert judge(between(1.6, 1.7, 16.0)).verdict is Verdict.PASS  # last apart at 1.68 s


def test_at_the_limit_it_is_too_close_to_call():
    finding = judge(between(1.6, 1.9, 10.3), u={ONE: 0.25, TWO: 0.25})
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "too-close-to-call")


def test_a_pedal_that_was_never_pressed_proves_nothing():
    finding = judge(0.0, one=RAMP / 10)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    # The first moves by 11 %, the second stands in the middle of it.
    stuck = judge(one=RAMP * 11 / 60, two=np.full(len(TIMES), 5.5))
    assert (stuck.verdict, stuck.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_a_track_that_stands_still_while_the_other_is_pressed_fails():
    assert judge(two=np.zeros(len(TIMES))).verdict is Verdict.FAIL


def test_a_track_without_value_is_not_judged():
    lost = np.where(TIMES > 1.2, np.nan, RAMP)
    finding = judge(two=lost)
    assert (finding.verdict, finding.reason, finding.at_s) == ("unproven", "not-available", 1.22)
    assert judge(two=lost, cuts="each") == finding


def test_without_a_second_track_there_is_no_finding():
    assert run("pedal-tracks", {ONE: (TIMES, RAMP)}) == {}


def test_a_second_track_alone_is_not_bound():
    assert run("pedal-tracks", {TWO: (TIMES, RAMP)})["pedal"].reason == "not-bound"


@pytest.mark.parametrize("apart", [0.5, between(1.6, 1.9, 16.0), between(1.6, 1.7, 16.0)])
def test_cutting_changes_nothing(apart):
    assert judge(apart, cuts="each") == judge(apart)
    shifted = {"two": RAMP + 5, "times_2": TIMES + 0.007}
    assert judge(**shifted, cuts="each") == judge(**shifted)
