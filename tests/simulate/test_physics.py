"""The simulated circuit, shafts and heat against published tables and hand arithmetic.

Sources: pre-charge table (400 V, 40 ohm, 1 mF: 285.398 V at 50 ms, 367.166 V at 100 ms, 80 J),
arithmetic from V(t) = V0 (1 - exp(-t / RC)) and E = C V^2 / 2; the discharge example of a
motion-drive project manual (600 V, 300 uF, 150 kohm: 0.764 V at 300 s, 111.821 s to 50 V).
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from canscope.simulate.contactors import Sequencer
from canscope.simulate.heat import CASE_J_K, INVERTER_J_K, WINDING_J_K, warm_up
from canscope.simulate.physics import STEP_S, Link, simulate
from canscope.simulate.script import DrySpin, PowerUp
from canscope.simulate.vehicle import BRAMBLE, THISTLE, Box, Pack, sense

PRECHARGE = {"negative": True, "precharge": True, "positive": False}
OPEN = {"negative": False, "precharge": False, "positive": False}
IDEAL = Link(
    Pack(open_circuit_V=400.0, resistance_ohm=0.0),
    Box(resistor_ohm=40.0, link_capacitance_F=1e-3, passive_bleed_ohm=1e15),
)


@pytest.fixture(scope="module")
def healthy():
    return {v.name: (simulate(v, DrySpin().script()), v) for v in (BRAMBLE, THISTLE)}


def fresh(link, volt=0.0):
    link = Link(link.pack, link.box)
    link.volt = volt
    return link


@pytest.mark.parametrize("dt", [1e-3, 5e-3])
def test_precharge_follows_the_published_table_whatever_the_step(dt):
    link, volts = fresh(IDEAL), [0.0]
    for _ in range(round(0.1 / dt)):
        link.step(dt, PRECHARGE, 0.0, bleeding=False)
        volts.append(link.volt)
    assert volts[round(0.05 / dt)] == pytest.approx(285.398, abs=5e-4)
    assert volts[round(0.1 / dt)] == pytest.approx(367.166, abs=5e-4)


def test_precharge_energy_is_half_in_the_resistor_and_half_in_the_link():
    link, out_J, resistor_J, dt = fresh(IDEAL), 0.0, 0.0, 1e-4
    for _ in range(10_000):
        link.step(dt, PRECHARGE, 0.0, bleeding=False)
        out_J += 400.0 * link.pack_A * dt
        resistor_J += 40.0 * link.pack_A**2 * dt
    # Table: 80 J each; the pack gives Q V = C V^2 = 160 J.
    assert out_J == pytest.approx(160.0, rel=1e-6)
    assert 1e-3 * link.volt**2 / 2 == pytest.approx(80.0, rel=1e-6)
    assert resistor_J == pytest.approx(80.0, rel=1e-3)


def test_discharge_follows_the_published_example():
    box = Box(link_capacitance_F=300e-6, passive_bleed_ohm=150e3)
    link, volts = fresh(Link(Pack(), box), 600.0), []
    for _ in range(3000):
        link.step(0.1, OPEN, 0.0, bleeding=False)
        volts.append(link.volt)
    assert volts[-1] == pytest.approx(0.764, abs=5e-4)
    assert (1 + np.argmax(np.array(volts) <= 50.0)) * 0.1 == pytest.approx(111.821, abs=0.1)


def test_the_whole_powering_up_gives_its_energy_back_in_heat_and_link(healthy):
    truth, vehicle = healthy[BRAMBLE.name]
    closing = int(np.argmax(truth.closed["precharge"] > 0))
    closed = int(np.argmax(truth.closed["positive"] > 0))
    amps, pack = truth.pack_A[closing:closed], vehicle.pack
    out_J = pack.open_circuit_V * amps.sum() * STEP_S
    # Bleed (150 kohm: 0.5 J in 0.65 s) left aside, Q V = C V^2 when full: 1 mF x 358.4 V^2.
    assert out_J == pytest.approx(1e-3 * 358.4**2, rel=0.01)
    assert truth.link_V[closed - 1] == pytest.approx(358.4, rel=0.002)


@pytest.mark.parametrize("vehicle", [BRAMBLE, THISTLE], ids=lambda v: v.name)
def test_both_axles_turn_the_way_the_driver_asked(healthy, vehicle):
    truth = healthy[vehicle.name][0]
    script = DrySpin().script()
    assert [spin.direction for spin in script.spins] == [1, 2]
    for spin, sign in zip(script.spins, (1, -1), strict=True):
        rows = slice(round((spin.start_s + 1) * 1000), round(spin.end_s * 1000))
        for speed in truth.speed_rpm.values():
            assert 600 < sign * np.median(speed[rows]) < 900


def test_thistle_turns_forward_with_a_negative_raw_speed_at_the_rear():
    assert [unit.planned_sign for unit in THISTLE.units] == [1, -1]
    assert [unit.planned_sign for unit in BRAMBLE.units] == [1, 1]


@pytest.mark.parametrize("swapped", [False, True])
@pytest.mark.parametrize("roll", [0, 10, 180])
@pytest.mark.parametrize("pitch", [0, 90, 180])
@pytest.mark.parametrize("yaw", [0, -10, 180])
def test_sense_is_the_turned_axis_of_scipy(roll, pitch, yaw, swapped):
    turned = Rotation.from_euler("xyz", [roll, pitch, yaw], degrees=True).apply([0, 1, 0])
    expected = np.sign(turned[1]) * (-1 if swapped else 1)
    if abs(turned[1]) > 0.9:  # elsewhere an axle would not drive the vehicle at all
        assert sense(roll, pitch, yaw, swapped) == expected


@pytest.mark.parametrize("vehicle", [BRAMBLE, THISTLE], ids=lambda v: v.name)
def test_a_healthy_dry_spin_keeps_within_what_was_agreed(healthy, vehicle):
    truth = healthy[vehicle.name][0]
    full = truth.closed["positive"] > 0
    assert np.abs(truth.pack_A).max() < 30
    assert truth.pack_V[full].min() > 0.9 * vehicle.pack.open_circuit_V
    for unit in vehicle.units:
        turning = np.abs(truth.speed_rpm[unit.name]) > 30
        edges = np.flatnonzero(np.diff(turning.astype(int))) * STEP_S
        assert len(edges) == 4
        assert max(edges[1] - edges[0], edges[3] - edges[2]) < 4.5
        assert truth.time_s[-1] - edges[3] > 60
        for body in ("winding", "inverter"):
            heat = truth.heat[unit.name][body]
            assert 1.5 < heat.max() - heat[0] < 6
            assert np.abs(np.diff(heat)).max() / 0.05 < 1.0
    last_turn = max(np.flatnonzero(np.abs(s) > 30)[-1] for s in truth.speed_rpm.values())
    assert np.argmax(~full[last_turn:]) * STEP_S > 60
    assert truth.link_V[-1] < 60


def test_the_link_is_below_60_V_within_five_seconds_of_opening(healthy):
    # Hand: 358 V, 600 ohm x 1 mF: tau 0.6 s, 60 V after 0.6 ln(358 / 60) = 1.07 s.
    truth, _ = healthy[BRAMBLE.name]
    opened = int(np.flatnonzero(np.diff(truth.closed["negative"]) < 0)[0])
    safe = np.argmax(truth.link_V[opened:] < 60) * STEP_S
    assert safe == pytest.approx(1.07, abs=0.02)


def test_heat_that_goes_in_stays_in_the_three_bodies_but_for_what_the_room_takes():
    unit = replace(BRAMBLE.units[0], winding_loss_W=500.0, inverter_loss_W=100.0)
    shaft = np.zeros((10_000, 3))
    shaft[:, 2] = 1.0  # excited for ten seconds without torque: 600 W x 10 s = 6000 J
    heat = warm_up(unit, shaft, STEP_S, 20.0)
    gained = [heat[b][-1] - 20.0 for b in ("winding", "inverter", "case")]
    stored_J = gained[0] * WINDING_J_K + gained[1] * INVERTER_J_K + gained[2] * CASE_J_K
    room_J = 1.5 * (heat["case"] - 20.0).sum() * 0.05
    assert stored_J + room_J == pytest.approx(6000 - 30, rel=0.01)  # the last grid step is open


def test_going_on_at_once_where_all_stands_still_changes_nothing(monkeypatch):
    script = DrySpin(reverse=False, soak_s=3.0).script()
    jumping = simulate(BRAMBLE, script)
    monkeypatch.setattr(Sequencer, "at_rest", property(lambda box: False))
    stepping = simulate(BRAMBLE, script)
    for column in ("pack_V", "pack_A", "link_V"):
        assert getattr(jumping, column) == pytest.approx(getattr(stepping, column), abs=1e-9)
    for unit in ("front", "rear"):
        assert np.array_equal(jumping.speed_rpm[unit], stepping.speed_rpm[unit])
        assert np.array_equal(jumping.heat[unit]["case"], stepping.heat[unit]["case"])


def test_power_up_opens_each_pole_first_once_and_both_at_the_emergency_stop():
    truth = simulate(BRAMBLE, PowerUp(closed_s=8.0).script())
    opened = {
        pole: np.flatnonzero(np.diff(column) < 0) * STEP_S for pole, column in truth.closed.items()
    }
    gap = opened["positive"] - opened["negative"]
    assert gap == pytest.approx([2.5, -2.5, 0.0], abs=0.01)
    assert np.abs(truth.speed_rpm["front"]).max() == 0
