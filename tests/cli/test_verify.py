"""canscope verify and compare on a real run of the demo vehicle, cut to its first seconds."""

import json
import os
import shutil

import pytest

from canscope.cli.main import main
from canscope.report.seal import sealed
from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run


@pytest.fixture(scope="module")
def checked(tmp_path_factory):
    """A capture with its plan and the reports of it; the plan's folder."""
    files = write_run(make_run("bramble", seed=1), tmp_path_factory.mktemp("verify"))
    lines = files.capture.read_text().splitlines(keepends=True)[:900]
    files.capture.write_text("".join(lines))
    home = files.plan.parent
    words = ["check", files.capture, "--plan", files.plan, "--out", home / "reports", "--quiet"]
    main([str(word) for word in words])
    return home


@pytest.fixture
def home(checked, tmp_path):
    """A copy in another place: the reports are looked for beside what they name."""
    return shutil.copytree(checked, tmp_path / "copy")


def report(home):
    return next((home / "reports").glob("*.json"))


def test_an_untouched_report_is_what_it_was(canscope, home):
    code, out, _ = canscope("verify", report(home))
    assert code == 0, out
    assert "findings: all" in out
    assert out.endswith("Everything is what it was.\n")


@pytest.mark.parametrize("kind", ["json", "html", "xml"])
def test_one_altered_byte_in_a_report_is_caught(canscope, home, kind):
    path = next((home / "reports").glob(f"*.{kind}"))
    data = bytearray(path.read_bytes())
    data[data.index(b"Bramble")] ^= 0x20
    path.write_bytes(data)
    code, out, _ = canscope("verify", path)
    assert code == 1
    assert "altered after it was written" in out


def test_a_verdict_that_was_altered_and_sealed_anew_is_caught_by_computing_it_again(canscope, home):
    path = report(home)
    text = path.read_text()
    plain = json.loads(text)
    lie = text.replace(json.dumps(plain["findings"][0]["sentence"]), '"all is well"')
    assert lie != text
    path.write_bytes(b"".join(sealed([lie[: lie.rindex(',\n "seal"')].encode() + b"}\n"])))
    code, out, _ = canscope("verify", path)
    assert code == 1
    assert "every byte is as it was written" in out
    assert "'all is well' in the report" in out


def test_an_altered_input_is_caught_and_a_missing_one_is_told(canscope, home):
    definition = home / "drive_unit.dbc"
    definition.write_text(definition.read_text().replace("0.5", "0.6", 1))
    (home / "capture.log").rename(home / "elsewhere.log")
    plain = json.loads(report(home).read_text())
    code, out, _ = canscope("verify", report(home))
    assert code == 1
    assert "drive_unit.dbc has other bytes than the report was made of" in out
    named = next(entry["name"] for entry in plain["inputs"] if entry["kind"] == "capture")
    assert named.endswith("capture.log")


def test_how_the_capture_was_read_is_in_the_report_and_verify_reads_it_so(canscope, home):
    rows = ["Stamp;Ident;Bytes"]
    for line in (home / "capture.log").read_text().splitlines():
        stamp, channel, frame = line.split()
        if channel == "can0":
            rows.append(";".join([stamp.strip("()"), *frame.split("#")]))
    (home / "table.csv").write_text("\n".join(rows) + "\n")
    words = "--columns", "time_s=Stamp,id_hex=Ident,data=Bytes", "--channel", "can0"
    to = home / "table.json", home / "table.html"
    named = "--json", to[0], "--html", to[1]
    code, _, err = canscope(
        "check", home / "table.csv", "--plan", home / "plan.toml", *named, *words
    )
    assert code == 3, err
    assert json.loads(to[0].read_text())["read_as"]["channels"] == ["can0"]
    assert "--channel can0 --columns time_s=Stamp,id_hex=Ident,data=Bytes" in to[1].read_text()
    code, out, _ = canscope("verify", to[0])
    assert code == 0, out


def test_compare_prints_what_changed_and_writes_page_and_data(canscope, home):
    page, data = home / "both.html", home / "both.json"
    code, out, _ = canscope("compare", report(home), report(home), "--html", page, "--json", data)
    assert code == 0
    assert ": 0 changed, " in out
    assert json.loads(data.read_text())["counts"]["changed"] == 0
    assert page.read_text().startswith("<!doctype html>")
    assert canscope("verify", page)[0] == 0


def test_bad_input_is_told_clearly(canscope, home, tmp_path):
    os.mkfifo(tmp_path / "pipe.json")  # it would be waited for
    (tmp_path / "deep.json").write_text("[" * 100_000)
    (tmp_path / "long.json").write_text("1" * 10_000)  # Python converts no such number
    files = [tmp_path / f"{name}.json" for name in ("none", "pipe", "deep", "long")]
    for verb, words in (*(("verify", [file]) for file in files), ("compare", [tmp_path, home])):
        code, _, err = canscope(verb, *words)
        assert code == 2
        assert "Traceback" not in err
        assert "hint:" in err
