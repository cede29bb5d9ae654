"""A vehicle whose lever and brake are wired, through the command line: marks are the request."""

import json
import re

import pytest

ABSENT = """
[not_on_this_vehicle]
roles = ["driver.direction", "driver.brake"]
reason = "lever and brake are wired; both tried by hand"
by = "A. Tester"
"""


def wired(text):
    """A vehicle file without lever and brake."""
    return re.sub(r"(?m)^(direction|brake) .*\n", "", text)


def asking(text, *, turned=()):
    """Each mark also says what the person had set before the burst; ``turned``: the wrong way."""
    marks = []
    for number, part in enumerate(text.split("[[marks]]")[1:]):
        at_s = float(re.search(r"at_s = ([\d.]+)", part)[1])
        asked = re.search(r'text = "(\w+) asked', part)[1]
        if number in turned:
            asked = {"forward": "reverse", "reverse": "forward"}[asked]
        marks.append((at_s, asked))
    lines, before = [], None
    for at_s, asked in marks:
        if asked != before:
            # A burst of three to five seconds ends about then; the lever was set before it began.
            lines.append(f'\n[[marks]]\nat_s = {max(at_s - 7, 0):.3f}\nasked = "{asked}"\n')
        before = asked
    return text + "".join(lines)


@pytest.fixture
def check(run, canscope):
    def call(change, more=ABSENT):
        vehicle, plan, report = run / "vehicle.toml", run / "plan.toml", run / "report.json"
        vehicle.write_text(wired(vehicle.read_text("utf-8")), "utf-8")
        plan.write_text(change(plan.read_text("utf-8")) + more, "utf-8")
        code, out, err = canscope("check", run / "capture.log", "--plan", plan, "--json", report)
        assert report.exists(), err
        return code, json.loads(report.read_text("utf-8")), out

    return call


def of(report, rule):
    return {f["subject"]: f for f in report["findings"] if f["rule"] == rule}


def test_it_is_provable(check):
    code, report, _ = check(asking)
    unproven = [
        (f["rule"], f["subject"], f["sentence"])
        for f in report["findings"]
        if f["required"] and f["verdict"] != "pass" and not f["waived"]
    ]
    assert unproven == []
    assert code == 0
    turned = of(report, "axle-direction")
    assert {f["verdict"] for f in turned.values()} == {"pass"}
    assert all("asked as a person marked it, within 1 s" in f["sentence"] for f in turned.values())
    assert {f["waived_by"] for f in report["findings"] if f["waived"]} == {"A. Tester"}
    assert report["headline"].endswith("items accepted by A. Tester")
    listed = {one["role"]: one for one in report["not_on_vehicle"]}
    assert "asked" in listed["driver.direction"]["check"]
    assert any("brake-interlock" in name for name in listed["driver.brake"]["findings"])
    # The definitions of this vehicle hold both all the same.
    assert listed["driver.brake"]["looks_like"] == "can0:Cabin.BrakePressed"


def test_without_marks_of_what_was_asked_the_direction_stays_unproven(check):
    code, report, _ = check(str)
    assert code == 3
    assert {f["reason"] for f in of(report, "axle-direction").values()} == {"not-bound"}
    assert not any(f["waived"] for f in of(report, "axle-direction").values())


def test_an_axle_that_turns_against_what_was_asked_fails(check):
    code, report, _ = check(lambda text: asking(text, turned=range(99)))
    assert code == 1
    assert "fail" in {f["verdict"] for f in of(report, "axle-direction").values()}
    assert "wheel-against-request" in {f["code"] for f in of(report, "axle-witness").values()}


def test_the_plan_check_says_what_no_bus_will_ever_answer(run, canscope):
    vehicle, plan = run / "vehicle.toml", run / "plan.toml"
    vehicle.write_text(wired(vehicle.read_text("utf-8")), "utf-8")
    plan.write_text(plan.read_text("utf-8") + ABSENT, "utf-8")
    code, out, _ = canscope("plan", "check", plan)
    assert code == 0
    assert "never by bus: driver.brake (brake-interlock)" in out
    assert "by hand: try to enter forward and reverse without the brake" in out


def test_the_card_says_when_to_mark_and_what_to_try_by_hand(run, canscope):
    vehicle, plan = run / "vehicle.toml", run / "plan.toml"
    vehicle.write_text(wired(vehicle.read_text("utf-8")), "utf-8")
    plan.write_text(plan.read_text("utf-8") + ABSENT, "utf-8")
    _, out, _ = canscope("plan", "card", plan)
    assert "what was asked for is marked at once" in " ".join(out.split())
    assert "driver.brake: try to enter forward and reverse without the brake" in (
        " ".join(out.split())
    )
