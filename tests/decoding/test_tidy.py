"""Tidy and wide tables: their columns, dtypes, order, and what reads back from a file."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from canscope.decoding.columns import decode
from canscope.decoding.database import read_definitions
from canscope.decoding.table_file import table_file, wide_columns
from canscope.model.errors import ReportError
from canscope.model.tidy import TIDY, tidy, wide

BODY = (
    "BO_ 1 M: 8 Node\n"
    ' SG_ Mux M : 0|8@1+ (1,0) [0|0] "" Node\n'
    ' SG_ One m1 : 8|8@1+ (0.5,0) [0|0] "V" Node\n'
    "BO_ 2 N: 8 Node\n"
    ' SG_ State : 0|8@1+ (1,0) [0|0] "" Node\n'
    'VAL_ 2 State 0 "off" 1 "<on>, warm" 255 "SNA" ;\n'
)


def frame(tables):
    """The tables of all chunks as one of pandas."""
    return pa.concat_tables(tables).unify_dictionaries().to_pandas()


@pytest.fixture
def signals(dbc, frames):
    """Two chunks of one channel, in which messages alternate."""
    definitions = read_definitions({"can0": [dbc(BODY)]})
    first = frames(("can0", 2, 0, "01"), ("can0", 1, 0, "0104"), ("can0", 2, 0, "FF"))
    second = frames(("can0", 1, 0, "0204"), ("can0", 9, 0, ""), ("can0", 2, 0, "07"))
    return list(decode([first, second], definitions))


def test_one_row_a_value_by_frame_then_signal(signals):
    table = frame(tidy(signals[:1]))
    assert list(table.columns) == list(TIDY)
    assert table.time_ns.tolist() == [1_000_000_000, 1_010_000_000, 1_010_000_000, 1_020_000_000]
    np.testing.assert_allclose(table.time_s, [0, 0.01, 0.01, 0.02], rtol=0, atol=1e-12)
    assert table.signal.tolist() == ["State", "Mux", "One", "State"]
    assert table.message.tolist() == ["N", "M", "M", "N"]
    assert table.channel.tolist() == ["can0"] * 4
    np.testing.assert_array_equal(table.value, [1, 1, 2, np.nan])
    assert table.unit.tolist() == ["", "", "V", ""]
    assert table.label.tolist() == ["<on>, warm", "", "", "SNA"]


def test_a_multiplexed_signal_has_rows_only_where_it_is_selected(signals):
    table = frame(tidy(signals))
    assert (table.signal == "Mux").sum() == 2
    assert (table.signal == "One").sum() == 1


def test_time_s_counts_from_the_first_frame_of_all_or_from_a_given_one(signals):
    chunks = list(tidy(signals, origin_ns=990_000_000))
    np.testing.assert_allclose(chunks[0]["time_s"], [0.01, 0.02, 0.02, 0.03], atol=1e-12)


def test_wide_is_one_row_a_frame(signals):
    keys = ["can0:N.State", "can0:M.One", "can0:X.Never"]
    table = frame(wide(signals, keys))
    assert list(table.columns) == ["time_ns", "time_s", *keys]
    np.testing.assert_array_equal(table["can0:N.State"], [1, np.nan, np.nan, 7])
    np.testing.assert_array_equal(table["can0:M.One"], [np.nan, 2, np.nan, np.nan])
    assert table["can0:X.Never"].isna().all()
    assert [str(kind) for kind in table.dtypes] == ["int64", *["float64"] * 4]


@pytest.mark.parametrize("suffix", ["parquet", "csv"])
def test_what_is_written_reads_back(signals, tmp_path, suffix):
    path = tmp_path / f"table.{suffix}"
    with table_file(path, TIDY) as file:
        for table in tidy(signals):
            file.write(table)
    read = pd.read_parquet(path) if suffix == "parquet" else pd.read_csv(path, na_filter=False)
    if suffix == "csv":
        read.value = pd.to_numeric(read.value)
    whole = frame(tidy(signals))
    if suffix == "csv":
        whole = whole.astype({name: "str" for name, kind in TIDY.items() if kind == "text"})
    pd.testing.assert_frame_equal(read, whole, check_dtype=suffix == "parquet")
    assert [str(read[name].dtype) for name in ("time_ns", "time_s", "value")] == [
        *("int64", "float64", "float64")
    ]
    assert [p.name for p in tmp_path.iterdir() if p.suffix != ".dbc"] == [path.name]


@pytest.mark.parametrize("suffix", ["parquet", "csv"])
def test_a_table_without_rows_keeps_its_columns(tmp_path, suffix):
    path = tmp_path / f"table.{suffix}"
    with table_file(path, wide_columns(["can0:M.S"])):
        pass
    read = pd.read_parquet(path) if suffix == "parquet" else pd.read_csv(path)
    assert (len(read), list(read.columns)) == (0, ["time_ns", "time_s", "can0:M.S"])


def test_a_file_appears_only_when_it_is_complete(signals, tmp_path):
    path = tmp_path / "table.csv"
    path.write_text("old")

    def broken_off():
        with table_file(path, TIDY) as file:
            file.write(next(tidy(signals)))
            raise RuntimeError

    with pytest.raises(RuntimeError):
        broken_off()
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir() if p.suffix != ".dbc"] == [path.name]


def test_places_that_cannot_be_written_are_told(tmp_path):
    for name, said in (
        ("none/table.csv", "cannot write: No such file"),
        ("table.txt", "not a kind of table"),
        ("folder.csv", "there is a folder of this name"),
    ):
        (tmp_path / "folder.csv").mkdir(exist_ok=True)
        with pytest.raises(ReportError, match=said), table_file(tmp_path / name, TIDY):
            pass
