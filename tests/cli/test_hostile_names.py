"""Names that would steer a terminal or run as a script or a formula: shown, never obeyed."""

import csv
import json
import os
import subprocess
import sys
from xml.etree import ElementTree

import pytest

EVIL = "\x1b]0;taken\x07\x1b[2J<script>alert(1)</script>\r\nPASS\x9b1A\u202e"
FORMULA = "=HYPERLINK(1)"


def toml(text):
    return '"' + "".join(f"\\U{ord(c):08x}" for c in text) + '"'


def is_harmless(text):
    """Whether no character of it steers a terminal; line ends are our own."""
    return not any(
        (ord(c) < 32 and c != "\n") or 127 <= ord(c) < 160 or c == "\u202e" for c in text
    )


@pytest.fixture
def hostile(run):
    """A plan, a definition and a capture with such names; the first second of the demo's run."""
    capture = run / "cap\x1b[2J<img src=x>\nPASS.log"
    lines = (run / "capture.log").read_text().splitlines(keepends=True)[:300]
    stamp = lines[200].split()[0]
    capture.write_text("".join([*lines[:200], f"{stamp} \x1b[31m<b>bus 1#00\n", *lines[200:]]))
    plan = run / "plan.toml"
    text = plan.read_text().replace('"Bramble, forestry 4x4"', toml(EVIL), 1)
    text = text.replace('"workshop bay 2"', toml(EVIL))
    text += f'\n[[waivers]]\nrule = "emergency-stop"\nreason = {toml(EVIL)}\nby = {toml(EVIL)}\n'
    plan.write_text(text)
    dbc = run / "bramble_vehicle.dbc"
    text = dbc.read_text() + f'\nVAL_ 312 Direction 0 "{FORMULA}" 1 "-5" 2 "+x\x1b[2J" ;\n'
    dbc.write_text(text)
    return capture, plan


def test_what_check_prints_and_writes_shows_them(hostile, canscope, tmp_path):
    capture, plan = hostile
    to = {kind: tmp_path / f"r.{kind}" for kind in ("html", "json", "xml")}
    words = "--html", to["html"], "--json", to["json"], "--junit", to["xml"]
    code, out, err = canscope("check", capture, "--plan", plan, *words)
    assert code == 3, err
    assert is_harmless(out + err)
    assert "\ufffd" in out
    assert not any(line.strip() == "PASS" or line.startswith("PASS") for line in out.splitlines())
    page = to["html"].read_text()
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page
    assert "]0;taken" in page
    assert "\x1b]0;taken" not in page
    assert is_harmless(to["json"].read_text())
    assert json.loads(to["json"].read_text())["vehicle"] == EVIL  # the data are what they were
    assert is_harmless(to["xml"].read_text())
    assert ElementTree.parse(to["xml"]).getroot().tag == "testsuite"
    for words in (
        ("verify", to["json"]),
        ("compare", to["json"], to["json"]),
        ("plan", "card", plan),
    ):
        code, out, err = canscope(*words)
        assert code in (0, 3), out + err
        assert is_harmless(out + err)


@pytest.mark.parametrize("words", [("check", "{}", "--plan", "p.toml"), ("verify", "{}")])
def test_an_error_that_names_a_file_is_harmless(canscope, words):
    code, _, err = canscope(*(word.format("x\x1b[2J\nPASS.json") for word in words))
    assert code == 2
    assert is_harmless(err)
    assert "\nPASS" not in err


def test_a_spreadsheet_runs_nothing_of_a_decoded_table(hostile, canscope, tmp_path):
    capture, plan = hostile
    table = tmp_path / "t.csv"
    definition = plan.with_name("bramble_vehicle.dbc")
    definition.write_text(definition.read_text().replace('"V"', '"@V"'))
    bus = f"can0={definition}"
    assert canscope("decode", capture, "--bus", bus, "--to", table)[0] == 0
    rows = list(csv.DictReader(table.read_text().splitlines()))
    assert {row["label"] for row in rows if row["signal"] == "Direction"} == {f"'{FORMULA}"}
    assert {row["unit"] for row in rows if row["signal"] == "PackVoltage"} == {"'@V"}
    currents = [row["value"] for row in rows if row["signal"] == "PackCurrent"]
    assert all(abs(float(value)) < 5 for value in currents)  # numbers stay numbers
    assert not any(cell[:1] in "=@\t" and cell for row in rows for cell in row.values())
    assert is_harmless(table.read_text())


@pytest.mark.skipif(sys.platform == "win32", reason="needs /dev/full")
def test_an_output_that_cannot_be_written_ends_with_2_and_words(hostile):
    capture, plan = hostile
    report = ["check", capture, "--plan", plan, "--report", "junit", "--out", plan.parent / "out"]
    for words in (["explain", "cycle-time"], report):
        with open("/dev/full", "w") as full:
            done = subprocess.run(
                [sys.executable, "-m", "canscope", *words], stdout=full, stderr=subprocess.PIPE
            )
        assert done.returncode == 2
        assert b"the output cannot be written: No space left" in done.stderr
    gone = subprocess.Popen(
        [sys.executable, "-m", "canscope", *report], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    gone.stdout.close()  # as head does
    assert (gone.wait(), gone.stderr.read()) == (2, b"")
    gone.stderr.close()
    closed = subprocess.Popen(
        [sys.executable, "-m", "canscope", *report], preexec_fn=lambda: os.closerange(0, 3)
    )
    assert closed.wait() == 3  # it judges as ever; only nobody reads it


def test_a_capture_from_a_closed_standard_input_is_told(canscope, hostile, monkeypatch):
    monkeypatch.setattr(sys, "stdin", None)  # as Python sets it with <&-
    code, _, err = canscope("check", "-", "--plan", hostile[1])
    assert code == 2
    assert "standard input: it is closed" in err


def test_plans_and_marks_without_end_are_refused_in_bounded_words(run, canscope):
    plan, marks = run / "plan.toml", run / "marks.jsonl"
    text = plan.read_text()
    unknown = "".join(f"k{number} = 1\n" for number in range(2000))
    for added, what in (
        (unknown * 100, "it is larger than 512 KiB"),
        (".".join(["a"] * 50_000) + " = 1\n", "one key within the other, more than 200 deep"),
        ("a = " + "[" * 50_000, "maximum recursion depth exceeded"),
    ):
        plan.write_text(added + text)
        code, _, err = canscope("plan", "check", plan)
        assert (code, what in err) == (2, True), err[:500]
        assert len(err) < 1000
    plan.write_text(unknown + text)
    code, _, err = canscope("plan", "check", plan)
    assert code == 2
    assert err.count("no key of that name") == 100
    assert "2000 mistakes in the bench plan, of which 100 are told" in err
    plan.write_text(text)
    marks.write_text('{"at_s": 1.0}\n' * 20_000)
    code, _, err = canscope("check", run / "capture.log", "--plan", plan, "--marks", marks)
    assert code == 2
    assert "at most 10000 are read" in err
