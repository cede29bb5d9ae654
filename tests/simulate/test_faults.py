"""Every fault really changes the run, in the quantity it is about and by what it declares.

Limits here are the ones of the demo plans and the design's defaults; what the rules make of the
faulty runs is tested where the rules are.
"""

from functools import cache

import numpy as np
import pytest

from canscope.model.errors import UnknownNameError
from canscope.simulate.faults.catalogue import fault_names, find_fault
from canscope.simulate.faults.fault import FAULTS
from canscope.simulate.recording import START_US
from canscope.simulate.runs import excerpt, make_run


@cache
def run(fault=None, severity=1.0):
    return make_run("bramble", fault=fault, severity=severity)


def burst_s(run, unit="front", number=0):
    turning = np.abs(run.truth.speed_rpm[unit]) > 40
    edges = np.flatnonzero(np.diff(turning.astype(int))) / 1000
    return edges[2 * number + 1] - edges[2 * number]


def forward_rows(run):
    spin = run.script.spins[0]
    return slice(round((spin.start_s + 1.0) * 1000), round(spin.end_s * 1000))


def signal(run, channel, can_id, first_byte, big_endian=True, signed=False):
    """Raw 16-bit values straight from the payload bytes."""
    rows = run.recording.of(channel, can_id)
    kind = (">" if big_endian else "<") + ("i2" if signed else "u2")
    pair = np.ascontiguousarray(run.recording.payload[rows, first_byte : first_byte + 2])
    return run.recording.since_s()[rows], pair.view(kind)[:, 0].astype(int)


def test_every_fault_says_what_is_wrong_and_what_ought_to_notice_it():
    assert len(fault_names()) >= 30
    for name in fault_names():
        fault = find_fault(name)
        assert fault.name == name
        assert fault.says.endswith(".")
        assert fault.must or fault.unproven
        assert not fault.must & fault.may
        assert fault.expected == ("fail" if fault.must else "unproven")


def test_a_wrong_fault_name_is_answered_with_the_nearest():
    with pytest.raises(UnknownNameError, match="did you mean 'weak-pack'"):
        find_fault("weak-pak")


def test_a_fault_belongs_to_the_stages_it_is_made_for():
    with pytest.raises(ValueError, match="made for the dry-spin"):
        make_run("bramble", stage="power-up", fault="weak-pack")


QUICK = ("front-axle-wrong-way", "weak-pack", "checksum-wrong", "cut-end", "recording-gap")


@pytest.mark.parametrize("name", QUICK)
def test_a_faulty_capture_differs_from_the_healthy_one(name):
    assert run(name).capture_text() != run().capture_text()


def test_the_front_axle_turns_against_the_request_and_its_raw_sign_shows_it():
    wrong = run("front-axle-wrong-way")
    rows = forward_rows(wrong)
    assert np.median(wrong.truth.speed_rpm["front"][rows]) < -600
    assert np.median(wrong.truth.speed_rpm["rear"][rows]) > 600
    at_s, raw = signal(wrong, "can1", 0x2A0, 0, signed=True)
    assert raw[(at_s > 12) & (at_s < 13)].max() < -1200  # 0.5 rpm a step
    assert wrong.marks[0].seen == "reverse"


def test_phases_not_swapped_look_right_on_can_while_the_wheel_turns_back():
    wrong = run("phases-not-swapped")
    assert np.median(wrong.truth.speed_rpm["front"][forward_rows(wrong)]) < -600
    at_s, raw = signal(wrong, "can1", 0x2A0, 0, signed=True)
    assert raw[(at_s > 12) & (at_s < 13)].min() > 1200
    assert [m.seen for m in wrong.marks if m.axle == "front"] == ["reverse", "forward"]


def test_a_hot_winding_rises_by_more_than_ten_kelvin_at_more_than_two_a_second():
    heat = run("hot-while-dry").truth.heat["front"]["winding"]
    assert heat.max() - heat[0] > 10
    assert (heat[100:] - heat[:-100]).max() / 5.0 > 2.0
    worse = run("hot-while-dry", severity=2.0).truth.heat["front"]["winding"]
    assert worse.max() > heat.max() + 5


def test_a_weak_pack_sags_by_more_than_a_tenth():
    volt = run("weak-pack").truth.pack_V
    rows = forward_rows(run())
    assert volt[: rows.start].max() * 0.9 > volt[10_000:14_000].min()
    assert run().truth.pack_V[10_000:14_000].min() > 0.99 * 358.4


def test_bad_precharge_closes_at_about_seventy_percent():
    truth = run("bad-precharge").truth
    closed = int(np.argmax(truth.closed["positive"] > 0))
    assert truth.link_V[closed - 1] / 358.4 == pytest.approx(0.70, abs=0.05)


def test_a_wrong_resistor_makes_precharge_five_times_slower():
    # Hand: 200.1 ohm x 1 mF = 200.1 ms to 63.212 % (bleed aside).
    truth = run("wrong-precharge-resistor").truth
    start = int(np.argmax(truth.closed["precharge"] > 0))
    reached = int(np.argmax(truth.link_V > 0.63212 * 358.4))
    assert reached - start == pytest.approx(200, abs=3)


def test_reverse_is_entered_with_the_brake_released():
    inputs = run("direction-without-brake").truth.inputs
    entered = int(np.flatnonzero(np.diff(inputs["direction"]) > 1)[0])
    assert inputs["brake"][entered] == 0
    healthy = run().truth.inputs
    assert healthy["brake"][np.flatnonzero(np.diff(healthy["direction"]) > 0)].min() == 1


def test_a_change_on_the_move_happens_far_above_100_rpm():
    truth = run("change-on-the-move").truth
    entered = int(np.flatnonzero(np.diff(truth.inputs["direction"]) > 0)[1])
    assert min(s[entered] for s in truth.speed_rpm.values()) > 200


def test_a_long_burst_is_longer_than_five_seconds():
    assert burst_s(run("long-dry-burst")) > 5.5
    assert burst_s(run()) < 4.5


def test_overspeed_and_a_heater_exceed_speed_and_current():
    assert np.abs(run("overspeed").truth.speed_rpm["rear"]).max() > 1700
    assert np.abs(run("overspeed").truth.pack_A).max() < 30
    assert run("heater-left-on").truth.pack_A.max() > 36


def test_creep_starts_an_axle_with_the_pedal_at_rest():
    truth = run("creep").truth
    before = slice(10_000, 10_900)  # brake released at 10 s, pedal only at 11 s
    assert truth.inputs["pedal"][before].max() < 1
    assert truth.speed_rpm["front"][before].max() > 100
    assert truth.speed_rpm["rear"][before].max() == 0


def test_a_welded_contactor_reads_open_and_keeps_the_link_up():
    for pole, other in (("negative", "positive"), ("positive", "negative")):
        truth = run(f"welded-{pole}").truth
        opened = int(np.flatnonzero(np.diff(truth.closed[pole]) < 0)[0])
        last = int(np.flatnonzero(np.diff(truth.closed[other]) < 0)[0])
        assert last - opened > 12_000
        assert truth.link_V[opened + 10_000] > 350
        assert truth.link_V[-1] < 60


def test_slow_discharge_takes_longer_than_five_seconds():
    # Hand: 7000 ohm x 1 mF: 7 s x ln(358 / 60) = 12.5 s.
    truth = run("slow-discharge").truth
    opened = int(np.flatnonzero(np.diff(truth.closed["negative"]) < 0)[0])
    assert np.argmax(truth.link_V[opened:] < 60) / 1000 == pytest.approx(12.5, abs=0.2)


def test_a_tired_12_V_battery_falls_below_10_5_V_at_the_closings():
    at_s, raw = signal(run("low-12V"), "can0", 0x130, 0, big_endian=False)
    assert raw[(at_s > 4) & (at_s < 6)].min() < 1000
    assert raw[(at_s > 6)].min() > 1200


def test_a_dead_node_says_nothing_more():
    dead = run("node-dies")
    assert dead.recording.since_s()[dead.recording.of("can1")].max() < 12.6


def test_sensors_at_the_rail_or_frozen_repeat_one_code():
    _, raw = signal(run("sensor-at-the-rail"), "can1", 0x2A8, 2)
    assert set(raw) == {0}
    _, raw = signal(run("sensor-frozen"), "can2", 0x2A8, 0)
    assert set(raw) == {570}  # 17.0 degC: (17 + 40) / 0.1


def test_damaged_recordings_are_damaged_where_they_say():
    assert not run("cut-end").capture_text().endswith("\n")
    assert run("garbled-lines").capture_text().count("?") > 0.01 * len(run().recording)
    assert np.diff(run("recording-gap").recording.time_us).max() > 350_000
    assert np.diff(run("clock-step").recording.time_us).min() < -50_000_000
    assert run("ends-early").recording.time_us[-1] < START_US + 74_000_000
    assert ") can1 20000040#" in run("bus-off").capture_text()


def test_an_excerpt_keeps_its_stamps_and_moves_its_marks():
    part = excerpt(run(), 3.0, 18.0)
    since = part.recording.since_s()
    assert since[0] >= 3.0
    assert since[-1] < 18.0
    # The mark of the whole run at t lies t - 3 s (and a frame or so) into the part.
    moved = [whole.at_s - own.at_s for whole, own in zip(run().marks, part.marks, strict=False)]
    assert moved == pytest.approx([3.0, 3.0], abs=0.03)
    assert len(part.marks) == 2


def test_a_fault_is_entered_under_one_name_only():
    assert all(kind.name == name for name, kind in FAULTS.items())
