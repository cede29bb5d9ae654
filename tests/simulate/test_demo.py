"""The demo command: it leaves other people's folders alone, and shows what it made."""

import pytest

from canscope.cli import demo
from canscope.cli.main import main
from canscope.model.errors import CanscopeError


def test_a_folder_with_other_things_in_it_is_left_alone(tmp_path, capsys):
    (tmp_path / "holiday.txt").write_text("mine")
    assert main(["demo", str(tmp_path)]) == 2
    assert "no demo folder" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["holiday.txt"]


def test_a_file_is_no_place_for_a_demo(tmp_path):
    (tmp_path / "taken").write_text("mine")
    with pytest.raises(CanscopeError, match="cannot write the demo here"):
        demo.claim(tmp_path / "taken")


def test_an_empty_folder_and_a_demo_folder_are_taken(tmp_path):
    demo.claim(tmp_path / "new")
    demo.claim(tmp_path / "new")
    assert (tmp_path / "new" / demo.SIGN).is_file()


def test_the_demo_has_healthy_runs_of_both_vehicles_and_at_least_five_faults():
    assert {s.vehicle for s in demo.SHOWS if s.fault is None} == {"bramble", "thistle"}
    assert len({s.fault for s in demo.SHOWS if s.fault}) >= 5


def test_demo_runs_come_out_as_expected_and_the_first_report_is_named(
    tmp_path, capsys, monkeypatch
):
    # Two of the runs stand for all: the whole demo takes longer than a test should.
    shows = (demo.Show("thistle"), demo.Show("bramble", "front-axle-wrong-way"))
    monkeypatch.setattr(demo, "SHOWS", shows)
    monkeypatch.setenv("COLUMNS", "200")
    assert main(["demo", str(tmp_path / "d")]) == 0
    told = capsys.readouterr().out
    assert "NOT AS EXPECTED" not in told
    first = tmp_path / "d" / "02-bramble-dry-spin-front-axle-wrong-way" / "reports"
    assert f"Open this report first: {first}" in told.replace("\n", "")
    pages = sorted(path.suffix for path in first.iterdir())
    assert pages == [".html", ".json", ".xml"]


def test_a_run_that_comes_out_otherwise_makes_the_demo_fail(tmp_path, capsys, monkeypatch):
    real = demo.SHOWS[1]
    monkeypatch.setattr(demo, "SHOWS", (real,))
    # The expectation is turned round: a healthy run that is expected to fail must be noticed.
    monkeypatch.setattr("canscope.simulate.runs.Run.expected", property(lambda run: "fail"))
    assert main(["demo", str(tmp_path / "d")]) == 1
    assert "not as expected: bramble-dry-spin" in capsys.readouterr().out
