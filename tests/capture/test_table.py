"""Tables of frames: what a column means, by hand. Headings are common practice, no source."""

import io

import pytest

from canscope.capture.table.header import by_heading
from canscope.capture.table.reader import Table
from canscope.model.errors import CaptureError
from canscope.model.tables import Flag, join
from tests.capture.traffic import rows

DAY = 1_715_688_000  # 2024-05-14 12:00:00 UTC


def table(text, **names):
    reader = Table()
    reader.columns = names
    return join(list(reader.read(io.BytesIO(text.encode()), "x.csv")))


def refused(text, **names):
    with pytest.raises(CaptureError) as caught:
        table(text, **names)
    assert "hint: name them: --columns" in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize(
    ("text", "row"),
    [
        ("Time (ms),ID,Data\n1.5,0x1A0,01 02\n", (1_500_000, "", 0x1A0, 0, 2, b"\1\2")),
        ("Zeit [s];Kennung;Daten\n0,0015;1A0h;0102\n", (1_500_000, "", 0x1A0, 0, 2, b"\1\2")),
        (
            "timestamp_us\tCAN ID (hex)\tDLC\tD0\tD1\tD2\n1500\t1A0\t2\t1\tff\t\n",
            (1_500_000, "", 0x1A0, 0, 2, b"\1\xff"),
        ),
        (
            "Time_s,Bus,Id,Ext,Dir,Len,B1,B2\n1.5,2,100,1,Tx,2,255,7\n",
            None,  # neither letters nor a zero in front: hex or decimal?
        ),
        (
            "Time_s,Bus,Id dec,Ext,Dir,Len,B1,B2\n1.5,2,100,1,Tx,2,255,7\n",
            (1_500_000_000, "can2", 100, Flag.EXTENDED | Flag.TRANSMITTED, 2, b"\xff\7"),
        ),
        (
            f'Timestamp,ID,Extended,Data\n{DAY}000,"1A0",false,"01,02"\n',
            (DAY * 10**9, "", 0x1A0, 0, 2, b"\1\2"),
        ),
        (
            "Time,ID,Data\n2024-05-14 12:00:00.5,18FEF100x,01\n",
            (DAY * 10**9 + 500_000_000, "", 0x18FEF100, Flag.EXTENDED, 1, b"\1"),
        ),
        (
            "# made in bay 2\n\nSoftware;3\nTime [ns];Channel;Identifier;RTR;Length;Data Bytes\n"
            "7;CAN 1;00A;1;4;\n",
            (7, "CAN_1", 10, Flag.REMOTE, 4, b""),
        ),
    ],
)
def test_columns_are_taken_by_what_their_headings_mean(text, row):
    if row is None:
        assert "decimal or hex" in refused(text)
        return
    assert rows(table(text)) == [row]
    assert Table().recognises(text.encode())


def test_identifiers_without_any_letter_among_many_are_decimal():
    lines = [f"{n}.5,{100 + n},00" for n in range(12)]
    assert table("Time,ID,Data\n" + "\n".join(lines) + "\n").can_id.tolist() == [*range(100, 112)]


def test_what_cannot_be_told_is_refused_with_what_to_name():
    text = "Stamp,Kind,Bytes,B\n1,1A0,01 02,x\n"
    assert "no headings" in refused(text) or "headings for a time" in refused(text)
    assert "unit of its times" in refused("Time,ID,Data\n1,1A0,01\n2,1A0,01\n")
    named = table(text, time_ms="Stamp", id_hex="Kind", data="Bytes")
    assert rows(named) == [(1_000_000, "", 0x1A0, 0, 2, b"\1\2")]
    assert "no heading is 'Nothing'" in refused(text, time_s="Nothing", id="Kind", data="Bytes")
    assert "say its unit" in refused(text, time="Stamp", id="Kind", data="Bytes")
    assert "no meaning of a column" in refused(text, speed="Stamp")


def test_a_row_that_is_no_frame_is_counted_with_its_place():
    good = "1.5,1A0,01\n"
    frames = table("Time,ID,Data\n" + good * 9 + "1.6,1A0,0\n1.7,zz,01\n9e99,1A0,01\n" + "1.5,1A0")
    assert (len(frames), frames.tally.skipped, frames.tally.cut_end) == (9, 3, False)
    assert "x.csv:14: the last line has no line feed" in frames.tally.notes[-1]
    odd = table("Time,ID,Data\n" + good * 9 + "1e711677200000000,1A0,01\n0e999999999,1A0,01\n")
    assert (len(odd), odd.tally.skipped) == (9, 2)
    cut = table("Time,ID,Len,Data\n" + "1.5,1A0,2,01 02\n" * 9 + "1.5,1A0,2,01 0")
    assert (len(cut), cut.tally.skipped, cut.tally.cut_end) == (9, 1, True)
    assert "x.csv:11: its data is no bytes: '1.6,1A0,0'" in frames.tally.examples[0]
    assert "not a table of frames: 10 of its first 10" in refused(
        "Time,ID,Data\n" + "1.5,zz,01\n1.5,1A0,x\n" * 10
    )


def test_a_long_line_of_brackets_is_no_heading_and_is_looked_at_at_once():
    assert by_heading("[" * 65_536) is None
