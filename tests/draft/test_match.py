"""What a draft makes of names alone, and of names that could mislead it."""

import tomllib

from canscope.draft.plan import draft_plan
from canscope.draft.words import meanings

BOTH = """VERSION ""
BO_ 256 FrontDrive: 8 Node
 SG_ FrontMotorSpeed : 0|16@1- (1,0) [-9000|9000] "rpm" Node
 SG_ FrontMotorTorque : 16|16@1- (0.1,0) [-300|300] "Nm" Node
 SG_ FrontTorqueLimit : 32|16@1- (0.1,0) [-300|300] "Nm" Node
BO_ 257 RearDrive: 8 Node
 SG_ RearMotorSpeed : 0|16@1- (1,0) [-9000|9000] "rpm" Node
 SG_ RearMotorTorque : 16|16@1- (0.1,0) [-300|300] "Nm" Node
BO_ 258 Chassis: 8 Node
 SG_ VehicleSpeed : 0|16@1- (0.1,0) [-300|300] "km/h" Node
 SG_ SteeringTorque : 16|16@1- (0.1,0) [-300|300] "Nm" Node
 SG_ BrakePressure : 32|8@1+ (1,0) [0|200] "bar" Node
"""


def drafted(tmp_path, text):
    file = tmp_path / "both.dbc"
    file.write_text(text)
    return draft_plan((), [file], folder=tmp_path)


def test_signals_called_front_and_rear_make_two_units_and_the_axle_is_asked_all_the_same(tmp_path):
    """A salvaged front unit may drive the rear axle here: names of its donor prove nothing."""
    plan = tomllib.loads(drafted(tmp_path, BOTH).text())
    assert set(plan["units"]) == {"?can0-front", "?can0-rear"}
    front, rear = plan["units"]["?can0-front"], plan["units"]["?can0-rear"]
    assert front["speed"] == "can0:FrontDrive.FrontMotorSpeed"
    assert front["torque"] == "can0:FrontDrive.FrontMotorTorque"
    assert rear["torque"] == "can0:RearDrive.RearMotorTorque"
    assert "brake" not in plan["driver"]


def test_two_signals_of_equal_merit_are_both_left_open(tmp_path):
    text = BOTH.replace("FrontTorqueLimit", "FrontMotorTorque2")
    plan = tomllib.loads(drafted(tmp_path, text).text())
    assert "torque" not in plan["units"]["?can0-front"]
    assert "torque" in plan["units"]["?can0-rear"]


def test_text_of_a_definition_cannot_leave_its_comment_or_its_quotes(tmp_path):
    """What a file calls its signals is written as data, whatever is in it."""
    draft = drafted(tmp_path, BOTH)
    (bus,) = draft.inventory.buses
    bus.channel = 'can0" }\n[job]\nvehicle = "x'
    bus.files = ('a"]\nb.dbc',)
    plan = tomllib.loads(draft.text())
    assert plan["job"]["vehicle"] == "?"
    assert len(plan["buses"]) == 1


def test_words_are_found_in_compounds_and_abbreviations():
    """German joins words, engineers drop vowels: common practice, no source."""
    assert {"link", "voltage"} <= meanings("Zwischenkreisspannung").keys()
    assert {"accelerator", "position"} <= meanings("fahrpedalStellung").keys()
    assert {"motor", "speed"} <= meanings("MotSpd").keys()
    assert {"battery", "current"} <= meanings("CORRIENTE_BATERIA").keys()
    assert "second" in meanings("Pedal_2")


def test_one_signal_for_both_contactors_is_not_taken_for_one_of_them(tmp_path):
    text = BOTH + ' SG_ MainContactorsClosed : 40|1@1+ (1,0) [0|1] "" Node\n'
    draft = drafted(tmp_path, text).text()
    assert "contactors.positive" not in tomllib.loads(draft)
    assert not {"positive", "negative"} & tomllib.loads(draft)["contactors"].keys()
    assert "# both =" in draft
