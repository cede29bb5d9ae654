"""Serial-line CAN adapters with the slcan text protocol, read in batches.

Source: the protocol as linux/drivers/net/can/slcan and the common adapters' manuals describe it;
from memory. Read: ``t`` ``T`` ``r`` ``R`` (classical) and ``d`` ``D`` ``b`` ``B`` (FD) lines, with
or without a stamp in milliseconds. The protocol carries no error frames.
Three commands are ever written: close, bit rate, and silent open.
"""

from __future__ import annotations

import errno
import re
import time
from contextlib import suppress
from typing import Any, ClassVar

from canscope.live.adapters.adapter import NOTHING, WAIT_S, AdapterError, Batch, Opened
from canscope.live.adapters.address import Address

BITRATES = {
    10_000: 0, 20_000: 1, 50_000: 2, 100_000: 3, 125_000: 4,
    250_000: 5, 500_000: 6, 800_000: 7, 1_000_000: 8,
}  # fmt: skip
REPLY_S = 0.5  # common practice, no source: how long an adapter may take to answer a command
LEFT_OVER_S = 0.2  # in which one answer more than expected shows
TRIES = 3
SILENT = "silent open (its command L)"
MOST_HUSH_S = 3.0  # how long a channel that is closed may go on talking
GATHER_S = 0.003  # between reads, so that one read takes many frames; 4 KiB last 18 ms at 1 Mbit/s
FULL = 2048  # bytes that wait: the reader is behind and does not wait for more
MOST_READS = 20
LONGEST = 160  # bytes of a line; the longest FD frame has 143
DONE, REFUSED = b"\r", b"\a"
STAMP_PERIOD_NS = 60_000_000_000
FD_BYTES = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)  # linux/can/length.h
HEX = rb"[0-9A-Fa-f]"  # the letter in front tells by its case how long the identifier is
SHORT, LONG = rb"([0-7]%b{2})" % HEX, rb"([01]%b{7})" % HEX
CLASSICAL = re.compile(rb"(?:t%b|T%b)([0-8])(%b*)" % (SHORT, LONG, HEX))
REMOTE = re.compile(rb"(?:r%b|R%b)([0-8])(%b{4})?" % (SHORT, LONG, HEX))
FD = re.compile(rb"(?:([db])%b|([DB])%b)(%b)(%b*)" % (SHORT, LONG, HEX, HEX))


class Slcan:
    """One adapter on a serial line."""

    # Serial chips hand over what they have every 16 ms unless told otherwise (from memory), and
    # frames are gathered for 3 ms. Common practice, no source.
    stamp_late_ms: ClassVar[float] = 20.0
    period_ns = STAMP_PERIOD_NS
    never_silent = ""  # its command for silent open is answered

    def __init__(self, address: Address) -> None:
        self._address = address
        self._port: Any = None
        self._rest = b""

    def open(self) -> Opened:
        """Close the channel if it was left open, set the bit rate, open silently."""
        rate = self._address.bitrate
        if rate not in BITRATES:
            known = ", ".join(str(known) for known in BITRATES)
            hint = f"give one after '@': {self._address}@500000, or in the plan; known: {known}"
            raise AdapterError(f"{self._address}: no bit rate that slcan knows", hint=hint)
        self._port = _serial(self._address)
        self._rest = b""
        try:
            doubts = self._open_silently(rate)
        except OSError as error:
            self.close()
            raise AdapterError(f"{self._address}: went away while it was opened: {error}") from None
        except AdapterError:
            self.close()
            raise
        how = doubts or "the adapter confirmed its silent-open command"
        return Opened("serial adapter opened", not doubts, how, "not carried", rate)

    def _open_silently(self, rate: int) -> str:
        """Close, set the bit rate, open silently; why silence is not confirmed, empty if it is.

        Answers carry no name. They are matched by their order: each command waits for its own, and
        if one is missing, or one more comes than was asked for, none of them proves anything.
        Raises AdapterError if the adapter refuses, and OSError.
        """
        doubts = [] if self._close_channel() else ["did not answer its close command as it should"]
        slowest_s = 0.0
        for command, what in ((b"S%d\r" % BITRATES[rate], f"bit rate {rate}"), (b"L\r", SILENT)):
            sent_s = time.monotonic()
            self._command(command)
            answer = self._answer(REPLY_S)
            slowest_s = max(slowest_s, time.monotonic() - sent_s)
            if answer == REFUSED:
                hint = "an adapter that cannot listen only is not opened at all: use another one"
                raise AdapterError(f"{self._address}: the adapter refuses {what}", hint=hint)
            if not answer:
                doubts.append(f"did not answer {what} within {REPLY_S} s")
        if self._answer(min(REPLY_S, 3 * slowest_s + WAIT_S)):
            doubts.append("gave more answers than it was given commands")
        return f"the adapter {doubts[-1]}" if doubts else ""

    def _close_channel(self) -> bool:
        """Close a channel that may have been left open; whether exactly one answer came to that.

        What is left over of an earlier answer would be taken for one that is still to come.
        """
        self._hush()
        for _ in range(TRIES):
            self._command(b"C\r")
            if not self._answer(REPLY_S):  # a closed channel may be refused: an answer as well
                return False
            if not self._answer(LEFT_OVER_S):
                return True
        return False

    def flush(self) -> None:
        """Discard the whole lines that wait; the rest of a line that has begun is still to come."""
        waiting = self._rest + self._port.read(self._port.in_waiting)
        self._rest = waiting[waiting.rfind(b"\r") + 1 :]

    def read(self) -> Batch:
        """All whole lines that have come."""
        port = self._port
        data = port.read(1)
        if not data:
            return NOTHING
        if port.in_waiting < FULL:
            time.sleep(GATHER_S)
        parts = [self._rest, data]
        while (waiting := port.in_waiting) and len(parts) < MOST_READS:
            parts.append(port.read(waiting))
        *lines, self._rest = b"".join(parts).split(b"\r")
        batch = parse(lines)
        if len(self._rest) > LONGEST:
            self._rest = b""
            batch = Batch(batch.frames, batch.garbled + 1, 0, batch.device_ns)
        return batch

    def close(self) -> None:
        """Close the channel and the serial line."""
        if self._port is None:
            return
        with suppress(OSError):  # the adapter may be gone already
            self._command(b"C\r")
        with suppress(OSError):
            self._port.close()
        self._port = None

    def _command(self, command: bytes) -> None:
        """The only place that writes to the adapter."""
        if not re.fullmatch(rb"[CL]\r|S[0-8]\r", command):
            raise RuntimeError(f"{command!r} is no command that a listener needs")
        self._port.write(command)
        self._port.flush()

    def _hush(self) -> None:
        """Close a channel that was left open and talks, and wait until nothing more comes."""
        if not self._port.read(4096):
            return
        self._command(b"C\r")
        end, heard_s = time.monotonic() + MOST_HUSH_S, time.monotonic()
        while (now_s := time.monotonic()) < min(end, heard_s + REPLY_S):
            heard_s = now_s if self._port.read(4096) else heard_s

    def _answer(self, wait_s: float) -> bytes:
        """The next answer, ``DONE`` or ``REFUSED``; empty if none comes in time.

        An answer is an empty line, or the bell. Lines with something in them are frames, of a
        channel that was left open or that has just been opened.
        """
        line, end = b"", time.monotonic() + wait_s
        while time.monotonic() < end:
            byte: bytes = self._port.read(1)
            if byte == REFUSED or (byte == DONE and not line):
                return byte
            line = b"" if byte == DONE else line + byte
        self._rest = line
        return b""


def parse(lines: list[bytes]) -> Batch:
    """Frames from lines of the protocol without their carriage return."""
    frames, garbled, stamp = [], 0, b""
    for line in lines:
        m = CLASSICAL.fullmatch(line)
        if m is not None:
            short, long, size, rest = m.groups()
            end = 2 * int(size)
            extra = len(rest) - end
            if extra == 0 or extra == 4:
                frames.append(b"%s#%s" % ((short or long).upper(), rest[:end].upper()))
                stamp = rest[end:] if extra else stamp
                continue
        elif (body := _remote_or_fd(line)) is not None:
            if body:
                frames.append(body)
            continue
        garbled += 1
    device_ns = int(stamp, 16) * 1_000_000 if stamp else None
    return Batch(frames, garbled, 0, device_ns)


def _remote_or_fd(line: bytes) -> bytes | None:
    """A remote or FD frame as candump writes it; empty for an empty line; None: neither."""
    if not line:
        return b""
    if m := REMOTE.fullmatch(line):
        return b"%s#R%s" % ((m[1] or m[2]).upper(), m[3].strip(b"0"))
    if m := FD.fullmatch(line):
        size = 2 * FD_BYTES[int(m[5], 16)]
        if len(m[6]) in (size, size + 4):
            fast = 1 if (m[1] or m[3]) in b"bB" else 0  # candump's flags: bit rate switched
            return b"%s##%d%s" % ((m[2] or m[4]).upper(), fast, m[6][:size].upper())
    return None


def _serial(address: Address) -> Any:
    try:
        import serial
    except ImportError as error:
        hint = "pip install pyserial (or canscope[record])"
        raise AdapterError("slcan adapters need the library pyserial", hint=hint) from error
    try:
        return serial.Serial(address.address, address.serial_baud, timeout=WAIT_S, exclusive=True)
    except (OSError, ValueError) as error:
        hint = "is it plugged in, may you read it, and does no other program hold it?"
        refusal = AdapterError(f"{address}: cannot be opened: {error}", hint=hint)
        refusal.absent = getattr(error, "errno", None) == errno.ENOENT
        raise refusal from error
