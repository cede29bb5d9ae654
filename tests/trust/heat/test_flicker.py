"""A temperature sensor that moved at first and died before a burst proves nothing of that burst.

One burst from 20 to 23 s, recorded until 100 s. A living sensor of 0.1 K steps flickers by its last
bit, or stands still until heat reaches it. Ten rests, ten times the longest of them, 4 K and four
steps of a neighbour: common practice, no source.
"""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

T = np.round(np.arange(0, 100, 0.1), 3)
WINDING, INVERTER = (f"units.front.temperatures.{word}" for word in ("winding", "inverter"))
FLICKER = 0.1 * (np.random.default_rng(3).random(len(T)) < 0.4)
HEATED = 20 + np.interp(T, [20, 24, 100], [0, 2, 1])
CEILINGS = {"ceiling_degC": {"winding": 110.0, "inverter": 75.0}}


def judge(winding, step=0.1, **roles):
    turns = np.where((T >= 20) & (T < 23), 800.0, 0.0)
    columns = {"units.front.speed": turns, WINDING: winding} | roles
    steps = {WINDING: step / 2, INVERTER: 0.05}
    found = run(
        "temperature-ceiling", {r: (T, v) for r, v in columns.items()}, rules=CEILINGS, u=steps
    )
    return found["front winding"]


def rounded(degC, step=0.1):
    return np.round(degC / step) * step


def stopped(degC, at_s):
    return np.where(at_s > T, degC, degC[np.searchsorted(T, at_s)])


@pytest.mark.parametrize("at_s", [3.0, 10.0, 15.0])
def test_a_sensor_that_flickered_and_stopped_before_the_burst_is_suspect(at_s):
    finding = judge(stopped(rounded(HEATED + FLICKER), at_s))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "stopped moving at all before a burst" in finding.sentence


@pytest.mark.parametrize("at_s", [24.0, 40.0, 70.0])
def test_a_sensor_that_followed_the_burst_and_died_hides_what_soaks_out_after_it(at_s):
    finding = judge(stopped(rounded(HEATED + FLICKER), at_s))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "followed the last burst and then stopped moving at all" in finding.sentence


def test_a_sensor_on_the_edge_of_a_coarse_step_may_flicker_before_and_rest_after():
    """It resolves 0.5 K and warms by 2.5 K within the burst, so that it rests for long then.

    If all sensors of the unit that warmed do so, they may hide what soaks.
    """
    warmed = np.interp(T, [20, 23], [0, 2.5])
    coarse = rounded(20.25 + np.where(T < 20, FLICKER - 0.05, warmed), 0.5)
    assert judge(coarse, step=0.5).verdict is Verdict.PASS
    stands, cools = rounded(20 + warmed), rounded(20 + np.interp(T, [20, 24, 100], [0, 2, 1]))
    assert "from the last burst on" in judge(coarse, step=0.5, **{INVERTER: stands}).sentence
    assert judge(coarse, step=0.5, **{INVERTER: cools}).verdict is Verdict.PASS


def test_a_sensor_that_a_hand_warmed_may_rest_where_it_comes_to():
    """Up by 5 K and back again, flickering on each edge of its 1 K; the burst hardly warms it."""
    hand = np.interp(T, [1, 4, 5, 8], [0, 5, 5, 0])
    gentle = np.interp(T, [20, 24], [0, 0.2])
    coarse = rounded(20.2 + hand + gentle + np.where(hand > 0, 3 * FLICKER, 0), 1.0)
    assert np.count_nonzero(np.diff(coarse[T < 10])) >= 10
    assert judge(coarse, step=1.0).verdict is Verdict.PASS


@pytest.mark.parametrize(
    "living",
    [
        rounded(HEATED + FLICKER),
        rounded(HEATED),  # no noise: it stands still for 20 s, and again once heat is gone
        rounded(HEATED + 0.45, 1.0),  # coarse: two steps in all
    ],
    ids=["flickers", "quiet", "coarse"],
)
def test_a_living_sensor_passes_however_it_rests(living):
    assert judge(living).verdict is Verdict.PASS


def test_a_sensor_that_only_steps_to_and_fro_has_shown_no_warming():
    """On the edge of a step of 1 K it flickers, and rests on its upper side from 20 s on."""
    finding = judge(rounded(20.5 + np.where(T < 20, FLICKER - 0.05, 0.3), 1.0))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "only steps to and fro" in finding.sentence


def test_one_that_rests_on_either_side_of_a_step_has_warmed_however_it_flickers_between():
    """At 19 degC until the burst at 20 s, to and fro from 25 to 40 s, at 20 degC until 100 s."""
    passing = np.where((T >= 25) & (T < 40), rounded(19.45 + FLICKER, 1.0), 20.0)
    assert judge(np.where(T < 20, 19.0, passing), step=1.0).verdict is Verdict.PASS


def test_a_sensor_that_died_beside_one_that_warms_is_suspect():
    """It moved by one coarse step at 2 s; meanwhile the inverter warms by 5 K from the burst on."""
    dead = np.where(T < 2, 19.0, 20.0)
    warm = rounded(20 + np.interp(T, [20, 40, 100], [0, 5, 3]))
    finding = judge(dead, step=1.0, **{INVERTER: warm})
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "while inverter of front warmed by 4.9 K" in finding.sentence
    little = rounded(20 + np.interp(T, [20, 40, 100], [0, 2.5, 2]))  # less than three of its steps
    assert "against" not in judge(dead, step=1.0, **{INVERTER: little}).code


def test_a_dead_sensor_lifts_no_fail():
    assert judge(stopped(rounded(HEATED + 100 + FLICKER), 10.0)).verdict is Verdict.FAIL
