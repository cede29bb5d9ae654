"""insulation-resistance on the worked examples of the isolation measurement in UN R100 rev. 2
(check-values, all D): 300, 150, 40 and 39 kohm at a working voltage of 400 V are 750, 375, 100.0
(the limit) and 97.5 ohm/V. Limits 500 and 100 ohm/V: UN R100 5.1.3.1/5.1.3.2 (C2)."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run
from tests.rules.vehicle import clock, state

CLOSED_S = 1.0


def judge(
    ohm,
    *,
    until_s=40.0,
    open_s=1e9,
    maximum_V=400.0,
    volts=380.0,
    protected=False,
    every_s=0.5,
    tick_s=0.1,
    u_ohm=0.0,
    edit=None,
    stage="power-up",
    **more,
):
    """Both poles close at 1.0 s; the monitor reads ``ohm`` (a number, or a function of time)."""
    times, slow = clock(until_s, tick_s), clock(until_s, every_s)
    roles = {
        f"contactors.{pole}": (times, state(times, (CLOSED_S, 1), (open_s, 0)))
        for pole in ("negative", "positive")
    }
    reading = ohm(slow) if callable(ohm) else np.full(len(slow), float(ohm))
    # A monitor that lives reads something else while the poles are open.
    roles["pack.insulation"] = (slow, np.where(slow < CLOSED_S, reading + 1e3, reading))
    if volts is not None:
        level = volts(times) if callable(volts) else np.full(len(times), float(volts))
        roles["pack.voltage"] = (times, np.where(times < 0.5, level - 1, level))
    if edit:
        edit(roles)
    return run(
        "insulation-resistance",
        roles,
        stage=stage,
        u={"pack.insulation": u_ohm, "pack.voltage": 0.5},
        cycles_s={"pack.insulation": every_s, "pack.voltage": tick_s},
        bench={"maximum_voltage_V": maximum_V, "ac_protected": protected},
        **more,
    )["pack"]


@pytest.mark.parametrize(
    ("ohm", "ohm_per_V", "joined", "protected"),
    [
        (300e3, 750.0, Verdict.PASS, Verdict.PASS),
        (150e3, 375.0, Verdict.FAIL, Verdict.PASS),
        (40e3, 100.0, Verdict.FAIL, Verdict.PASS),
        (39e3, 97.5, Verdict.FAIL, Verdict.FAIL),
    ],
)
def test_the_published_examples_against_both_limits(ohm, ohm_per_V, joined, protected):
    for ac_protected, verdict, limit in ((False, joined, 500.0), (True, protected, 100.0)):
        finding = judge(ohm, protected=ac_protected)
        assert finding.verdict is verdict
        assert finding.measured == pytest.approx(ohm_per_V)
        assert (finding.limit, finding.unit, finding.required) == (limit, "ohm/V", True)
        assert finding.limit_source == "UN R100 5.1.3"
        assert "own monitor" in finding.sentence


def test_a_reading_nearer_to_the_limit_than_its_step_is_too_close_to_call():
    """40 kohm read to +-0.5 kohm at 400 V: 100 +- 1.25 ohm/V."""
    finding = judge(40e3, protected=True, u_ohm=500.0)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "too-close-to-call")
    assert finding.uncertainty == pytest.approx(1.25)
    assert judge(39e3, protected=True, u_ohm=500.0).verdict is Verdict.FAIL  # -2.5 < -1.25


def test_readings_before_the_monitor_has_settled_do_not_count():
    def settling(t):
        return np.where(t < CLOSED_S + 29.9, 1e3, 300e3)

    finding = judge(settling)
    assert (finding.verdict, finding.measured) == (Verdict.PASS, 750.0)
    assert judge(settling, rules={"settle_s": 20}).verdict is Verdict.FAIL


def test_one_low_reading_among_many_good_ones_fails():
    finding = judge(lambda t: np.where(t == 35.0, 100e3, 300e3))
    assert (finding.verdict, finding.measured, finding.at_s) == (Verdict.FAIL, 250.0, 35.0)


def test_contactors_that_open_before_the_monitor_has_settled_exercise_nothing():
    finding = judge(lambda t: np.where(t < 21.0, 300e3, 900e3), open_s=20.0)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "closed for 19.0 s at most" in finding.sentence


def test_readings_after_the_opening_prove_nothing():
    """Settled, but the only reading after 30 s comes when the poles are open again."""
    finding = judge(300e3, open_s=31.5, every_s=16.0)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_contactors_never_closed_are_not_exercised():
    finding = judge(300e3, until_s=0.9)
    assert "never seen closed" in finding.sentence


def test_the_highest_voltage_seen_counts_where_it_is_more_than_the_plans():
    """225 kohm at 450 V is 500 ohm/V; u = 500 * 0.5 / 450 = 0.556 from the voltage's own u."""
    finding = judge(226e3, volts=lambda t: np.where(t < 33, 400.0, 450.0))
    assert finding.measured == pytest.approx(226e3 / 450)
    assert finding.uncertainty == pytest.approx(226e3 / 450**2 * 0.5)
    assert (finding.verdict, finding.at_s) == (Verdict.PASS, 33.0)
    assert judge(224e3, volts=lambda t: np.where(t < 33, 400.0, 450.0)).verdict is Verdict.FAIL


def test_without_a_maximum_the_pack_voltage_alone_makes_the_working_voltage():
    finding = judge(300e3, maximum_V=None, volts=400.0)
    assert (finding.verdict, finding.measured) == (Verdict.PASS, 750.0)


def test_with_neither_there_is_no_limit():
    finding = judge(300e3, maximum_V=None, volts=None)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "no-limit")


def test_no_monitor_bound_is_not_bound_and_still_required():
    def unbound(roles):
        del roles["pack.insulation"]

    finding = judge(300e3, edit=unbound)
    assert (finding.verdict, finding.reason, finding.required) == (
        Verdict.UNPROVEN,
        "not-bound",
        True,
    )
    assert not judge(300e3, stage="dry-spin").required


def test_a_monitor_that_falls_silent_is_stale():
    def silent(roles):
        times, values = roles["pack.insulation"]
        roles["pack.insulation"] = (times[times < 33], values[times < 33])

    finding = judge(300e3, edit=silent)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_a_monitor_without_value_is_not_available():
    finding = judge(lambda t: np.where(t > 33, np.nan, 300e3))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-available")


def test_a_monitor_at_the_upper_end_of_its_range_proves_nothing():
    """A signal of 16 bits (raw 65535 = 655.35 ohm in this harness) that stands at its end."""
    finding = judge(655.35, maximum_V=1.0, volts=None)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert judge(655.34, maximum_V=1.0, volts=None).verdict is Verdict.PASS


def test_a_dead_short_reads_zero_and_fails():
    assert judge(0.0).verdict is Verdict.FAIL


def test_no_cut_changes_anything():
    for ohm in (300e3, 150e3):
        more = {"volts": lambda t: 400 + 20 * np.sin(t), "u_ohm": 500.0, "tick_s": 0.5}
        assert judge(ohm, cuts="each", **more) == judge(ohm, **more)
    short = {"open_s": 20.0, "tick_s": 0.5}
    assert judge(300e3, cuts="each", **short) == judge(300e3, **short)


def test_a_monitor_that_froze_before_the_closing_knows_nothing_of_what_was_closed():
    """It moved while the poles were open, and reads the same 400 kohm from then on."""

    def frozen(roles):
        times, ohm = roles["pack.insulation"]
        roles["pack.insulation"] = (times, np.where(times < 0.5, ohm + 1e3, 400e3))

    finding = judge(400e3, edit=frozen)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "never changed while a contactor was closed" in finding.sentence


def test_a_low_reading_with_both_poles_open_for_long_is_the_packs_own_and_fails():
    """Closed from 1 to 40 s: the pack alone has settled at 70 s."""
    low = {"until_s": 90.0, "open_s": 40.0}
    assert judge(lambda t: np.where(t >= 75, 20e3, 300e3), **low).verdict is Verdict.FAIL
    passed = judge(lambda t: np.where((t >= 45) & (t < 65), 20e3, 300e3), **low)
    assert passed.verdict is Verdict.PASS  # it may still be settling
    late = lambda t: np.where(t >= 75, 20e3, 300e3)  # noqa: E731
    assert judge(late, **low, cuts="each") == judge(late, **low)


def test_a_reading_of_nothing_before_it_settled_is_a_code():
    finding = judge(lambda t: np.where((t > 4) & (t < 6), 0.0, 2e6))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "0 ohm" in finding.sentence
    assert judge(lambda t: np.where(t < 2.5, 0.0, 2e6)).verdict is Verdict.PASS


def between(start_s, end_s, ohm, otherwise=300e3):
    return lambda t: np.where((t >= start_s) & (t < end_s), ohm, otherwise)


@pytest.mark.parametrize(
    ("ohm", "open_s"),
    [
        (between(12.0, 17.0, 20e3), 1e9),  # it had read 750 ohm/V, falls to 50, and comes back
        (between(12.0, 99.0, 20e3), 20.0),  # ... and has not come back as the contactors open
    ],
)
def test_insulation_that_comes_and_goes_before_the_monitor_settled_fails(ohm, open_s):
    """It measures twice a second, anew each time; in a stage that does not require it as well."""
    for stage in ("power-up", "dry-spin"):
        found = judge(ohm, open_s=open_s, stage=stage)
        assert (found.verdict, found.measured, found.at_s) == (Verdict.FAIL, 50.0, 12.0)
        assert "too little insulation, 20 kohm" in found.sentence


def test_one_reading_of_a_monitor_that_sends_seldom_is_a_measurement():
    found = judge(between(12.0, 12.4, 20e3), stage="dry-spin")
    assert (found.verdict, found.at_s) == (Verdict.FAIL, 12.0)


def test_insulation_that_is_gone_for_a_moment_before_the_monitor_settled_is_no_pass():
    """Of a fast monitor two readings may be disturbed frames, and three in a row are not."""
    fast = {"every_s": 0.1}
    assert judge(between(12.0, 12.29, 20e3), **fast).verdict is Verdict.FAIL
    found = judge(between(12.0, 12.19, 20e3), **fast)
    assert (found.verdict, found.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "insulation that comes and goes" in found.sentence
    assert "at 12.000 s" in found.sentence


def test_a_monitor_that_has_measured_anew_within_two_seconds_has_settled():
    """With the poles open it reads 5.2 Mohm, from 2 s after closing 300 kohm, and then 20 kohm."""

    def read(t):
        return np.where(t < 3.0, 5.2e6, between(5.0, 7.0, 20e3)(t))

    found = judge(read)
    assert (found.verdict, found.at_s) == (Verdict.FAIL, 5.0)
    assert judge(lambda t: np.where(t < 3.0, 5.2e6, 300e3)).verdict is Verdict.PASS


def test_a_monitor_that_answered_to_pre_charge_has_measured_as_well():
    """Negative closes at 1 s and the vehicle is connected; positive closes at 2.5 s."""

    def edit(roles):
        times, _ = roles["contactors.positive"]
        roles["contactors.positive"] = (times, state(times, (2.5, 1)))

    found = judge(lambda t: np.where(t < 1.9, 5.2e6, between(5.8, 8.0, 20e3)(t)), edit=edit)
    assert (found.verdict, found.at_s) == (Verdict.FAIL, 6.0)


@pytest.mark.parametrize("low_until_s", [4.0, 28.0, 30.9])
def test_a_monitor_that_goes_from_low_to_enough_has_settled(low_until_s):
    assert judge(between(0.0, low_until_s, 20e3)).verdict is Verdict.PASS


def test_a_value_held_from_before_the_closing_is_no_measurement_of_it():
    """It shows what it had measured with the poles open until its first result, 3 s later."""
    assert judge(between(4.0, 15.0, 20e3)).verdict is Verdict.PASS


def test_a_second_short_closing_that_reads_too_little_is_told():
    """40 s closed and enough, then 10 s closed and 50 ohm/V."""

    def again(roles):
        for pole in ("negative", "positive"):
            times = roles[f"contactors.{pole}"][0]
            changes = ((CLOSED_S, 1), (41.0, 0), (50.0, 1), (60.0, 0))
            roles[f"contactors.{pole}"] = (times, state(times, *changes))

    found = judge(between(50.0, 62.0, 20e3), until_s=70.0, edit=again)
    assert (found.verdict, found.reason) == (Verdict.UNPROVEN, "sensor-suspect")


@pytest.mark.parametrize(
    ("low", "verdict"), [((45.0, 54.0), Verdict.FAIL), ((0.0, 4.0), Verdict.PASS)]
)
def test_too_little_with_the_poles_open_is_told_unless_it_is_before_they_first_close(low, verdict):
    """Closed from 5 to 40 s; 50 ohm/V from 45 s to the end, or 4 s long before they close.

    From 40 s on it had read the 400 kohm of the pack alone, and not the 300 kohm of before.
    """

    def later(roles):
        for pole in ("negative", "positive"):
            times = roles[f"contactors.{pole}"][0]
            roles[f"contactors.{pole}"] = (times, state(times, (5.0, 1), (40.0, 0)))

    def ohm(times):
        alone = np.where((times < 5.0) | (times >= 40.0), 400e3, 300e3)
        return np.where((times >= low[0]) & (times < low[1]), 20e3, alone)

    assert judge(ohm, until_s=52.0, edit=later).verdict is verdict


@pytest.mark.parametrize(("low_until_s", "suspect"), [(12.0, True), (3.0, False)])
def test_nothing_turns_while_a_monitor_still_reads_too_little(low_until_s, suspect):
    """A unit turns from 5 to 9 s; 10 kohm until then may be the monitor, or a fault."""

    def turn(roles):
        times = clock(40.0, 0.02)
        roles["units.front.speed"] = (times, np.interp(times, [5, 6, 8, 9], [0, 600, 600, 0]))

    finding = judge(lambda t: np.where(t < low_until_s, 10e3, 2400e3), edit=turn, stage="dry-spin")
    assert (finding.reason == "sensor-suspect") == suspect
    assert ("while a unit turned" in finding.sentence) == suspect
