"""contactor-weld, worked by hand. Link and pack are read every 20 ms in steps of 0.1 V, so the
difference is known to +-(0.05 + 0.05) * 2 = 0.2 V; a link has left when it is 2 V away."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run
from tests.rules.vehicle import clock, discharging, rounded, state

PACK_V = 400.0
OFFSET_V = 1.5  # the link reads that much more than the pack


def judge(
    first="positive",
    held_s=4.0,
    tau_s=1.0,
    *,
    bleed="active",
    welded=False,
    step_V=0.1,
    until_s=20.0,
    every_s=0.02,
    second=None,
    edit=None,
    link_s=None,
    extra=None,
    **more,
):
    """``first`` opens at 2.0 s, the other pole ``held_s`` later; returns both findings.

    The link decays once a pole that is not welded is open.
    """
    times = clock(until_s, every_s)
    other = "negative" if first == "positive" else "positive"
    opened = {first: 2.0, other: 2.0 + held_s}
    opened |= second or {}
    begin_s = link_s if link_s is not None else opened[other] if welded else 2.0
    level = discharging(times, begin_s, PACK_V, tau_s) + OFFSET_V
    roles = {
        f"contactors.{pole}": (times, state(times, (0.5, 1), (at_s, 0)))
        for pole, at_s in opened.items()
    }
    roles["pack.voltage"] = (times, rounded(PACK_V - 0.4 * (times < 0.2), step_V))
    roles["units.front.link_voltage"] = (times, rounded(level, step_V))
    roles |= extra(times) if extra else {}
    if edit:
        edit(roles)
    half = dict.fromkeys((r for r in roles if r.endswith("voltage")), step_V / 2)
    return run(
        "contactor-weld",
        roles,
        stage="power-up",
        u=half,
        cycles_s=dict.fromkeys(roles, every_s),
        bench={"bleed": bleed},
        **more,
    )


@pytest.mark.parametrize(("pole", "other"), [("positive", "negative"), ("negative", "positive")])
def test_a_link_that_leaves_the_pack_proves_the_pole_that_opened_first(pole, other):
    found = judge(pole)
    proven, unseen = found[f"{pole} pole"], found[f"{other} pole"]
    assert proven.verdict is Verdict.PASS
    # Median of the last half second before the other opened, 3.75 s after opening.
    assert proven.measured == pytest.approx(PACK_V * (1 - np.exp(-3.75)), abs=0.5)
    assert (proven.limit, proven.unit, proven.required) == (2.0, "V", True)
    assert "judged from its state" in proven.sentence
    assert (unseen.verdict, unseen.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "had opened before it: one welded pole cannot be seen" in unseen.sentence


@pytest.mark.parametrize("held_s", [2.5, 4.0, 12.0])
def test_a_link_that_stays_with_an_active_bleed_is_a_weld(held_s):
    finding = judge(held_s=held_s, welded=True)["positive pole"]
    assert finding.verdict is Verdict.FAIL
    # The 1.5 V by which the instruments disagree are removed.
    assert finding.measured == pytest.approx(0.0, abs=0.01)
    assert finding.margin == pytest.approx(-2.0, abs=0.01)
    assert "looks welded" in finding.sentence


@pytest.mark.parametrize("welded", [True, False])
def test_a_link_sensor_that_goes_at_once_proves_no_opening(welded):
    """The inverter loses its supply 1 s after the first pole opened, and reads nothing."""

    def gone(roles):
        times, volts = roles["units.front.link_voltage"]
        roles["units.front.link_voltage"] = (times, np.where(times >= 3.0, 0.0, volts))

    finding = judge(tau_s=1.5, welded=welded, edit=gone)["positive pole"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "no bleed empties it so fast" in finding.sentence


@pytest.mark.parametrize("bleed", ["passive", "none", None])
def test_a_link_that_stays_without_an_active_bleed_is_only_inferred(bleed):
    finding = judge(held_s=12.0, welded=True, bleed=bleed)["positive pole"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "inferred")
    assert "a charged capacitor is no weld" in finding.sentence


def test_a_passive_bleed_that_moves_the_link_proves_the_pole():
    """tau 60 s: 400 V falls by 3.3 % = 13 V in 2 s."""
    assert judge(held_s=2.5, tau_s=60.0, bleed="passive")["positive pole"].verdict is Verdict.PASS


def test_a_link_that_its_own_bleed_empties_only_once_both_poles_are_open_was_held():
    """tau 12 s once both are open: in 2.5 s it would have lost 400 * (1 - e^-0.208) = 75 V."""
    welded = {"held_s": 2.5, "tau_s": 12.0, "bleed": "passive", "welded": True}
    finding = judge(**welded)["positive pole"]
    assert finding.verdict is Verdict.FAIL
    assert finding.measured == pytest.approx(0, abs=0.5)
    assert judge(**{**welded, "bleed": None})["positive pole"].reason == "inferred"
    short = judge(**welded, until_s=5.2)["positive pole"]  # 0.4 s of it show no bleed
    assert (short.verdict, short.reason) == (Verdict.UNPROVEN, "inferred")

    def sinks_a_little(roles):
        times, volts = roles["units.front.link_voltage"]
        sunk = np.where((times > 2.0) & (times <= 4.5), (times - 2.0) * 4, 0.0)
        roles["units.front.link_voltage"] = (times, volts - sunk)

    held = judge(**welded, edit=sinks_a_little)["positive pole"]
    assert (held.verdict, held.reason) == (Verdict.UNPROVEN, "inferred")
    assert "V that its bleed takes in that time" in held.sentence


@pytest.mark.parametrize("held_s", [0.0, 0.1, 1.9])
def test_both_poles_opened_together_show_no_weld(held_s):
    found = judge(held_s=held_s, welded=True)
    for finding in found.values():
        assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
        assert "one welded pole cannot be seen" in finding.sentence
    apart = "negative was read closed for only 1.9 s longer, of 2 s"
    assert (apart in found["positive pole"].sentence) == (held_s > 1)


def test_a_link_that_leaves_by_about_2_V_is_too_close_to_call():
    # 2.1 +- 0.2 V: a straight fall of 2.1 V, done long before the half second that decides.
    def link(roles):
        times, _ = roles["units.front.link_voltage"]
        fall = np.clip(times - 2.0, 0, 1) * 2.1
        roles["units.front.link_voltage"] = (times, PACK_V + OFFSET_V - fall)

    finding = judge(edit=link)["positive pole"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "too-close-to-call")


def test_a_welded_pole_whose_state_never_opens_is_judged_from_its_command():
    def commanded(times):
        return {
            "contactors.negative.command": (times, state(times, (0.5, 1), (2.0, 0))),
            "contactors.positive.command": (times, state(times, (0.5, 1), (5.0, 0))),
        }

    found = judge(
        "negative", 3.0, welded=True, second={"negative": 99.0, "positive": 5.06}, extra=commanded
    )
    finding = found["negative pole"]
    assert finding.verdict is Verdict.FAIL
    assert "judged from its opening command" in finding.sentence


def test_a_closed_pre_charge_feeds_the_link_and_shows_nothing():
    def feeding(times):
        return {"contactors.precharge": (times, state(times, (0.3, 1)))}

    finding = judge(welded=True, extra=feeding)["positive pole"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "pre-charge was closed" in finding.sentence


def test_one_reading_astray_does_not_hide_a_weld():
    def spike(roles):
        _, values = roles["units.front.link_voltage"]
        values[[210, 295]] = 380.0

    assert judge(welded=True, edit=spike)["positive pole"].verdict is Verdict.FAIL


def test_links_that_disagree_prove_nothing():
    def slow(times):  # loses 2 % a second, as a bleed may, while the front link is empty at once
        return {
            "units.rear.link_voltage": (times, PACK_V * np.exp(-np.clip(times - 6, 0, None) / 50))
        }

    finding = judge(extra=slow)["positive pole"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "hangs on the same wires" in finding.sentence


@pytest.mark.parametrize("role", ["pack.voltage", "units.front.link_voltage"])
def test_a_silent_voltage_shows_no_weld_and_no_opening(role):
    def silent(roles):
        times, values = roles[role]
        heard = (times < 2.5) | (times > 7.0)
        roles[role] = (times[heard], values[heard])

    finding = judge(edit=silent)["positive pole"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_a_recording_that_ends_too_soon_shows_nothing():
    finding = judge(until_s=3.5)["positive pole"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_two_attempts_one_for_each_order_prove_both_poles():
    times = clock(40.0, 0.02)
    positive = state(times, (0.5, 1), (2.0, 0), (20.0, 1), (26.0, 0))
    negative = state(times, (0.5, 1), (5.0, 0), (20.0, 1), (23.0, 0))
    level = np.where(
        times < 20.0,
        discharging(times, 2.0, PACK_V, 1.0),
        discharging(times, 23.0, PACK_V, 1.0),
    )
    found = run(
        "contactor-weld",
        {
            "contactors.positive": (times, positive),
            "contactors.negative": (times, negative),
            "pack.voltage": (times, PACK_V - 0.1 * (times < 0.1)),
            "units.front.link_voltage": (times, level),
        },
        bench={"bleed": "active"},
        cycles_s={"pack.voltage": 0.02, "units.front.link_voltage": 0.02},
    )
    assert {name: finding.verdict for name, finding in found.items()} == {
        "negative pole": Verdict.PASS,
        "positive pole": Verdict.PASS,
    }


def test_without_a_link_voltage_it_is_not_bound():
    finding = judge(edit=lambda roles: roles.pop("units.front.link_voltage"))["positive pole"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-bound")


def test_no_cut_changes_anything():
    for welded in (False, True):
        short = {"held_s": 2.5, "until_s": 14.0, "every_s": 0.1, "welded": welded}
        assert judge(**short, cuts="each") == judge(**short)
