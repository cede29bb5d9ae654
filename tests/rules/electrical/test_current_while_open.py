"""current-while-open by hand: limit 1 A (common practice, no source), readings every 20 ms, both
main contactors closed from 5 to 10 s."""

import numpy as np
import pytest

from canscope.model.bench import DriveUnit
from canscope.model.findings import Verdict
from tests.rules.harness import judge as run
from tests.rules.vehicle import clock, state, within

TIMES = clock(20.0, 0.02)
BOTH = [(5.0, 1), (10.0, 0)]


def judge(amps, negative=BOTH, positive=BOTH, *, before=0, edit=None, **more):
    roles = {
        "pack.current": (TIMES, amps),
        "contactors.negative": (TIMES, state(TIMES, *negative, before=before)),
        "contactors.positive": (TIMES, state(TIMES, *positive, before=before)),
    }
    if edit:
        edit(roles)
    u, cycles = {"pack.current": 0.05}, dict.fromkeys(roles, 0.02)
    return run("current-while-open", roles, u=u, cycles_s=cycles, **more)["pack"]


def during(start_s, end_s, amps, zero_A=0.0):
    closed = (TIMES >= 5.0) & (TIMES < 10.0)
    given = np.where(within(TIMES, start_s, end_s), amps, 0.0)
    return given + zero_A + np.where(closed, 20.0, 0.0)


def test_no_current_while_open_passes_whatever_flows_while_closed():
    finding = judge(during(2, 3, 0.4))
    assert (finding.verdict, finding.measured) == (Verdict.PASS, pytest.approx(0.4))
    assert not finding.required


@pytest.mark.parametrize("start_s", [2.0, 12.0, 17.0])
def test_a_current_of_60_ms_fails_before_closing_and_long_after_opening(start_s):
    finding = judge(during(start_s, start_s + 0.06, 25.0))
    assert (finding.verdict, finding.measured) == (Verdict.FAIL, 25.0)
    assert finding.first_failed_s == pytest.approx(start_s)


def test_the_last_frames_count_as_well():
    assert judge(during(19.9, 20.0, 4.0)).verdict is Verdict.FAIL


def test_one_reading_of_2_A_is_noise_and_two_are_not():
    assert judge(during(2.0, 2.02, 2.0)).verdict is Verdict.PASS
    assert judge(during(2.0, 2.04, 2.0)).verdict is Verdict.FAIL


@pytest.mark.parametrize("cuts", [None, [3.0, 3.02, 12.5]])
def test_noise_of_0_7_A_is_no_current_and_1_8_A_beside_it_are_one(cuts):
    """A current keeps its sign: noise is above 1 A once in 13 times on either side."""
    noise = np.random.default_rng(4).normal(0, 0.7, len(TIMES))
    assert judge(during(0, 0, 0) + noise, cuts=cuts).verdict is Verdict.PASS
    found = judge(during(12, 16, 1.8) + noise, cuts=cuts)
    assert found.verdict is Verdict.FAIL
    assert found.first_failed_s > 12
    assert judge(during(2, 2.02, 9.0) + noise, cuts=cuts).measured == pytest.approx(9, abs=1.5)


def test_a_current_within_half_a_step_of_the_limit_is_too_close_to_call():
    assert judge(during(2.0, 3.0, 0.97)).reason == "too-close-to-call"


@pytest.mark.parametrize("zero_A", [3.0, -3.0])
def test_an_offset_from_the_first_frame_to_the_last_is_told_and_does_not_fail(zero_A):
    finding = judge(during(0, 0, 0, zero_A))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert f"it read {zero_A:.1f} A with a main contactor open" in finding.sentence


def test_noise_of_02_A_beside_an_offset_of_09_A_is_no_current():
    """Two readings of -1.1 A in a row lie 0.2 A from the sensor's zero; 2.5 A are a current."""
    noise = np.where(np.arange(len(TIMES)) % 4 < 2, 0.2, -0.2)
    assert judge(noise + during(0, 0, 0, -0.9)).verdict is Verdict.PASS
    assert judge(noise + during(12, 12.5, -2.5, -0.9)).verdict is Verdict.FAIL


def test_beside_an_offset_a_current_that_comes_and_goes_still_fails():
    assert judge(during(12, 12.5, 4.0, 3.0)).verdict is Verdict.FAIL


def test_3_A_before_closing_that_are_gone_after_opening_were_a_current():
    finding = judge(during(0.0, 5.0, 3.0))
    assert finding.verdict is Verdict.FAIL
    assert finding.first_failed_s > 10.5


def test_25_A_are_no_offset():
    assert judge(during(0, 0, 0, 25.0)).verdict is Verdict.FAIL


def test_states_that_come_200_ms_late_are_no_current_while_open():
    """The current flows from 4.85 s on and until 10.0 s."""
    assert judge(during(4.85, 5.0, 20.0)).verdict is Verdict.PASS


PRECHARGE = "contactors.precharge"


@pytest.mark.parametrize("first", ["negative", "positive"])
def test_one_open_pole_opens_the_circuit(first):
    """One opens at 10.0 s and the other one at 12.5 s: the 12 A from 11 to 12 s flow through it."""
    poles = {"negative": [(5.0, 1), (12.5, 0)], "positive": [(5.0, 1), (12.5, 0)]}
    poles[first] = BOTH

    def precharged(roles):
        roles[PRECHARGE] = (TIMES, state(TIMES, (4.0, 1), (5.5, 0)))

    finding = judge(during(11, 12, 12.0), **poles, edit=precharged)
    assert (finding.verdict, finding.measured) == (Verdict.FAIL, 12.0)
    assert judge(during(10, 10.4, 12.0), **poles, edit=precharged).verdict is Verdict.PASS


def test_pre_charge_leads_the_current_past_an_open_positive():
    """Negative and pre-charge close at 3.0 s, positive at 5.0 s.

    Without the state of pre-charge nobody knows whether it was closed.
    """
    poles = {"negative": [(3.0, 1), (10.0, 0)], "positive": BOTH}

    def precharged(roles):
        roles[PRECHARGE] = (TIMES, state(TIMES, (3.0, 1), (5.5, 0)))

    assert judge(during(3.0, 4.9, 9.0), **poles, edit=precharged).verdict is Verdict.PASS
    assert judge(during(3.0, 4.9, 9.0), **poles).verdict is Verdict.PASS


def test_closed_all_the_time_is_not_exercised():
    finding = judge(during(0, 0, 0), [], [], before=1)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_without_a_current_bound_it_is_not_bound():
    assert (
        judge(during(0, 0, 0), edit=lambda roles: roles.pop("pack.current")).reason == "not-bound"
    )


def test_no_cut_changes_anything():
    for amps in (during(2, 3, 0.4), during(12, 12.1, 9.0), during(0.0, 5.0, 3.0)):
        assert judge(amps, cuts="each") == judge(amps)


def test_empty_links_show_that_no_contactor_carried_it():
    def link(volts):
        def edit(roles):
            closed = (TIMES >= 5.0) & (TIMES < 10.0)
            roles["units.front.link_voltage"] = (TIMES, np.where(closed, 350.0, volts))

        return edit

    units = {"units": (DriveUnit("front"),)}
    assert judge(during(2, 3, 8.0), edit=link(0.0), bench=units).code == "links-empty"
    assert judge(during(2, 3, 8.0), edit=link(200.0), bench=units).code == ""
    assert judge(during(2, 3, 8.0)).code == ""
