"""A serial-line CAN adapter on a pseudo-terminal, with the one habit of real ones that matters.

It has a buffer of its own of 4 KiB: what is not fetched in time is dropped, and counted. It notes
every byte that is ever written to it and refuses what a listener has no business to say.
Run by itself it plays a candump file, ``python adapter.py LINK FILE CHANNEL FIRST``, FIRST being
the stamp to begin with, once it is told the monotonic time to begin at. At the end, after another
line of input, it prints one line of JSON: frames offered, frames dropped, and all commands.
"""

import json
import os
import pty
import re
import select
import sys
import threading
import time
import tty
from contextlib import suppress
from pathlib import Path

BUFFER = 4096
ALLOWED = re.compile(rb"C\r|L\r|S[0-8]\r")


class Adapter:
    """The adapter's far side. ``link`` is the name under which it can be opened."""

    def __init__(self, link, *, answers=True, refuses=b"", ignores=b"", answer_s=0.0, left=b""):
        self.link, self._answers, self.refuses = Path(link), answers, refuses
        self._ignores, self._answer_s = ignores, answer_s
        self._left = left  # an answer left over from before, said as the first command comes
        self._answering = []  # (monotonic time, answer) of commands that take their time
        self.commands, self.offered, self.dropped = [], 0, 0
        self.sent = []  # the lines that went into the buffer
        self.keeps = True  # whether it notes them
        self.fetched, self._bytes = [], 0  # (monotonic time, bytes) handed over until then
        self.opened = threading.Event()
        self._buffer, self._typed = bytearray(), b""
        self._lock = threading.Lock()
        self.plug_in()

    def plug_in(self):
        """Appear as a terminal."""
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(self._master, False)
        self._slave = slave
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(slave))
        self.opened.clear()
        self._alive = True
        self._thread = threading.Thread(target=self._serve, args=(self._master,), daemon=True)
        self._thread.start()

    def unplug(self):
        """Go away in the middle of whatever was being said."""
        self._alive = False
        self._thread.join()
        self.link.unlink(missing_ok=True)
        os.close(self._slave)
        os.close(self._master)
        self._buffer.clear()
        self._typed = b""

    def offer(self, line):
        """A frame comes from the bus: into the buffer, or lost."""
        if not self.opened.is_set():
            return False
        self.offered += 1
        with self._lock:
            if len(self._buffer) + len(line) > BUFFER:
                self.dropped += 1
                return False
            self._buffer += line
            if self.keeps:
                self.sent.append(line)
        return True

    def say(self, raw):
        """Bytes that are no frame: noise on the line."""
        with self._lock:
            self._buffer += raw

    def drained(self):
        """Whether everything in the buffer was fetched."""
        with self._lock:
            return not self._buffer

    def _serve(self, master):
        while self._alive:
            with self._lock:
                while self._answering and self._answering[0][0] <= time.monotonic():
                    self._buffer += self._answering.pop(0)[1]
                full = bool(self._buffer)
            readable, writable, _ = select.select([master], [master] if full else [], [], 0.001)
            if readable:
                try:
                    self._typed += os.read(master, 4096)
                except OSError:
                    time.sleep(0.005)  # nobody has it open
                self._obey()
            if writable:
                with self._lock:
                    try:
                        done = os.write(master, self._buffer)
                    except BlockingIOError:
                        done = 0
                    del self._buffer[:done]
                if self.keeps:
                    self._bytes += done
                    self.fetched.append((time.monotonic(), self._bytes))

    def _obey(self):
        while b"\r" in self._typed:
            command, _, self._typed = self._typed.partition(b"\r")
            command += b"\r"
            self.commands.append(command)
            assert ALLOWED.fullmatch(command), f"a listener wrote {command!r}"
            with self._lock:
                if command == b"C\r":
                    self.opened.clear()
                    self._buffer.clear()
                self._buffer += self._left
                self._left = b""
                if self._answers and command != self._ignores:
                    answer = b"\a" if command == self.refuses else b"\r"
                    self._answering.append((time.monotonic() + self._answer_s, answer))
                if command == b"L\r" and command not in (self.refuses, self._ignores):
                    self.opened.set()

    def wrote_only_what_a_listener_may(self):
        """Nothing else was ever written, not even half a command."""
        return not self._typed and all(ALLOWED.fullmatch(command) for command in self.commands)


def go_first(niceness):
    """Run ahead of the machine's other work, where that is allowed: it stands for hardware."""
    sys.setswitchinterval(0.001)
    with suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, 0, niceness)
        Path("/proc/self/autogroup").write_text(str(niceness))


FRAME = re.compile(r"\((\d+)\.(\d{6})\) (\S+) ([0-9A-F]{3}|[0-9A-F]{8})#([0-9A-F]*)")


def lines_of(file, channel):
    """The data frames of one channel of a candump file: seconds, and what the adapter says."""
    for text in Path(file).read_text().splitlines():
        m = FRAME.fullmatch(text)
        if m and m[3] == channel and not (len(m[4]) == 8 and m[4][0] in "23"):
            kind = "t" if len(m[4]) == 3 else "T"
            said = f"{kind}{m[4]}{len(m[5]) // 2}{m[5]}\r".encode()
            yield int(m[1]) + int(m[2]) / 1e6, said


def play(adapter, frames, begin_s, first_s):
    """Offer frames when their time has come: ``first_s`` of the file at ``begin_s``."""
    for at_s, line in frames:
        wait = begin_s + at_s - first_s - time.monotonic()
        if wait > 0:
            time.sleep(wait)
        adapter.offer(line)


def main():
    link, file, channel, first = sys.argv[1:]
    go_first(-15)
    adapter = Adapter(link)
    frames = list(lines_of(file, channel))
    print("ready", flush=True)
    begin_s = float(sys.stdin.readline())
    play(adapter, frames, begin_s, float(first))
    end = time.monotonic() + 2
    while not adapter.drained() and time.monotonic() < end:
        time.sleep(0.01)
    print("played", flush=True)
    sys.stdin.readline()
    facts = {
        "offered": adapter.offered,
        "dropped": adapter.dropped,
        "commands": [command.decode() for command in adapter.commands],
        "clean": adapter.wrote_only_what_a_listener_may(),
    }
    print(json.dumps(facts), flush=True)


if __name__ == "__main__":
    main()
