"""Where a link leaves its charging curve, on exact curves: 400 V, tau 0.1 s, 10 ms apart."""

import numpy as np
import pytest

from canscope.model.bench import Kind
from canscope.rules.shared.own_rise import rise_of
from tests.rules.harness import samples_of

TIMES = np.round(np.arange(0, 3, 0.01), 3)
FULL_V = 400.0
RNG = np.random.default_rng(5)


def charging(start_s=1.0, tau_s=0.1, from_V=0.0):
    rising = FULL_V - (FULL_V - from_V) * np.exp(-(TIMES - start_s) / tau_s)
    return np.where(start_s <= TIMES, rising, from_V)


def closes(volts, at_s):
    return np.where(at_s <= TIMES, FULL_V, volts)


def rise(volts, times=TIMES, full_V=FULL_V):
    """Of the readings up to the first of 95 % of the pack."""
    up = int(np.argmax(np.asarray(volts)[::-1] < 0.95 * full_V))
    end = len(volts) - up + 1
    return rise_of(samples_of(times[:end], volts[:end], Kind.NUMBER, 0.1), full_V)


def test_a_curve_without_a_step_is_seen():
    found = rise(charging())
    assert (found.seen, found.step) == (True, False)


@pytest.mark.parametrize(("at_s", "share"), [(1.05, 0.393), (1.1, 0.632), (1.2, 0.865)])
def test_a_step_out_of_it_tells_the_level_before_it(at_s, share):
    """1 - e^-0.5, 1 - e^-1, 1 - e^-2."""
    found = rise(closes(charging(), at_s))
    assert found.step
    assert found.before_V <= share * FULL_V <= found.before_V + 2 * found.drift_V + 0.1


@pytest.mark.parametrize("share", [0.5, 0.7, 0.9])
def test_a_leap_at_once_is_no_curve_however_it_creeps_on(share):
    leaps = np.where(TIMES >= 1.0, FULL_V * (1 - (1 - share) * np.exp(-(TIMES - 1) / 0.12)), 0.0)
    found = rise(leaps)
    assert (found.seen, found.step) == (False, False)


@pytest.mark.parametrize(
    "healthy",
    [
        charging() + RNG.normal(0, 0.4, len(TIMES)),
        1.03 * charging(),
        0.97 * charging(),
        np.repeat(charging()[::5], 5)[: len(TIMES)],  # renewed every 50 ms
        closes(charging(), 1.31),  # at 95.5 %
        np.where(TIMES < 0.5, 150 * np.exp(-TIMES / 0.2), charging()),  # what was left before it
    ],
    ids=["noise", "more", "less", "renewed seldom", "closes in time", "again"],
)
def test_what_healthy_links_do_is_no_step(healthy):
    found = rise(healthy)
    assert (found.seen, found.step) == (True, False)


@pytest.mark.parametrize("row", range(101, 110))
@pytest.mark.parametrize("late_s", [0.004, 0.009])
def test_a_stamp_that_comes_late_is_no_step(row, late_s):
    assert not rise(charging(), TIMES + late_s * (np.arange(len(TIMES)) == row)).step


def test_frames_that_were_written_twice_hide_no_step():
    volts = closes(charging(), 1.1)
    for row in range(98, 112):
        twice = np.insert(np.arange(len(TIMES)), row, row)
        assert rise(volts[twice], TIMES[twice]).step


def test_too_few_readings_show_no_curve_and_a_link_that_was_full_no_rise():
    assert rise(charging(tau_s=0.004)).seen is False
    assert rise(np.where(TIMES < 1, 370.0, 400.0)) is None
    assert rise_of(samples_of([], [], Kind.NUMBER), FULL_V) is None
    assert rise(charging(), full_V=float("nan")) is None
