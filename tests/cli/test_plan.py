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
