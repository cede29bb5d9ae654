"""A plan drafted at the page: roles with their candidates, questions, and a plan that can be used.

What is right for the demo vehicle stands in its own plan: canscope/simulate/plans.py.
"""

import pytest

from canscope.bench.after_folder import look_through
from canscope.bench.place import Place
from canscope.plan.load import read_plan
from tests.live.stand import made

ANSWERS = {
    "job.vehicle": "Bramble",
    "job.stage": "dry-spin",
    "job.coolant": "empty",
    "job.oil": "empty",
    "pack.maximum_voltage_V": "409",
    "contactors.bleed": "active",
    "units.'?can1'": "front",
    "units.'?can1'.gear_ratio": "9,1",
    "units.'?can1'.mounting": "roll = 0, pitch = 0, yaw = 180",
    "units.'?can1'.phases_swapped": "true",
    "units.'?can2'": "rear",
    "units.'?can2'.gear_ratio": "9.1",
    "units.'?can2'.mounting": "{ roll = 0, pitch = 0, yaw = 0 }",
    "units.'?can2'.phases_swapped": "false",
    "limits.dry_burst_s": "5",
    "limits.dry_total_s": "60",
    "limits.dry_current_A": "30",
    "limits.speed_rpm": "1500",
    "limits.temperature_ceiling_degC.inverter": "75",
    "limits.temperature_ceiling_degC.winding": "110",
}
FILES = {"definitions": ["bramble_vehicle.dbc", "drive_unit.dbc"], "capture": "capture.log"}


def test_a_draft_is_answered_and_written(tmp_path, serve):
    files = made(tmp_path, "hot-while-dry", until_s=20.0)
    files.plan.unlink()
    server = serve(tmp_path)
    status, found = server.post("/before/draft", {**FILES, "to": "new.toml"})
    assert status == 200
    assert {one["path"] for one in found["questions"]} == {*ANSWERS}
    roles = {one["role"]: one for one in found["roles"]}
    assert roles["pack.voltage"]["taken"] == "can0:PackStatus.PackVoltage"
    assert roles["pack.voltage"]["candidates"][0]["curve"]

    wrong = {**ANSWERS, "limits.speed_rpm": "fast", "units.'?can2'": "front"}
    _, found = server.post("/before/draft", {**FILES, "answers": wrong})
    told = {one["path"] for one in found["questions"] if one["wrong"]}
    assert told == {"limits.speed_rpm", "units.'?can2'"}

    asked = {**FILES, "answers": ANSWERS, "to": "new.toml"}
    _, found = server.post("/before/draft", {**asked, "roles": {"supply.voltage": ""}})
    assert found["open"] == 0
    assert next(r for r in found["roles"] if r["role"] == "supply.voltage")["taken"] == ""
    assert server.post("/before/draft", {**asked, "write": True}) == (200, {"written": "new.toml"})
    plan = read_plan(tmp_path / "new.toml")
    assert [(unit.name, unit.sign) for unit in plan.bench.units] == [("front", 1), ("rear", 1)]
    assert plan.bench.bindings["pack.voltage"].key == "can0:PackStatus.PackVoltage"
    status, said = server.post("/before/draft", {**asked, "write": True})
    assert (status, "never overwritten" in said["hint"]) == (400, True)


@pytest.mark.parametrize(
    "change", [{"definitions": []}, {"definitions": ["../x.dbc"]}, {"to": "../bench.toml"}]
)
def test_no_file_outside_the_folder_is_read_or_written(tmp_path, serve, change):
    assert serve(tmp_path).post("/before/draft", {**FILES, **change})[0] in (400, 404)


def test_a_raised_digit_in_a_name_is_a_letter(tmp_path):
    """str.isdigit counts it as a digit, int() does not read it (Python, Built-in Types)."""
    names = ["spin-10.log", "spin-9.log", "1²2.log"]
    for name in names:
        (tmp_path / name).write_text("x")
    found = look_through(Place(tmp_path, 0, "127.0.0.1", "")).captures
    assert sorted(found) == sorted(names)
    assert found.index("spin-9.log") < found.index("spin-10.log")
