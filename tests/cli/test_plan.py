"""canscope plan check and card: exit codes of design.md section 4, output a person can act on."""

from canscope.cli.main import main
from tests.plan.example import PLAN, lay_out


def test_check_tells_what_is_bound_and_what_stays_unproven(tmp_path, capsys):
    text = PLAN.replace('torque       = "can2:UnitFast.Torque"', "")
    text = text.replace('brake     = "can0:Cabin.BrakePressed"', "")
    assert main(["plan", "check", str(lay_out(tmp_path, text))]) == 0
    out = capsys.readouterr().out
    assert "stage dry-spin" in out
    assert "can1:UnitFast.MotorSpeed" in out
    assert "ohm = kOhm * 1000" in out
    assert "stays unproven: brake-interlock" in out
    assert "no signal for driver.brake" in out
    provable = next(line for line in out.splitlines() if line.startswith("required and provable"))
    assert "current-ceiling" in provable
    assert "brake-interlock" not in provable
    assert "off: axle-witness: no second person today" in out


def test_check_names_a_signal_that_looks_like_a_role_the_vehicle_is_said_not_to_have(
    tmp_path, capsys
):
    text = PLAN.replace('brake     = "can0:Cabin.BrakePressed"', "")
    text += '\n[not_on_this_vehicle]\nroles = ["driver.brake"]\n'
    path = lay_out(tmp_path, text + 'reason = "wired"\nby = "A. Tester"\n')
    assert main(["plan", "check", str(path)]) == 0
    out = capsys.readouterr().out
    assert "but can0:Cabin.BrakePressed looks like driver.brake: bind it" in out


def test_check_lists_the_codes_that_mean_no_value(tmp_path, capsys):
    path = lay_out(tmp_path)
    file = tmp_path / "drive_unit.dbc"
    number = next(line.split()[1] for line in file.read_text().split("\n") if "UnitFast" in line)
    labels = 'VAL_ {} Torque 32766 "Fehler" 32767 "nicht verfügbar" ;\n'
    file.write_text(file.read_text() + labels.format(number), "utf-8")
    assert main(["plan", "check", str(path)]) == 0
    out = capsys.readouterr().out
    assert "no value: units.rear.torque: 32766 Fehler, 32767 nicht verfügbar" in out
    assert "no value: units.front.link_voltage: the codes of J1939" in out  # as the plan says
    assert "no value: units.front.torque" not in out  # signed: J1939 has no codes there


def test_a_broken_definition_of_two_buses_is_told_once_and_a_lost_signal_by_its_line(
    tmp_path, capsys
):
    path = lay_out(tmp_path)
    file = tmp_path / "drive_unit.dbc"
    sound = file.read_text()
    file.write_text(sound + "VAL_ 1", "utf-8")
    assert main(["plan", "check", str(path)]) == 2
    told = capsys.readouterr().err
    assert told.count("ends in the middle of a statement") == 1
    assert "1 mistake" in told
    typed = next(line for line in sound.split("\n") if "SG_ Torque" in line)
    file.write_text(sound.replace(typed, f"{typed}\n{typed.replace('Torque', 'Twin')}"), "utf-8")
    assert main(["plan", "check", str(path)]) == 2
    told = capsys.readouterr().err
    line = sound.split("\n").index(typed) + 1
    assert "units.front.torque: signal 'can1:UnitFast.Torque' cannot be used: " in told
    assert f"drive_unit.dbc:{line}: signal 'Torque' of message 'UnitFast' overlaps 'Twin'" in told
    assert "hint: correct start bit" in told
    assert "units.front.speed" not in told


def test_check_prints_every_mistake_and_answers_2(tmp_path, capsys):
    text = PLAN.replace("[rules.axle-witness]", "[rules.axle-directon]").replace(
        "yaw = 180", "yaw = 9x"
    )
    assert main(["plan", "check", str(lay_out(tmp_path, text))]) == 2
    assert "not valid TOML" in capsys.readouterr().err
    text = PLAN.replace("[rules.axle-witness]", "[rules.axle-directon]").replace(
        "cold     =", "clod ="
    )
    path = lay_out(tmp_path, text)
    assert main(["plan", "check", str(path)]) == 2
    told = capsys.readouterr().err
    line = text.split("\n").index("[rules.axle-directon]") + 1
    assert f"{path}:{line}: rules.axle-directon: no rule of that name" in told
    assert "hint: did you mean 'axle-direction'?" in told
    assert "job.clod: no key of that name" in told
    assert "2 mistakes" in told


def test_card_prints_text_or_writes_one_page(tmp_path, capsys):
    path = lay_out(tmp_path)
    assert main(["plan", "card", str(path)]) == 0
    assert "[ ] " in capsys.readouterr().out
    assert main(["plan", "card", str(path), "--out", str(tmp_path / "card.html")]) == 0
    assert "size: A4" in (tmp_path / "card.html").read_text("utf-8")
    assert main(["plan", "card", str(path), "--out", str(tmp_path / "no" / "card.html")]) == 2
    assert "cannot be written" in capsys.readouterr().err
