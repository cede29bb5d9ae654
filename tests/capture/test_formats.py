"""All formats together: one traffic, one table, one set of findings; who names the bus; bad input.

The writers are python-can's and asammdf's own, and captures made by hand: see ``traffic``.
"""

import gzip
import random
import sqlite3
import sys
from pathlib import Path

import pytest

from canscope.capture import READERS
from canscope.capture.read import read_capture
from canscope.checking.inputs import Inputs
from canscope.checking.judging import judge_files
from canscope.cli.main import main
from canscope.model.errors import CaptureError
from canscope.model.tables import Flag, Tally, empty_frames, join
from canscope.simulate.folder import definition_files, write_capture
from canscope.simulate.plans import stage_toml, vehicle_toml
from canscope.simulate.runs import excerpt, make_run
from tests.capture.traffic import (
    BRS,
    ESI,
    FD,
    TRAFFIC,
    expected,
    frames_of,
    one_bus,
    pcap,
    pcapng,
    rows,
    traffic_of,
    write_candump,
    write_csv,
    write_mf4,
    write_mf4_by_python_can,
    write_screen,
    write_sqlite,
    write_table,
)

SAMPLES = Path(__file__).parents[2] / "sample_logs"


def write_pcap(path, traffic):
    path.write_bytes(pcap(traffic))


def write_pcapng(path, traffic):
    path.write_bytes(pcapng(traffic))


WRITERS = {
    "candump": write_candump,
    "csv": write_csv,
    "mf4": write_mf4,
    "pcap": write_pcap,
    "pcapng": write_pcapng,
    "screen": write_screen,
    "sqlite": write_sqlite,
    "table": write_table,
}
NAMELESS = ("csv", "pcap", "sqlite")  # formats that do not say on which bus a frame was
WITHOUT_FD = ("csv", "sqlite")  # formats that have no FD flags


def whole(path, **options):
    return join([empty_frames(), *read_capture(path, **options)])


def stored(folder, format, traffic):
    path = folder / f"capture.{format}"
    WRITERS[format](path, traffic)
    return path


def test_every_format_has_its_writer_here():
    assert sorted(WRITERS) == list(READERS)


@pytest.mark.parametrize("format", WRITERS)
def test_the_same_traffic_reads_back_equal_from_every_format(tmp_path, format):
    """python-can's candump writer (4.6.1) leaves out how many bytes a remote frame asks for, and
    writes any error as a bus error, 0x80."""
    back = {"without": FD | BRS | ESI, "with_long": FD} if format in WITHOUT_FD else {}
    bus = {"channel": "can0"} if format in NAMELESS else {}
    frames = whole(stored(tmp_path, format, TRAFFIC), **bus)
    traffic = TRAFFIC
    if format == "candump":
        traffic = [
            (at, name, 0x80 if flags & Flag.ERROR else can_id, flags, len(data), data)
            for at, name, can_id, flags, _, data in TRAFFIC
        ]
    assert rows(frames) == expected(traffic, **bus, **back)
    assert (frames.tally.lines, frames.tally.skipped) == (len(TRAFFIC), 0)


@pytest.mark.parametrize("format", WRITERS)
def test_a_capture_is_recognised_packed_and_piped_alike(tmp_path, format, monkeypatch):
    path = stored(tmp_path, format, one_bus(TRAFFIC))
    plain = rows(whole(path, channel="can0"))
    packed = tmp_path / "packed"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    assert rows(whole(packed, channel="can0")) == plain
    with path.open("rb") as file:
        monkeypatch.setattr(sys, "stdin", type("In", (), {"buffer": file}))
        assert rows(whole("-", channel="can0")) == plain


@pytest.mark.parametrize("format", WRITERS)
def test_a_packed_capture_cut_short_is_refused_or_says_so(tmp_path, format):
    packed = gzip.compress(stored(tmp_path, format, one_bus(TRAFFIC)).read_bytes())
    path = tmp_path / "cut.gz"
    for cut in range(3, len(packed), max(1, len(packed) // 6)):
        path.write_bytes(packed[:cut])
        try:
            frames = whole(path, format=format, channel="can0")
        except CaptureError:
            continue
        assert frames.tally.cut_end
        assert any("ends early" in note for note in frames.tally.notes)


@pytest.mark.parametrize("format", WRITERS)
@pytest.mark.parametrize("content", [b"", b"\0", b"hello\n" * 30, random.Random(1).randbytes(5000)])
def test_a_file_that_is_not_of_the_named_format_ends_in_our_own_error(tmp_path, format, content):
    path = tmp_path / "capture"
    path.write_bytes(content)
    with pytest.raises(CaptureError) as caught:
        whole(path, format=format, channel="can0")
    assert str(path) in str(caught.value)
    assert "hint: " in str(caught.value)


@pytest.mark.parametrize("format", WRITERS)
def test_a_capture_of_no_frames_is_refused(tmp_path, format):
    path = tmp_path / "capture"
    if format == "mf4":  # asammdf alone writes no group without records
        write_mf4_by_python_can(path, [])
    elif format == "sqlite":
        with sqlite3.connect(path) as connection:
            connection.execute(
                "CREATE TABLE messages (ts, arbitration_id, extended, remote, error, dlc, data)"
            )
        connection.close()
    else:
        WRITERS[format](path, [])
    with pytest.raises(CaptureError, match="holds no frames"):
        whole(path, format=format, channel="can0")


@pytest.mark.parametrize("format", WRITERS)
def test_stamps_that_jump_by_years_make_segments(tmp_path, format):
    """A day's jump is a step of the clock, forward and back; see order.py."""
    year_us = 365 * 86_400 * 1_000_000
    times = (0, 10, year_us, year_us + 10, 20, 30)
    traffic = [(at, "can0", number, 0, 0, b"") for number, at in enumerate(times)]
    chunks = list(read_capture(stored(tmp_path, format, traffic), channel="can0"))
    segments = [chunk.segment for chunk in chunks for _ in range(len(chunk))]
    assert segments == [0, 0, 1, 1, 2, 2]
    assert join(chunks).can_id.tolist() == [0, 1, 2, 3, 4, 5]


@pytest.mark.parametrize("format", NAMELESS)
def test_a_capture_that_does_not_name_its_bus_is_refused_unless_somebody_does(tmp_path, format):
    path = stored(tmp_path, format, one_bus(TRAFFIC))
    with pytest.raises(CaptureError, match="does not say on which bus") as caught:
        whole(path)
    assert "--channel can1" in str(caught.value)
    capture = read_capture(path, channel="can7")
    assert join(list(capture)).channels == ("can7",)
    assert capture.notes == (f"{path} does not say which bus it was: taken to be can7",)


def test_captures_of_several_buses_are_named_one_by_one(tmp_path):
    first = stored(tmp_path, "csv", one_bus(TRAFFIC, "can0"))
    second = stored(tmp_path, "pcap", one_bus(TRAFFIC, "can1"))
    third = stored(tmp_path, "candump", [(5, "can2", 1, 0, 0, b"")])
    names = ["can0", "can1", "front"]
    frames = join(list(read_capture(first, second, third, channel=names)))
    seen = {name for _, name, *_ in rows(frames)}
    assert seen == {"can0", "can1", "front"}, "named one by one, each gets its name"
    frames = join(list(read_capture(first, third, channel="can0")))
    seen = {name for _, name, *_ in rows(frames)}
    assert seen == {"can0", "can2"}, "where one name is given, a capture that has one keeps it"
    with pytest.raises(CaptureError, match="2 channels are named for 3 captures"):
        read_capture(first, second, third, channel=["can0", "can1"])
    for wrong in ("", "can 0"):
        with pytest.raises(CaptureError, match="not the name of a channel"):
            read_capture(first, channel=wrong)


@pytest.mark.parametrize("name", sorted(p.name for p in SAMPLES.glob("bramble_first_2s*")))
def test_the_small_samples_of_all_formats_hold_the_same_frames(name):
    text = rows(whole(SAMPLES / "bramble_first_2s.log"))
    assert {row[1] for row in text} == {"can0", "can1", "can2"}
    wanted = [row for row in text if row[1] == "can0" or "can0" not in name]
    assert rows(whole(SAMPLES / name, channel="can0")) == wanted


def test_the_small_samples_cover_every_format():
    names = {path.name.rpartition(".")[2] for path in SAMPLES.glob("bramble_first_2s*")}
    assert names == {"log", "csv", "db", "mf4", "pcap", "pcapng", "tsv", "txt"}
    assert sum(path.stat().st_size for path in SAMPLES.glob("bramble_first_2s*")) < 200_000


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """A folder with 9 s of a healthy run, its plan, and a plan of the vehicle's own bus alone."""
    folder = tmp_path_factory.mktemp("demo")
    run = excerpt(make_run("bramble", stage="power-up"), 0.0, 9.0)
    write_capture(run, folder / "capture.log")
    for name, text in definition_files(run.vehicle).items():
        (folder / name).write_text(text, "utf-8")
    vehicle, stage = vehicle_toml(run.vehicle), stage_toml(run.vehicle, "power-up")
    (folder / "vehicle.toml").write_text(vehicle, "utf-8")
    (folder / "plan.toml").write_text(stage, "utf-8")
    lines = vehicle.split("[units.")[0].splitlines(keepends=True)
    alone = "".join(line for line in lines if not line.startswith(("can1", "can2")))
    (folder / "alone.toml").write_text(alone, "utf-8")
    lines = stage.replace("vehicle.toml", "alone.toml").splitlines(keepends=True)
    one = "".join(line for line in lines if not line.startswith("temperature_"))
    (folder / "one_bus.toml").write_text(one, "utf-8")
    return folder, traffic_of(whole(folder / "capture.log"))


def judged(captures, plan, **options):
    return judge_files(Inputs(tuple(map(str, captures)), plan), **options)


def test_findings_are_the_same_from_every_format(demo, tmp_path):
    folder, traffic = demo
    own = judged([stored(tmp_path, "candump", one_bus(traffic))], folder / "one_bus.toml")
    assert {f.verdict for f in own.findings} >= {"pass"}
    for format in WRITERS:
        path = stored(tmp_path, format, one_bus(traffic)) if format != "candump" else None
        if path is not None:
            report = judged([path], folder / "one_bus.toml")
            assert report.findings == own.findings, format
            assert report.capture.frames == own.capture.frames, format
    text = judged([folder / "capture.log"], folder / "plan.toml")
    for format in ("mf4", "pcapng"):
        report = judged([stored(tmp_path, format, traffic)], folder / "plan.toml")
        assert report.findings == text.findings, format
    files = [tmp_path / f"{bus}.csv" for bus in ("can0", "can1", "can2")]
    for path in files:
        write_csv(path, one_bus(traffic, path.stem))
    report = judged(files, folder / "plan.toml", channel=["can0", "can1", "can2"])
    assert report.findings == text.findings, "one CSV a bus"
    assert len([w for w in report.warnings if "does not say which bus" in w]) == 3


def test_the_command_asks_for_the_bus_where_the_plan_has_several(demo, tmp_path, capsys):
    folder, traffic = demo
    path = stored(tmp_path, "csv", one_bus(traffic))
    words = ["check", str(path), "--plan", str(folder / "plan.toml"), "--quiet"]
    words += ["--json", str(tmp_path / "a.json")]
    assert main(words) == 2
    assert "--channel can1" in capsys.readouterr().err
    assert main([*words, "--channel", "cam0"]) == 2
    assert "did you mean 'can0'?" in capsys.readouterr().err
    assert main([*words, "--channel", "can0"]) in (1, 3)
    one = ["check", str(path), "--plan", str(folder / "one_bus.toml"), "--quiet"]
    assert main([*one, "--json", str(tmp_path / "b.json")]) in (0, 3)


def test_decode_takes_the_bus_from_its_options(demo, tmp_path, capsys):
    folder, traffic = demo
    path = stored(tmp_path, "csv", one_bus(traffic))
    definition, out = str(folder / "bramble_vehicle.dbc"), tmp_path / "out.csv"
    assert main(["decode", str(path), "--bus", f"can0={definition}", "--to", str(out)]) == 0
    assert "can0,Cabin," in out.read_text("utf-8")
    words = ["decode", str(path), "--definitions", definition, "--to", str(tmp_path / "b.csv")]
    assert main(words) == 2
    assert "--channel" in capsys.readouterr().err
    assert main([*words, "--channel", "can5", "--wide"]) == 0
    assert "can5:Cabin." in (tmp_path / "b.csv").read_text("utf-8").splitlines()[0]


def test_traffic_itself_is_what_the_tests_say_it_is():
    kinds = {Flag(flags) for _, _, _, flags, _, _ in TRAFFIC}
    assert {Flag(0), Flag.EXTENDED, Flag.REMOTE, Flag.ERROR, Flag.FD} <= kinds
    assert rows(frames_of(TRAFFIC)) == expected(TRAFFIC)
    assert frames_of(TRAFFIC).tally == Tally()
