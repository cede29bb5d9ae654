"""A temperature that comes and goes with the motion, by hand: a unit turns from 10 to 14 s."""

import numpy as np
import pytest

from canscope.model.events import Event
from canscope.trust.heat.at_once import AtOnce, after_burst
from tests.trust.past import MS, bench_of, binding, piece_of, samples

ROLE = "units.front.temperatures.winding"
STEP_K, CYCLE_MS = 0.05, 200


def after(shown, *, noise_K=0.05, seed=17):
    """What is known of it after a burst, from its course over the time in s."""
    at_ms = np.arange(0, 15_200, CYCLE_MS)
    rough = np.random.default_rng(seed).normal(0, noise_K, len(at_ms))
    degC = np.round((shown(at_ms / 1000) + rough) / STEP_K) * STEP_K
    bench = bench_of(binding(ROLE))
    roles = {ROLE: samples(at_ms, degC, raw=np.round(degC / STEP_K))}
    piece = piece_of(roles, {ROLE: CYCLE_MS}, 15_200, bench=bench)
    end = Event("burst-end", "front", 14_000 * MS, 14_000 * MS, 15_000 * MS)
    return after_burst(AtOnce(), piece, ROLE, 10_000 * MS, end, STEP_K)


@pytest.mark.parametrize("noise_K", [0.0, 0.05])
def test_a_quarter_of_a_kelvin_that_is_there_only_while_it_turns_is_no_heat(noise_K):
    """Five steps; two or three readings after the burst do not tell their own scatter."""
    seen = after(lambda s: 20 + 0.25 * ((s >= 10) & (s < 14.05)), noise_K=noise_K)
    assert (seen.rose, seen.fell) == (1, 1)


def test_heat_that_stays_is_heat():
    seen = after(lambda s: 20 + np.interp(s, [10, 14], [0, 0.5]))
    assert (seen.rose, seen.fell) == (1, 0)


def test_what_rises_by_less_than_its_noise_says_nothing():
    seen = after(lambda s: 20 + 0.1 * ((s >= 10) & (s < 14.05)), noise_K=0.1)
    assert (seen.rose, seen.fell) == (0, 0)
