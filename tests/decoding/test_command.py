"""``canscope decode`` from end to end: a candump text and definitions in, a table out.

Values by hand from the payloads; the engine speed frame as in ``test_columns.py``.
"""

import os

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from canscope.cli.main import main

from .conftest import J1939

BODY = (
    f"BO_ {0x0CF004FE | 1 << 31} Engine: 8 Node\n"
    ' SG_ Speed : 24|16@1+ (0.125,0) [0|800] "rpm" Node\n'
    f"BO_ {0x18FEEEFE | 1 << 31} Coolant: 8 Node\n"
    ' SG_ Level : 0|8@1+ (1,0) [0|0] "" Node\n' + J1939
)
LOG = """\
(1700000000.000000) can0 7FF#00
(1700000000.500000) can0 0CF00400#FF7D7DE015FFF0FF
(1700000001.000000) can0 18FEEE00#05
(1700000001.500000) can0 0CF00400#FF7D7DFFFFFFF0FF
(1700000002.000000) can1 0CF00400#FF7D7D
(1700000002.500000) can1 0CF00400#FF7D7D0019FFF0FF
"""


@pytest.fixture
def job(dbc, tmp_path):
    """Runs the command on the log above with the definition above."""
    log = tmp_path / "drive.log"
    log.write_text(LOG)
    path = dbc(BODY)

    def run(*more, to="out.parquet", definitions=("--definitions", str(path))):
        return main(["decode", str(log), *definitions, "--to", str(tmp_path / to), *more])

    return run


def test_a_capture_becomes_a_tidy_table(job, tmp_path, capsys):
    assert job() == 0
    table = pd.read_parquet(tmp_path / "out.parquet")
    np.testing.assert_array_equal(table.value, [700, 5, np.nan, 800])
    np.testing.assert_allclose(table.time_s, [0.5, 1.0, 1.5, 2.5], atol=1e-9)
    assert table.channel.tolist() == ["can0", "can0", "can0", "can1"]
    assert table.signal.tolist() == ["Speed", "Level", "Speed", "Speed"]
    said = capsys.readouterr().err
    assert "4 rows; 4 values of 6 frames" in said
    assert "undefined identifier: 1 (can0 1)" in said
    assert "shorter than defined: 1 (can1:Engine 1)" in said
    assert "not available: 1; out of range: 0" in said


def test_signals_and_times_can_be_chosen(job, tmp_path):
    assert job("--signals", "Engine.Speed", "--from", "0.5", "--until", "1.5", to="a.csv") == 0
    table = pd.read_csv(tmp_path / "a.csv")
    assert table[["time_s", "signal", "value"]].to_numpy().tolist() == [[0.5, "Speed", 700.0]]
    assert job("--signals", "Level,can1:Engine.Speed", to="b.csv") == 0
    table = pd.read_csv(tmp_path / "b.csv")
    assert table[["channel", "signal"]].to_numpy().tolist() == [
        ["can0", "Level"],
        ["can1", "Speed"],
    ]


def test_wide_has_one_column_a_signal_that_occurs(job, tmp_path):
    assert job("--wide", to="wide.csv") == 0
    table = pd.read_csv(tmp_path / "wide.csv")
    speeds = [f"{channel}:Engine.Speed" for channel in ("can0", "can1")]
    assert list(table.columns) == ["time_ns", "time_s", speeds[0], "can0:Coolant.Level", speeds[1]]
    np.testing.assert_array_equal(table[speeds[0]], [700, np.nan, np.nan, np.nan])
    np.testing.assert_array_equal(table[speeds[1]], [np.nan, np.nan, np.nan, 800])
    np.testing.assert_array_equal(table["can0:Coolant.Level"], [np.nan, 5, np.nan, np.nan])


def test_text_is_a_dictionary_or_plain_and_parquet_may_be_packed_more(job, tmp_path):
    plain = ("--plain-text", "--compression", "zstd")
    assert (job(to="usual.parquet"), job(*plain, to="plain.parquet")) == (0, 0)
    usual, other = (pd.read_parquet(tmp_path / f"{name}.parquet") for name in ("usual", "plain"))
    for name in ("channel", "message", "signal", "unit", "label"):
        assert isinstance(usual[name].dtype, pd.CategoricalDtype)
        assert pd.api.types.is_string_dtype(other[name].dtype)
        assert usual[name].tolist() == other[name].tolist()
    schema = pq.ParquetFile(tmp_path / "plain.parquet").metadata.row_group(0)
    assert schema.column(0).compression == "ZSTD"


def test_a_policy_given_replaces_the_default(job, tmp_path):
    assert job("--not-available", "5,0x15E0") == 0
    table = pd.read_parquet(tmp_path / "out.parquet")
    np.testing.assert_array_equal(table.value, [np.nan, np.nan, 0xFFFF * 0.125, 800])


def test_a_bus_has_its_own_definitions(job, dbc, tmp_path, capsys):
    own = dbc(BODY.replace("0.125", "1"), "own.dbc")
    assert job("--bus", f"can1={own}", "--bus", f"can9={own}") == 0
    assert pd.read_parquet(tmp_path / "out.parquet").value.iloc[-1] == 0x1900
    assert "no frame on channel can9; seen: can0, can1" in capsys.readouterr().err


def test_a_wrong_signal_name_is_answered_with_the_nearest(job, capsys):
    assert job("--signals", "Engine.Sped") == 2
    assert "did you mean 'Engine.Speed'" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--bus", "can1"), "not NAME=FILE"),
        (("--not-available", "most"), "not understood"),
        (("--bus", "can1=none.dbc"), "none.dbc: cannot be read"),
    ],
)
def test_mistakes_of_the_command_line_end_with_2(job, capsys, arguments, said):
    assert job(*arguments) == 2
    assert said in capsys.readouterr().err


def test_without_definitions_there_is_nothing_to_do(job, capsys):
    assert job(definitions=()) == 2
    assert "--definitions" in capsys.readouterr().err


def test_a_signal_with_a_mistake_is_refused_where_it_is_asked_for(job, dbc, tmp_path, capsys):
    bad = "--definitions", str(dbc(BODY.replace("24|16@1+", "60|16@1+"), "bad.dbc"))
    for name in ("Speed", "Engine.Speed", "can0:Engine.Speed"):
        assert job("--signals", name, definitions=bad) == 2
        said = capsys.readouterr().err
        assert f"bad.dbc:10: signal '{name}' cannot be used: signal 'Speed' reaches beyond" in said
        assert not (tmp_path / "out.parquet").exists()
    assert job(definitions=bad) == 0
    assert "bad.dbc:10: signal 'Speed' reaches beyond" in capsys.readouterr().err
    assert pd.read_parquet(tmp_path / "out.parquet").signal.tolist() == ["Level"]


def test_an_empty_table_says_why(job, dbc, capsys):
    """The parameter groups are seen, the whole identifiers are not."""
    plain = dbc(BODY.removesuffix(J1939), "plain.dbc")
    assert job(definitions=("--definitions", str(plain))) == 0
    said = capsys.readouterr().err
    assert "nothing was decoded" in said
    assert "on can0, no identifier seen is defined: 7FF, 0CF00400x, 18FEEE00x" in said
    assert "message Engine was not seen; its parameter group came as 0CF00400x: if it is" in said


def test_inputs_are_never_written_over_but_an_output_is_replaced(job, tmp_path, capsys):
    os.link(tmp_path / "drive.log", tmp_path / "drive.csv")
    assert job(to="drive.csv") == 2
    assert "one of the inputs" in capsys.readouterr().err
    assert (tmp_path / "drive.log").read_text() == LOG
    (tmp_path / "again.csv").write_text("old")
    assert job(to="again.csv") == 0
    assert (tmp_path / "again.csv").read_text().startswith("time_ns,time_s,channel,")


def test_a_place_that_cannot_be_written_is_told(job, capsys):
    assert job(to="none/out.csv") == 2
    assert "cannot write: No such file or directory" in capsys.readouterr().err
