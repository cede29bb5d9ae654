"""The real server in a process of its own, and what is asked of it without a browser."""

import http.client
import json
import re
import socket
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

from canscope.bench.attended import POINTER
from canscope.plan.card import card
from canscope.plan.load import read_plan
from tests.live.stand import wait_for


class Server:
    """``canscope bench FOLDER`` on a free port, or on a given one."""

    def __init__(self, folder, *more, port=0):
        self.folder = folder
        words = [sys.executable, "-u", "-m", "canscope", "bench", str(folder), *more]
        self.process = subprocess.Popen(
            [*words, "--port", str(port)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self.said = ""
        while "Ctrl-C" not in self.said:
            line = self.process.stdout.readline()
            assert line, f"it ended: {self.said}"
            self.said += line
        self.link = re.search(r"http://\S+", self.said)[0]
        self.port = int(re.search(r":(\d+)/", self.link)[1])
        self.url, self.token = self.link.split("/?token=")

    def end(self):
        """As Ctrl-C does."""
        if self.process.poll() is None:
            self.process.terminate()
        self.process.communicate(timeout=20)

    def ask(self, path, method="GET", body=None, *, host=None, token=True, **headers):
        """One request as anybody could write it; status, headers, body."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        sent = {"Host": host or f"127.0.0.1:{self.port}"}
        if token:
            value = self.token if token is True else token
            sent["Cookie"] = f"canscope-{self.port}={value}"
        if method not in ("GET", "HEAD"):
            sent["Origin"] = self.url
        if body is not None:
            sent["Content-Length"] = str(len(body))
        sent |= {name.replace("_", "-"): text for name, text in headers.items()}
        for name, text in sent.items():
            if text is not None:
                connection.putheader(name, text)
        connection.endheaders(body)
        answer = connection.getresponse()
        found = answer.status, dict(answer.getheaders()), answer.read()
        connection.close()
        return found

    def post(self, path, row):
        """One posted object; status and answer."""
        status, _, body = self.ask(path, "POST", json.dumps(row).encode())
        return status, json.loads(body)

    def rehearsal(self, folder, plan="plan.toml", capture="capture.log", speed="5"):
        """What Before sends to rehearse with a capture."""
        cautions = list(card(read_plan(folder / plan)).cautions)
        return {
            "plan": plan,
            "replay": capture,
            "speed": speed,
            "cautions": cautions,
            "heard": True,
            "who": "A. Tester",
        }

    def state(self):
        """What the page is shown now."""
        return json.loads(self.ask("/during/now?after=0&step=0&sound=1")[2])["state"]

    def attendant(self):
        """The process that attends the run, a child of the server."""
        children = Path(f"/proc/{self.process.pid}/task").glob("*/children")
        return int(next(pid for path in children for pid in path.read_text().split()))

    def end_left_run(self):
        """End the attendant of a run that the test left behind."""
        pointer = self.folder / POINTER
        for what in ("end", "leave") if pointer.exists() else ():
            with suppress(OSError), socket.socket(socket.AF_UNIX) as wire:
                wire.connect(json.loads(pointer.read_text())["socket"])
                wire.sendall(json.dumps({"do": what}).encode() + b"\n")
                wire.recv(100)


def end_run(server):
    """End the run and wait for its result."""
    assert server.post("/during/do", {"do": "end"})[0] == 200
    return wait_for(lambda: server.state().get("result"))


def is_alive(pid):
    """Not gone, nor ended and only waiting for somebody to ask how."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False
