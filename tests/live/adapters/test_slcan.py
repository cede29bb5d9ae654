"""slcan adapters: what they say, against python-can's own reader; and what is said to them."""

import random

import can
import pytest
from can.interfaces.slcan import slcanBus

from canscope.live.adapters.adapter import AdapterError
from canscope.live.adapters.address import Address
from canscope.live.adapters.candump_lines import body
from canscope.live.adapters.slcan import Slcan, parse
from tests.live.adapter import Adapter
from tests.live.stand import as_candump, wait_for

FLAGS = {"extended": 1, "remote": 2}


@pytest.fixture
def reference(tmp_path):
    """python-can's slcan bus on a loop: what is written into it is read as if an adapter spoke."""
    bus = slcanBus("loop://", timeout=0.001, sleep_after_open=0)
    yield bus
    bus.shutdown()


def said(message):
    """A message as an adapter says it, by python-can's own writer's layout."""
    kind = "tTrR"[message.is_extended_id + 2 * message.is_remote_frame]
    name = (
        f"{message.arbitration_id:08X}"
        if message.is_extended_id
        else f"{message.arbitration_id:03X}"
    )
    return f"{kind}{name}{message.dlc}{bytes(message.data).hex().upper()}".encode()


def test_classical_frames_are_read_as_python_can_reads_them(reference):
    rng = random.Random(4)
    lines, expected = [], []
    for _ in range(200):
        extended, remote = rng.random() < 0.4, rng.random() < 0.1
        size = rng.randrange(9)
        message = can.Message(
            arbitration_id=rng.randrange(1 << (29 if extended else 11)),
            is_extended_id=extended,
            is_remote_frame=remote,
            dlc=size,
            data=b"" if remote else rng.randbytes(size),
        )
        lines.append(said(message))
        reference.flush()
        reference.serialPortOrig.write(lines[-1] + b"\r")
        heard, _ = reference._recv_internal(0.5)
        assert heard.equals(
            message, timestamp_delta=None, check_direction=False, check_channel=False
        )
        flags = FLAGS["extended"] * extended | FLAGS["remote"] * remote
        expected.append(body(heard.arbitration_id, flags, heard.dlc, bytes(heard.data)))
    batch = parse(lines)
    assert (batch.frames, batch.garbled) == (expected, 0)


def test_a_stamp_behind_the_data_is_not_data():
    batch = parse([b"t1232AABB04D2", b"t1230"])
    assert batch.frames == [b"123#AABB", b"123#"]
    assert batch.device_ns == 1234 * 1_000_000  # 0x04D2 milliseconds


def test_fd_frames_carry_the_length_that_their_code_means():
    # DLC 9 is 12 bytes, F is 64: linux/can/length.h
    batch = parse([b"d1239" + b"AB" * 12, b"B12345678F" + b"01" * 64])
    assert batch.frames == [b"123##0" + b"AB" * 12, b"12345678##1" + b"01" * 64]


@pytest.mark.parametrize(
    "line", [b"t1232AAB", b"t1239AABB", b"t8230", b"T2234567800", b"xyz", b"t123", b"t1232AAGG"]
)
def test_damaged_lines_are_counted_and_never_guessed(line):
    batch = parse([b"t1232AABB", line, b"t1230"])
    assert (batch.frames, batch.garbled) == ([b"123#AABB", b"123#"], 1)


def test_only_silent_open_bit_rate_and_close_are_ever_written(tmp_path):
    adapter = Adapter(tmp_path / "tty")
    source = Slcan(Address("can0", "slcan", str(adapter.link), 500_000))
    opened = source.open()
    wait_for(adapter.opened.is_set)
    for number in range(50):
        adapter.offer(b"t123%d%s\r" % (number % 9, b"5A" * (number % 9)))
    heard = []
    wait_for(lambda: heard.extend(source.read().frames) or len(heard) == 50)
    source.close()
    wait_for(lambda: len(adapter.commands) == 4)
    assert opened.silent
    assert heard == [as_candump(line).encode() for line in adapter.sent]
    assert adapter.commands == [b"C\r", b"S6\r", b"L\r", b"C\r"]
    assert adapter.wrote_only_what_a_listener_may()
    adapter.unplug()


def test_the_only_writer_of_commands_refuses_to_write_anything_else(tmp_path):
    adapter = Adapter(tmp_path / "tty")
    source = Slcan(Address("can0", "slcan", str(adapter.link), 500_000))
    source.open()
    for command in (b"O\r", b"t1230\r", b"S9\r", b"L", b"C\rO\r"):
        with pytest.raises(RuntimeError):
            source._command(command)
    source.close()
    adapter.unplug()


def test_an_adapter_left_open_and_talking_is_opened_cleanly(tmp_path):
    adapter = Adapter(tmp_path / "tty")
    adapter.opened.set()
    for _ in range(20):
        adapter.offer(b"t1232AABB\r")
    adapter.say(b"t12")  # in the middle of a line when it is opened
    source = Slcan(Address("can0", "slcan", str(adapter.link), 500_000))
    assert source.open().silent
    adapter.offer(b"t7FF0\r")
    batch = wait_for(lambda: (found := source.read()).frames and found)
    assert (batch.frames, batch.garbled) == ([b"7FF#"], 0)
    source.close()
    adapter.unplug()


def test_a_bit_rate_has_to_be_known(tmp_path):
    with pytest.raises(AdapterError, match="bit rate"):
        Slcan(Address("can0", "slcan", str(tmp_path / "tty"))).open()


def test_what_is_not_there_cannot_be_opened(tmp_path):
    with pytest.raises(AdapterError, match="cannot be opened"):
        Slcan(Address("can0", "slcan", str(tmp_path / "tty"), 500_000)).open()
