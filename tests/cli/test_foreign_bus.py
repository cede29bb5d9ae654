"""A bus that is no vehicle's: several batteries in one multiplexed group, and a clock that was set.

Layout of the battery group (PGN 127508: instance u8, voltage s16 x 0.01 V, current s16 x 0.1 A,
temperature u16 x 0.01 K, 0x7FFF and 0xFFFF not available) from public descriptions, from memory.
"""

import json
import math
import random
import re

import cantools
import pandas as pd
import pytest

BATTERY = 0x19F21401
INSTANCES = (1, 2, 5, 7)
UNEQUIPPED = (5, 7)  # no temperature sensor


def dbc():
    lines = ['VERSION ""', "NS_ :", "BS_:", "BU_: Node"]
    lines += [f"BO_ {BATTERY | 1 << 31} Battery: 8 Node"]
    lines += [' SG_ Instance M : 0|8@1+ (1,0) [0|0] "" Node']
    for i in INSTANCES:
        lines += [f' SG_ Voltage{i} m{i} : 8|16@1- (0.01,0) [0|0] "V" Node']
        lines += [f' SG_ Current{i} m{i} : 24|16@1- (0.1,0) [0|0] "A" Node']
        lines += [f' SG_ Temperature{i} m{i} : 40|16@1+ (0.01,-273.15) [0|0] "degC" Node']
    return "\n".join(lines) + "\n"


def payload(instance, rnd):
    volts = rnd.randrange(1250, 1340).to_bytes(2, "little", signed=True)
    amps = rnd.randrange(-50, 50).to_bytes(2, "little", signed=True)
    kelvin = 0xFFFF if instance in UNEQUIPPED else rnd.randrange(29000, 29500)
    return bytes([instance]) + volts + amps + kelvin.to_bytes(2, "little") + b"\xff"


@pytest.fixture
def bus(tmp_path):
    """60 s of four batteries at 1 Hz and other traffic; for 2 s the clock is 14 days behind."""
    rnd = random.Random(3)
    lines = []
    for tick in range(240):
        seconds = 1_700_000_000 + tick / 4 - (14 * 86400 if 8 <= tick < 16 else 0)
        lines.append(f"({seconds:.6f}) can0 0DF11317#{rnd.randbytes(8).hex().upper()}")
        data = payload(INSTANCES[tick % 4], rnd).hex().upper()
        lines.append(f"({seconds + 0.01:.6f}) can0 {BATTERY:08X}#{data}")
    (tmp_path / "bus.log").write_text("\n".join(lines) + "\n")
    (tmp_path / "bus.dbc").write_text(dbc())
    (tmp_path / "plan.toml").write_text(
        """format = 1
[job]
vehicle = "No vehicle at all"
stage = "dry-spin"
coolant = "empty"
oil = "empty"
[buses]
can0 = { definitions = ["bus.dbc"], not_available = "maximum" }
[pack]
voltage = "can0:Battery.Voltage1"
current = "can0:Battery.Current1"
"""
    )
    return tmp_path


def test_every_decoded_value_is_what_cantools_says_and_a_missing_sensor_is_absent(canscope, bus):
    table = bus / "values.parquet"
    words = ("--definitions", bus / "bus.dbc", "--to", table, "--not-available", "maximum")
    code, _, _ = canscope("decode", bus / "bus.log", *words)
    assert code == 0
    got = pd.read_parquet(table)
    message = cantools.database.load_file(bus / "bus.dbc").get_message_by_name("Battery")
    expected = []
    for line in (bus / "bus.log").read_text().splitlines():
        stamp, _, frame = line.split()
        if frame.startswith(f"{BATTERY:08X}"):
            data = bytes.fromhex(frame.partition("#")[2])
            time_ns = int(stamp[1:-1].replace(".", "")) * 1000
            values = message.decode(data, decode_choices=False)
            expected += [(time_ns, name, value) for name, value in values.items()]
    got = got.astype({"signal": str}).sort_values(["time_ns", "signal"])
    for row, (time_ns, name, value) in zip(got.itertuples(), sorted(expected), strict=True):
        assert (row.time_ns, row.signal) == (time_ns, name)
        if name in ("Temperature5", "Temperature7"):
            assert value == pytest.approx(382.2)  # what a reader that does not know it would say
            assert math.isnan(row.value)
        else:
            assert row.value == value


def test_the_check_is_honest_about_it(canscope, bus):
    file = bus / "report.json"
    plan = bus / "plan.toml"
    code, _, _ = canscope("check", bus / "bus.log", "--plan", plan, "--json", file)
    assert code == 1
    report = json.loads(file.read_text())
    verdicts = {(f["rule"], f["subject"]): f for f in report["findings"]}
    integrity = verdicts.pop(("capture-integrity", "capture"))
    assert integrity["verdict"] == "fail"
    assert "stepped back by 12095" in integrity["sentence"]  # 14 x 86400 s = 1 209 600 s
    assert integrity["at_s"] == pytest.approx(1.76)  # the last frame before it
    assert {f["verdict"] for f in verdicts.values()} == {"unproven"}
    sag = verdicts["bus-sag", "pack"]
    assert sag["reason"] == "not-exercised"
    seen = [float(x) for x in re.findall(r"between ([\d.]+) and ([\d.]+) V", sag["sentence"])[0]]
    table = bus / "values.parquet"
    words = ("--definitions", bus / "bus.dbc", "--to", table, "--signals", "Battery.Voltage1")
    canscope("decode", bus / "bus.log", *words)
    values = pd.read_parquet(table).value
    assert seen == [values.min(), values.max()]
