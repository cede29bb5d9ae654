"""control-supply, worked by hand: 12 V read every 20 ms to +-0.05 V, limit 10.5 V."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run
from tests.rules.vehicle import clock, state

CLOSINGS = {"negative": 1.0, "precharge": 1.2, "positive": 1.6}


def judge(
    dip_V=11.4, dip_s=1.6, width_s=0.06, *, pull_V=0.2, until_s=3.0, alive=None, edit=None, **more
):
    """13.0 V, and ``dip_V`` for a while from ``dip_s`` on; pre-charge opens at 1.8 s."""
    times = clock(until_s, 0.02)
    dips = (times >= dip_s - 1e-9) & (times < dip_s + width_s - 1e-9)
    roles = {
        f"contactors.{pole}": (times, state(times, (at_s, 1))) for pole, at_s in CLOSINGS.items()
    }
    roles["contactors.precharge"] = (times, state(times, (1.2, 1), (1.8, 0)))
    pulls = (times >= 1.0 - 1e-9) & (times < 1.06 - 1e-9)  # the first coil, a little
    roles["supply.voltage"] = (times, np.where(dips, dip_V, np.where(pulls, 13.0 - pull_V, 13.0)))
    if alive is not None:
        keep, counts = alive(times)
        roles["units.front.alive"] = (times[keep], counts[keep])
    if edit:
        edit(roles)
    return run(
        "control-supply",
        roles,
        stage="power-up",
        u={"supply.voltage": 0.05},
        cycles_s=dict.fromkeys(roles, 0.02),
        options={"units.front.alive": {"modulus": 16}},
        **more,
    )["12 V"]


def pulled(roles):
    """The first coil pulls by half a volt, in steps of 0.1 V; else the 12 V would be suspect."""
    times, volt = roles["supply.voltage"]
    volt = np.where((times >= 1.0) & (times < 1.1), 12.5, volt)
    volt[0] = 13.1
    roles["supply.voltage"] = (times, volt)


def test_the_lowest_reading_around_a_closing_decides():
    finding = judge()
    assert finding.verdict is Verdict.PASS
    assert (finding.measured, finding.limit, finding.unit) == (11.4, 10.5, "V")
    assert finding.margin == pytest.approx(0.9)
    assert (finding.required, finding.at_s) == (True, pytest.approx(1.6))


def test_a_dip_to_9_8_V_fails_by_0_7_V():
    finding = judge(9.8)
    assert finding.verdict is Verdict.FAIL
    assert finding.margin == pytest.approx(-0.7)
    assert finding.first_failed_s == pytest.approx(1.6)
    assert "broke down when" in finding.sentence


def test_a_dip_to_the_limit_is_too_close_to_call():
    assert judge(10.52).reason == "too-close-to-call"


def test_a_dip_that_recovers_from_one_reading_to_the_next_may_have_been_deeper_between_them():
    """11.4 V, 13.0 V at the next reading: 1.6 V more before it would have been 9.8 V."""
    finding = judge(11.4, width_s=0.02)
    assert (finding.reason, finding.uncertainty) == ("too-close-to-call", pytest.approx(1.65))
    assert judge(12.0, width_s=0.02, edit=pulled).verdict is Verdict.PASS
    assert judge(10.4, width_s=0.02).verdict is Verdict.FAIL


def test_a_decimal_point_in_the_wrong_place_is_no_strong_supply():
    def tenfold(roles):
        times, volt = roles["supply.voltage"]
        roles["supply.voltage"] = (times, 10 * volt)

    assert judge(edit=tenfold).reason == "sensor-suspect"


@pytest.mark.parametrize("dip_s", [0.52, 2.04])
def test_a_dip_up_to_half_a_second_before_or_after_a_closing_counts(dip_s):
    assert judge(9.8, dip_s).verdict is Verdict.FAIL


def test_a_dip_further_away_is_not_this_rules_business():
    assert judge(9.8, 2.3, edit=pulled).verdict is Verdict.PASS


def test_a_supply_that_never_moves_with_the_poles_closed_is_suspect():
    """It moved before the first closing, at 0.3 s, and stands at 13.0 V from then on."""
    finding = judge(12.0, 0.3, pull_V=0.0)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "never changed in 2.0 s with poles closed" in finding.sentence


def test_no_closing_is_not_exercised():
    def never(roles):
        for pole in CLOSINGS:
            times, values = roles[f"contactors.{pole}"]
            roles[f"contactors.{pole}"] = (times, 0 * values)

    finding = judge(edit=never)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_a_supply_that_is_silent_at_a_closing_is_stale():
    def silent(roles):
        times, values = roles["supply.voltage"]
        heard = (times < 1.5) | (times > 1.7)
        roles["supply.voltage"] = (times[heard], values[heard])

    finding = judge(edit=silent)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_a_supply_without_value_at_a_closing_is_not_available():
    finding = judge(np.nan)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-available")


def test_a_recording_that_ends_right_after_a_closing_is_no_pass():
    finding = judge(until_s=1.8)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "the recording ended within 0.5 s" in finding.sentence


def test_a_breakdown_in_a_recording_cut_short_still_fails():
    assert judge(9.8, until_s=1.8).verdict is Verdict.FAIL


def counting(times, restart_s=None, lost=(), modulus=16):
    """A counter that counts on by one a frame, begins anew at ``restart_s``, with frames lost."""
    counts = np.arange(len(times)) % modulus
    if restart_s is not None:
        after = times >= restart_s - 1e-9
        counts = np.where(after, np.cumsum(after) - 1, counts) % modulus
    keep = ~np.isin(np.round(times, 3), np.round(lost, 3))
    return keep, counts.astype(float)


def test_a_counter_that_counts_on_changes_nothing():
    assert judge(alive=counting).verdict is Verdict.PASS


@pytest.mark.parametrize("lost", [(), (1.62, 1.64, 1.66)])
def test_a_counter_that_begins_anew_at_a_closing_is_inferred(lost):
    """At 1.7 s the 85th frame would carry 85 mod 16 = 5; it carries 0."""
    finding = judge(alive=lambda t: counting(t, restart_s=1.7, lost=lost))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "inferred")
    assert "rolling counter of front" in finding.sentence


def test_frames_lost_while_the_count_goes_on_are_no_restart():
    assert judge(alive=lambda t: counting(t, lost=(1.62, 1.64, 1.66))).verdict is Verdict.PASS


def test_a_restart_far_from_any_closing_is_not_this_rules_business():
    assert judge(alive=lambda t: counting(t, restart_s=0.3)).verdict is Verdict.PASS


def test_a_restart_never_lifts_a_breakdown():
    finding = judge(9.8, alive=lambda t: counting(t, restart_s=1.7))
    assert finding.verdict is Verdict.FAIL


def test_no_cut_changes_anything():
    for dip_V in (11.4, 9.8):
        assert judge(dip_V, cuts="each") == judge(dip_V)


def test_a_reading_outside_of_its_declared_range_is_told_as_that():
    def outside(roles):
        times, values = roles["supply.voltage"]
        roles["supply.voltage"] = times, np.where((times >= 0.9) & (times < 1.1), np.inf, values)

    finding = judge(edit=outside)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "out-of-range")
    assert "no 12 V reading when the negative contactor closed" in finding.sentence
