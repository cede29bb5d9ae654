"""``canscope plan new`` and ``signals`` as a new user meets them: draft, questions, bad input."""

import os
import pty
import re
import select
import subprocess
import sys
import tomllib

import pytest

from canscope.draft.answers import value_of
from canscope.plan.load import read_plan
from canscope.plan.questions import question_at

# What the people beside the demo vehicle know (canscope/simulate/vehicle.py, BRAMBLE).
KNOWN = {
    "vehicle": '"Bramble"', "stage": '"dry-spin"', "coolant": '"empty"', "oil": '"empty"',
    "maximum_voltage_V": "409", "bleed": '"active"', "gear_ratio": "9.1", "dry_burst_s": "5",
    "dry_total_s": "60", "dry_current_A": "30", "speed_rpm": "1500",
}  # fmt: skip
BUILT = {"can1": ("front", "{ yaw = 180 }", "true"), "can2": ("rear", "{ yaw = 0 }", "false")}


def answered(text):
    """The draft with every question answered, as somebody would in an editor."""
    channel = ""
    lines = []
    for line in text.split("\n"):
        if found := re.match(r'\[units\."\?(\w+)"\]', line):
            channel = found[1]
            line = f"[units.{BUILT[channel][0]}]"
        elif line.startswith("mounting"):
            line = f"mounting = {BUILT[channel][1]}"
        elif line.startswith("phases_swapped"):
            line = f"phases_swapped = {BUILT[channel][2]}"
        elif line.startswith("temperature_ceiling_degC"):
            line = "temperature_ceiling_degC = { inverter = 75, winding = 110 }"
        elif '"?"' in line and not line.startswith("#"):
            line = f"{line.split()[0]} = {KNOWN[line.split()[0]]}"
        lines.append(line)
    return "\n".join(lines)


def draft(canscope, run, *words):
    definitions = sorted(run.glob("*.dbc"))
    out = run / "bench.toml"
    told = canscope("plan", "new", run / "capture.log", "--definitions", *definitions, "--to", out,
                    *words)  # fmt: skip
    return out, told


def test_a_draft_binds_what_the_demos_own_plan_binds_and_passes_once_it_is_answered(canscope, run):
    path, (code, out, err) = draft(canscope, run)
    text = path.read_text("utf-8")
    assert code == 2  # something is missing
    assert "written:" in out
    lines = text.split("\n")
    ratio = next(n for n, line in enumerate(lines, 1) if line.startswith("gear_ratio"))
    assert f"{path}:{ratio}: units.'?can1'.gear_ratio: open question" in err
    assert set(tomllib.loads(text)["units"]) == {"?can1", "?can2"}  # which is front stays open
    path.write_text(answered(text), "utf-8")
    assert canscope("plan", "check", path)[0] == 0
    drafted, own = read_plan(path), read_plan(run / "plan.toml")
    assert {role: b.key for role, b in drafted.bench.bindings.items()} == {
        role: b.key for role, b in own.bench.bindings.items()
    }
    marks = run / "seen.jsonl"
    marks.write_text(
        "".join(
            f'{{"at_s": {mark.time_ns / 1e9 if mark.at_s is None else mark.at_s}, '
            f'"axle": "{mark.axle}", "seen": "{mark.seen}"}}\n'
            for mark in own.marks
        )
    )
    code, out, _ = canscope(
        "check", run / "capture.log", "--plan", path, "--marks", marks, "--quiet"
    )
    assert (code, "pass" in out.casefold()) == (0, True)


def test_a_plan_is_never_overwritten(canscope, run):
    (run / "bench.toml").write_text("mine")
    path, (code, _, err) = draft(canscope, run, "--yes")
    assert code == 2
    assert "exists already" in err
    assert path.read_text() == "mine"


def test_bad_captures_are_told_and_draft_nothing(canscope, run):
    definitions = sorted(run.glob("*.dbc"))
    (run / "random.log").write_bytes(bytes(range(256)) * 40)
    lines = (run / "capture.log").read_text("utf-8").splitlines(keepends=True)
    (run / "three.log").write_text("".join(lines[:3]))
    (run / "one.log").write_text("".join(line for line in lines[:4000] if " can1 2A0#" in line))
    (run / "odd.log").write_text("(1700000000.000000) can0 7FF#00\n" * 5)
    for name, said in (
        ("random.log", "this looks like"),
        ("none.log", "cannot be opened"),
        ("odd.log", "no definition fits any bus"),
    ):
        words = ("plan", "new", run / name, "--definitions", *definitions, "--to", run / "x.toml")
        code, _, err = canscope(*words)
        assert (code, said in err) == (2, True), err
        assert not (run / "x.toml").exists()
    for name in ("three.log", "one.log"):
        to = run / f"{name}.toml"
        code, _, err = canscope(
            "plan", "new", run / name, "--definitions", *definitions, "--to", to
        )
        assert code == 2
        assert "open question" in err
        assert tomllib.loads(to.read_text("utf-8"))["format"] == 1
    code, _, err = canscope("plan", "new", "--definitions", *definitions, "--to", run / "bare.toml")
    assert "open question" in err
    bare = (run / "bare.toml").read_text("utf-8")
    assert "No capture was given" in bare
    assert "in this capture" not in bare


def test_two_definitions_that_fit_alike_are_a_question(canscope, run):
    unit = (run / "drive_unit.dbc").read_text("utf-8")
    (run / "other.dbc").write_text(unit.replace("(0.5,0)", "(0.25,0)"), "utf-8")
    _, (_, _, err) = draft(canscope, run)
    assert "buses.can1.definitions: open question: which definition is right" in err


def test_signals_shows_what_is_there_and_writes_json_and_a_page(canscope, run):
    name = "<script>alert(1)</script>"
    unit = (run / "drive_unit.dbc").read_text("utf-8")
    (run / "drive_unit.dbc").write_text(unit.replace('"rpm"', f'"{name}"'), "utf-8")
    code, out, _ = canscope("signals", run / "capture.log", "--definitions", *run.glob("*.dbc"),
                            "--json", run / "s.json", "--html", run / "s.html")  # fmt: skip
    assert code == 0
    assert "can1: drive_unit.dbc (knows 2 of 2 identifiers" in out
    assert "MotorSpeed" in out
    import json

    found = json.loads((run / "s.json").read_text("utf-8"))
    assert found["buses"]["can0"]["never_seen"] == []
    speeds = [row for row in found["signals"] if row["signal"] == "MotorSpeed"]
    assert [row["channel"] for row in speeds] == ["can1", "can2"]
    page = (run / "s.html").read_text("utf-8")
    assert name not in page
    assert "<polygon" in page


def test_a_plan_among_the_captures_is_recognised(canscope, run):
    code, _, err = canscope("check", run / "capture.log", run / "plan.toml")
    assert code == 2
    assert f"canscope check {run / 'capture.log'} --plan {run / 'plan.toml'}" in err
    code, _, err = canscope("check", run / "plan.toml", "--plan", run / "plan.toml")
    assert "this looks like a bench plan" in err
    code, _, err = canscope("signals", run / "drive_unit.dbc")
    assert "this looks like a signal definition" in err


@pytest.mark.skipif(sys.platform == "win32", reason="no terminal of that kind")
def test_on_a_terminal_it_asks_and_writes_the_answers(run):
    """A real terminal: the first question is answered, the rest left with Ctrl-D."""
    lines = (run / "capture.log").read_text("utf-8").splitlines(keepends=True)
    (run / "short.log").write_text("".join(lines[:300]), "utf-8")
    words = ["plan", "new", "short.log", "--definitions", "bramble_vehicle.dbc"]
    main, side = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "canscope", *words],
        cwd=run, stdin=side, stdout=side, stderr=side, env={**os.environ, "TERM": "dumb"},
    ) as process:  # fmt: skip
        os.close(side)
        said, answers = "", [b"Thistle, van\n", b"\x04"]
        while process.poll() is None or select.select([main], [], [], 0)[0]:
            if select.select([main], [], [], 0.1)[0]:
                try:
                    said += os.read(main, 4096).decode(errors="replace")
                except OSError:  # the other end is closed
                    break
            if said.rstrip().endswith("answer:") and answers:
                os.write(main, answers.pop(0))
                said += "\n"
    os.close(main)
    assert "What is the vehicle called?" in said
    assert "unit-alone: one unit on the bench" in said
    plan = tomllib.loads((run / "bench.toml").read_text("utf-8"))
    assert plan["job"]["vehicle"] == "Thistle, van"
    assert plan["job"]["stage"] == "?"
    assert process.returncode == 2


def test_answers_are_understood_as_people_type_them():
    """A question answered yes or no takes these words; no axle is called yes, or 9.1."""
    said = {
        ("units", "front", "phases_swapped"): {"no": "false", "Yes": "true", "5": None},
        ("contactors", "bleed"): {"None": "false", "Active": '"active"', "yes": None},
        ("units", "?can1"): {"rear": "rear", "yes": None, "9": None},
        ("pack", "maximum_voltage_V"): {
            "409,5": "409.5",
            "409 V": "409",
            "0.4 kV": None,
            "a": None,
        },
        ("units", "rear", "gear_ratio"): {"9,1:1": "9.1"},
        ("units", "rear", "mounting"): {
            "yaw 180": "{ yaw = 180 }",
            "Yaw: 180 roll 90": "{ yaw = 180, roll = 90 }",
            "0 0 180": "{ roll = 0, pitch = 0, yaw = 180 }",
            "180": None,
        },
    }
    for path, answers in said.items():
        for typed, value in answers.items():
            assert value_of(question_at(path), path, typed, None) == value, typed


def test_a_short_capture_and_one_bus_recorded_twice_are_told(canscope, run):
    lines = (run / "capture.log").read_text("utf-8").splitlines(keepends=True)
    (run / "three.log").write_text("".join(lines[:3]), "utf-8")
    words = ("--definitions", run / "drive_unit.dbc", run / "bramble_vehicle.dbc")
    code, printed, _ = canscope("plan", "new", run / "three.log", *words, "--to", "a.toml", "--yes")
    assert code == 2
    assert "only 3 frames in 0.0 s" in printed
    unit = [line for line in lines[:8000] if " can1 " in line]
    twice = [copy for line in unit for copy in (line, line.replace(" can1 ", " can2 "))]
    (run / "twice.log").write_text("".join(twice), "utf-8")
    code, printed, _ = canscope("signals", run / "twice.log", *words)
    assert code == 0
    assert "can1 and can2 carry the very same values" in printed
    assert "very same" not in canscope("signals", run / "capture.log", *words)[1]
