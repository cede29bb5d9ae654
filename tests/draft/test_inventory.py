"""What is in a capture, counted by hand: 100 frames of one message, 10 ms apart, and strangers."""

import math

import pytest

from canscope.capture.read import read_capture
from canscope.draft.course import BINS, Course
from canscope.draft.inventory import take_inventory

ONE = """VERSION ""
BO_ 256 Status: 2 Node
 SG_ Level : 0|8@1+ (0.5,0) [0|100] "V" Node
 SG_ On : 8|1@1+ (1,0) [0|1] "" Node
BO_ 257 Never: 1 Node
 SG_ Other : 0|8@1+ (1,0) [0|0] "" Node
"""
OTHER = ONE.replace("(0.5,0)", "(0.1,0)").replace("Level", "Height")
SHORTER = ONE.replace("Status: 2", "Status: 4")


@pytest.fixture
def capture(tmp_path):
    """Level goes from 0 to 99 raw, On changes at frames 30 and 60; two frames of another id."""
    lines = []
    for n in range(100):
        data = bytes([n, 30 <= n < 60]).hex().upper()
        lines.append(f"({1000 + n / 100:.6f}) can0 100#{data}")
    lines += ["(1001.000000) can0 321#00", "(1001.500000) can0 321#00"]
    (tmp_path / "a.log").write_text("\n".join(lines) + "\n")
    for name, text in (("one.dbc", ONE), ("other.dbc", OTHER), ("shorter.dbc", SHORTER)):
        (tmp_path / name).write_text(text)
    return tmp_path


def take(folder, *files, **options):
    paths = [folder / file for file in files]
    return take_inventory(read_capture(folder / "a.log"), paths, **options)


def test_counts_cycle_range_and_changes_are_those_that_were_sent(capture):
    (bus,) = take(capture, "one.dbc").buses
    status, stranger = bus.messages
    assert (status.spec.name, status.count, status.cycle_ns) == ("Status", 100, 10_000_000)
    level, on = status.signals
    assert (level.count, level.least, level.greatest, level.changes) == (100, 0.0, 49.5, 99)
    assert (on.changes, on.codes) == (2, {0: 70, 1: 30})
    assert [round(time / 1e6) for time, _ in on.edges] == [0, 300, 600]
    assert (stranger.spec, stranger.id_text, stranger.cycle_ns) == (None, "321", 500_000_000)
    assert [spec.name for spec in bus.never_seen] == ["Never"]


def test_the_frame_of_it_has_one_row_a_signal(capture):
    table = take(capture, "one.dbc").to_frame()
    assert table.signal.tolist()[:2] == ["Level", "On"]
    assert table.signal.isna().tolist() == [False, False, True]
    assert table.cycle_ms.tolist() == [10.0, 10.0, 500.0]
    assert table.greatest[0] == 49.5
    assert table.curve[1].strip().startswith("▁")


def test_a_definition_of_another_length_does_not_fit(capture):
    inventory = take(capture, "shorter.dbc", "one.dbc")
    assert [path.rsplit("/")[-1] for path in inventory.buses[0].files] == ["one.dbc"]
    assert inventory.buses[0].rivals == ()
    assert inventory.unused == (str(capture / "shorter.dbc"),)


def test_two_definitions_that_fit_alike_are_rivals_and_a_copy_is_none(capture):
    (capture / "copy.dbc").write_text(ONE)
    assert take(capture, "one.dbc", "copy.dbc").buses[0].rivals == ()
    assert take(capture, "one.dbc", "other.dbc").buses[0].rivals == (str(capture / "other.dbc"),)


def test_files_named_for_a_bus_are_taken_whatever_fits(capture):
    inventory = take(capture, by_bus={"can0": [capture / "shorter.dbc"]})
    assert inventory.buses[0].files == (str(capture / "shorter.dbc"),)


def test_a_course_keeps_a_spike_in_a_run_of_any_length():
    """Its bins double when they are full; the greatest value of each is kept."""
    import numpy as np

    course, second = Course(), 10**9
    for hour in range(3):
        at = np.arange(3600, dtype=np.int64) * second + hour * 3600 * second
        value = np.zeros(3600)
        value[1800] = 7.0 if hour == 1 else 0.0
        course.add(at, value)
    assert course.width_ns * BINS >= 3 * 3600 * second
    assert np.nanmax(course.greatest) == 7.0
    assert math.isclose(float(np.nanmax(course.last[-1:], initial=0)), 0.0)
    assert course.drawn(3 * 3600 * second, 24).count("█") == 1
