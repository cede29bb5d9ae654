"""voltage-agreement, worked by hand: 3 % of the pack voltage at no more than 2 A, from 0.5 s
after both poles closed (common practice, no source). The pack reads 400 V to +-0.05 V, so 3 %
are 12 V."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run
from tests.rules.vehicle import clock, discharging, state

LINK, PACK, CURRENT = "units.front.link_voltage", "pack.voltage", "pack.current"


def judge(
    link_V,
    *,
    amps=0.5,
    states_s=0.02,
    open_s=6.0,
    edit=None,
    until_s=8.0,
    subject="front link",
    **more,
):
    """Positive closes onto a link at 390 V at 1 s; from then on it reads ``link_V``."""
    times, fine = clock(until_s, states_s), clock(until_s, 0.02, 0.01)
    closed = fine >= 1.0
    volts = link_V(fine) if callable(link_V) else np.where(closed, float(link_V), 390.0)
    flows = closed & (fine < open_s)
    current = amps(fine) if callable(amps) else np.where(flows, float(amps), 0.0)
    roles = {
        "contactors.negative": (times, state(times, (0.5, 1), (open_s, 0))),
        "contactors.positive": (times, state(times, (1.0, 1), (open_s, 0))),
        LINK: (fine, volts),
        PACK: (fine, np.where(fine < 0.2, 399.0, 400.0)),
        CURRENT: (fine, current),
    }
    if edit:
        edit(roles)
    return run(
        "voltage-agreement",
        roles,
        u={LINK: 0.05, PACK: 0.05},
        cycles_s={role: states_s if "contactors" in role else 0.02 for role in roles},
        **more,
    )[subject]


@pytest.mark.parametrize(("volts", "percent"), [(400.0, 0.0), (404.0, 1.0), (396.0, 1.0)])
def test_a_link_within_one_percent_passes(volts, percent):
    finding = judge(volts)
    assert finding.verdict is Verdict.PASS
    assert finding.measured == pytest.approx(percent)
    assert (finding.limit, finding.unit, finding.required) == (3.0, "%", False)


@pytest.mark.parametrize("volts", [416.0, 384.0])
def test_a_link_four_percent_off_fails_above_and_below(volts):
    finding = judge(volts)
    assert finding.verdict is Verdict.FAIL
    assert finding.margin == pytest.approx(-1.0)
    # (0.05 V + 1.04 or 0.96 * 0.05 V) of 400 V
    assert finding.uncertainty == pytest.approx(100 * 0.05 * (1 + volts / 400) / 400)
    assert f"{volts:.1f} V against 400.0 V" in finding.sentence


def test_a_link_just_three_percent_off_is_too_close_to_call():
    assert judge(412.0).reason == "too-close-to-call"


def test_under_load_nothing_is_judged():
    assert judge(384.0, amps=20.0).reason == "not-exercised"
    assert judge(384.0, amps=-20.0).reason == "not-exercised"
    assert judge(384.0, amps=20.0, rules={"rest_current_A": 30}).verdict is Verdict.FAIL
    # Loaded but for a moment: that moment is judged.
    assert judge(384.0, amps=lambda t: np.where((t > 3) & (t < 3.1), 0.0, 20.0)).at_s > 3.0


def test_the_link_before_closing_is_not_judged():
    """It stands at 390 V, 2.5 % below the pack, until positive closes."""
    assert judge(400.0, rules={"limit_percent": 2}).verdict is Verdict.PASS


def test_the_first_half_second_after_closing_is_not_judged():
    """The link goes on from 384 V, 4 % below the pack, with 0.1 s: 0.03 % are left after 0.5 s."""

    def rises(t):
        return 400 - 16 * np.exp(-np.maximum(t - 1.0, 0) / 0.1)

    assert judge(rises).verdict is Verdict.PASS
    assert judge(rises, rules={"settle_s": 0}).verdict is Verdict.FAIL


def test_noise_of_half_a_percent_about_a_sensor_within_its_accuracy_does_not_fail():
    """2.9 % off, and every reading 2 V above or below that: 3.4 % at most. Median step 4 V."""

    def noisy(t):
        return np.where(t < 1.0, 390.0, 411.6 + 2.0 * (-1.0) ** np.arange(len(t)))

    assert judge(noisy).reason == "too-close-to-call"
    assert judge(lambda t: noisy(t) + 16 * (t >= 1)).verdict is Verdict.FAIL


def test_a_link_that_falls_before_the_slow_state_says_open_is_not_judged():
    """Opened at 5.91 s, told at 6.0 s; with tau 0.6 s it has lost 14 % by then."""

    def falls(t):
        return np.where(t < 1.0, 390.0, discharging(t, 5.91, 400.0, 0.6))

    finding = judge(falls, states_s=0.1)
    assert finding.verdict is Verdict.PASS
    assert finding.at_s < 5.91


@pytest.mark.parametrize(("opened_s", "verdict"), [(5.8, Verdict.PASS), (5.4, Verdict.FAIL)])
def test_a_state_may_say_open_0_25_s_after_a_link_without_current_let_go(opened_s, verdict):
    """Debounced contacts: opened at 5.8 s, told at 6.0 s; 0.6 s are no debounce."""

    def falls(t):
        return np.where(t < 1.0, 390.0, discharging(t, opened_s, 400.0, 0.6))

    finding = judge(falls)
    assert finding.verdict is verdict
    assert judge(falls, cuts=np.arange(5.3, 7.0, 0.07).tolist()) == finding
    # A switching code in between, of which the plan says nothing, is no reading of closed.
    unknown = clock(8.0, 0.02)
    moving = (unknown > 5.905) & (unknown < 6.0)

    def edit(roles):
        times, states = roles["contactors.positive"]
        roles["contactors.positive"] = times, np.where(moving, np.nan, states)

    assert (judge(falls, edit=edit).verdict is Verdict.FAIL) == (verdict is Verdict.FAIL)
    loaded = judge(falls, amps=lambda t: np.where((t > 1) & (t < 6), 1.9, 0.0))
    assert loaded.verdict is verdict


def test_a_load_that_sets_in_between_two_readings_of_the_pack_is_no_disagreement():
    """A weak pack falls by 20 V with 5 A from 3.0 to 5.0 s; the link is read 5 ms after the pack,
    so that it has fallen while the last reading of pack and current has not."""

    def loaded(t):
        return (t >= 3.0 - 1e-9) & (t < 5.0 - 1e-9)

    def skewed(roles):
        times, _ = roles[PACK]
        late = times[1:] - 0.015  # 5 ms after the reading of the pack before
        volts = np.where(late < 1.0, 390.0, 400 - 20 * loaded(late + 0.01))
        roles[LINK] = (late, volts)
        roles[PACK] = (times, np.where(times < 0.2, 399.0, 400 - 20 * loaded(times)))

    def amps(t):
        return np.where(loaded(t), 5.0, 0.5) * ((t >= 1.0) & (t < 6.0))

    assert judge(400.0, amps=amps, edit=skewed).verdict is Verdict.PASS


def test_a_link_that_recovers_before_the_pack_is_read_again_is_no_disagreement():
    """The last readings under load are 1.5 A and 386.5 V (9 ohm); 10 ms later the load has ended
    and the link reads 400 V, 3.5 % more; 10 ms after that the pack reads 400 V too."""

    def amps(t):
        return np.where((t >= 3.0) & (t < 3.02), 1.5, 0.0) + 0.1 * (t < 0.1)

    def skewed(roles):
        times, _ = roles[PACK]
        late = times + 0.01
        roles[LINK] = (late, np.where(late < 1.0, 390.0, 400.0))
        roles[PACK] = (times, np.where(times < 0.2, 399.0, 400 - 9 * amps(times)))

    assert judge(400.0, amps=amps, edit=skewed).verdict is Verdict.PASS


@pytest.mark.parametrize(("nominal_V", "verdict"), [(380, "pass"), (510, "fail"), (330, "fail")])
def test_a_pack_at_rest_stands_near_its_nominal_voltage(nominal_V, verdict):
    """400 V are 5.3 % above 380 V, 21.6 % below 510 V and 21.2 % above 330 V; 20 % are allowed."""
    finding = judge(400.0, bench={"nominal_voltage_V": nominal_V}, subject="pack")
    assert finding.verdict == verdict
    assert finding.measured == pytest.approx(100 * abs(400 - nominal_V) / nominal_V)
    assert f"400.0 V against {nominal_V} V" in finding.sentence


def test_a_pack_never_at_rest_proves_nothing_about_its_voltage():
    finding = judge(400.0, amps=20.0, bench={"nominal_voltage_V": 400}, subject="pack")
    assert finding.reason == "not-exercised"


def test_the_limit_is_the_plans():
    assert judge(416.0, rules={"limit_percent": 5}).verdict is Verdict.PASS


def test_a_pack_sensor_that_reads_nothing_beside_a_live_link_fails():
    def dead(roles):
        times, _ = roles[PACK]
        roles[PACK] = (times, np.where(times < 0.2, 1.0, 0.0))

    assert judge(400.0, edit=dead).verdict is Verdict.FAIL


def test_no_high_voltage_at_all_proves_nothing():
    def dead(roles):
        times, _ = roles[PACK]
        roles[PACK] = (times, np.where(times < 0.2, 1.0, 0.0))

    assert judge(lambda t: 0 * t, edit=dead).reason == "not-exercised"


def test_contactors_never_closed_are_not_exercised():
    finding = judge(400.0, until_s=0.9, amps=lambda t: 0.1 * (t > 0.3))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "never seen closed" in finding.sentence


def test_a_link_that_falls_silent_is_stale():
    def silent(roles):
        times, values = roles[LINK]
        roles[LINK] = (times[times < 3], values[times < 3])

    assert judge(400.0, edit=silent).reason == "stale"


def test_a_link_without_value_is_not_available():
    assert judge(lambda t: np.where(t > 3, np.nan, 400.0)).reason == "not-available"


def test_a_link_at_the_end_of_its_range_is_suspect():
    """Raw 65535 of 16 bits, 655.35 V in this harness, beside a pack of 655 V."""

    def high(roles):
        times, values = roles[PACK]
        roles[PACK] = (times, values + 255)

    assert judge(655.35, edit=high).reason == "sensor-suspect"


def test_each_link_is_a_subject_and_none_bound_is_not_bound():
    times = clock(3.0, 0.02)
    found = run("voltage-agreement", {PACK: (times, np.full(len(times), 400.0))})
    assert {name: f.reason for name, f in found.items()} == {"link": "not-bound"}


@pytest.mark.parametrize("volts", [404.0, 416.0])
def test_no_cut_changes_anything(volts):
    short = {"states_s": 0.1, "until_s": 3.0, "open_s": 2.0}
    assert judge(volts, cuts="each", **short) == judge(volts, **short)
