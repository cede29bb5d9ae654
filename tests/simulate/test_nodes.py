"""Recordings of the simulator, read back by cantools with the definitions written beside them."""

import re
from collections import Counter

import cantools
import numpy as np
import pytest

from canscope.simulate.folder import definition_files, truth_csv, write_run
from canscope.simulate.messages import UNIT_FAST_ID, UNIT_SLOW_ID
from canscope.simulate.recording import START_US
from canscope.simulate.runs import make_run
from canscope.simulate.sensors import NOISE

LINE = re.compile(r"\((\d+\.\d{6})\) (can[0-2]) ([0-9A-F]{3})#((?:[0-9A-F]{2})+)")


@pytest.fixture(scope="module", params=["bramble", "thistle"])
def run(request):
    return make_run(request.param)


@pytest.fixture(scope="module")
def lines(run):
    return [LINE.fullmatch(line) for line in run.capture_text().splitlines()]


def test_every_line_is_a_frame_with_a_six_decimal_stamp_in_rising_order(run, lines):
    assert all(lines)
    stamps = [float(m[1]) for m in lines]
    assert stamps == sorted(stamps)
    assert 30_000 < len(lines) < 60_000


def test_both_units_use_the_same_identifiers_on_their_own_bus(lines):
    seen = Counter((m[2], int(m[3], 16)) for m in lines)
    for channel in ("can1", "can2"):
        assert {can_id for bus, can_id in seen if bus == channel} == {UNIT_FAST_ID, UNIT_SLOW_ID}
        assert seen[channel, UNIT_FAST_ID] > 9_000


def decoded(run, lines, channel, message):
    files = definition_files(run.vehicle)
    wiring = run.vehicle.wiring
    text = files[wiring.vehicle_file if channel == "can0" else wiring.unit_file]
    spec = cantools.database.load_string(text, "dbc").get_message_by_name(message)
    rows = [m for m in lines if m[2] == channel and int(m[3], 16) == spec.frame_id]
    at_s = np.array([float(m[1]) for m in rows]) - START_US / 1e6
    values = [spec.decode(bytes.fromhex(m[4]), decode_choices=False) for m in rows]
    return at_s, {name: np.array([v[name] for v in values]) for name in values[0]}


# Message, signal, half a step, and how fast it moves (a value may be 1 ms old, plus one for
# the step of the simulation): while torque and speed change, 12 Nm / 0.03 s and 110 rad/s^2.
CASES = [
    ("can0", "PackStatus", "PackVoltage", 0.05, 1000.0),
    ("can0", "Supply", "ControlVoltage", 0.005, 15.0),
    ("can0", "Cabin", "Pedal", 0.25, 85.0),
    ("can1", "UnitFast", "MotorSpeed", 0.25, 1800.0),
    ("can2", "UnitFast", "MotorSpeed", 0.25, 1800.0),
    ("can1", "UnitFast", "Torque", 0.05, 900.0),
    ("can1", "UnitFast", "LinkVoltage", 0.05, 9000.0),
    ("can1", "UnitSlow", "WindingTemp", 0.05, 1.0),
    ("can2", "UnitSlow", "InverterTemp", 0.05, 1.0),
]


@pytest.mark.parametrize(("channel", "message", "signal", "half_step", "slope"), CASES)
def test_frames_decode_back_to_the_truth(run, lines, channel, message, signal, half_step, slope):
    at_s, values = decoded(run, lines, channel, message)
    truth, unit = run.truth, {u.channel: u for u in run.vehicle.units}.get(channel)
    if signal == "ControlVoltage":
        assert 11.0 < values[signal].min() < 12.3
        assert values[signal][:50].mean() == pytest.approx(12.7, abs=0.05)
        return
    sign = truth.raw_sign[unit.name] if unit else 1
    expected = {
        "PackVoltage": lambda: truth.pack_V,
        "Pedal": lambda: truth.inputs["pedal"],
        "MotorSpeed": lambda: sign * truth.speed_rpm[unit.name],
        "Torque": lambda: sign * truth.torque_Nm[unit.name],
        "LinkVoltage": lambda: unit.link_gain * truth.link_V,
        "WindingTemp": lambda: _heat(truth, unit, "winding"),
        "InverterTemp": lambda: _heat(truth, unit, "inverter"),
    }[signal]()
    at_frame = np.interp(at_s, truth.time_s, expected)
    # Five standard deviations of noise: beyond once in a million samples.
    assert np.abs(values[signal] - at_frame).max() < half_step + 5 * NOISE[signal] + slope * 2e-3


def _heat(truth, unit, body):
    heat = truth.heat[unit.name]
    return np.interp(truth.time_s, heat["time_s"], heat[body])


def test_counter_counts_and_checksum_fits_every_frame(run, lines):
    from crccheck.crc import Crc8SaeJ1850

    _, values = decoded(run, lines, "can2", "UnitFast")
    assert set(np.diff(values["Alive"]) % 16) == {1}
    frames = [bytes.fromhex(m[4]) for m in lines if m[2] == "can2" and len(m[4]) == 16]
    assert len(frames) > 9_000
    assert all(Crc8SaeJ1850.calc(frame[:7]) == frame[7] for frame in frames)


def test_no_message_pauses_longer_than_a_tenth_beyond_its_cycle(run, lines):
    at_s, _ = decoded(run, lines, "can1", "UnitFast")
    assert np.diff(at_s).max() < 0.011
    at_s, _ = decoded(run, lines, "can0", "ContactorBox")
    assert np.diff(at_s).max() < 0.022


def test_units_wake_late_and_the_nodes_fall_silent_after_the_key_is_off(run, lines):
    first = {m[2]: float(m[1]) - START_US / 1e6 for m in reversed(lines)}
    last = {m[2]: float(m[1]) - START_US / 1e6 for m in lines}
    on, off = run.script.first("ignition", 1.0), run.script.first("ignition", 0.0)
    assert 0.5 < first["can1"] - on < 1.0
    assert 0.5 < first["can2"] - on < 1.0
    assert first["can0"] < 0.1
    assert all(0.5 < stamp - off < 2.0 for stamp in last.values())
    at_s, values = decoded(run, lines, "can1", "UnitFast")
    assert values["LinkVoltage"][at_s > off - 0.1].max() < 60


def test_the_witness_saw_every_axle_in_both_directions(run):
    assert [(m.axle, m.seen) for m in run.marks] == [
        ("front", "forward"),
        ("rear", "forward"),
        ("front", "reverse"),
        ("rear", "reverse"),
    ]


def test_one_seed_gives_one_capture_and_another_seed_another():
    one = make_run("bramble", stage="power-up", seed=4).capture_text()
    assert make_run("bramble", stage="power-up", seed=4).capture_text() == one
    assert make_run("bramble", stage="power-up", seed=5).capture_text() != one


def test_the_coarse_vehicle_reports_contactors_at_100_ms_and_whole_degrees():
    run = make_run("bramble-coarse", stage="power-up")
    lines = [LINE.fullmatch(line) for line in run.capture_text().splitlines()]
    at_s, _ = decoded(run, lines, "can0", "ContactorBox")
    assert np.median(np.diff(at_s)) == pytest.approx(0.1, abs=0.005)
    _, values = decoded(run, lines, "can1", "UnitSlow")
    assert set(values["WindingTemp"]) == {17}


def test_a_run_folder_holds_capture_plan_definitions_and_truth(run, tmp_path):
    files = write_run(run, tmp_path / "run")
    names = {path.name for path in (tmp_path / "run").iterdir()}
    definitions = {run.vehicle.wiring.vehicle_file, run.vehicle.wiring.unit_file}
    assert names == {"capture.log", "plan.toml", "vehicle.toml", "truth.csv"} | definitions
    assert files.capture.read_text() == run.capture_text()


def test_the_truth_says_at_20_Hz_which_way_the_wheels_turn(run):
    header, *rows = truth_csv(run.truth).splitlines()
    columns = header.split(",")
    table = np.array([row.split(",") for row in rows], float)
    wheels = table[:, columns.index("rear_wheels")]
    assert set(wheels) == {-1.0, 0.0, 1.0}
    assert np.diff(table[:, 0]) == pytest.approx(5e7, abs=1e3)
