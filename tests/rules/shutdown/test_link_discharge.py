"""link-discharge on exact decays: 400 -> 60 V takes 1.89712 tau; 1 mF within 5 s needs
R <= 2636 ohm (D). Limit 5 s: IEC 60204-1, 6.2.4 (C). Readings every 20 ms in steps of 0.1 V."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run
from tests.rules.vehicle import clock, discharging, rounded, state

OPEN_S = 1.99  # between two samples
MEASURE = "measure before touching"


def judge(
    tau_s=1.0,
    *,
    volts=400.0,
    bleed="active",
    until_s=20.0,
    every_s=0.02,
    step_V=0.1,
    poles=None,
    link=None,
    edit=None,
    **more,
):
    """Both main poles closed from 0.5 s, opened at 1.99 s; the link decays with ``tau_s``."""
    times = clock(until_s, every_s)
    changes = {"negative": [(0.5, 1), (2.2, 0)], "positive": [(0.6, 1), (OPEN_S, 0)]}
    roles = {
        f"contactors.{pole}": (times, state(times, *(changes | (poles or {}))[pole]))
        for pole in changes
    }
    level = discharging(times, OPEN_S, volts, tau_s) if link is None else link(times)
    roles["units.front.link_voltage"] = (times, rounded(level, step_V))
    if edit:
        edit(roles)
    return run(
        "link-discharge",
        roles,
        u={"units.front.link_voltage": step_V / 2},
        cycles_s=dict.fromkeys(roles, every_s),
        bench={"bleed": bleed},
        **more,
    )["front link"]


def test_a_decay_of_one_second_takes_1_89712_s_to_60_V():
    finding = judge()
    assert finding.verdict is Verdict.PASS
    assert finding.measured == pytest.approx(1.89712, abs=0.01)
    assert abs(finding.measured - 1.89712) <= finding.uncertainty < 0.03
    assert (finding.limit, finding.unit, finding.required) == (5.0, "s", True)
    assert finding.facts["tau_s"] == pytest.approx(1.0, rel=0.001)
    assert MEASURE in finding.sentence


@pytest.mark.parametrize(
    ("ohm", "verdict", "reason"),
    [
        (2600, Verdict.PASS, None),  # 4.93 s
        (2636, Verdict.UNPROVEN, "too-close-to-call"),  # 5.0008 s
        (2680, Verdict.FAIL, None),  # 5.08 s
    ],
)
def test_1_mF_within_5_s_needs_at_most_2636_ohm(ohm, verdict, reason):
    finding = judge(ohm * 1e-3)
    assert (finding.verdict, finding.reason) == (verdict, reason)
    assert finding.measured == pytest.approx(1.89712 * ohm * 1e-3, abs=0.02)


def test_the_published_discharge_example_is_within_120_s_of_a_passive_bleed():
    """600 V, 300 uF, 150 kohm: tau 45 s (motion-drive project manual, C); 600 -> 60 V: 45 ln 10 =
    103.616 s (D)."""
    finding = judge(45.0, volts=600.0, bleed="passive", until_s=115.0, every_s=0.1)
    assert finding.verdict is Verdict.PASS
    assert finding.limit == 120.0
    assert abs(finding.measured - 103.616) <= finding.uncertainty
    assert finding.facts["tau_s"] == pytest.approx(45.0, rel=1e-4)


@pytest.mark.parametrize(
    ("bleed", "limit_s", "words"),
    [
        ("active", 5.0, "active bleed"),
        ("passive", 120.0, "passive bleed"),
        ("none", 120.0, "no bleed"),
        (None, 5.0, "the plan names no bleed, active assumed"),
    ],
)
def test_the_limit_is_the_bleeds_and_without_a_word_the_standards(bleed, limit_s, words):
    finding = judge(bleed=bleed)
    assert finding.limit == limit_s
    assert words in finding.sentence
    assert "IEC 60204-1, 6.2.4" in finding.limit_source


def test_a_link_that_never_falls_fails_though_it_never_crosses():
    finding = judge(1e9)
    assert finding.verdict is Verdict.FAIL
    assert finding.measured > 5.0
    assert MEASURE in finding.sentence


def test_a_passive_link_above_60_V_after_120_s_fails():
    """tau 100 s needs 189.7 s from 400 V."""
    finding = judge(100.0, bleed="passive", until_s=125.0, every_s=0.1)
    assert finding.verdict is Verdict.FAIL
    assert finding.margin == pytest.approx(-1.0, abs=0.2)  # the opening is followed for 121 s
    assert "60 V foretold 189.7 s after opening" in finding.sentence


def dies_at(at_s, tau_s=1.0):
    """A link that decays, whose sensor reads nothing any more from an instant on."""
    return lambda t: np.where(t >= at_s, 0.0, discharging(t, OPEN_S, 400.0, tau_s))


@pytest.mark.parametrize("at_s", [2.02, 2.5, 3.0])
def test_a_sensor_that_goes_with_the_link_still_charged_is_no_discharge(at_s):
    """tau 1 s: 240 V and 146 V are left 0.51 s and 1.01 s after opening."""
    finding = judge(link=dies_at(at_s))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "no bleed empties it so fast" in finding.sentence
    assert MEASURE in finding.sentence
    assert MEASURE in finding.next  # as whatever else is the reason


def test_a_sensor_that_goes_after_too_long_a_time_lifts_no_fail():
    assert judge(link=dies_at(9.0, tau_s=8.0)).verdict is Verdict.FAIL


def test_a_load_of_constant_power_empties_a_link_ever_faster_and_is_believed():
    """2 kW on 2 mF: V^2 falls by 2 P / C = 2e6 V^2/s, so 400 V are gone in 80 ms and 60 V are
    left after 78.2 ms (D)."""

    def drained(times):
        return np.sqrt(np.maximum(400.0**2 - 2e6 * np.maximum(times - OPEN_S, 0.0), 0.0))

    finding = judge(link=drained, every_s=0.01)
    assert finding.verdict is Verdict.PASS
    assert abs(finding.measured - 0.0782) <= finding.uncertainty


def test_what_is_no_decay_is_not_told_as_one():
    """A link held at the pack for 3 s and then let go follows no single exponential."""
    finding = judge(link=lambda t: discharging(t, OPEN_S + 3.0, 400.0, 0.5))
    assert finding.measured == pytest.approx(3.0 + 0.5 * 1.89712, abs=0.02)
    assert "tau" not in finding.sentence


def test_a_recording_that_ends_above_60_V_before_the_limit_is_never_a_pass():
    finding = judge(until_s=3.5)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "keep recording until the link is below 60 V" in finding.sentence
    assert "60 V foretold 1.9 s after opening" in finding.sentence
    assert MEASURE in finding.sentence


@pytest.mark.parametrize("gone", ["negative", "positive"])
def test_a_recording_that_ends_above_60_V_says_so_whatever_is_bound(gone):
    def unbound(roles):
        del roles[f"contactors.{gone}"]

    finding = judge(link=lambda t: np.full(len(t), 335.0), edit=unbound)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-bound")
    assert finding.code == "live-at-end"  # whoever signs for the pole does not accept that
    assert f"contactors.{gone}; the recording ended with the link at 335.0 V" in finding.sentence
    assert MEASURE in finding.sentence
    assert "ended with the link" not in judge(edit=unbound).sentence  # it discharged


def test_a_recording_that_ends_above_60_V_after_the_limit_fails():
    assert judge(10.0, until_s=8.0).verdict is Verdict.FAIL


def test_a_link_that_falls_silent_above_60_V_asks_for_the_12_V():
    def asleep(roles):
        times, values = roles["units.front.link_voltage"]
        roles["units.front.link_voltage"] = (times[times < 3.0], values[times < 3.0])

    finding = judge(edit=asleep)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")
    assert "keep the 12 V on until the link is below 60 V" in finding.sentence


def test_a_link_without_value_above_60_V_is_no_pass():
    def blank(times):
        return np.where(times > 3.0, np.nan, discharging(times, OPEN_S, 400.0, 1.0))

    finding = judge(link=blank)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-available")


def test_a_gap_over_the_crossing_is_as_uncertain_as_it_is_long():
    """Heard above 60 V 2 s after opening and below it after 7 s: somewhere in 4.5 +- 2.5 s."""

    def gap(roles):
        times, values = roles["units.front.link_voltage"]
        heard = (times < 3.99) | (times > 8.98)
        roles["units.front.link_voltage"] = (times[heard], values[heard])

    finding = judge(2.6, edit=gap)
    assert finding.measured == pytest.approx(4.5, abs=0.05)
    assert finding.uncertainty == pytest.approx(2.5, abs=0.05)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "too-close-to-call")


def test_closing_again_before_60_V_is_not_exercised():
    finding = judge(
        10.0,
        poles={
            "negative": [(0.5, 1), (2.0, 0), (4.0, 1), (5.0, 0)],
            "positive": [(0.6, 1), (2, 0)],
        },
    )
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "closed again" in finding.sentence


def test_an_opening_on_an_empty_link_is_not_exercised():
    finding = judge(volts=20.0)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_no_opening_at_all_is_not_exercised():
    finding = judge(poles={"negative": [(0.5, 1)], "positive": [(0.6, 1)]}, until_s=4.0)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_the_time_counts_from_the_pole_that_opened_first():
    late = judge(poles={"negative": [(0.5, 1), (5.0, 0)]})
    assert late.measured == pytest.approx(1.89712, abs=0.01)


def test_no_cut_changes_anything():
    for tau_s in (1.0, 1e9):
        coarse = {"every_s": 0.1, "until_s": 16.0}
        assert judge(tau_s, cuts="each", **coarse) == judge(tau_s, **coarse)


def falls_and(returns):
    """Opened at 1.99 s with tau 1 s; ``returns`` is what the link reads besides, in V."""
    return lambda times: discharging(times, OPEN_S, 400.0, 1.0) + returns(times)


def between(start_s, end_s, volts=350.0):
    return falls_and(lambda times: np.where((times >= start_s) & (times < end_s), volts, 0.0))


@pytest.mark.parametrize("bleed", ["active", "passive"])
@pytest.mark.parametrize(("start_s", "end_s"), [(22.0, 22.06), (22.0, 60.0), (200.0, 200.4)])
def test_a_link_that_is_live_again_with_both_poles_open_fails_however_late(start_s, end_s, bleed):
    finding = judge(bleed=bleed, until_s=max(end_s, 60.0) + 1, link=between(start_s, end_s))
    assert (finding.verdict, finding.code) == (Verdict.FAIL, "live-again")
    assert finding.first_failed_s == pytest.approx(start_s)
    assert "rose again to 350" in finding.sentence
    assert "with both main contactors read open" in finding.sentence
    assert MEASURE in finding.sentence


@pytest.mark.parametrize(("volts", "verdict"), [(45.0, Verdict.FAIL), (15.0, Verdict.PASS)])
def test_a_falling_link_that_rises_again_is_fed_by_something(volts, verdict):
    """Passive, tau 20 s: at 5.99 s it is at 400 exp(-0.2) = 327 V, and then 45 V above that.

    5 % of 400 V are 20 V, which it may rise by.
    """

    def link(times):
        fed = np.where((times >= 6.0) & (times < 7.0), volts, 0.0)
        return discharging(times, OPEN_S, 400.0, 20.0) + fed

    finding = judge(bleed="passive", until_s=60.0, link=link)
    assert finding.verdict is verdict
    if verdict is Verdict.FAIL:
        assert (finding.code, finding.at_s) == ("fed-again", pytest.approx(6.0, abs=0.03))
        assert "rose again by 44 V to 372" in finding.sentence  # two readings fell on by 1 V
        assert MEASURE in finding.sentence


def test_the_last_frame_counts():
    assert judge(until_s=30.0, link=between(29.98, 31.0)).verdict is Verdict.FAIL


def test_a_link_that_wavers_about_60_V_is_not_live_again():
    def wavers(times):
        return discharging(times, OPEN_S, 400.0, 8.0) + 1.5 * np.sin(40 * times)

    assert judge(bleed="passive", until_s=40.0, link=wavers).verdict is Verdict.PASS


AGAIN = {
    "negative": [(0.5, 1), (2.2, 0), (20.0, 1)],
    "positive": [(0.6, 1), (OPEN_S, 0), (20.8, 1)],
}


def test_a_second_attempt_that_ends_with_high_voltage_on_takes_the_pass_away():
    finding = judge(until_s=26.0, poles=AGAIN, link=between(20.3, 99.0, 400.0))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "the recording ended with the link at 400.0 V" in finding.sentence


def test_a_second_attempt_whose_states_come_400_ms_late_is_no_link_live_again():
    poles = {
        pole: [*changes, (25.0 + 0.2 * (pole == "negative"), 0)] for pole, changes in AGAIN.items()
    }

    def link(times):
        return between(19.6, 24.99, 400.0)(times) + np.where(
            times >= 24.99, discharging(times, 24.99, 400.0, 1.0), 0.0
        )

    assert judge(until_s=40.0, poles=poles, link=link).verdict is Verdict.PASS


def test_a_link_that_is_live_with_open_poles_from_the_first_frame_on_has_its_limit_from_there():
    opened = {"negative": [], "positive": []}
    live = {"poles": opened, "link": lambda times: np.full(len(times), 350.0) + np.sin(times)}
    finding = judge(until_s=12.0, **live)
    assert (finding.verdict, finding.code) == (Verdict.FAIL, "live-before")
    assert finding.first_failed_s == pytest.approx(5.02)
    short = judge(until_s=4.0, **live)
    assert (short.verdict, short.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_no_cut_changes_what_lies_between_openings():
    for more in (
        {"link": between(22.0, 22.06), "until_s": 30.0},
        {"link": between(20.3, 99.0, 400.0), "until_s": 26.0, "poles": AGAIN},
    ):
        more = {"every_s": 0.05, **more}
        assert judge(cuts="each", **more) == judge(**more)


def test_a_pole_that_reads_closed_to_the_last_was_not_seen_to_open():
    """The link falls as it should, by positive alone; negative never opens."""
    finding = judge(poles={"negative": [(0.5, 1)]})
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "still read closed when the recording ended" in finding.sentence
    # Both closed at the end is another story: the link says it.
    both = judge(poles={"negative": [(0.5, 1)], "positive": [(0.6, 1)]})
    assert "still read closed" not in both.sentence


def test_a_link_whose_clock_is_early_counts_from_where_it_left_its_level(monkeypatch):
    """Its bus is stamped half a second early: it left 400 V at 1.49 s, 60 V after 0.28 s."""

    def early(times):
        return discharging(times, 1.49, 400.0, 0.15)

    assert judge(link=early).reason == "not-exercised"  # on the contactors' own bus
    clocks = "canscope.rules.shutdown.link_discharge.clocks_ns"
    monkeypatch.setattr(clocks, lambda bench, role: 1_200_000_000)
    finding = judge(link=early)
    assert finding.verdict is Verdict.PASS
    assert finding.measured == pytest.approx(1.89712 * 0.15, abs=0.02)
    slow = judge(link=lambda times: discharging(times, 1.49, 400.0, 4.0))
    assert slow.verdict is Verdict.FAIL


@pytest.mark.parametrize(
    ("tau_s", "until_s", "told"),
    [
        (1.0, 20.0, ("unproven", "inferred")),  # 1.9 s to 60 V
        (6.0, 20.0, ("fail", None)),  # 11.4 s
        (1e9, 20.0, ("unproven", "not-exercised")),  # it never left the pack
        (6.0, 5.0, ("unproven", "not-exercised")),  # the recording ends before the limit
    ],
)
@pytest.mark.parametrize("cuts", [None, "each"])
def test_without_a_word_of_the_contactors_the_link_itself_tells(tau_s, until_s, told, cuts):
    def no_contactors(roles):
        times = roles.pop("contactors.negative")[0]
        del roles["contactors.positive"]
        roles["pack.voltage"] = (times, np.full(len(times), 400.0))

    finding = judge(tau_s, until_s=until_s, edit=no_contactors, cuts=cuts)
    assert (str(finding.verdict), finding.reason) == told
    assert (finding.code == "live-at-end") == (finding.reason == "not-exercised")
