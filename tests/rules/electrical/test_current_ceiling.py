"""current-ceiling, worked by hand: ceiling 30 A dry, 200 A filled; current known to +-0.5 A."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

TIMES = np.round(np.arange(0, 8, 0.05), 3)
TURNS = (TIMES >= 2) & (TIMES < 5)
DRY = {"coolant": "empty"}
LIMITS = {"dry_current_A": 30.0, "current_A": 200.0}


def judge(peak_A, turns=True, rest_A=0.5, rules=LIMITS, bench=DRY, **more):
    current = np.where(TURNS, peak_A, rest_A)
    roles = {
        "pack.current": (TIMES, current),
        "units.front.speed": (TIMES, np.where(TURNS & turns, 500.0, 0.0)),
    }
    return run("current-ceiling", roles, rules=rules, bench=bench, u={"pack.current": 0.5}, **more)[
        "pack"
    ]


def closed_from(at_s):
    changes = np.where(at_s <= TIMES, 1.0, 0.0)
    return {f"contactors.{pole}": (TIMES, changes) for pole in ("negative", "positive")}


@pytest.mark.parametrize(("zero_A", "verdict"), [(0.0, "pass"), (-3.0, "unproven"), (0.4, "pass")])
@pytest.mark.parametrize("cuts", [(), (0.31, 1.77)])
def test_a_zero_that_is_off_before_closing_makes_it_uncertain(zero_A, verdict, cuts):
    """28 A of 30; it reads 25 with a zero of -3 A, which is then 25 +- 3.5: 28.5 at most passes.
    The peak of 28.5 A reads 25.5 +- 3.5 A and passes; of 30 A 27 +- 3.5 A, too close."""
    current = np.where(TURNS, 30.0 if zero_A < -1 else 28.0, 0.0) + zero_A
    roles = {
        "pack.current": (TIMES, current),
        "units.front.speed": (TIMES, np.where(TURNS, 500.0, 0.0)),
        **closed_from(1.75),
    }
    found = run(
        "current-ceiling", roles, rules=LIMITS, bench=DRY, u={"pack.current": 0.5}, cuts=cuts
    )["pack"]
    assert found.verdict == verdict
    assert found.uncertainty == pytest.approx(3.5 if zero_A < -1 else 0.5)


def test_a_current_above_the_dry_ceiling_fails_at_its_first_sample():
    finding = judge(42.0)
    assert (finding.verdict, finding.margin, finding.limit) == (Verdict.FAIL, -12.0, 30.0)
    assert (finding.first_failed_s, finding.limit_source) == (2.0, "plan")


def test_a_charging_current_counts_as_well():
    assert judge(-42.0).margin == -12.0


def test_the_other_ceiling_holds_once_coolant_and_oil_are_filled():
    finding = judge(42.0, bench={}, stage="wet-spin")
    assert (finding.verdict, finding.limit, finding.margin) == (Verdict.PASS, 200.0, 158.0)


@pytest.mark.parametrize(
    ("peak_A", "verdict"),
    # margin 0.5 = u passes, 0.4 does not; -0.5 is not below -u, -0.6 is
    [(29.5, "pass"), (29.6, "unproven"), (30.5, "unproven"), (30.6, "fail")],
)
def test_the_guard_band_is_half_an_ampere_wide(peak_A, verdict):
    assert judge(peak_A).verdict == verdict


def test_the_ceiling_of_the_other_state_does_not_stand_in_for_a_missing_one():
    finding = judge(5.0, rules={"current_A": 200.0})
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "no-limit")
    assert "dry_current_A" in finding.sentence


def test_a_run_in_which_nothing_turned_proves_nothing():
    assert judge(5.0, turns=False).reason == "not-exercised"


def test_in_power_up_a_closed_contactor_is_enough():
    roles = {"pack.current": (TIMES, np.where(TURNS, 8.0, 0.0))}
    closed = {"contactors.negative": (TIMES, np.where(TIMES >= 1, 1, 0))}
    more = {"stage": "power-up", "rules": LIMITS, "bench": DRY}
    assert run("current-ceiling", roles, **more)["pack"].reason == "not-exercised"
    assert run("current-ceiling", roles | closed, **more)["pack"].verdict is Verdict.PASS


def test_a_reading_at_the_end_of_its_range_does_not_pass():
    # The harness's signals have 16 bits of 0.01 A: 655.35 A is all ones.
    finding = judge(655.35, rules={"dry_current_A": 700.0})
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")


def test_a_current_that_falls_silent_while_turning_does_not_pass():
    some = TIMES[(TIMES < 3) | (TIMES > 4)]
    roles = {
        "pack.current": (some, np.where(some > 2, 5.0, 0.5)),
        "units.front.speed": (TIMES, np.where(TURNS, 500.0, 0.0)),
    }
    found = run("current-ceiling", roles, rules=LIMITS, bench=DRY)
    assert found["pack"].reason == "stale"


@pytest.mark.parametrize("peak_A", [5.0, 42.0])
def test_cutting_changes_nothing(peak_A):
    assert judge(peak_A, cuts="each") == judge(peak_A)


@pytest.mark.parametrize(("reached_V", "verdict"), [(395.0, "pass"), (200.0, "unproven")])
def test_in_power_up_without_contactors_a_link_that_comes_up_shows_a_closing(reached_V, verdict):
    roles = {
        "pack.current": (TIMES, np.where(TURNS, 4.0, 0.5)),
        "pack.voltage": (TIMES, 400.0 + 0.1 * (TIMES > 2)),
        "units.front.link_voltage": (TIMES, np.where(TURNS, reached_V, 0.0)),
    }
    found = run("current-ceiling", roles, stage="power-up", rules=LIMITS, bench=DRY)["pack"]
    assert found.verdict == verdict, found.sentence
