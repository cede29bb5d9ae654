"""A table without one row says why: never exit 0 without a hint."""

import pytest

# PGN 65265 (FEF1) from source 00 and 2A; layout of the identifier: J1939-21, from memory
DBC = """VERSION ""

BU_: N
BO_ 2566844714 Cruise: 8 N
 SG_ Speed : 0|8@1+ (1,0) [0|0] "" N
BO_ 291 Short: 2 N
 SG_ S : 8|8@1+ (1,0) [0|0] "" N
"""


@pytest.mark.parametrize(
    ("frame", "told"),
    [
        (
            "18FEF100#1122334455667788",
            "mark them in the definition with the attribute VFrameFormat",
        ),
        ("7FF#11", "no definition knows any identifier of this capture (7FF ...)"),
        ("123#", "though frames of 1 defined messages came: they are too short"),
        ("00000123#1122", "defined, but with 11 bits"),
        ("123#R2", "of 3 frames none is a data frame: 0 error frames, 3 remote ones"),
    ],
)
def test_a_table_without_a_row_says_why(canscope, tmp_path, frame, told):
    (tmp_path / "a.dbc").write_text(DBC)
    (tmp_path / "a.log").write_text(f"(1700000000.000000) can0 {frame}\n" * 3)
    code, _, err = canscope("decode", "a.log", "--definitions", "a.dbc", "--to", "v.csv")
    assert code == 0
    assert told in err
    (tmp_path / "a.log").write_text(
        "(1700000000.000000) can0 123#1122\n" * 3 + "(1700000000.000000) can0 123#11"
    )
    code, _, err = canscope("decode", "a.log", "--definitions", "a.dbc", "--to", "v.csv")
    assert "no row was written" not in err
    assert "a.log:4: no line feed, and maybe cut off mid-line" in err
    assert "lines not readable: 1" in err
    as_usual = "(1700000000.000000) can0 123#1122\n" * 4  # in this message a frame has 2 bytes
    (tmp_path / "a.log").write_text(as_usual[:-1])
    code, _, err = canscope("decode", "a.log", "--definitions", "a.dbc", "--to", "w.csv")
    assert "a.log:4: no line feed; read, as the frames of its identifier before it are" in err
    assert "4 values of 4 frames" in err
    assert "lines not readable: 0" in err
    (tmp_path / "a.log").write_text("(1700000000.000000) can0 20000123#1122\n" * 3)  # swapped bytes
    code, _, err = canscope("decode", "a.log", "--definitions", "a.dbc", "--to", "x.csv")
    assert "of 3 frames none is a data frame: 3 error frames, 0 remote ones" in err
