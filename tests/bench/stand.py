"""The real server in a process of its own, and what is asked of it without a browser."""

import http.client
import re
import subprocess
import sys


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
