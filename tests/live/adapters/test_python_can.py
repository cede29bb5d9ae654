"""python-can interfaces: a real virtual bus in this process, and who is called silent."""

import stat
import threading
import time
import uuid

import can
import pytest

from canscope.live.adapters.adapter import AdapterError
from canscope.live.adapters.address import Address
from canscope.live.adapters.python_can import PythonCan, _socketcan_link, socketcan_silence
from canscope.live.recording.recorder import Recorder
from canscope.live.recording.recorder_config import RecorderConfig
from canscope.model.errors import CanscopeError
from tests.live.stand import frames_in, wait_for

# What `ip -details -json link show dev can0` prints: iproute2, ip/iplink_can.c; from memory.
IP = """#!/bin/sh
echo '[{"ifname":"can0","linkinfo":{"info_kind":"can","info_data":{"ctrlmode":[%s],
"state":"ERROR-ACTIVE","bittiming":{"bitrate":500000}}}}]'
"""


def recorded(tmp_path, name, messages):
    """What a recorder writes of messages on a virtual bus."""
    recorder = Recorder(RecorderConfig(tmp_path, (Address("can7", "virtual", name),)))
    recorder.open()
    thread = threading.Thread(target=recorder.run)
    with can.Bus(name, interface="virtual") as bus:
        thread.start()
        wait_for(lambda: recorder.recording_ns)
        for number, message in enumerate(messages):
            bus.send(message)
            if number % 100 == 99:
                time.sleep(0.06)
        wait_for(lambda: recorder.buses["can7"].frames == len(messages))
        recorder.stop("enough")
        thread.join()
    return recorder


def test_every_kind_of_frame_on_a_virtual_bus_is_written_down(tmp_path):
    messages = [
        can.Message(arbitration_id=0x123, data=b"\x01\x02", is_extended_id=False),
        can.Message(arbitration_id=0x18FEF100, data=bytes(8), is_extended_id=True),
        can.Message(arbitration_id=0x7FF, dlc=4, is_remote_frame=True, is_extended_id=False),
        can.Message(arbitration_id=0x1, data=bytes(12), is_fd=True, bitrate_switch=True),
        can.Message(arbitration_id=0x40, data=bytes(8), is_error_frame=True),
    ]
    recorder = recorded(tmp_path, uuid.uuid4().hex, messages)
    assert [text for _, text in frames_in(tmp_path)] == [
        "123#0102",
        "18FEF100#" + "00" * 8,
        "7FF#R4",
        "00000001##1" + "00" * 12,
        "20000040#" + "00" * 8,
    ]
    assert recorder.buses["can7"].error_frames == 1
    assert recorder.end.in_order


def test_stamps_rise_from_frame_to_frame_and_lie_within_the_run(tmp_path):
    before = time.time_ns()
    recorder = recorded(tmp_path, uuid.uuid4().hex, [can.Message(data=bytes(8))] * 500)
    text = (tmp_path / "capture-0001.log").read_text()
    stamps = [line[1:18] for line in text.splitlines()]
    assert stamps == sorted(set(stamps))
    assert (
        before - 10**7 < float(stamps[0]) * 1e9 < float(stamps[-1]) * 1e9 < time.time_ns() + 10**7
    )
    assert recorder.run_file().buses["can7"].device_stamps  # the virtual bus stamps by itself


def test_an_interface_that_is_not_there_is_refused_in_words():
    with pytest.raises(AdapterError, match="cannot be opened") as caught:
        PythonCan(Address("can0", "no-such-kind", "x")).open()
    assert "hint:" in str(caught.value)


def test_a_link_is_silent_only_if_its_mode_reads_back_so():
    assert socketcan_silence({"kind": "can", "modes": ("LISTEN-ONLY",), "bitrate": 1})[0]
    assert socketcan_silence({"kind": "vcan", "modes": (), "bitrate": None})[0]
    assert not socketcan_silence({"kind": "can", "modes": ("BERR-REPORTING",), "bitrate": 1})[0]
    assert not socketcan_silence(None)[0]


@pytest.mark.parametrize(("modes", "silent"), [('"LISTEN-ONLY"', True), ("", False)])
def test_the_mode_is_read_from_the_command_ip(tmp_path, monkeypatch, modes, silent):
    script = tmp_path / "ip"
    script.write_text(IP % modes)
    script.chmod(script.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("PATH", f"{tmp_path}:/bin:/usr/bin")
    link = _socketcan_link("can0")
    assert socketcan_silence(link)[0] is silent
    assert link["bitrate"] == 500_000


def test_without_the_command_ip_nothing_is_confirmed(tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    assert not socketcan_silence(_socketcan_link("can0"))[0]


def test_a_recorder_refuses_what_is_not_silent_until_somebody_signs(tmp_path):
    class Loud:
        period_ns, never_silent = 0, ""

        def open(self):
            from canscope.live.adapters.adapter import Opened

            return Opened("found", False, "nobody can tell", "unknown")

        def close(self):
            self.closed = True

    loud = Loud()
    addresses = (Address("can0", "loud", "x"),)
    with pytest.raises(CanscopeError, match="not known to be silent"):
        Recorder(RecorderConfig(tmp_path, addresses), adapters={"can0": loud}).open()
    assert loud.closed
    signed = RecorderConfig(tmp_path, addresses, not_silent="bench with no vehicle")
    recorder = Recorder(signed, adapters={"can0": loud})
    recorder.open()
    assert not recorder.buses["can0"].silent
    assert recorder.run_file().run["not_silent"] == "bench with no vehicle"
