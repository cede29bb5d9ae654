"""A plan and a capture that do not belong together, by the command line."""

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
