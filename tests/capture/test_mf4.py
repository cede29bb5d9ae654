"""MF4 reader against files written by asammdf, and by python-can through it.

Field names: ASAM MDF 4 bus logging, as asammdf's own extraction uses them. Error classes:
linux/can/error.h (no acknowledgement 0x20, protocol 0x08 with its kind in byte 2, bus error 0x80).
"""

import builtins
import re
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canscope.capture.mf4 import measurement as mf4
from canscope.capture.mf4.layout import _field as number_in
from canscope.capture.mf4.layout import layout
from canscope.capture.mf4.reader import Mf4
from canscope.capture.read import read_capture
from canscope.cli.main import main
from canscope.model.errors import CaptureError
from canscope.model.tables import Flag, Tally, empty_frames, join
from tests.capture import mf4_by_hand
from tests.capture.traffic import (
    ERR,
    START_US,
    TRAFFIC,
    expected,
    rows,
    write_mf4,
    write_mf4_by_python_can,
)

asammdf = pytest.importorskip("asammdf")


def measurement(path):
    """The whole of a file as Frames."""
    return join([empty_frames(), *(chunk for chunk, _ in mf4.measured(str(path), "x.mf4"))])


def refused(path):
    with pytest.raises(CaptureError) as caught:
        measurement(path)
    return str(caught.value)


def written(path, kind, fields, seconds=None):
    """A file with one group of records; ``fields`` has a column for each field's name."""
    size = len(next(iter(fields.values())))
    types = [(f"{kind}.{name}", column.dtype, column.shape[1:]) for name, column in fields.items()]
    samples = np.zeros(size, np.dtype(types))
    for name, column in fields.items():
        samples[f"{kind}.{name}"] = column
    seconds = np.arange(size, dtype=float) if seconds is None else np.array(seconds)
    with asammdf.MDF(version="4.10") as mdf:
        mdf.header.start_time = datetime.fromtimestamp(1000, UTC)
        mdf.append(asammdf.Signal(name=kind, samples=samples, timestamps=seconds))
        mdf.save(path, overwrite=True)
    return path


@pytest.mark.parametrize("compression", [0, 1, 2])
@pytest.mark.parametrize("version", ["4.00", "4.10", "4.11", "4.20"])
def test_what_asammdf_writes_reads_back_equal(tmp_path, compression, version):
    path = tmp_path / "a.mf4"
    traffic = sorted(TRAFFIC, key=lambda row: row[0])
    write_mf4(path, traffic, compression=compression, version=version)
    assert Mf4().recognises(path.read_bytes())
    frames = measurement(path)
    assert rows(frames) == expected(traffic)
    assert frames.tally == Tally(lines=len(TRAFFIC))


def test_what_python_can_writes_reads_back_but_for_fractions_of_a_microsecond(tmp_path):
    """It subtracts float64 seconds of today, which resolve 240 ns."""
    path = tmp_path / "a.mf4"
    write_mf4_by_python_can(path, TRAFFIC)
    back, whole = rows(measurement(path)), expected(TRAFFIC)
    shift = datetime.now().astimezone().utcoffset().total_seconds() * 1e9
    times = np.array([row[0] for row in back]) - np.array([row[0] for row in whole])
    assert np.abs(times - shift).max() < 1000, "its start is in local time"
    key = lambda row: row[1:]  # noqa: E731 - stamps may trade places within a microsecond
    assert sorted(map(key, back)) == sorted(map(key, whole))


def test_a_file_whose_times_are_local_says_so(tmp_path):
    path = tmp_path / "a.mf4"
    write_mf4_by_python_can(path, TRAFFIC)
    assert "local times of a zone that it does not name" in measurement(path).tally.notes[0]


def test_the_file_is_read_where_it_lies_and_not_changed(tmp_path):
    path = tmp_path / "a.mf4"
    write_mf4(path, TRAFFIC)
    before = path.read_bytes()
    capture = read_capture(path)
    assert join(list(capture)).tally.lines == len(TRAFFIC)
    assert path.read_bytes() == before
    assert capture.bytes_read == len(before)
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("name", ["a.bz2", "a.zip", "a.gzip", "a.mf4z", "a"])
def test_a_file_of_any_name_is_read_and_stays(tmp_path, name):
    write_mf4(tmp_path / "a.mf4", TRAFFIC)
    path = (tmp_path / "a.mf4").rename(tmp_path / name)
    assert join(list(read_capture(path))).tally.lines == len(TRAFFIC)
    assert path.exists()


def test_many_records_of_several_groups_come_in_time_order_in_bounded_pieces(tmp_path):
    traffic = [
        (n * 10, f"can{n % 3}", n % 2048, ERR if n % 1000 == 7 else 0, 8, n.to_bytes(8, "little"))
        for n in range(30_000)
    ]
    path = tmp_path / "a.mf4"
    write_mf4(path, traffic, compression=1)
    chunks = [chunk for chunk, _ in mf4.measured(str(path), "x") if len(chunk)]
    assert 1 < len(chunks) < 10
    frames = join(chunks)
    assert frames.data.tolist() == list(range(30_000))
    assert frames.time_ns.tolist() == [(START_US + n * 10) * 1000 for n in range(30_000)]


def test_a_clock_step_in_one_group_stays_where_it_is(tmp_path):
    traffic = [(at, "can0", n, 0, 0, b"") for n, at in enumerate((0, 10, 20, 5 * 10**6, 30, 40))]
    traffic += [(at, "can0", 0x40, ERR, 8, bytes(8)) for at in (15, 6 * 10**6)]
    path = tmp_path / "a.mf4"
    write_mf4(path, traffic)
    assert measurement(path).can_id.tolist() == [0, 1, 0x40, 2, 3, 4, 5, 0x40]


def test_stamps_years_away_make_segments(tmp_path):
    year_us = 366 * 86_400 * 10**6
    traffic = [(at, "can0", 1, 0, 0, b"") for at in (0, 10, 3 * year_us, 3 * year_us + 10)]
    path = tmp_path / "a.mf4"
    write_mf4(path, traffic)
    assert [(c.segment, len(c)) for c in read_capture(path) if len(c)] == [(0, 2), (1, 2)]


def test_an_error_type_becomes_the_class_that_socketcan_has_for_it(tmp_path):
    kinds = np.arange(7, dtype="u1")
    fields = {"ID": np.full(7, 0x123, "<u4"), "BusChannel": np.full(7, 2, "u1"), "ErrorType": kinds}
    back = rows(measurement(written(tmp_path / "a.mf4", "CAN_ErrorFrame", fields)))
    assert [row[1:5] for row in back] == [
        ("can2", cls, Flag.ERROR, 8) for cls in (0x80, 0x88, 0x88, 0x88, 0x88, 0x20, 0x80)
    ]
    assert [row[5][2] for row in back] == [0, 1, 2, 4, 0, 0, 0]
    assert back[4][5][3] == 8, "the place of a wrong checksum is the checksum"


def test_an_error_without_type_and_data_has_no_class_of_its_own(tmp_path):
    """0x1C0 is the identifier of the frame that went wrong, not a class with its bus-off bit."""
    fields = {"ID": np.array([0x1C0], "<u4"), "DataLength": np.array([0], "u1")}
    frames = measurement(written(tmp_path / "a.mf4", "CAN_ErrorFrame", fields))
    assert rows(frames)[0][1:] == ("", 0x80, Flag.ERROR, 8, bytes(8))


def test_lengths_come_from_the_dlc_where_there_is_nothing_else(tmp_path):
    """CAN FD DLC table: linux/can/length.h."""
    fields = {
        "ID": np.array([1, 2, 0x12345, 0x80000001], "<u4"),
        "DLC": np.array([8, 9, 15, 0], "u1"),
        "DataBytes": np.full((4, 64), 7, "u1"),
        "Dir": np.array([0, 1, 0, 1], "u1"),
    }
    back = rows(measurement(written(tmp_path / "a.mf4", "CAN_DataFrame", fields)))
    sent = Flag.TRANSMITTED
    assert [row[2:5] for row in back] == [
        (1, 0, 8),
        (2, Flag.FD | sent, 12),
        (0x12345, Flag.FD | Flag.EXTENDED, 64),
        (1, Flag.EXTENDED | sent, 0),
    ]


def test_a_record_that_is_no_frame_is_counted_with_its_place_and_the_rest_is_read(tmp_path):
    fields = {
        "ID": np.array([1, 0x800, 3, 4, 5], "<u4"),
        "IDE": np.zeros(5, "u1"),
        "DataLength": np.array([2, 0, 8, 2, 2], "u1"),
        "DataBytes": np.ones((5, 4), "u1"),
    }
    seconds = [0.0, 1.0, 2.0, float("nan"), 4.0]
    frames = measurement(written(tmp_path / "a.mf4", "CAN_DataFrame", fields, seconds))
    assert frames.can_id.tolist() == [1, 5]
    assert (frames.tally.lines, frames.tally.skipped) == (5, 3)
    assert frames.tally.examples == (
        "x.mf4: group 0: record 2: identifier 800 is beyond 11 bits",
        "x.mf4: group 0: record 3: the record has fewer data bytes than it says",
        "x.mf4: group 0: record 4: its time does not fit 64 bits of nanoseconds",
    )


def test_overload_frames_are_counted(tmp_path):
    path = written(tmp_path / "a.mf4", "CAN_OverloadFrame", {"ID": np.zeros(3, "<u4")})
    frames = measurement(path)
    assert (len(frames), frames.tally.skipped) == (0, 3)
    assert "3 overload frame(s)" in frames.tally.examples[0]


def test_a_measurement_without_bus_logging_is_refused(tmp_path):
    path = tmp_path / "a.mf4"
    with asammdf.MDF(version="4.10") as mdf:
        speed = asammdf.Signal(name="Speed", samples=np.arange(5), timestamps=np.arange(5.0))
        mdf.append(speed)
        mdf.save(path)
    assert "no bus logging in this measurement, only 1 group(s) of signals" in refused(path)
    assert "CAN_DataFrame" in refused(path)


def test_a_measurement_that_was_never_closed_is_refused_before_anyone_mends_it(tmp_path):
    path = tmp_path / "a.mf4"
    write_mf4(path, TRAFFIC)
    data = path.read_bytes()
    for spoilt in (b"UnFinMF " + data[8:], data[:60] + b"\1" + data[61:]):
        path.write_bytes(spoilt)
        assert Mf4().recognises(spoilt)
        assert "never closed" in refused(path)


def test_older_measurements_are_named(tmp_path):
    path = tmp_path / "a.mf4"
    path.write_bytes(b"MDF     3.30    " + bytes(100))
    with pytest.raises(CaptureError, match="older than version 4"):
        list(read_capture(path))


def test_without_asammdf_the_error_says_what_to_install(tmp_path, monkeypatch):
    path = tmp_path / "a.mf4"
    write_mf4(path, TRAFFIC)
    there = builtins.__import__

    def missing(name, *rest):
        if name == "asammdf":
            raise ImportError(name)
        return there(name, *rest)

    monkeypatch.setattr(builtins, "__import__", missing)
    assert "pip install 'canscope[mf4]'" in refused(path)


def test_a_measurement_cut_anywhere_is_refused_or_keeps_its_first_frames_and_says_so(
    tmp_path, capfd
):
    """asammdf writes what describes the data behind it, so a cut file can seldom be read at all."""
    path = tmp_path / "a.mf4"
    traffic = [(n, "can0", n, 0, 1, bytes([n])) for n in range(50)]
    write_mf4(path, traffic, width=8)
    data = path.read_bytes()
    outcomes = set()
    for cut in (*range(0, 80, 11), *range(80, len(data), 797), *range(len(data) - 2, len(data))):
        path.write_bytes(data[:cut])
        try:
            frames = join([empty_frames(), *read_capture(path, format="mf4")])
        except CaptureError:
            outcomes.add("refused")
            continue
        assert frames.can_id.tolist() == list(range(len(frames)))
        assert frames.tally.cut_end or len(frames) == 50, "what the data does not need may be cut"
        outcomes.add("read")
    assert "refused" in outcomes
    assert capfd.readouterr() == ("", ""), "asammdf's own complaints are not ours"


def test_damaged_data_blocks_keep_what_came_before(tmp_path, capfd):
    """Random bytes in the middle of compressed data."""
    path = tmp_path / "a.mf4"
    traffic = [(n, "can0", n % 2048, 0, 8, n.to_bytes(8, "big")) for n in range(400)]
    write_mf4(path, traffic, compression=1, width=8)
    data = bytearray(path.read_bytes())
    at = data.index(b"##DZ") + 60
    data[at : at + 40] = bytes(range(40))
    path.write_bytes(data)
    with pytest.raises(CaptureError, match="holds no frames"):
        list(read_capture(path))
    tally = measurement(path).tally
    assert tally.cut_end
    assert "group 0: record 1: damaged from here on" in tally.examples[0]
    assert capfd.readouterr() == ("", "")


def by_hand(path, monkeypatch, **how):
    """Traffic in some layout: (as read, as asammdf alone reads it, was it understood)."""
    traffic = sorted(TRAFFIC, key=lambda row: row[0])
    mf4_by_hand.write(path, traffic, mf4_by_hand.Layout(**how))
    understood = []

    def seen(*group):
        understood.append(layout(*group))
        return understood[-1]

    monkeypatch.setattr(mf4, "layout", seen)
    own = measurement(path)
    monkeypatch.setattr(mf4, "layout", lambda *group: None)
    monkeypatch.setattr(mf4, "is_safe", lambda group: True)
    return own, measurement(path), [found is not None for found in understood]


@pytest.mark.parametrize("data", ["fixed", "apart", "among"])
@pytest.mark.parametrize(("zip", "cut"), [(None, 0), (0, 0), (1, 0), (None, 50), (0, 50), (1, 50)])
def test_layouts_of_loggers_are_read_as_asammdf_reads_them(tmp_path, monkeypatch, data, zip, cut):
    """Fields of a few bits; data bytes of any length apart or among unsorted records; blocks as
    they are, deflated, transposed; lists of blocks that end within records; counted ticks."""
    for tick_ns in (0, 1000):
        how = {"data": data, "zip": zip, "cut": cut, "tick_ns": tick_ns}
        own, theirs, understood = by_hand(tmp_path / "a.mf4", monkeypatch, **how)
        assert rows(own) == expected(sorted(TRAFFIC, key=lambda row: row[0]))
        assert rows(own) == rows(theirs)
        assert own.tally == theirs.tally == Tally(lines=len(TRAFFIC))
        assert understood == [True, True, True]


def test_a_layout_that_is_not_understood_is_left_to_asammdf(tmp_path, monkeypatch):
    """Bytes that could say which values are invalid, of which no channel makes use, are no matter;
    a frame that says whether it is valid is."""
    for flags, understood in ((0, True), (2, False)):
        how = {"invalid": 1, "flags": flags}
        own, theirs, seen = by_hand(tmp_path / "a.mf4", monkeypatch, **how)
        assert rows(own) == rows(theirs) == expected(sorted(TRAFFIC, key=lambda row: row[0]))
        assert seen == [understood] * 3


def test_values_of_variable_length_in_such_a_layout_are_not_read_and_it_says_so(tmp_path):
    layout_ = mf4_by_hand.Layout(data="apart", invalid=1, flags=2)
    mf4_by_hand.write(tmp_path / "a.mf4", TRAFFIC[:1], layout_)
    tally = measurement(tmp_path / "a.mf4").tally
    assert tally.cut_end
    assert "laid out in a way that is not read" in tally.examples[0]


def test_what_asammdf_and_python_can_write_is_understood(tmp_path):
    for writer in (write_mf4, write_mf4_by_python_can):
        writer(tmp_path / "a.mf4", TRAFFIC)
        with asammdf.MDF(tmp_path / "a.mf4", process_bus_logging=False) as file:
            for group in file.groups:
                assert layout(group, group.channels[1].name) is not None


@settings(deadline=None)
@given(st.integers(1, 24), st.data())
def test_a_field_of_any_bits_is_what_arithmetic_says(size, data):
    """A number of n bits from bit b of byte B on is (record >> 8B + b) mod 2**n, little-endian."""
    byte = data.draw(st.integers(0, size - 1))
    shift = data.draw(st.integers(0, 7))
    bits = data.draw(st.integers(1, min(64, 8 * (size - byte)) - shift or 1))
    rows_ = np.frombuffer(data.draw(st.binary(min_size=3 * size, max_size=3 * size)), np.uint8)
    channel = SimpleNamespace(
        byte_offset=byte, bit_offset=shift, bit_count=bits, channel_type=0, data_type=0
    )
    field = number_in(channel, size)
    if field is None:  # more than 8 bytes have a part of it, or the record is shorter than a number
        assert shift + bits > 57 or size < 8 or 8 * byte + shift + bits > 8 * size
        return
    whole = rows_.reshape(3, size)
    wanted = [
        (int.from_bytes(row.tobytes(), "little") >> (8 * byte + shift)) % 2**bits for row in whole
    ]
    assert field.column(whole).tolist() == wanted
    assert field.column(np.asfortranarray(whole)).tolist() == wanted


@pytest.mark.parametrize("data", ["fixed", "apart"])
def test_a_damaged_block_of_a_list_keeps_the_records_before_it(tmp_path, data):
    path = tmp_path / "a.mf4"
    traffic = [(n, "can0", n, 0, 8, n.to_bytes(8, "big")) for n in range(100)]
    mf4_by_hand.write(path, traffic, mf4_by_hand.Layout(data=data, zip=0, cut=230))
    content = bytearray(path.read_bytes())
    places = [
        m.start() for m in re.finditer(b"##DZ", content) if content[m.start() + 24 :][:2] == b"DT"
    ]
    at = places[len(places) // 2] + 50
    content[at : at + 20] = bytes(20)
    path.write_bytes(content)
    frames = measurement(path)
    size = {"fixed": 79, "apart": 23}[data]
    assert frames.can_id.tolist() == list(range(len(places) // 2 * 230 // size))
    assert frames.tally.cut_end
    assert f"record {len(frames) + 1}: damaged from here on" in frames.tally.examples[-1]


DAMAGED = Path(__file__).with_name("damaged.mf4")  # its record leads asammdf beyond its memory


def test_a_measurement_that_ends_the_process_that_reads_it_is_refused(tmp_path, capsys):
    """Issue 17: it ended the interpreter. Then another one is read, though that process is gone."""
    (tmp_path / "a.dbc").write_text(
        'VERSION ""\n\nBO_ 1 M: 8 N\n SG_ S : 0|8@1+ (1,0) [0|0] "" N\n'
    )
    to = str(tmp_path / "a.csv")
    words = ["decode", str(DAMAGED), "--definitions", str(tmp_path / "a.dbc"), "--to", to]
    assert main(words) == 2
    assert "the measurement is damaged" in (err := capsys.readouterr().err)
    assert f"{DAMAGED}: " in err
    assert "hint:" in err
    with pytest.raises(CaptureError, match="the measurement is damaged"):
        list(read_capture(DAMAGED))
    write_mf4(tmp_path / "a.mf4", TRAFFIC)
    assert len(join(list(read_capture(tmp_path / "a.mf4")))) == len(TRAFFIC)
    capture = iter(read_capture(tmp_path / "a.mf4"))
    next(capture)
    capture.close()  # a consumer that stops early leaves the next one a process that answers it
    assert len(join(list(read_capture(tmp_path / "a.mf4")))) == len(TRAFFIC)
