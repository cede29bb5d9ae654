"""A simulated vehicle of whose contactors no signal tells, and whose owner signs for that."""

import re

import pytest

import canscope as cs
from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run

SIGNED = """
[not_on_this_vehicle]
roles = ["contactors.negative", "contactors.precharge", "contactors.positive"]
reason = "box without feedback"
by = "A. Tester"
"""


def report(folder, fault=None, stage="dry-spin", keep=1.0):
    """Of the part of its frames that is kept."""
    files = write_run(make_run(fault=fault, stage=stage), folder)
    vehicle = folder / "vehicle.toml"
    text = re.sub(r"(?m)^(negative|precharge|positive) *=.*\n", "", vehicle.read_text("utf-8"))
    vehicle.write_text(text + SIGNED, "utf-8")
    lines = files.capture.read_text("utf-8").splitlines(keepends=True)
    files.capture.write_text("".join(lines[: round(keep * len(lines))]), "utf-8")
    return cs.check(str(files.capture), str(files.plan))


def of(found, rule):
    return [f for f in found.findings if f.rule == rule]


def test_what_the_links_show_is_inferred_and_accepted_by_whoever_signed(tmp_path):
    found = report(tmp_path)
    assert found.verdict == "pass"
    assert "accepted by A. Tester" in found.headline
    for rule in ("precharge-level", "link-discharge"):
        assert {f.reason for f in of(found, rule)} == {"inferred"}
        assert {f.waived_by for f in of(found, rule)} == {"A. Tester"}
        assert any(f"{rule}, front link" in one.findings for one in found.not_on_vehicle)


@pytest.mark.parametrize(
    ("fault", "rule"), [("bad-precharge", "precharge-level"), ("slow-discharge", "link-discharge")]
)
def test_nobody_signs_away_what_the_links_show_to_be_wrong(tmp_path, fault, rule):
    found = report(tmp_path, fault)
    assert found.verdict == "fail"
    assert any(str(f.verdict) == "fail" for f in of(found, rule))


def test_nobody_signs_away_a_link_that_is_live_as_the_recording_ends(tmp_path):
    found = report(tmp_path, keep=0.5)
    assert found.verdict == "unproven"
    assert {f.code for f in of(found, "link-discharge")} == {"live-at-end"}
    assert "nobody saw it discharge" in found.look_first[0]


def test_a_stage_that_asks_for_no_discharge_tells_of_a_live_link(tmp_path):
    found = report(tmp_path, stage="unit-alone", keep=0.5)
    assert not any(f.required for f in of(found, "link-discharge"))
    assert any("nobody saw it discharge" in one for one in found.warnings)
