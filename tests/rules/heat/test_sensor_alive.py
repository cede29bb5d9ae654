"""sensor-alive: off the rails (-40 +-2 degC, end of range, not available), and a proof of life."""

import numpy as np
import pytest

from canscope.model.bench import Reading
from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

FAST = np.round(np.arange(0, 20, 0.1), 3)
SLOW = np.round(np.arange(0, 20, 0.5), 3)
WINDING, SPEED = "units.front.temperatures.winding", "units.front.speed"
WARMING = np.where(SLOW >= 12, 21.0, 20.0)


def judge(degC, **more):
    turns = (FAST >= 10) & (FAST < 13)
    roles = {WINDING: (SLOW, degC), SPEED: (FAST, np.where(turns, 800.0, 0.0))}
    return run("sensor-alive", roles, **more)["front winding"]


def test_a_sensor_that_moved_by_one_step_passes_at_that_instant():
    finding = judge(WARMING)
    assert (finding.verdict, finding.at_s, finding.required) == (Verdict.PASS, 12.0, True)


def test_a_frozen_sensor_is_suspect_and_never_failed():
    finding = judge(20.0)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert finding.code == "never-changed"


TWO = ((FAST >= 3) & (FAST < 6)) | ((FAST >= 10) & (FAST < 13))
AFTER = np.clip(SLOW - 3, 0, 3)  # three kelvin in three seconds, in steps of half a kelvin


def over_two_bursts(degC, turning=TWO, **more):
    roles = {WINDING: (SLOW, degC), SPEED: (FAST, np.where(turning, 800.0, 0.0))}
    return run("sensor-alive", roles, **more)["front winding"]


def test_a_sensor_that_freezes_between_two_bursts_is_suspect():
    finding = over_two_bursts(20.0 + AFTER)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "stood still over one burst" in finding.sentence
    assert over_two_bursts(20.0 + AFTER, cuts=(3.1, 5, 6.9, 10.15, 14)).reason == "sensor-suspect"


def test_a_sensor_that_follows_both_bursts_passes():
    assert over_two_bursts(20.0 + AFTER + np.clip(SLOW - 10, 0, 3)).verdict is Verdict.PASS


@pytest.mark.parametrize(("until_s", "reason"), [(10.3, None), (10.8, "sensor-suspect")])
def test_a_second_burst_has_to_be_long_enough_to_show_three_steps(until_s, reason):
    """Twenty steps of 0.01 K after three seconds: two after 0.3 s, five after 0.8 s."""
    turning = ((FAST >= 3) & (FAST < 6)) | ((FAST >= 10) & (until_s > FAST))
    assert over_two_bursts(20.0 + np.clip(SLOW - 3, 0, 2) / 10, turning).reason == reason


@pytest.mark.parametrize(("kelvin", "passes"), [((2, 4, 6), True), ((0.5, 1, 5), False)])
def test_a_sensor_that_answers_in_coarse_steps_does_not_jump(kelvin, passes):
    """10 readings a second, codes of 0.1 K: steps of 2 K are its own, 4 K after 0.5 K are not."""
    degC = np.full(len(FAST), 20.0)
    for at_s, rise_K in zip((11.0, 11.6, 12.2), kelvin, strict=True):
        degC[at_s <= FAST] = 20.0 + rise_K
    turns = (FAST >= 10) & (FAST < 13)
    roles = {WINDING: (FAST, degC), SPEED: (FAST, np.where(turns, 800.0, 0.0))}
    finding = run("sensor-alive", roles, u={WINDING: 0.05})["front winding"]
    assert (finding.verdict is Verdict.PASS) == passes, finding.sentence


def test_an_earlier_run_in_which_it_moved_is_enough():
    finding = judge(20.0, bench={"moved_before": frozenset({WINDING})})
    assert finding.verdict is Verdict.PASS
    assert "earlier run" in finding.sentence


@pytest.mark.parametrize("rail", [-40.0, -38.0, -42.0, 655.35])  # 655.35: 16 bits, all ones
def test_a_sensor_that_goes_to_a_rail_is_suspect(rail):
    finding = judge(np.where((SLOW > 15) & (SLOW < 17), rail, WARMING))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert finding.code == "at-end-of-range"


QUICK = np.round(np.arange(0, 20, 0.2), 3)


def test_a_sensor_that_only_goes_to_and_fro_by_a_step_has_not_warmed_by_half_of_one():
    """For whole seconds at 21 degC: one in four before the burst, three in four after it."""
    second = np.floor(QUICK)
    flickers = 20.0 + np.where(QUICK < 11, second % 4 == 0, second % 4 != 0)
    turns = np.where((FAST >= 10) & (FAST < 13), 800.0, 0.0)

    def alive(degC):
        return run("sensor-alive", {WINDING: (QUICK, degC), SPEED: (FAST, turns)})["front winding"]

    assert alive(flickers).reason == "sensor-suspect"
    assert alive(np.where(QUICK < 11, 20.0, 21.0)).verdict is Verdict.PASS


def test_a_sensor_that_falls_at_once_by_more_than_anything_cools_is_suspect():
    """Its wire breaks for 2 s while the unit turns: 21 degC, then 0 degC at the next reading."""
    turns = (FAST >= 10) & (FAST < 13)

    def alive(degC, cuts=None):
        roles = {WINDING: (QUICK, degC), SPEED: (FAST, np.where(turns, 800.0, 0.0))}
        return run("sensor-alive", roles, cuts=cuts)["front winding"]

    warming = np.where(QUICK >= 9, 21.0, 20.0)
    broken = np.where((QUICK > 11) & (QUICK < 13), 0.0, warming)
    finding = alive(broken)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "fell by 21.0 K from one reading to the next" in finding.sentence
    assert alive(broken, cuts="each") == finding
    lower = alive(np.where((QUICK > 11) & (QUICK < 13), 18.0, warming))
    assert "jumped by 3.0 K to another level at once" in lower.sentence
    assert alive(np.where((QUICK > 11) & (QUICK < 13), 20.0, warming)).verdict is Verdict.PASS


def test_just_off_the_cold_rail_is_a_reading_though_a_cold_one():
    finding = judge(np.where(SLOW > 12.4, -37.9, WARMING), bench={"cold": True})
    assert "stood at the end of its range" not in finding.sentence
    assert "colder than all was before (20.0 degC)" in finding.sentence


def test_a_step_from_rail_to_rail_is_no_sign_of_life():
    assert judge(np.where(SLOW > 12, -39.0, -40.0)).reason == "sensor-suspect"


def test_a_rail_before_the_first_value_of_an_idle_vehicle_is_forgiven():
    assert judge(np.where(SLOW < 3, -40.0, WARMING)).verdict is Verdict.PASS


def test_a_step_off_the_rail_is_not_the_movement_asked_for():
    assert judge(np.where(SLOW < 3, -40.0, 20.0)).reason == "sensor-suspect"


def test_a_rail_while_the_unit_turns_is_suspect_even_before_the_first_value():
    assert judge(np.where(SLOW < 12, -40.0, 20.0 + (SLOW > 15))).reason == "sensor-suspect"


def test_a_sensor_that_never_had_a_value_does_not_pass():
    assert judge(np.nan).verdict is Verdict.UNPROVEN


def test_cutting_changes_nothing():
    assert judge(WARMING, cuts="each") == judge(WARMING)
    railed = np.where((SLOW > 15) & (SLOW < 17), -40.0, WARMING)
    assert judge(railed, cuts="each") == judge(railed)


# Two sensors of one unit beside each other. One burst from 20 to 23 s, 100 s in all. A sensor of
# 0.5 K steps; its neighbour resolves 0.1 K. Three steps are 1.5 K (common practice, no source).
LONG = np.round(np.arange(0, 100, 0.2), 3)
TORQUE = "units.front.torque"
BESIDE = "units.front.temperatures.inverter"
DITHER = np.random.default_rng(5).integers(-1, 2, len(LONG))
COLD = {"ambient_degC": 20.0, "cold": True}


def heat(rise_K, base=20.0):
    return base + np.interp(LONG, [20, 30, 100], [0, rise_K, rise_K * 0.7])


def steps(degC, step):
    return np.round(degC / step) * step


def pair(winding, rise_K=2.0, *, step=0.5, bench=COLD, beside=None, cuts=None, more=None):
    roles = {
        WINDING: (LONG, winding),
        BESIDE: (LONG, steps(heat(rise_K), 0.1) if beside is None else beside),
        SPEED: (LONG, np.where((LONG >= 20) & (LONG < 23), 800.0, 0.0)),
        **(more or {}),
    }
    u = {WINDING: step / 2, BESIDE: 0.05}
    return run("sensor-alive", roles, u=u, bench=bench, cuts=cuts)["front winding"]


@pytest.mark.parametrize(
    ("winding", "how"),
    [
        (np.full(len(LONG), 20.0), "did not warm"),
        (20.0 + 0.5 * DITHER, "did not warm"),
        (np.where(LONG < 2, 19.5, 20.0), "did not warm"),  # steps once at wake-up
        (steps(heat(-2.0), 0.5), "fell by"),
    ],
    ids=["stands", "dithers", "steps at wake-up", "falls"],
)
def test_a_sensor_that_does_not_warm_while_its_neighbour_does_is_suspect(winding, how):
    finding = pair(winding)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert finding.code == "against-neighbours"
    assert f"{how}" in finding.sentence
    assert "inverter of front warmed by 2.0 K" in finding.sentence
    assert pair(winding, cuts=(1.3, 20.05, 21, 23.15, 40)) == finding
    # Nor does an earlier run vouch for what this one contradicts.
    assert pair(winding, bench={**COLD, "moved_before": frozenset({WINDING})}) == finding


def test_a_sensor_that_warms_beside_its_neighbour_passes_from_that_step_on():
    finding = pair(steps(heat(1.5), 0.5))
    assert finding.verdict is Verdict.PASS
    assert "warmed by 1." in finding.sentence


def test_a_cold_and_constant_sensor_agrees_with_air_and_neighbours_after_a_gentle_burst():
    """The neighbour warms by 0.8 K: not more than two of its steps."""
    finding = pair(np.full(len(LONG), 20.0), 0.8)
    assert finding.verdict is Verdict.PASS
    assert "as cold as the air and its neighbours" in finding.sentence


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"bench": {}}, "job.ambient_degC is not given"),
        ({"bench": {"ambient_degC": 24.0}}, "in air of 24 degC it is not cold"),
        ({"rise_K": 1.3}, "inverter of front warmed by 1.3 K"),
        ({"beside": np.full(len(LONG), 24.0)}, "does not agree with inverter of front"),
    ],
    ids=["no ambient", "warmer air", "a neighbour that warmed", "a warm neighbour"],
)
def test_a_constant_sensor_that_is_not_known_to_be_cold_proves_nothing(more, why):
    finding = pair(np.full(len(LONG), 20.0), **{"rise_K": 0.8, **more})
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert why in finding.sentence


def test_a_sensor_that_drifts_in_one_straight_line_follows_no_burst():
    """0.02 K a second, 2 K in all; one that rests until 20 s and then rises by 2 K is warmed."""
    drift = steps(20.0 + 0.02 * LONG, 0.1)
    finding = pair(drift, 2.0, step=0.1)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "rose by 2.0 K in one straight line" in finding.sentence
    assert pair(steps(heat(2.0), 0.1), 2.0, step=0.1).verdict is Verdict.PASS
    late = 20.0 + np.interp(LONG, [0, 20, 100], [0, 0, 2])
    assert pair(steps(late, 0.1), 2.0, step=0.1).verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("torque_Nm", "step", "proven"),
    [(3.1, 1.0, True), (-3.1, 1.0, True), (3.3, 1.0, False), (1.5, 0.5, True), (1.7, 0.5, False)],
)
def test_a_unit_that_did_800_J_of_work_a_step_is_no_cold_one(torque_Nm, step, proven):
    """3 s at 800 rpm, which are 83.8 rad/s: 779 J at 3.1 Nm and 829 J at 3.3 Nm; half of a step
    of 0.5 K."""
    torque = {TORQUE: (LONG, np.full(len(LONG), torque_Nm))}
    finding = pair(np.full(len(LONG), 20.0), 0.8, step=step, more=torque)
    assert (finding.verdict is Verdict.PASS) == proven
    assert proven or f"its shaft did {0.8 * step:.1f} kJ of work" in finding.sentence
    assert pair(np.full(len(LONG), 20.0), 0.8, step=step, more=torque, cuts=(20.1, 21.5)) == finding


def test_a_sensor_of_fine_steps_that_never_made_one_is_no_cold_one():
    """Steps of 0.1 K, while its neighbour warms by 0.2 K; one that flickers by a step lives."""
    still = pair(np.full(len(LONG), 20.0), 0.2, step=0.1)
    assert (still.verdict, still.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "of steps of 0.1 K it never made one" in still.sentence
    flickers = pair(20.0 + 0.1 * (DITHER > 0), 0.2, step=0.1)
    assert flickers.verdict is Verdict.PASS


def test_without_torque_a_unit_that_turned_for_more_than_six_seconds_is_no_cold_one():
    turning = {SPEED: (LONG, np.where((LONG >= 20) & (LONG < 26.4), 800.0, 0.0))}
    finding = pair(np.full(len(LONG), 20.0), 0.8, more=turning)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "turned for 6 s" in finding.sentence


@pytest.mark.parametrize(
    ("at_s", "degC", "u_K", "proven"),
    [(40, 21.0, 1.0, True), (40, 26.0, 1.0, False), (40, 23.0, 2.0, False), (5, 20.0, 1.0, False)],
    ids=["agrees", "differs", "too coarse", "before anything heated it"],
)
def test_what_a_person_read_after_the_burst_proves_a_sensor_that_stood(at_s, degC, u_K, proven):
    reading = Reading(WINDING, degC, u_K, at_s=at_s, instrument="thermometer 4", by="A. Tester")
    finding = pair(np.full(len(LONG), 20.0), 0.8, bench={"readings": (reading,)})
    assert (finding.verdict is Verdict.PASS) == proven
    assert not proven or "agrees with 21.0 degC that a person read" in finding.sentence


def test_a_sensor_that_a_hand_warmed_before_the_burst_lives():
    held = 20.0 + np.interp(LONG, [4, 8, 12, 18], [0, 3, 3, 0])
    finding = pair(steps(held, 0.5), 0.8, bench={})
    assert finding.verdict is Verdict.PASS
    assert "followed a hand by" in finding.sentence


def test_a_sensor_that_stops_after_the_burst_hides_the_soak():
    """Both warm by 4 K until 30 s; then it stands, and its neighbour cools by 3 K in 30 s, by

    2.5 K from the level of its first 10 s on."""
    living = steps(heat(4.0), 0.1)
    beside = 20.0 + np.interp(LONG, [20, 30, 60, 100], [0, 4, 1, 1])
    stopped = np.where(LONG < 31, living, living[LONG == 31])
    finding = pair(stopped, step=0.1, beside=steps(beside, 0.1))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert (
        "stood still for the last 70 s, while inverter of front cooled by 2.5 K" in finding.sentence
    )
    alive = 20.0 + np.interp(LONG, [20, 30, 100], [0, 4, 2])
    assert pair(steps(alive, 0.1), step=0.1, beside=steps(beside, 0.1)).verdict is Verdict.PASS


def test_a_sensor_that_only_flickers_by_a_step_either_way_after_the_burst_hides_the_soak():
    """Dead from 31 s on, but for a step up and down; its neighbour cools by 3 K meanwhile."""
    beside = 20.0 + np.interp(LONG, [20, 30, 60, 100], [0, 4, 1, 1])
    flicker = 0.1 * np.random.default_rng(3).integers(-1, 2, len(LONG))
    dead = np.where(LONG < 31, steps(heat(4.0), 0.1), 23.5 + flicker)
    finding = pair(dead, step=0.1, beside=steps(beside, 0.1))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "only went to and fro by two steps" in finding.sentence


def test_a_code_that_appears_just_while_the_unit_turns_is_suspect():
    """0 degC from 20 to 24 s, on a cold vehicle of 20 degC: nothing cools a part so far."""
    finding = pair(np.where((LONG >= 20) & (LONG < 24), 0.0, steps(heat(1.5), 0.5)))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")


def test_start_up_codes_of_a_node_that_wakes_are_forgiven():
    """0 degC in its first second, nothing engaged."""
    assert pair(np.where(LONG < 0.9, 0.0, steps(heat(1.5), 0.5))).verdict is Verdict.PASS


@pytest.mark.parametrize("every", [5, 10, 15])  # 1, 2 and 3 s
def test_a_slow_sensor_passes_as_well(every):
    own = LONG[::every]
    roles = {
        WINDING: (own, steps(heat(1.5), 0.5)[::every]),
        BESIDE: (own, steps(heat(2.0), 0.1)[::every]),
        SPEED: (LONG, np.where((LONG >= 20) & (LONG < 23), 800.0, 0.0)),
    }
    found = run("sensor-alive", roles, u={WINDING: 0.25, BESIDE: 0.05}, bench=COLD)
    assert [f.verdict for f in found.values()] == [Verdict.PASS] * 2


TWICE = ((LONG >= 20) & (LONG < 23)) | ((LONG >= 40) & (LONG < 43))
WARMS_TWICE = 20 + np.interp(LONG, [20, 24, 40, 44, 100], [0, 2, 1.6, 3.6, 2])


def over_two(winding, step, beside=WARMS_TWICE):
    more = {SPEED: (LONG, np.where(TWICE, 800.0, 0.0))}
    return pair(steps(winding, step), step=step, beside=steps(beside, 0.1), more=more)


@pytest.mark.parametrize("step", [0.1, 0.5, 1.0])
@pytest.mark.parametrize("rise_K", [3.0, 8.0])
def test_what_comes_and_goes_with_the_motion_is_no_temperature(step, rise_K):
    finding = over_two(20.0 + rise_K * TWICE, step)
    assert finding.reason == "sensor-suspect"
    assert over_two(WARMS_TWICE, step).verdict is Verdict.PASS


def test_a_small_part_of_it_that_does_so_after_every_burst_is_told_as_well():
    """0.4 K in steps of 0.1 K, while its neighbour warms by 3.6 K."""
    finding = over_two(20.0 + 0.4 * TWICE, 0.1)
    assert finding.reason == "sensor-suspect"


@pytest.mark.parametrize(("level", "cut"), [(22.4, True), (23.9, False)])
def test_a_sensor_that_shows_nothing_above_some_value_is_suspect(level, cut):
    """It stays at 22.4 degC in the second burst, while what is beside it warms by 1.2 K more."""
    finding = over_two(np.minimum(WARMS_TWICE, level), 0.05)
    assert (finding.reason == "sensor-suspect") is cut
    assert ("stayed at its highest" in finding.sentence) is cut


def test_a_sensor_that_falls_below_the_air_within_a_minute_is_suspect():
    """By 6 K, from 20 s after the burst on; 3 K and a step are allowed."""
    fallen = heat(2.0) - np.interp(LONG, [45, 100], [0, 10])
    assert "colder than all was before" in pair(fallen).sentence


@pytest.mark.parametrize(("warms_at_s", "reason"), [(20, "sensor-suspect"), (60, None)])
def test_a_sensor_that_warms_as_another_unit_turns_may_be_that_units(warms_at_s, reason):
    """Front turns from 20 to 23 s, rear from 60 to 63 s; its winding warms by 2 K in 10 s."""
    rear, speed = "units.rear.temperatures.winding", "units.rear.speed"
    warms = 20.0 + np.interp(LONG, [warms_at_s, warms_at_s + 10, 100], [0, 2.0, 1.6])
    roles = {
        WINDING: (LONG, steps(heat(2.0), 0.1)),
        SPEED: (LONG, np.where((LONG >= 20) & (LONG < 23), 800.0, 0.0)),
        rear: (LONG, steps(warms, 0.1)),
        speed: (LONG, np.where((LONG >= 60) & (LONG < 63), 800.0, 0.0)),
    }
    u = {WINDING: 0.05, rear: 0.05}
    finding = run("sensor-alive", roles, u=u, bench=COLD)["rear winding"]
    assert finding.reason == reason
    assert reason is None or "K as front turned" in finding.sentence


@pytest.mark.parametrize(
    ("level", "bench", "suspect"),
    [
        (-34.0, {"cold": False}, True),
        (60.0, {"cold": True}, True),
        (60.0, {"cold": False}, False),  # it may have worked before
        (-20.0, {"cold": False}, False),
    ],
)
def test_without_the_airs_temperature_no_sensor_is_believed_that_reads_as_in_no_workshop(
    level, bench, suspect
):
    finding = pair(heat(3.0, level), 3.0, bench=bench, beside=heat(3.0, level))
    assert ("which no workshop has" in finding.sentence) is suspect
