"""``canscope record`` in a real terminal: the big word, the bell, keys and marks."""

import json
import os
import pty
import re
import select
import subprocess
import sys
import time

import pytest

from tests.live.stand import made

ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


class Terminal:
    """A person's terminal with a command in it."""

    def __init__(self, *words):
        self._master, slave = pty.openpty()
        environment = {**os.environ, "TERM": "xterm", "COLUMNS": "120", "LINES": "50"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "canscope", *words],
            stdin=slave, stdout=slave, stderr=slave, env=environment, start_new_session=True,
        )  # fmt: skip
        os.close(slave)
        self.raw = b""

    @property
    def shown(self):
        return " ".join(ESCAPES.sub("", self.raw.decode("utf-8", "replace")).split())

    def wait_for(self, text, timeout=120):
        """Read on until this was shown."""
        end = time.monotonic() + timeout
        while text not in self.shown:
            assert time.monotonic() < end, f"{text!r} was not shown; last: {self.shown[-1500:]}"
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

    def start(*words):
        opened.append(Terminal(*map(str, words)))
        return opened[-1]

    yield start
    for one in opened:
        one.process.kill()
        one.process.wait()


def test_a_person_sees_the_stop_hears_the_bell_acknowledges_and_marks(tmp_path, terminal):
    files = made(tmp_path / "made", "front-axle-wrong-way", until_s=90.0)
    run = tmp_path / "run"
    screen = terminal("record", run, "--bus", f"*=replay:{files.capture}@2", "--plan", files.plan)
    screen.wait_for("N O T R E A D Y")
    screen.wait_for("the sound test was not confirmed")
    assert b"\a\a\a" in screen.raw  # the sound test
    screen.type("h")
    screen.wait_for("S T O P")
    screen.wait_for("■ STOP axle-direction")
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
    assert [(r.get("axle"), r.get("seen"), r.get("text")) for r in rows] == [
        ("front", "reverse", None),
        (None, None, "left wheel rubs"),
    ]
    report = json.loads(next((run / "reports").glob("*.json")).read_text())
    assert report["verdict"] == "fail"
