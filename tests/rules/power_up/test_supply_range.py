"""supply-range by hand: 9 to 16 V (common practice, no source), readings every 20 ms. Negative
closes at 5 s."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run
from tests.rules.vehicle import clock, state, within

TIMES = clock(20.0, 0.02)


def judge(volts, *, ignition=((0.5, 1),), edit=None, **more):
    roles = {
        "supply.voltage": (TIMES, volts),
        "contactors.negative": (TIMES, state(TIMES, (5.0, 1))),
        "driver.ignition": (TIMES, state(TIMES, *ignition)),
    }
    if edit:
        edit(roles)
    u, cycles = {"supply.voltage": 0.05}, dict.fromkeys(roles, 0.02)
    return run("supply-range", roles, u=u, cycles_s=cycles, **more)["12 V"]


def during(start_s, end_s, volts):
    return np.where(within(TIMES, start_s, end_s), volts, 13.0)


def test_a_supply_within_its_range_passes_with_the_reading_nearest_to_an_end():
    finding = judge(during(8, 9, 14.4))
    assert (finding.verdict, finding.measured, finding.limit) == (Verdict.PASS, 14.4, 16.0)
    assert not finding.required


@pytest.mark.parametrize("start_s", [0.0, 8.0, 19.94])
@pytest.mark.parametrize(("volts", "limit_V"), [(8.0, 9.0), (17.0, 16.0)])
def test_60_ms_outside_fail_from_the_first_frame_to_the_last(start_s, volts, limit_V):
    finding = judge(during(start_s, start_s + 0.06, volts))
    assert (finding.verdict, finding.measured, finding.limit) == (Verdict.FAIL, volts, limit_V)
    assert finding.first_failed_s == pytest.approx(start_s)


def both_closed(roles):
    roles["contactors.positive"] = (TIMES, state(TIMES, (6.0, 1), (15.0, 0)))


@pytest.mark.parametrize(
    ("start_s", "end_s", "fails"), [(8, 12, True), (8, 8.9, False), (16, 19, False)]
)
def test_92_V_for_more_than_a_second_with_the_contactors_closed_fail(start_s, end_s, fails):
    """Below 10.5 V (common practice, no source) from 8.0 s on: it has lasted 1 s at 9.0 s."""
    finding = judge(during(start_s, end_s, 9.2), edit=both_closed)
    assert (finding.verdict is Verdict.FAIL) == fails
    if fails:
        assert (finding.measured, finding.limit) == (9.2, 10.5)
        assert finding.first_failed_s == pytest.approx(9.0, abs=0.021)
        assert "for 1 s with the contactors closed below" in finding.sentence
        cut = judge(during(start_s, end_s, 9.2), edit=both_closed, cuts=[8.5, 9.01, 9.5])
        assert cut == finding


def test_a_supply_that_sinks_slowly_fails_where_it_crosses_9_V():
    """13 V less 0.3 V/s: 9 V at 13.33 s, beyond the reading's uncertainty at 13.5 s."""
    finding = judge(13.0 - 0.3 * TIMES)
    assert finding.verdict is Verdict.FAIL
    assert 13.49 < finding.first_failed_s < 13.55


def test_12_V_that_never_read_enough_are_told_from_those_that_sank():
    assert judge(during(0, 20, 6.5)).code == "always-low"
    assert judge(during(8, 20, 6.5)).code == ""
    low = judge(during(0, 20, 6.5), edit=both_closed, cuts=[3.0, 9.01])
    assert (low.code, low.limit) == ("always-low", 10.5)


def test_the_dip_of_a_coil_is_left_to_control_supply_but_not_a_second_of_it():
    assert judge(during(4.98, 5.3, 8.0)).verdict is Verdict.PASS
    assert judge(during(4.98, 5.6, 8.0)).verdict is Verdict.FAIL
    assert judge(during(4.98, 5.3, 17.0)).verdict is Verdict.FAIL


def test_a_reading_within_half_a_step_of_an_end_is_too_close_to_call():
    assert judge(during(8, 9, 9.03)).reason == "too-close-to-call"


def test_a_24_V_vehicle_sets_both_ends():
    rules = {"minimum_V": 18.0, "maximum_V": 32.0}
    finding = judge(during(8, 9, 8.0) * 2, rules=rules)
    assert (finding.verdict, finding.limit_source) == (Verdict.FAIL, "common practice, no source")
    assert judge(during(8, 9, 13.5) * 2, rules=rules).verdict is Verdict.PASS
    assert judge(during(8, 9, 13.5) * 2).verdict is Verdict.FAIL


def test_after_key_off_it_may_go():
    assert judge(during(15, 21, 2.0), ignition=((0.5, 1), (14.9, 0))).verdict is Verdict.PASS


def test_nothing_in_the_first_second_is_no_reading_yet():
    assert judge(during(0.0, 0.4, 0.0)).verdict is Verdict.PASS
    assert judge(during(0.0, 1.4, 0.0)).verdict is Verdict.FAIL
    assert judge(during(8.0, 8.4, 0.0)).verdict is Verdict.FAIL


def test_a_supply_that_fell_silent_is_stale():
    def silent(roles):
        roles["supply.voltage"] = (TIMES[TIMES < 8], np.full(int((TIMES < 8).sum()), 13.0))

    assert judge(during(0, 0, 0), edit=silent).reason == "stale"


def test_without_readings_it_is_not_bound():
    edit = {"edit": lambda roles: roles.pop("supply.voltage")}
    assert judge(during(0, 0, 0), **edit).reason == "not-bound"


def test_no_cut_changes_anything():
    for volts in (during(4.98, 5.3, 8.0), during(4.98, 5.6, 8.0), during(8, 8.1, 17.0)):
        assert judge(volts, cuts="each") == judge(volts)


@pytest.mark.parametrize(
    ("sinks_to_V", "from_s", "fails"), [(12.2, 8.0, True), (12.6, 8.0, False), (12.2, 11.0, False)]
)
def test_a_converter_that_stops_while_the_contactors_are_closed_fails(sinks_to_V, from_s, fails):
    """12.6 V at rest, 13.8 V from 6.5 s on; 0.4 V below rest for 5 s is a battery that sinks."""
    lifted = np.where(within(TIMES, 6.5, from_s), 13.8, sinks_to_V)
    volts = np.where(TIMES < 6.5, 12.6, lifted)
    finding = judge(volts, edit=both_closed)
    assert (finding.verdict is Verdict.FAIL) == fails
    if fails:
        assert (finding.code, finding.measured) == ("stopped", 12.2)
        assert finding.limit == pytest.approx(12.3)
        assert finding.first_failed_s == pytest.approx(from_s + 5.0, abs=0.021)
        cuts = [4.99, 5.5, 6.01, 7.0, 9.0, 13.0]
        assert judge(volts, edit=both_closed, cuts=cuts) == finding


def test_each_power_up_is_held_against_its_own_rest():
    """12.6 V before the first, 13.4 V before the second: the first one's converter stopped at 8 s.

    The second attempt begins after an opening at 15 s, and nothing lifts what it rests at.
    """

    def twice(roles):
        for pole, first_s in (("negative", 5.0), ("positive", 6.0)):
            changes = ((first_s, 1), (14.5, 0), (first_s + 12.0, 1))
            roles[f"contactors.{pole}"] = (TIMES, state(TIMES, *changes))

    volts = np.where(within(TIMES, 6.5, 8.0), 13.8, np.where(TIMES < 6.5, 12.6, 12.2))
    volts = np.where(TIMES >= 14.6, 13.4, volts)
    whole = judge(volts, edit=twice)
    assert (whole.code, whole.limit) == ("stopped", pytest.approx(12.3))
    assert judge(volts, edit=twice, cuts=[5.5, 9.0, 14.0, 16.9, 17.1, 18.5]) == whole
