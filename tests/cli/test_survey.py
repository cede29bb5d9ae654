"""canscope survey as a user calls it, and what a check makes of the definition that it writes.

Expected places are those of the demo vehicle's own definition (dbc_examples/bramble), decoded by
cantools from its text; a definition never reaches the survey.
"""

import json
import os

import cantools
import pytest

from canscope.decoding.database import read_definitions
from canscope.model.errors import CanscopeError

LINK = "units.front.link_voltage=1:0,8:357.7,16:358.3,24:357,60:358"


def test_a_survey_finds_layouts_and_writes_a_page_and_a_definition_that_says_inferred(
    canscope, run
):
    words = ("--reference", LINK, "--accept", "found.dbc", "--json", "found.json")
    words += ("--reference", "driver.pedal=11.3,61.7,61.9", "--pick", "driver.pedal=1")
    words += ("--reference", "driver.brake=2.8,16.9,67.2")
    words += ("--reference", LINK.replace("units.front", "can2:units.rear"))
    code, printed, _ = canscope("survey", run / "capture.log", *words, "--html", "found.html")
    folder = run.parent
    assert code == 0
    assert "crc8-sae-j1850 (polynomial 0x1d)" in printed
    found = read_definitions(folder / "found_can1.dbc")
    known = cantools.database.load_file(next((folder / "run").glob("drive_unit.dbc")))
    fast = known.get_message_by_name("UnitFast")
    mine = next(m for m in found.messages if m.can_id == fast.frame_id)
    places = {(s.start_bit, s.length_bits, s.big_endian, s.signed) for s in mine.signals}
    for name in ("MotorSpeed", "Torque", "LinkVoltage"):
        true = fast.get_signal_by_name(name)
        big = true.byte_order == "big_endian"
        assert (true.start, true.length, big, true.is_signed) in places
    digest = json.loads((folder / "found.json").read_text())["sha256"]
    for signal in mine.signals:
        assert "confidence" in signal.inferred
        assert digest in signal.inferred
    assert "picked by hand" in printed
    # Both links are one voltage while the contactors are closed; which is whose was not said.
    assert "undecided: the first 2 follow it equally well" in " ".join(printed.split())
    assert "not named in it: units.front.link_voltage (undecided among 2; --pick" in printed
    assert not any("LinkVoltage" in s.name for s in mine.signals)
    vehicle = read_definitions(folder / "found_can0.dbc").signals().values()
    [pick] = [signal for signal in vehicle if "picked" in signal.inferred]
    assert (pick.name, pick.unit) == ("DriverPedal", "")  # marks say nothing of a scale
    assert f"next: canscope plan new {run / 'capture.log'} --bus can0=found_can0.dbc" in printed
    buses = [f"--bus=can{n}={folder / f'found_can{n}.dbc'}" for n in range(3)]
    code, _, _ = canscope("plan", "new", run / "capture.log", *buses, "--to", "plan.toml", "--yes")
    drafted = (folder / "plan.toml").read_text()
    assert code == 2
    # What marks found has no scale, and a survey cannot tell that something is missing.
    assert 'brake = "can0:Id138.DriverBrake"  # 95 %: found by your reference' in drafted
    assert 'link_voltage = "can2:Id2A0.UnitsRearLinkVoltage"  # 95 %: found by' in drafted
    assert '\n# pedal = "can0:Id138.DriverPedal"' in drafted
    assert "\n# [not_on_this_vehicle]" in drafted
    text = (folder / "found_can1.dbc").read_text()
    assert text.count("CM_ SG_") == sum(len(m.signals) for m in found.messages)

    page = (folder / "found.html").read_text()
    tree = json.loads((folder / "found.json").read_text())
    assert all(f"{one['can_id']:03X}" in page for one in tree["identifiers"])
    assert "<svg" in page
    assert "src=" not in page.split("</style>")[1]


@pytest.fixture
def inferred(run):
    """The healthy run, but what each of these signals is was found by a survey."""

    def mark(*signals):
        for file in run.glob("*.dbc"):
            text = file.read_text()
            lines = ['BA_DEF_ SG_ "CanscopeInferred" STRING;', 'BA_DEF_DEF_ "CanscopeInferred" "";']
            for message in cantools.database.load_file(file).messages:
                for signal in message.signals:
                    if signal.name in signals:
                        place = f"SG_ {message.frame_id} {signal.name}"
                        lines.append(f'BA_ "CanscopeInferred" {place} "confidence 0.9";')
            if len(lines) > 2:
                file.write_text(text + "\n".join(lines) + "\n")

    return mark


def test_an_inferred_signal_never_proves_heat_direction_or_precharge(canscope, run, inferred):
    inferred("WindingTemp", "LinkVoltage")
    words = ("--plan", run / "plan.toml", "--json", "r.json")
    code, _, _ = canscope("check", run / "capture.log", *words)
    report = json.loads((run.parent / "r.json").read_text())
    findings = {(f["rule"], f["subject"]): f for f in report["findings"]}
    assert code == 3
    for key in (("temperature-ceiling", "front winding"), ("link-discharge", "front link")):
        assert findings[key]["verdict"] == "unproven"
        assert findings[key]["reason"] == "inferred"
        assert "survey" in findings[key]["sentence"]
        assert "instrument" in findings[key]["next"]
    assert findings["temperature-ceiling", "front inverter"]["verdict"] == "pass"
    assert findings["bus-sag", "pack"]["verdict"] == "pass"
    told = [w for w in report["warnings"] if w.startswith("inferred signals")]
    assert len(told) == 1
    assert "temperature-ceiling, front winding" in told[0]
    assert "temperature-ceiling, front inverter" not in told[0]


def test_a_damaged_mark_of_an_inferred_signal_is_refused_not_passed_over(tmp_path):
    """A signal that lost its mark would prove what it cannot."""
    text = 'BU_: N\nBO_ 291 A: 8 N\n SG_ B : 0|8@1+ (1,0) [0|0] "" N\n'
    mark = 'BA_DEF_ SG_ "CanscopeInferred" STRING;\nBA_ "CanscopeInferred" SG_ 291 B "sure"'
    (tmp_path / "whole.dbc").write_text(text + mark + ";\n")
    [message] = read_definitions(tmp_path / "whole.dbc").messages
    assert message.signals[0].inferred == "sure"
    (tmp_path / "damaged.dbc").write_text(text + mark.replace("291 B", "291") + ";\n")
    with pytest.raises(CanscopeError, match="only inferred"):
        read_definitions(tmp_path / "damaged.dbc")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("(1.0) can0 123#00\n(1.1) can0 123#01\n(1.2) can0 123#02\n", "too few frames"),
        ("", "nothing to survey|no frame|empty"),
        ("(1.0) can0 123#R\n", "no data frames"),
    ],
)
def test_hardly_any_traffic_is_said_in_words(canscope, tmp_path, text, said):
    (tmp_path / "few.log").write_text(text)
    code, printed, complained = canscope("survey", "few.log", "--format", "candump")
    assert any(word in printed + complained for word in said.split("|"))
    assert code == 2


def test_no_capture_at_all_and_what_is_no_reference_are_told(canscope, tmp_path):
    assert canscope("survey", "nowhere.log")[0] == 2
    (tmp_path / "few.log").write_text("(1.0) can0 123#00\n(1.1) can0 123#01\n")
    code, _, complained = canscope("survey", "few.log", "--reference", "driver.brake=0,0.1")
    assert (code, "too few frames" in complained) == (2, True)
    os.mkfifo(tmp_path / "pipe")
    for text, said in {
        "pack.voltage=1:2": "at least 3",
        "pack.voltage=1:a,2:b": "cannot be read",
        "1:2,2:3": "which role",
        "pack.voltage*x=1:2": "not a number",
        "driver.brake=5,9,12": "none of its times lies within the 0.1 s",
        "pack.voltage=pipe": "not a plain file",
    }.items():
        code, _, complained = canscope("survey", "few.log", "--reference", text)
        assert code == 2, text
        assert said in complained, text
