"""Bad input through the command line: exit 2 with what, where and what to do, or the run goes on
and a finding says it. Never a traceback, never silence, and never a pass."""

import json
import os
import random
import re
import subprocess
import sys

import pytest

from canscope.capture import read
from canscope.capture.input import file


def check(canscope, run, *words):
    """Check the run; (exit code, report as JSON or None, complaint)."""
    file = run / "report.json"
    plan = run / "plan.toml"
    code, _, err = canscope("check", run / "capture.log", "--plan", plan, "--json", file, *words)
    return code, json.loads(file.read_text()) if file.exists() else None, err


def finding(report, rule, subject=None):
    return next(
        f for f in report["findings"] if f["rule"] == rule and subject in (None, f["subject"])
    )


def edit(file, old, new, count=1):
    text = file.read_text("utf-8")
    assert old in text, f"{old!r} is not in {file.name}"
    file.write_text(text.replace(old, new, count), "utf-8")


def test_the_unspoiled_run_passes(canscope, run):
    code, report, _ = check(canscope, run)
    assert (code, report["verdict"]) == (0, "pass")
    assert all(f["verdict"] == "pass" for f in report["findings"] if f["required"])


# --- captures


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "holds no"),
        (b"\x7fELF\x02\x01\x01\x00" + bytes(range(256)) * 40, "capture.log"),
        (b"Time,ID,Length,Data\n0.1,1A0,2,01 02\n0.2,1A0,2,01 02\n" * 20, "capture.log"),
        (b"just some words\nand more of them\n" * 20, "candump"),
    ],
    ids=["empty", "binary", "csv-named-log", "prose"],
)
def test_a_file_that_is_no_capture_is_refused_with_advice(canscope, run, content, told):
    (run / "capture.log").write_bytes(content)
    code, report, err = check(canscope, run)
    assert (code, report) == (2, None)
    assert "capture.log" in err
    assert told in err
    assert "hint:" in err


def test_what_would_be_waited_for_or_is_no_file_is_refused(canscope, run, monkeypatch):
    """A pipe into which nobody writes, a device, a folder."""
    monkeypatch.setattr(file, "PATIENCE_S", 0.05)
    os.mkfifo(run / "pipe")
    for name, told in (
        (run / "pipe", "nobody has written to this pipe"),
        ("/dev/zero", "this is a device"),
        (run, "a folder among captures"),
    ):
        words = ("check", name, run / "capture.log", "--plan", run / "plan.toml")
        code, _, err = canscope(*(words if name == run else words[:2] + words[3:]))
        assert code == 2
        assert told in err
        assert "hint:" in err
    (run / "pipe").rename(run / "marks.jsonl")  # the run folder's own marks are never skipped
    code, _, err = canscope("check", run)
    assert code == 2
    assert "marks.jsonl: cannot be read: not a plain file" in err


def test_no_capture_of_a_run_folder_is_passed_over_because_it_is_no_plain_file(
    canscope, run, monkeypatch
):
    monkeypatch.setattr(file, "PATIENCE_S", 0.05)
    other = run / "capture-0002.log"
    os.mkfifo(other)
    assert canscope("check", run)[0] == 2
    for goal, told in (("/dev/zero", "this is a device"), ("nowhere", "No such file")):
        other.unlink()
        other.symlink_to(goal)
        code, _, err = canscope("check", run)
        assert code == 2
        assert "capture-0002.log" in err
        assert told in err


@pytest.mark.parametrize(
    ("stamp", "count", "told"),
    [
        (lambda n: f"{1_700_000_000 + n % 2 * 100}.000000", 200, "its clock was set more than"),
        (lambda n: "9223372037.000000", 20, "does not fit 64 bits"),
        (lambda n: "-1.000000", 20, "looks like other text"),
    ],
    ids=["alternating", "beyond", "below"],
)
def test_stamps_that_are_no_times_are_refused(canscope, run, stamp, count, told, monkeypatch):
    """A clock that alternates took 5.6 ms a frame; the bound of 200 is lowered, to save time."""
    monkeypatch.setattr(read, "MOST_STEPS", 20)
    lines = [f"({stamp(n)}) can0 138#000102\n" for n in range(count)]
    (run / "capture.log").write_text("".join(lines))
    code, report, err = check(canscope, run)
    assert (code, report) == (2, None)
    assert told in err
    assert "hint:" in err


@pytest.mark.parametrize(("digits", "told"), [(0, "to 1 s only"), (1, "to 0.1 s only"), (3, "")])
def test_stamps_that_are_too_coarse_to_judge_by_fail_no_healthy_vehicle(
    canscope, run, digits, told
):
    """As a spreadsheet rounds them; the demo's fastest messages come every 10 ms."""
    log = run / "capture.log"
    lines = [line[1:].split(")", 1) for line in log.read_text().splitlines(keepends=True)[:3000]]
    log.write_text(
        "".join(
            f"({float(stamp):.{digits}f}{'' if digits else '.0'}){rest}" for stamp, rest in lines
        )
    )
    code, report, err = check(canscope, run)
    assert (code, report is None) == ((2, True) if told else (3, False))
    assert told in err
    assert ("hint: export it with at least three digits" in err) == bool(told)


@pytest.mark.skipif(sys.platform != "linux", reason="a limit of memory that holds")
def test_little_memory_few_files_and_a_narrow_dumb_terminal_change_nothing(run):
    """1 GB of addresses, 32 open files, no standard input, 20 x 5 characters of ASCII."""
    import resource  # not on Windows

    capture = run / "capture.log"
    capture.write_text("".join(capture.read_text().splitlines(keepends=True)[:600]))

    def limited():
        resource.setrlimit(resource.RLIMIT_AS, (1_000_000_000, 1_000_000_000))
        resource.setrlimit(resource.RLIMIT_NOFILE, (32, 32))
        os.close(0)

    words = [sys.executable, "-m", "canscope", "check", capture, "--plan", run / "plan.toml"]
    small = {**os.environ, "TERM": "dumb", "COLUMNS": "20", "LINES": "5"}
    small["PYTHONIOENCODING"] = "ascii"
    done = subprocess.run(
        [*words, "--out", run / "out"], capture_output=True, env=small, preexec_fn=limited
    )
    assert (done.returncode, done.stderr) == (3, b"")
    assert b"\x1b" not in done.stdout
    assert b"\\xb1" in done.stdout  # plus or minus
    assert all(len(line) <= 20 for line in done.stdout.decode().splitlines()[:10])
    assert len(list((run / "out").iterdir())) == 3


def test_a_folder_that_is_gone_under_the_command_is_told(canscope, run, monkeypatch):
    (run / "gone").mkdir()
    monkeypatch.chdir(run / "gone")
    (run / "gone").rmdir()
    code, _, err = canscope("check", "../capture.log", "--plan", "../plan.toml")
    assert code == 2
    assert "the folder in which it was started is gone" in err


def test_a_capture_that_is_not_there_is_refused(canscope, run):
    (run / "capture.log").unlink()
    code, _, err = check(canscope, run)
    assert code == 2
    assert "capture.log" in err


def test_a_log_cut_mid_line_fails_the_capture_and_says_so(canscope, run):
    log = run / "capture.log"
    log.write_bytes(log.read_bytes()[:-9])
    code, report, _ = check(canscope, run)
    assert code == 1
    cut = finding(report, "capture-integrity")
    assert cut["verdict"] == "fail"
    assert "cut" in cut["sentence"]


def garbled(log, share):
    lines = log.read_text().splitlines()
    chosen = random.Random(1).sample(range(20, len(lines)), round(share * len(lines)))
    for i in chosen:
        lines[i] = "(170000 broken " + lines[i][8:]
    log.write_text("\n".join(lines) + "\n")
    return len(chosen)


def test_three_percent_of_garbage_fails_the_capture_and_is_counted_and_placed(canscope, run):
    count = garbled(run / "capture.log", 0.03)
    code, report, _ = check(canscope, run)
    assert code == 1
    assert finding(report, "capture-integrity")["verdict"] == "fail"
    assert report["capture"]["skipped_count"] == count
    assert "capture.log:" in report["capture"]["skipped"][0]


def test_just_under_one_percent_of_garbage_is_told_and_judged_on(canscope, run):
    count = garbled(run / "capture.log", 0.0099)
    _, report, _ = check(canscope, run)
    integrity = finding(report, "capture-integrity")
    assert integrity["verdict"] == "pass"
    assert str(count) in integrity["sentence"]


def test_stamps_that_step_back_fail_the_capture_and_nothing_is_passed_across(canscope, run):
    log = run / "capture.log"
    lines = log.read_text().splitlines(keepends=True)
    for i in range(len(lines) // 2, len(lines)):
        stamp, rest = lines[i][1:].split(")", 1)
        lines[i] = f"({float(stamp) - 3600:.6f}){rest}"
    log.write_text("".join(lines))
    code, report, _ = check(canscope, run)
    assert code == 1
    integrity = finding(report, "capture-integrity")
    assert integrity["verdict"] == "fail"
    assert "stepped back by 3599.99" in integrity["sentence"]  # to the frame before it
    assert finding(report, "speed-ceiling", "front")["verdict"] == "unproven"


def test_a_capture_without_a_bus_that_the_plan_names_is_unproven_or_failed(canscope, run):
    log = run / "capture.log"
    lines = log.read_text().splitlines(keepends=True)
    log.write_text("".join(line for line in lines if " can2 " not in line))
    code, report, _ = check(canscope, run)
    assert code in (1, 3)
    missing = finding(report, "message-presence", "can2:UnitFast")
    assert (missing["verdict"], missing["reason"]) == ("unproven", "not-seen")
    assert finding(report, "axle-direction", "rear forward")["reason"] == "not-seen"


def test_a_definition_whose_ids_never_occur_proves_nothing(canscope, run):
    file = run / "drive_unit.dbc"
    moved = r"\b(BO_|VAL_|CM_ SG_|SIG_VALTYPE_) (\d+)"
    file.write_text(re.sub(moved, lambda m: f"{m[1]} {int(m[2]) + 5}", file.read_text()))
    code, report, _ = check(canscope, run)
    assert code in (1, 3)
    assert finding(report, "axle-direction", "front forward")["reason"] == "not-seen"
    assert finding(report, "message-presence", "can1:UnitFast")["reason"] == "not-seen"


# --- plans


def test_ten_different_mistakes_are_told_at_once_each_with_its_line(canscope, run):
    (run / "plan.toml").write_text(
        """format = 1
include = "vehicle.toml"
[job]
vehicle = "Bramble"
stage = "dry-spinn"
coolant = "full"
oil = "empty"
[packs]
x = 1
[supply]
voltage = "can0:Supply.ControlVoltag"
[driver]
pedal = "can0:Cabin.Direction"
brake = "can9:Cabin.BrakePressed"
[limits]
dry_burst_s = -1
speed_rpm = "fast"
temperature_ceiling_degC = { windin = 110 }
[rules.axle-directon]
[rules.bus-sag]
limit_percnt = 10
[[waivers]]
rule = "axle-direction"
reason = "because"
by = "A. Tester"
""",
        "utf-8",
    )
    code, _, err = check(canscope, run)
    assert code == 2
    told = [line for line in err.splitlines() if "hint:" not in line]
    assert len([line for line in told if "plan.toml:" in line]) >= 10
    for name in ("dry-spin", "axle-direction", "limit_percent", "ControlVoltage", "winding"):
        assert name in err, f"no advice on {name}"


def bound(run, old, new):
    edit(run / "vehicle.toml", old, new)


def test_a_signal_that_does_not_exist_is_answered_with_the_nearest(canscope, run):
    bound(run, "UnitFast.MotorSpeed", "UnitFast.MotorSped")
    code, _, err = check(canscope, run)
    assert code == 2
    assert "vehicle.toml:" in err
    assert "UnitFast.MotorSpeed" in err


def test_a_role_bound_to_the_wrong_unit_is_refused(canscope, run):
    bound(run, "can1:UnitFast.MotorSpeed", "can1:UnitSlow.WindingTemp")
    code, _, err = check(canscope, run)
    assert code == 2
    assert "units.front.speed" in err
    assert "rpm" in err


def test_an_ambiguous_name_is_refused_with_its_candidates(canscope, run):
    bound(run, "can1:UnitFast.MotorSpeed", "UnitFast.MotorSpeed")
    code, _, err = check(canscope, run)
    assert code == 2
    assert "can1:UnitFast.MotorSpeed" in err
    assert "can2:UnitFast.MotorSpeed" in err


def test_two_roles_on_one_signal_are_refused(canscope, run):
    bound(run, "can2:UnitFast.MotorSpeed", "can1:UnitFast.MotorSpeed")
    code, _, err = check(canscope, run)
    assert code == 2
    assert "units.front.speed" in err
    assert "units.rear.speed" in err


def test_a_plan_that_is_no_toml_is_refused_with_its_line(canscope, run):
    (run / "plan.toml").write_text('format = 1\n[job\nvehicle = "x"\n')
    code, _, err = check(canscope, run)
    assert code == 2
    assert "plan.toml:2" in err


# --- definitions


def test_a_definition_that_cannot_be_parsed_is_told_with_file_and_line(canscope, run):
    edit(run / "drive_unit.dbc", "BO_ ", "BO_ this is no message ")
    code, _, err = check(canscope, run)
    assert code == 2
    assert "drive_unit.dbc:" in err


def test_overlapping_signals_are_refused_by_name(canscope, run):
    text = (run / "drive_unit.dbc").read_text()
    line = next(x for x in text.splitlines() if "SG_ MotorSpeed" in x)
    edit(run / "drive_unit.dbc", line, line + "\n" + line.replace("MotorSpeed", "Twin"))
    code, _, err = check(canscope, run)
    assert code == 2
    assert "Twin" in err
    assert "MotorSpeed" in err


def test_a_definition_in_latin_1_is_read(canscope, run):
    file = run / "drive_unit.dbc"
    text = file.read_text("utf-8") + '\nCM_ "Prüfstand, Überlauf bei 20 °C";\n'
    file.write_bytes(text.encode("latin-1"))
    code, report, _ = check(canscope, run)
    assert (code, report["verdict"]) == (0, "pass")


def test_a_script_in_a_definition_is_shown_and_not_run(canscope, run):
    edit(run / "vehicle.toml", "Bramble", "Bramble <script>alert(1)</script>")
    edit(run / "plan.toml", "Bramble", "Bramble <script>alert(1)</script>")
    page = run / "report.html"
    check(canscope, run, "--html", page)
    text = page.read_text("utf-8")
    assert "<script>alert(1)" not in text
    assert "&lt;script&gt;alert(1)" in text


# --- where reports go


def test_an_output_folder_that_cannot_be_written_is_told(canscope, run):
    (run / "taken").write_text("a file, not a folder")
    code, _, err = check(canscope, run, "--out", run / "taken")
    assert code == 2
    assert "taken" in err
    assert "--out" in err


def test_a_report_is_never_overwritten(canscope, run):
    check(canscope, run)
    code, _, err = check(canscope, run)
    assert code == 2
    assert "exists already" in err


def test_reports_in_a_folder_are_numbered(canscope, run):
    words = ("check", run / "capture.log", "--plan", run / "plan.toml", "--out", run / "out")
    canscope(*words)
    canscope(*words)
    names = sorted(path.name for path in (run / "out").iterdir())
    assert names == [f"capture-00{n}.{s}" for n in (1, 2) for s in ("html", "json", "xml")]


def test_a_capture_without_a_plan_is_refused(canscope, run):
    code, _, err = canscope("check", run / "capture.log")
    assert code == 2
    assert "--plan" in err


def test_a_run_folder_stands_for_capture_and_plan(canscope, run):
    code, out, _ = canscope("check", run, "--quiet", "--out", run / "out")
    assert (code, out.strip()) == (0, "pass")


def test_an_unknown_command_and_an_unknown_rule_are_told(canscope, capsys):
    with pytest.raises(SystemExit) as left:
        canscope("chek")
    assert left.value.code == 2
    capsys.readouterr()
    code, _, err = canscope("explain", "axle-directon")
    assert code == 2
    assert "did you mean 'axle-direction'?" in err
    _, _, err = canscope("explain", "units.rear.sped")
    assert "did you mean 'units.rear.speed'?" in err


def test_a_path_that_is_not_there_is_told_before_a_plan_is_asked_for(canscope, run):
    code, _, err = canscope("check", run / "no-such-run")
    assert code == 2
    assert "no-such-run: no file or folder of that name" in err


def test_a_run_folder_stands_by_itself(canscope, run):
    code, _, err = canscope("check", run, run / "capture.log", "--plan", run / "plan.toml")
    assert code == 2
    assert "a folder among captures" in err
    assert "hint: give one run folder by itself" in err


def test_seconds_that_end_before_they_begin_decode_nothing(canscope, run, tmp_path):
    words = ("--bus", f"can1={run / 'drive_unit.dbc'}", "--to", tmp_path / "t.csv")
    code, _, err = canscope("decode", run / "capture.log", *words, "--from", "5", "--until", "1")
    assert code == 2
    assert "--from 5 is not before --until 1" in err
    assert not (tmp_path / "t.csv").exists()
