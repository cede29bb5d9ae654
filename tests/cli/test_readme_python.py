"""The Python that the README shows runs as it stands, in a folder with the files that it names."""

import re
from pathlib import Path

import pytest

import canscope as cs

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")


@pytest.fixture(scope="module")
def ran(healthy, tmp_path_factory):
    """What the blocks have defined, run one after another."""
    folder = tmp_path_factory.mktemp("readme")
    for file in healthy.iterdir():
        if file.is_file():
            name = {"capture.log": "first_spin.log", "plan.toml": "bench.toml"}.get(file.name)
            (folder / (name or file.name)).write_bytes(file.read_bytes())
    section = README.split("## From Python")[1].split("\n## ")[0]
    names = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for block in re.findall(r"```python\n(.*?)```", section, re.DOTALL):
            exec(compile(block, "README.md", "exec"), names)
    return names | {"folder": folder}


def test_a_check_by_paths_gives_the_report_of_the_command(ran):
    report = ran["report"]
    assert report.verdict == "pass"
    assert report.capture.sha256  # known without naming the capture once more
    assert (ran["folder"] / "first_spin.html").exists()


def test_findings_and_bursts_are_tables(ran):
    report, findings = ran["report"], ran["findings"]
    assert findings.rule.tolist() == [finding.rule for finding in report.findings]
    assert str(findings.verdict.dtype) == "category"
    assert str(findings.margin.dtype) == "float64"
    bursts = report.bursts_frame()
    assert len(bursts) == len(report.bursts) > 0
    assert bursts.attrs["units"]["peak_speed_rpm"] == "rpm"
    assert bursts.length_s.tolist() == [burst.length_s for burst in report.bursts]


def test_signals_are_had_by_name_and_as_tables(ran):
    signals, speed, table, wide = (ran[name] for name in ("signals", "speed", "table", "wide"))
    assert signals["UnitFast.MotorSpeed"].time_ns.tolist() == speed.time_ns.tolist()
    rows = table[table.signal == "MotorSpeed"]
    assert rows.value.tolist() == speed.value.tolist()
    assert {str(table[n].dtype) for n in ("channel", "message", "signal", "unit", "label")} == {
        "category"
    }
    named = table[["channel", "message", "signal"]].drop_duplicates().astype(str)
    assert set(wide) == {"time_ns", "time_s", *(f"{c}:{m}.{s}" for c, m, s in named.to_numpy())}
    assert wide["can1:UnitFast.MotorSpeed"].dropna().tolist() == speed.value.tolist()
    assert wide.attrs["units"]["can1:UnitFast.MotorSpeed"] == "rpm"
    assert table.equals(signals.to_frame())  # as often as one likes
    assert len(list(signals)) > 0  # also in a loop, as all of it is kept


def test_wrong_names_are_answered_with_the_nearest(ran):
    signals = ran["signals"]
    for wrong, said in (
        ("MotorSped", "did you mean 'MotorSpeed'"),
        ("can1:UnitFast.MotorSped", "did you mean 'can1:UnitFast.MotorSpeed'"),
    ):
        with pytest.raises(cs.CanscopeError, match=said):
            signals[wrong]
    both = cs.decode(ran["folder"] / "first_spin.log", ran["plan"].definitions)
    keys = "'can1:UnitFast.MotorSpeed', 'can2:UnitFast.MotorSpeed'"
    with pytest.raises(cs.CanscopeError) as told:
        both["MotorSpeed"]
    assert "2 signals are named 'MotorSpeed'" in str(told.value)
    assert all(key.strip("'") in str(told.value) for key in keys.split(", "))


def test_a_name_means_the_bus_on_which_it_occurs(ran):
    """The unit's definition for every bus: only two of them carry it, and the cabin is on one."""
    files = [str(file) for file in ran["folder"].glob("*.dbc")]
    signals = cs.decode(ran["folder"] / "first_spin.log", files)
    assert signals["Cabin.Pedal"].spec.channel == "can0"
    with pytest.raises(cs.CanscopeError, match="2 signals are named"):
        signals["MotorSpeed"]


def test_what_is_used_up_is_told_as_that(ran):
    plan = ran["plan"]
    signals = cs.decode(ran["folder"] / "first_spin.log", plan.definitions)
    list(signals)
    for again in (lambda: cs.check(signals, plan), signals.to_frame, lambda: list(signals)):
        with pytest.raises(cs.CanscopeError, match="used up"):
            again()
    with pytest.raises(cs.CanscopeError, match="used up"):
        cs.check(iter(()), plan)


def test_what_is_printed_at_a_prompt_is_short(ran):
    chunk = ran["chunk"]
    shown = [*(ran[n] for n in ("report", "signals", "speed", "plan", "frames")), chunk]
    shown += [chunk.frames, ran["plan"].definitions, ran["report"].findings[0]]
    assert all(len(repr(one)) < 300 for one in shown)
    assert "MotorSpeed in rpm" in repr(ran["speed"])
