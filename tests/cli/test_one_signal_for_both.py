"""A vehicle with one "contactors closed" signal: it can power up and down and prove it.

The demo's box is made such a one: its bit of positive becomes positive and negative.
"""

import json
import re

import pytest

NEGATIVE, POSITIVE = 0, 2  # bits of the first byte, as the demo's definition has them


@pytest.fixture(scope="module")
def capture(healthy):
    """The healthy run with that one signal."""
    text = (healthy / "capture.log").read_text()
    found = re.search(
        r"^BO_ (\d+) ContactorBox", (healthy / "bramble_vehicle.dbc").read_text(), re.M
    )
    mark = f" can0 {int(found[1]):03X}#"
    lines = []
    for line in text.splitlines(keepends=True):
        if mark in line:
            begin = line.index("#") + 1
            bits = int(line[begin : begin + 2], 16)
            if not bits >> NEGATIVE & 1:
                bits &= ~(1 << POSITIVE)
            line = f"{line[:begin]}{bits:02X}{line[begin + 2 :]}"
        lines.append(line)
    return "".join(lines)


def bound(run, *, precharge):
    """The plan with ``both`` in place of negative and positive."""
    file = run / "vehicle.toml"
    text = file.read_text("utf-8")
    text = re.sub(r"(?m)^negative .*\n", "", text)
    text = re.sub(r"(?m)^positive .*$", 'both = "can0:ContactorBox.PositiveClosed"', text)
    if not precharge:
        text = re.sub(r"(?m)^precharge  *=.*\n", "", text)
    file.write_text(text, "utf-8")


@pytest.mark.parametrize("precharge", [True, False])
def test_all_but_the_order_of_the_poles_is_judged(canscope, run, capture, precharge):
    (run / "capture.log").write_text(capture)
    bound(run, precharge=precharge)
    to = run / "report.json"
    code, _, err = canscope("check", run / "capture.log", "--plan", run / "plan.toml", "--json", to)
    assert code == 3, err
    findings = json.loads(to.read_text())["findings"]
    assert not [f for f in findings if f["verdict"] == "fail"]
    unproven = {f["rule"]: f for f in findings if f["required"] and f["verdict"] == "unproven"}
    assert set(unproven) == {"contactor-sequence"}
    if precharge:
        assert unproven["contactor-sequence"]["reason"] == "inferred"
        assert "their order cannot be judged" in unproven["contactor-sequence"]["sentence"]
    told = {f["rule"]: f["verdict"] for f in findings}
    assert (told["link-discharge"], told["precharge-level"]) == ("pass", "pass")
    assert told["contactor-weld"] == "unproven"


def test_a_pole_that_is_bound_twice_is_a_mistake(canscope, run):
    file = run / "vehicle.toml"
    text = file.read_text("utf-8")
    both = '[contactors]\nboth = "can0:ContactorBox.PositiveClosed"\n'
    file.write_text(text.replace("[contactors]\n", both), "utf-8")
    code, _, err = canscope("check", run / "capture.log", "--plan", run / "plan.toml")
    assert code == 2
    assert "contactors.negative is bound by itself and by contactors.both" in err


@pytest.mark.parametrize("gone", ["negative", "positive"])
def test_a_recording_that_ends_above_60_V_says_so_whatever_is_bound(canscope, run, gone):
    """The demo closes its contactors after 4 s, onto a pack of 358 V; it is cut after 8 s."""
    file, log, to = run / "vehicle.toml", run / "capture.log", run / "report.json"
    file.write_text(re.sub(rf"(?m)^{gone} .*\n", "", file.read_text("utf-8")), "utf-8")
    lines = log.read_text().splitlines(keepends=True)
    end_s = float(lines[0].split(")")[0][1:]) + 8.0
    log.write_text("".join(line for line in lines if float(line.split(")")[0][1:]) < end_s))
    code, _, err = canscope("check", log, "--plan", run / "plan.toml", "--json", to, "--quiet")
    assert code == 3, err
    findings = json.loads(to.read_text())["findings"]
    both = [f for f in findings if f["rule"] == "link-discharge"]
    assert {(f["subject"], f["verdict"], f["reason"]) for f in both} == {
        (f"{unit} link", "unproven", "not-exercised") for unit in ("front", "rear")
    }
    words = "the recording ended with the link at 35"
    assert all(words in f["sentence"] for f in both)
