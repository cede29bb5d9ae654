"""``canscope record`` in a real terminal: the big word, the bell, keys and marks."""

import fcntl
import json
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
import time

import pytest

from tests.cli.live_scenes import SCENES
from tests.live.stand import made

ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


class Terminal:
    """A person's terminal with a command in it."""

    def __init__(self, module, *words, size=(80, 24)):
        self._master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", size[1], size[0], 0, 0))
        environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")}
        environment |= {"TERM": "xterm", "PYTHONIOENCODING": "utf-8"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", module, *words],
            stdin=slave, stdout=slave, stderr=slave, env=environment, start_new_session=True,
        )  # fmt: skip
        os.close(slave)
        self.raw = b""

    @property
    def shown(self):
        return " ".join(ESCAPES.sub("", self.raw.decode("utf-8", "replace")).split())

    @property
    def picture(self):
        """The lines that are on the screen now."""
        drawn = self.raw.decode("utf-8", "replace").replace("\a", "").split("\x1b[H")[-1]
        return [line.rstrip() for line in ESCAPES.sub("", drawn).split("\r\n")]

    def wait_for(self, text, timeout=120):
        """Read on until this was shown."""
        end = time.monotonic() + timeout
        while text not in self.shown:
            assert time.monotonic() < end, f"{text!r} was not shown; last: {self.shown[-1500:]}"
            self._read()

    def wait_for_bells(self, count):
        """Read on until the bell has rung so often."""
        end = time.monotonic() + 60
        while self.raw.count(b"\a") < count:
            assert time.monotonic() < end, self.picture
            self._read()

    def wait_for_picture(self, last):
        """Read on until a whole picture stands there, whose bottom line holds these words."""
        end = time.monotonic() + 60
        while last not in self.picture[-1]:
            assert time.monotonic() < end, self.picture
            self._read()

    def _read(self):
        if select.select([self._master], [], [], 0.1)[0]:
            try:
                self.raw += os.read(self._master, 65536)
            except OSError:  # the other side is closed
                time.sleep(0.05)

    def type(self, keys):
        os.write(self._master, keys.encode())

    def end(self):
        end = time.monotonic() + 120
        while self.process.poll() is None:
            assert time.monotonic() < end
            self._read()
        self._read()
        os.close(self._master)
        return self.process.returncode


@pytest.fixture
def terminal(tmp_path):
    opened = []

    def start(*words, **options):
        opened.append(Terminal(*map(str, words), **options))
        return opened[-1]

    yield start
    for one in opened:
        one.process.kill()
        one.process.wait()


def test_a_person_sees_the_stop_hears_the_bell_acknowledges_and_marks(tmp_path, terminal):
    files = made(tmp_path / "made", "front-axle-wrong-way", until_s=90.0)
    run = tmp_path / "run"
    bus = f"*=replay:{files.capture}@2"
    screen = terminal("canscope", "record", run, "--bus", bus, "--plan", files.plan)
    screen.wait_for("THE SOUND TEST WAS NOT CONFIRMED: PRESS H IF YOU HEARD IT")
    assert b"\a\a\a" in screen.raw  # the sound test
    screen.type("h")
    screen.type("m1")
    screen.wait_for("pack voltage in V: _")
    screen.type("357,9\rvoltmeter 3\r0.5\r")
    screen.wait_for("who reads it?")
    screen.type("A. Tester\r")
    screen.wait_for("noted: pack voltage 357.9 V, voltmeter 3")
    screen.wait_for("■ STOP axle-direction: The front axle turned against the requested")
    screen.wait_for_picture("h heard")
    shown = screen.picture
    assert len(shown) == 24
    assert [line.split()[0] for line in shown if "replayed" in line] == ["can0", "can1", "can2"]
    time.sleep(1.1)
    screen.type(" ")
    screen.wait_for("(acknowledged)")
    assert screen.raw.count(b"\a\a\a") >= 2  # the sound test, then the alarm's own
    screen.type("1")
    screen.wait_for("front wheel seen")
    screen.type("r")
    screen.type("nleft wheel rubs\r")
    screen.type("qq")
    assert screen.end() == 1
    assert "Traceback" not in screen.shown
    rows = [json.loads(line) for line in (run / "marks.jsonl").read_text().splitlines()]
    reading = rows.pop(0)
    assert reading.pop("time_ns") > 0
    assert reading == {
        "role": "pack.voltage",
        "value": 357.9,
        "unit": "V",
        "uncertainty": 0.5,
        "instrument": "voltmeter 3",
        "by": "A. Tester",
    }
    assert [(r.get("axle"), r.get("seen"), r.get("text")) for r in rows] == [
        ("front", "reverse", None),
        (None, None, "left wheel rubs"),
    ]
    report = json.loads(next((run / "reports").glob("*.json")).read_text())
    assert report["verdict"] == "fail"
    assert [f["subject"] for f in report["findings"] if f["rule"] == "hand-reading"] == [
        "pack.voltage"
    ]


@pytest.mark.parametrize("size", [(60, 20), (80, 24), (120, 40)])
def test_the_view_fills_its_terminal_and_always_shows_the_keys(terminal, golden, size):
    """``live_scenes`` draws; the bottom lines, which are the keys, are there in every scene."""
    screen = terminal("tests.cli.live_scenes", size=size)
    drawn = []
    for name in SCENES:
        screen.wait_for_bells(len(drawn) + 1)
        drawn.append((name, screen.picture))
        screen.type("\r")
    assert screen.end() == 0
    for name, lines in drawn:
        assert len(lines) == size[1], name
        assert max(map(len, lines)) <= size[0], name
        assert lines[-1].endswith("h heard   q q end"), name
    text = "\n".join(f"--- {name}\n" + "\n".join(lines) for name, lines in drawn)
    golden(f"live_view_{size[0]}x{size[1]}.txt", text + "\n")
