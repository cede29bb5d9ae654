"""The recorder in one process, against real pseudo-terminals: nothing lost without a word."""

import os
import shutil
import threading
import time
import tomllib

import pytest

from canscope.capture.read import read_capture
from canscope.live.adapters.adapter import NOTHING, Batch, Opened
from canscope.live.adapters.address import Address
from canscope.live.adapters.slcan import Slcan
from canscope.live.recording.clock import Clock, ticks_ns
from canscope.live.recording.recorder import Recorder
from canscope.live.recording.recorder_config import RecorderConfig
from canscope.live.recording.writer import CaptureWriter
from tests.live.adapter import Adapter
from tests.live.stand import as_candump, frames_in, wait_for, waited_s


class Recording:
    """A recorder that runs beside the test."""

    def __init__(self, folder, *addresses, **kwargs):
        folder.mkdir(exist_ok=True)
        self.recorder = Recorder(RecorderConfig(folder, addresses), **kwargs)
        self.recorder.open()
        self._thread = threading.Thread(target=self.recorder.run)
        self._thread.start()
        wait_for(lambda: self.recorder.recording_ns)

    def __enter__(self):
        return self.recorder

    def __exit__(self, *_):
        self.recorder.stop("the test is over")
        self._thread.join(20)
        assert not self._thread.is_alive()


@pytest.fixture
def adapter(tmp_path):
    one = Adapter(tmp_path / "tty")
    yield one
    if one.link.exists():
        one.unplug()


def slcan(adapter, name="can0"):
    return Address(name, "slcan", str(adapter.link), 500_000)


def facts(folder):
    return tomllib.loads((folder / "run.toml").read_text())


def tally(folder):
    """Lost frames and skipped lines, as every later reader will count them."""
    found = [chunk.tally for chunk in read_capture(*sorted(folder.glob("*.log")))]
    return sum(t.dropped for t in found), sum(t.skipped for t in found)


def test_every_frame_is_on_the_disk_within_a_fifth_of_a_second(tmp_path, adapter):
    run, late = tmp_path / "run", []
    with Recording(run, slcan(adapter)):
        for number in range(30):
            adapter.offer(b"t1231%02X\r" % number)
            offered, waited = time.monotonic(), waited_s(os.getpid())
            text = f"123#{number:02X}\n"
            wait_for(lambda: (run / "capture-0001.log").exists())
            wait_for(lambda text=text: text in (run / "capture-0001.log").read_text())
            late.append(time.monotonic() - offered - (waited_s(os.getpid()) - waited))
    assert sorted(late)[len(late) // 2] < 0.2
    assert [text for _, text in frames_in(run)] == [as_candump(line) for line in adapter.sent]


def test_noise_on_the_line_is_counted_as_lost_and_the_rest_is_kept(tmp_path, adapter):
    run = tmp_path / "run"
    with Recording(run, slcan(adapter)) as recorder:
        adapter.offer(b"t1231AA\r")
        adapter.say(b"\xff\x00garbage\r\x80t12\r")
        adapter.offer(b"t1231BB\r")
        wait_for(lambda: recorder.buses["can0"].frames == 2)
    assert [text for _, text in frames_in(run)] == ["123#AA", "123#BB"]
    assert tally(run) == (2, 0)
    assert facts(run)["buses"]["can0"]["garbled"] == 2


def test_endless_noise_without_a_line_end_fills_no_memory(tmp_path, adapter):
    with Recording(tmp_path / "run", slcan(adapter)) as recorder:
        for _ in range(5):
            adapter.say(b"\x55" * 2000)
            wait_for(adapter.drained)
        adapter.say(b"\r")
        adapter.offer(b"t1230\r")
        wait_for(lambda: recorder.buses["can0"].frames == 1)
        assert recorder.buses["can0"].garbled >= 1


def test_an_adapter_pulled_in_mid_frame_comes_back_in_the_same_run_with_its_gap_told(
    tmp_path, adapter
):
    run = tmp_path / "run"
    with Recording(run, slcan(adapter)) as recorder:
        bus = recorder.buses["can0"]
        adapter.offer(b"t1231AA\r")
        wait_for(lambda: bus.frames == 1)
        adapter.say(b"t1238112233")
        wait_for(adapter.drained)
        adapter.unplug()
        wait_for(lambda: bus.state == "lost")
        adapter.plug_in()
        wait_for(lambda: bus.state == "recording")
        wait_for(adapter.opened.is_set)
        adapter.offer(b"t1231BB\r")
        wait_for(lambda: bus.frames == 2)
        assert not recorder.end
    assert [text for _, text in frames_in(run)] == ["123#AA", "123#BB"]
    assert tally(run)[0] >= 1
    told = " ".join(event["what"] for event in facts(run)["events"])
    assert "the adapter went away" in told
    assert "the adapter is back" in told
    assert adapter.wrote_only_what_a_listener_may()


def test_one_lost_adapter_costs_the_other_nothing(tmp_path, adapter):
    other, run = Adapter(tmp_path / "tty2"), tmp_path / "run"
    with Recording(run, slcan(adapter), slcan(other, "can1")) as recorder:
        adapter.unplug()
        wait_for(lambda: recorder.buses["can0"].state == "lost")
        for number in range(100):
            other.offer(b"t1231%02X\r" % number)
        wait_for(lambda: recorder.buses["can1"].frames == 100)
    other.unplug()
    assert len(frames_in(run)) == 100


class Broken:
    """An adapter whose driver has a bug, then works."""

    period_ns, never_silent = 0, ""

    def __init__(self):
        self.reads = 0

    def open(self):
        return Opened("found", True, "there is no wire", "unknown")

    def close(self):
        pass

    def flush(self):
        pass

    def read(self):
        time.sleep(0.01)
        self.reads += 1
        if self.reads == 20:
            raise KeyError("a bug in the driver")
        return Batch([b"123#AA"]) if self.reads > 20 else NOTHING


def test_a_bug_in_a_driver_is_written_down_and_recording_goes_on(tmp_path):
    run, broken = tmp_path / "run", Broken()
    with Recording(run, Address("can0", "x", "y"), adapters={"can0": broken}) as recorder:
        wait_for(lambda: recorder.buses["can0"].frames > 5)
    assert "KeyError: 'a bug in the driver'" in (run / "recorder-errors.txt").read_text()
    assert any("a bug was met" in event["what"] for event in facts(run)["events"])
    assert frames_in(run)


class Hanging(Broken):
    """An adapter whose driver does not come back."""

    def __init__(self):
        super().__init__()
        self.free = threading.Event()

    def read(self):
        self.reads += 1
        if self.reads > 20:
            self.free.wait(10)
        time.sleep(0.005)
        return NOTHING


def test_a_reader_that_hangs_is_told(tmp_path):
    hanging = Hanging()
    with Recording(tmp_path / "run", Address("can0", "x", "y"), adapters={"can0": hanging}) as r:
        wait_for(lambda: r.status().hung == ("can0",))
        hanging.free.set()
    assert any("hangs" in event["what"] for event in facts(tmp_path / "run")["events"])


def test_a_bug_in_the_writer_ends_the_run_in_words(tmp_path, adapter, monkeypatch):
    def broken(captures, text):
        raise KeyError("a bug in the writer")

    monkeypatch.setattr(CaptureWriter, "write", broken)
    with Recording(tmp_path / "run", slcan(adapter)) as recorder:
        adapter.offer(b"t1230\r")
        wait_for(lambda: recorder.end)
    end = facts(tmp_path / "run")["end"]
    assert (end["in_order"], end["reason"]) == (False, "the writer failed by a bug of its own")
    assert "a bug in the writer" in (tmp_path / "run" / "recorder-errors.txt").read_text()


class Dying(Broken):
    """An adapter whose driver takes its thread with it."""

    def read(self):
        time.sleep(0.01)
        self.reads += 1
        if self.reads > 20:
            raise SystemExit
        return Batch([b"123#AA"])


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")  # on purpose
def test_a_reader_that_dies_is_told_and_the_others_go_on(tmp_path, adapter):
    run = tmp_path / "run"
    addresses = (Address("can0", "x", "y"), slcan(adapter, "can1"))
    adapters = {"can0": Dying(), "can1": Slcan(addresses[1])}
    with Recording(run, *addresses, adapters=adapters) as recorder:
        wait_for(lambda: recorder.status().hung == ("can0",))
        adapter.offer(b"t1231AA\r")
        wait_for(lambda: recorder.buses["can1"].frames == 1)
    assert any("can0: the reader died" in event["what"] for event in facts(run)["events"])
    assert ("can1", "123#AA") in frames_in(run)


def test_a_clock_that_is_set_during_the_run_is_told_and_stamps_go_on(tmp_path, adapter):
    apart = [0]
    clock = Clock(ticks=ticks_ns, wall=lambda: time.time_ns() + apart[0])
    run = tmp_path / "run"
    with Recording(run, slcan(adapter), clock=clock) as recorder:
        adapter.offer(b"t1230\r")
        wait_for(lambda: recorder.buses["can0"].frames == 1)
        apart[0] = -3600 * 10**9
        wait_for(lambda: recorder.events)
        adapter.offer(b"t1230\r")
        wait_for(lambda: recorder.buses["can0"].frames == 2)
    chunks = list(read_capture(run / "capture-0001.log"))
    assert {chunk.segment for chunk in chunks} == {0}
    assert "-3600.0" in facts(run)["events"][0]["what"]


def test_a_full_disk_ends_the_run_in_words(tmp_path, adapter):
    run = tmp_path / "run"
    run.mkdir()
    (run / "capture-0001.log").symlink_to("/dev/full")
    with Recording(run, slcan(adapter)) as recorder:
        adapter.offer(b"t1230\r")
        wait_for(lambda: recorder.end)
    end = facts(run)["end"]
    assert not end["in_order"]
    assert "No space left" in end["reason"]


def test_a_disk_that_gets_low_while_recording_is_told_and_so_is_its_end(tmp_path, adapter):
    """Its limit lies between what is free now and what is free with a large file more."""
    free = shutil.disk_usage(tmp_path).free
    size = min(free // 2, 1 << 30)
    run = tmp_path / "run"
    run.mkdir()
    recorder = Recorder(RecorderConfig(run, (slcan(adapter),), low_disk_bytes=free - size // 2))
    recorder.open()
    thread = threading.Thread(target=recorder.run)
    thread.start()
    try:
        wait_for(lambda: recorder.status().disk_free)
        assert not recorder.status().disk_low
        large = os.open(tmp_path / "large", os.O_CREAT | os.O_WRONLY)
        os.posix_fallocate(large, 0, size)
        os.close(large)
        wait_for(lambda: recorder.status().disk_low)
        (tmp_path / "large").unlink()
        wait_for(lambda: not recorder.status().disk_low)
    finally:
        recorder.stop("the test is over")
        thread.join()
    assert [e["what"][:15] for e in facts(run)["events"]] == ["the disk is low"]


def test_the_run_file_states_the_clock_and_the_silence(tmp_path, adapter):
    run = tmp_path / "run"
    with Recording(run, slcan(adapter)) as recorder:
        adapter.offer(b"t12300100\r")  # stamped 256 ms by the adapter
        adapter.offer(b"t12300102\r")
        wait_for(lambda: recorder.buses["can0"].frames == 2)
    said = facts(run)
    assert said["clock"]["anchor_uncertainty_ms"] < 1000
    bus = said["buses"]["can0"]
    assert (bus["silent"], bus["bitrate"], bus["error_frames_are"]) == (
        True,
        500_000,
        "not carried",
    )
    assert 3.0 <= bus["late_by_at_most_ms"] < 1000
    assert said["end"]["in_order"]
    assert said["end"]["frames"] == 2
