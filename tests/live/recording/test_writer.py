"""The captures on the disk: whole lines, new files by size, and a full disk that is told."""

import errno
import os
import threading

import pytest

import canscope.live.recording.writer
from canscope.live.recording.writer import CaptureWriter
from canscope.live.run_folder.layout import captures_in

LINE = b"(1700000000.000001) can0 123#1122334455667788\n"


def test_lines_can_be_read_at_once_by_somebody_else(tmp_path):
    captures = CaptureWriter(tmp_path, 1 << 20)
    captures.write(LINE)
    assert (tmp_path / "capture-0001.log").read_bytes() == LINE
    captures.close()


def test_a_new_file_begins_where_the_old_one_is_full_and_nothing_is_split(tmp_path):
    captures = CaptureWriter(tmp_path, 3 * len(LINE))
    for _ in range(7):
        captures.write(LINE)
    captures.close()
    files = captures_in(tmp_path)
    assert [path.name for path in files] == [f"capture-000{n}.log" for n in (1, 2, 3)]
    assert [path.read_bytes() for path in files] == [3 * LINE, 3 * LINE, LINE]


def test_a_new_file_begins_when_the_old_one_is_old_enough(tmp_path):
    clock = [0.0]
    captures = CaptureWriter(tmp_path, 1 << 20, 60.0, seconds=lambda: clock[0])
    for clock[0] in (0.0, 59.9, 60.0, 119.0, 240.0):
        captures.write(LINE)
    captures.close()
    assert [path.read_bytes() for path in captures_in(tmp_path)] == [2 * LINE, 2 * LINE, LINE]


def test_the_disk_itself_is_asked_for_at_most_a_second_later_though_nothing_is_closed(
    tmp_path, monkeypatch
):
    asked = threading.Event()
    monkeypatch.setattr(os, "fsync", lambda fd: asked.set())
    captures = CaptureWriter(tmp_path, 1 << 20)
    captures.write(LINE)
    assert asked.wait(60)
    assert canscope.live.recording.writer.FSYNC_S <= 1.0
    captures.close()


def test_nothing_heard_leaves_no_file(tmp_path):
    CaptureWriter(tmp_path, 1 << 20).close()
    assert captures_in(tmp_path) == []


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs /dev/full")
def test_a_full_disk_comes_out_of_the_write(tmp_path):
    (tmp_path / "capture-0001.log").symlink_to("/dev/full")
    captures = CaptureWriter(tmp_path, 1 << 20)
    with pytest.raises(OSError, match="space") as caught:
        captures.write(LINE)
    assert caught.value.errno == errno.ENOSPC
    captures.close()
