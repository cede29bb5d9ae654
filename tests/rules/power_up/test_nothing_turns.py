"""nothing-turns by hand: limit 50 rpm (common practice, no source), readings every 10 ms; both
main contactors closed from 2 to 8 s."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run
from tests.rules.vehicle import clock, state, within

TIMES = clock(12.0, 0.01)


def judge(rpm, *, stage="power-up", bench=None, edit=None, **more):
    roles = {
        "units.front.speed": (TIMES, rpm),
        "contactors.negative": (TIMES, state(TIMES, (2.0, 1), (8.0, 0))),
        "contactors.positive": (TIMES, state(TIMES, (2.5, 1), (8.0, 0))),
    }
    if edit:
        edit(roles)
    u, cycles = {"units.front.speed": 0.25}, dict.fromkeys(roles, 0.01)
    more = {"u": u, "cycles_s": cycles, "stage": stage, "bench": bench, **more}
    return run("nothing-turns", roles, **more)


def during(start_s, end_s, rpm):
    return np.where(within(TIMES, start_s, end_s), rpm, 0.0)


@pytest.mark.parametrize("fluids", ["empty", "filled"])
@pytest.mark.parametrize("rpm", [180.0, -180.0])
def test_a_unit_that_turns_for_60_ms_fails_whatever_is_filled(fluids, rpm):
    finding = judge(during(4.0, 4.06, rpm), bench={"coolant": fluids, "oil": fluids})["front"]
    assert (finding.verdict, finding.measured) == (Verdict.FAIL, 180.0)
    assert finding.first_failed_s == pytest.approx(4.01)


def test_noise_of_a_resolver_at_standstill_passes():
    noise = 15.0 * np.sin(np.arange(len(TIMES)))
    finding = judge(noise)["front"]
    assert finding.verdict is Verdict.PASS
    assert finding.measured < 15.0


def test_one_reading_alone_is_no_turning():
    assert judge(during(4.0, 4.01, 180.0))["front"].verdict is Verdict.PASS


def test_a_speed_within_half_a_step_of_the_limit_is_too_close_to_call():
    assert judge(during(4.0, 5.0, 50.1))["front"].reason == "too-close-to-call"


def test_a_wheel_turned_by_hand_with_both_poles_open_is_not_judged_here():
    assert judge(during(9.0, 11.0, 180.0))["front"].verdict is Verdict.PASS
    assert judge(during(0.0, 1.0, 180.0))["front"].verdict is Verdict.PASS


@pytest.mark.parametrize(("link_V", "verdict"), [(0.0, Verdict.PASS), (300.0, Verdict.FAIL)])
def test_without_high_voltage_one_closed_pole_drives_nothing(link_V, verdict):
    """Negative closes at 2 s, positive at 2.5 s: a hand may still turn the wheel in between."""

    def with_link(roles):
        link = np.where(TIMES < 2.5, link_V, 300.0)
        roles["units.front.link_voltage"] = (TIMES, link)

    assert judge(during(2.1, 2.4, 180.0), edit=with_link)["front"].verdict is verdict
    assert judge(during(2.6, 2.9, 180.0), edit=with_link)["front"].verdict is Verdict.FAIL


def test_it_is_for_the_stage_in_which_nothing_turns():
    assert judge(during(4.0, 5.0, 180.0), stage="dry-spin") == {}


def test_never_closed_is_not_exercised():
    def opened(roles):
        for pole in ("negative", "positive"):
            roles[f"contactors.{pole}"] = (TIMES, np.zeros(len(TIMES)))

    finding = judge(during(0, 0, 0), edit=opened)["front"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_a_speed_that_fell_silent_is_stale():
    def silent(roles):
        roles["units.front.speed"] = (TIMES[TIMES < 4], np.zeros(int((TIMES < 4).sum())))

    assert judge(during(0, 0, 0), edit=silent)["front"].reason == "stale"


def test_no_cut_changes_anything():
    for rpm in (during(4.0, 4.06, 180.0), during(0, 0, 0)):
        assert judge(rpm, cuts="each") == judge(rpm)


@pytest.mark.parametrize(
    ("at_s", "seen", "verdict"),
    [(4.0, "forward", "unproven"), (4.0, "still", "pass"), (10.5, "reverse", "pass")],
)
def test_a_wheel_that_a_person_saw_turn_is_no_pass_whatever_can_says(at_s, seen, verdict):
    """With both poles open since 8 s it was turned by hand."""
    mark = {"at_s": at_s, "axle": "front", "seen": seen}
    finding = judge(np.zeros(len(TIMES)), marks=[mark])["front"]
    assert finding.verdict == Verdict(verdict)
    assert ("a person saw it turn forward" in finding.sentence) == (verdict == "unproven")
