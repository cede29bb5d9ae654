"""A plan and a capture that do not belong together, by the command line."""

import re

import pytest

from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """A run of the demo vehicle cut to its first 2 s: enough to see which buses there are."""
    files = write_run(make_run("bramble", seed=1), tmp_path_factory.mktemp("misfit"))
    lines = files.capture.read_text().splitlines(keepends=True)[:900]
    files.capture.write_text("".join(lines))
    return files


def test_buses_of_other_names_are_said_at_once(canscope, run):
    renamed = run.capture.with_name("renamed.log")
    renamed.write_text(run.capture.read_text().replace(" can", " vcan"))
    code, out, _ = canscope("check", renamed, "--plan", run.plan, "--out", run.plan.parent / "a")
    assert code == 3
    said = " ".join(out.split())
    assert "The recording has vcan0, vcan1, vcan2, the plan expects can0, can1, can2" in said
    assert len(out.splitlines()) < 40


def test_two_buses_exchanged_are_said_at_once(canscope, run):
    """can0 holds the vehicle's messages, can1 a drive unit's: exchanged, neither is defined."""
    exchanged = run.capture.with_name("exchanged.log")
    text = run.capture.read_text()
    text = text.replace(" can0 ", " CAN ").replace(" can1 ", " can0 ").replace(" CAN ", " can1 ")
    exchanged.write_text(text)
    code, out, _ = canscope("check", exchanged, "--plan", run.plan, "--out", run.plan.parent / "b")
    assert code == 3
    said = " ".join(out.split())
    for channel in ("can0", "can1"):
        assert f"frames on {channel} is in the definitions that the plan gives this bus" in said


@pytest.mark.parametrize("other_ids", [False, True])
def test_a_unit_that_the_plan_leaves_out_is_told_where_its_bus_is_recorded(
    canscope, tmp_path, other_ids
):
    """The shortest way to a pass of a vehicle with a wrong axle: the plan does not name it."""
    files = write_run(make_run("bramble", seed=1), tmp_path / "run")
    vehicle = files.plan.with_name("vehicle.toml")
    vehicle.write_text(vehicle.read_text().partition("[units.rear]")[0])
    marks = re.sub(
        r'\[\[marks\]\]\nat_s = [\d.]+\naxle = "rear"\n.*\n.*\n', "", files.plan.read_text()
    )
    files.plan.write_text(marks)
    if other_ids:
        text = files.capture.read_text()
        files.capture.write_text(re.sub(r" can2 (\w)", r" can2 7", text))
    code, out, _ = canscope("check", files.capture, "--plan", files.plan)
    said = " ".join(out.split())
    assert re.search(r"Not judged: \d+ frames on can2, where the plan binds nothing", said)
    assert code == (0 if other_ids else 3)
    assert ("a unit is recorded there, and not judged" in said) != other_ids
