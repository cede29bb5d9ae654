"""decode: what comes out of which frames. Values by hand: value = raw * factor + offset.

SPN 190 (engine speed): 0CF00400 data FF7D7DE015FFF0FF is 0x15E0 * 0.125 = 700 rpm (genset
controller J1939 manual PM077 R1, 2020, p. 9).
"""

from itertools import pairwise

import numpy as np
import pytest

from canscope.decoding.columns import decode
from canscope.decoding.database import read_definitions
from canscope.model.errors import UnknownNameError
from canscope.model.signals import NOT_AVAILABLE, OK, OUT_OF_RANGE
from canscope.model.tables import Flag, empty_frames

from .conftest import J1939

BYTE = ' SG_ S : 0|8@1+ (1,0) [0|0] "" Node\n'
TWO = (
    "BO_ 1 M: 8 Node\n"
    ' SG_ A : 0|8@1+ (1,0) [0|0] "" Node\n'
    ' SG_ B : 8|16@1- (0.5,-1) [-10|10] "V" Node\n'
    "BO_ 2 N: 8 Node\n" + BYTE
)
MULTIPLEXED = (
    "BO_ 1 M: 8 Node\n"
    ' SG_ Mux M : 0|8@1+ (1,0) [0|0] "" Node\n'
    ' SG_ Zero m0 : 8|8@1+ (1,0) [0|0] "" Node\n'
    ' SG_ One m1 : 8|16@1+ (1,0) [0|0] "" Node\n'
    ' SG_ Always : 24|8@1+ (1,0) [0|0] "" Node\n'
    'VAL_ 1 Mux 9 "nothing more" ;\n'
)


def one(frames, path, **more):
    [signals] = decode(frames, read_definitions({"can0": [path]}), **more)
    return signals


def values(signals):
    return {key: series.value.tolist() for key, series in signals.series.items()}


def test_engine_speed_of_the_published_frame(dbc, frames):
    path = dbc(
        f"BO_ {0x0CF004FE | 1 << 31} Engine: 8 Node\n"
        ' SG_ Speed : 24|16@1+ (0.125,0) [0|8031.875] "rpm" Node\n' + J1939
    )
    rows = frames(
        ("can0", 0x0CF00400, Flag.EXTENDED, "FF7D7DE015FFF0FF"),
        ("can0", 0x0CF00400, Flag.EXTENDED, "FF7D7DFFFFFFF0FF"),
        ("can0", 0x0CF00400, Flag.EXTENDED, "FF7D7D00FEFFF0FF"),
        ("can0", 0x0CF00400, Flag.EXTENDED, "FF7D7DFFFAFFF0FF"),
    )
    series = one(rows, path).series["can0:Engine.Speed"]
    np.testing.assert_array_equal(series.value, [700.0, np.nan, np.nan, 8031.875])
    assert series.status.tolist() == [OK, NOT_AVAILABLE, NOT_AVAILABLE, OK]
    assert series.raw.tolist() == [0x15E0, 0xFFFF, 0xFE00, 0xFAFF]


def test_columns_of_a_series_and_arrivals(dbc, frames):
    rows = frames(("can0", 2, 0, "07"), ("can0", 1, 0, "05FEFF"), ("can0", 2, 0, "08"))
    signals = one(rows, dbc(TWO))
    b = signals.series["can0:M.B"]
    assert (b.value.tolist(), b.raw.tolist(), b.row.tolist()) == ([-2.0], [-2], [1])
    assert b.time_ns.tolist() == [1_010_000_000]
    assert [c.dtype for c in (b.time_ns, b.value, b.raw, b.status, b.row)] == [
        *("int64", "float64", "int64", "uint8", "int64")
    ]
    assert signals.arrivals["can0:N"].tolist() == [1_000_000_000, 1_020_000_000]
    assert signals.frames is rows


def test_a_value_outside_the_declared_range_stays_and_is_marked(dbc, frames):
    payloads = ("001600", "001700", "00EEFF", "00EDFF")  # 22 -> 10, 23 -> 10.5, -18, -19
    rows = frames(*(("can0", 1, 0, payload) for payload in payloads))
    series = one(rows, dbc(TWO)).series["can0:M.B"]
    assert series.value.tolist() == [10.0, 10.5, -10.0, -10.5]
    assert series.status.tolist() == [OK, OUT_OF_RANGE, OK, OUT_OF_RANGE]


def test_a_limit_that_floats_cannot_hit_is_not_overstepped(dbc, frames):
    body = "BO_ 1 M: 8 Node\n" + BYTE.replace("(1,0) [0|0]", "(0.1,0) [0|0.3]")
    rows = frames(("can0", 1, 0, "03"), ("can0", 1, 0, "04"))
    series = one(rows, dbc(body)).series["can0:M.S"]
    assert series.value[0] == 3 * 0.1 > 0.3
    assert series.status.tolist() == [OK, OUT_OF_RANGE]


def test_float_nan_is_not_available_and_infinity_is_out_of_range(dbc, frames):
    body = "BO_ 1 M: 8 Node\n" + BYTE.replace("0|8@", "0|32@") + "SIG_VALTYPE_ 1 S : 1;\n"
    patterns = ("0000C07F", "0000807F", "000080FF", "0000C03F")  # IEEE 754: NaN, inf, -inf, 1.5
    rows = frames(*(("can0", 1, 0, pattern) for pattern in patterns))
    series = one(rows, dbc(body)).series["can0:M.S"]
    np.testing.assert_array_equal(series.value, [np.nan, np.inf, -np.inf, 1.5])
    assert series.status.tolist() == [NOT_AVAILABLE, OUT_OF_RANGE, OUT_OF_RANGE, OK]


def test_the_same_identifier_on_two_channels_is_two_messages(dbc, frames):
    files = {"can1": [dbc(TWO)], "can2": [dbc(TWO.replace("(0.5,-1)", "(2,0)"), "other.dbc")]}
    rows = frames(("can1", 1, 0, "010A00"), ("can2", 1, 0, "020A00"))
    [signals] = decode(rows, read_definitions(files))
    found = values(signals)
    assert (found["can1:M.B"], found["can2:M.B"]) == ([4.0], [20.0])
    assert (found["can1:M.A"], found["can2:M.A"]) == ([1], [2])


def test_a_frame_too_short_for_a_signal_gives_no_row_and_is_counted_once(dbc, frames):
    rows = frames(("can0", 1, 0, "01"), ("can0", 1, 0, "020400"), ("can0", 1, 0, "0304"))
    signals = one(rows, dbc(TWO))
    assert values(signals)["can0:M.A"] == [1, 2, 3]
    assert values(signals)["can0:M.B"] == [1.0]
    assert signals.series["can0:M.B"].row.tolist() == [1]
    assert signals.tally.short_frames == {"can0:M": 2}
    assert len(signals.arrivals["can0:M"]) == 3


def test_a_multiplexer_selects_and_what_it_does_not_know_is_counted(dbc, frames):
    rows = frames(
        ("can0", 1, 0, "0005000A"),
        ("can0", 1, 0, "0105010B"),
        ("can0", 1, 0, "0205000C"),  # defined nowhere
        ("can0", 1, 0, "0905000D"),  # selects nothing, but has a label
    )
    signals = one(rows, dbc(MULTIPLEXED))
    assert values(signals) == {
        "can0:M.Mux": [0, 1, 2, 9],
        "can0:M.Zero": [5],
        "can0:M.One": [0x105],
        "can0:M.Always": [10, 11, 12, 13],
    }
    assert signals.series["can0:M.One"].row.tolist() == [1]
    assert signals.tally.undefined_multiplexer == {"can0:M": 1}
    assert signals.tally.short_frames == {}


def test_short_multiplexed_frames_count_only_what_is_selected(dbc, frames):
    rows = frames(
        ("can0", 1, 0, "0005"),  # Zero is there, Always is not
        ("can0", 1, 0, "0105"),  # One needs three bytes
        ("can0", 1, 0, ""),  # not even the multiplexer
    )
    signals = one(rows, dbc(MULTIPLEXED), wanted={"can0:M.Zero", "can0:M.One"})
    assert values(signals) == {"can0:M.Zero": [5], "can0:M.One": []}
    assert signals.tally.short_frames == {"can0:M": 2}


def test_fd_payloads_reach_beyond_the_eighth_byte(dbc, frames):
    body = "BO_ 1 M: 64 Node\n" + BYTE.replace("0|8@1+", "500|12@1-")
    rows = frames(
        ("can0", 1, Flag.FD, "AA" * 62 + "F07F"),
        ("can0", 1, Flag.FD, "AA" * 62 + "0080"),
        ("can0", 1, Flag.FD, "AA" * 48),
        ("can0", 1, 0, "AA" * 8),
    )
    signals = one(rows, dbc(body))
    assert values(signals) == {"can0:M.S": [0x7FF, -0x800]}
    assert signals.tally.short_frames == {"can0:M": 2}


def test_only_wanted_signals_are_decoded_and_all_of_them_are_there(dbc, frames):
    rows = frames(("can0", 1, 0, "010400"), ("can0", 2, 0, "09"), ("can0", 3, 0, ""))
    signals = one(rows, dbc(TWO), wanted=["can0:M.B"])
    assert values(signals) == {"can0:M.B": [1.0]}
    assert list(signals.arrivals) == ["can0:M"]
    assert signals.tally.undefined_ids == {"can0": 1}  # N is defined, though not wanted
    [nothing] = decode(empty_frames(["can0"]), read_definitions({"can0": [dbc(TWO)]}))
    assert values(nothing) == {"can0:M.A": [], "can0:M.B": [], "can0:N.S": []}
    assert {key: len(times) for key, times in nothing.arrivals.items()} == {
        "can0:M": 0,
        "can0:N": 0,
    }


def test_a_wanted_signal_that_does_not_exist_is_refused_at_once(dbc, frames):
    definitions = read_definitions({"can0": [dbc(TWO)]})
    with pytest.raises(UnknownNameError, match=r"did you mean 'can0:M\.B'"):
        decode(frames(), definitions, wanted=["can0:M.BB"])


def test_definitions_of_every_channel_take_its_real_name(dbc, frames):
    other = dbc(TWO.replace("(0.5,-1)", "(1,0)"), "own.dbc")
    definitions = read_definitions({"*": [dbc(TWO)], "can1": [other]})
    first, second = frames(("can0", 1, 0, "010400")), frames(("can1", 1, 0, "020400"))
    before, after = decode([first, second], definitions)
    assert values(before)["can0:M.B"] == [1.0]
    assert values(after)["can1:M.B"] == [4.0]  # its own definition, not that of every channel
    assert values(after)["can0:M.B"] == []
    assert not any(key.startswith("*") for key in after.series)


def test_wanted_signals_of_every_channel(dbc, frames):
    definitions = read_definitions({"*": [dbc(TWO)]})
    rows = frames(("can0", 1, 0, "010400"), ("can5", 1, 0, "030400"))
    [everywhere] = decode(rows, definitions, wanted=["*:M.A"])
    assert values(everywhere) == {"can0:M.A": [1], "can5:M.A": [3]}
    [named] = decode(rows, definitions, wanted=["can5:M.A", "can9:N.S"])
    assert values(named) == {"can5:M.A": [3], "can9:N.S": []}
    with pytest.raises(UnknownNameError):
        decode(rows, definitions, wanted=["can5:M.C"])


def test_cutting_a_capture_anywhere_changes_nothing(dbc, frames):
    pick = np.random.default_rng(4)
    rows = frames(
        *(
            (f"can{pick.integers(2)}", int(pick.integers(1, 4)), 0, pick.bytes(size).hex())
            for size in pick.integers(0, 9, 200)
        )
    )
    definitions = read_definitions({"*": [dbc(MULTIPLEXED + TWO[TWO.index("BO_ 2") :])]})
    [whole] = decode(rows, definitions)
    edges = [0, 0, 1, 50, 51, 180, 200]
    parts = [rows.take(slice(*edge)) for edge in pairwise(edges)]
    pieces = list(decode(parts, definitions))
    for key, series in whole.series.items():
        for column in ("time_ns", "value", "raw", "status"):
            joined = np.concatenate([getattr(piece.series[key], column) for piece in pieces])
            np.testing.assert_array_equal(joined, getattr(series, column))
    tally = pieces[0].tally
    for piece in pieces[1:]:
        tally = tally + piece.tally
    assert tally == whole.tally
    assert tally.short_frames
    assert tally.undefined_multiplexer
