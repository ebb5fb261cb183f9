"""A logbook served by the command line in a process of its own, as a user has it."""

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import time


def free_port():
    with socket.socket() as asking:
        asking.bind(("127.0.0.1", 0))
        return asking.getsockname()[1]


class Served:
    """A running logbook that can be killed and started again at the same address."""

    def __init__(self, register, *options, port=None):
        self.register, self.options = register, options
        self.port = port or free_port()
        self.process = None
        self.start()

    def start(self):
        words = [sys.executable, "-m", "metafreeze", "logbook", str(self.register), "--json"]
        words += ["--port", str(self.port), *self.options]
        self.process = subprocess.Popen(
            words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8"
        )
        line = self.process.stdout.readline()
        if not line:
            raise AssertionError(self._reap())
        self.said = json.loads(line)
        if "error" in self.said:
            self._reap()
            raise AssertionError(self.said["error"])
        self.url = self.said["address"]
        self.code = self.said["code"]

    def kill(self):
        """End it as a power cut would."""
        self.process.kill()
        self._reap()

    def stop(self):
        """End it as a user does; give what it said on standard error."""
        self.process.send_signal(signal.SIGINT)
        return self._reap()

    def _reap(self):
        _, errors = self.process.communicate(timeout=20)
        return errors

    def events(self):
        """Give the lines of the log as they are on the disk."""
        text = (self.register / "logbook" / "events.jsonl").read_text("utf-8")
        return [json.loads(line) for line in text.splitlines()]

    def taps(self):
        return [event for event in self.events() if event["kind"] == "tap"]


class Visitor:
    """A client without a browser: sends what it is told to, and nothing by itself."""

    def __init__(self, served, *, host=None):
        self.served = served
        self.host = host or f"127.0.0.1:{served.port}"
        self.cookie = ""
        self.token = ""

    def ask(self, path, body=None, *, headers=None, method=None):
        """Give status, headers and content of an answer."""
        sent = {"Host": self.host}
        if self.cookie:
            sent["Cookie"] = self.cookie
        content = None
        if body is not None:
            content = body if isinstance(body, bytes) else json.dumps(body).encode()
            sent |= {"Origin": f"http://{self.host}", "Content-Type": "application/json"}
            sent["X-Logbook-Token"] = self.token
        sent |= headers or {}
        line = http.client.HTTPConnection("127.0.0.1", self.served.port, timeout=20)
        try:
            line.request(
                method or ("GET" if content is None else "POST"),
                path,
                body=content,
                headers={name: value for name, value in sent.items() if value is not None},
            )
            answer = line.getresponse()
            text = answer.read()
            return answer.status, dict(answer.getheaders()), text
        finally:
            line.close()

    def enter(self, code=None):
        """Come in: with a code, or as anybody on this machine."""
        if code is not None:
            status, headers, _ = self.ask("/join", {"code": code})
            if status != 200:
                return status
            self.cookie = headers["set-cookie"].split(";")[0]
        status, headers, text = self.ask("/")
        if "set-cookie" in headers:
            self.cookie = headers["set-cookie"].split(";")[0]
        self.token = text.decode().split('data-token="')[1].split('"')[0]
        return status

    def begin(self, **more):
        """Begin a batch and give its id."""
        asked = {"id": os.urandom(8).hex(), "vessels": 2, "start_temps_c": [80, 20], **more}
        status, _, text = self.ask("/batches", asked)
        assert status == 200, text
        return json.loads(text)["id"]

    def tap(self, batch, kind, vessel="", *, at=None, **more):
        """Make a tap as the page would: by this machine's clock, with no difference."""
        clock = round((time.time() if at is None else at) * 1000)
        return {
            "id": os.urandom(8).hex(),
            "batch": batch,
            "tap": kind,
            "vessel": vessel,
            "clock": clock,
            "offset": 0,
            **more,
        }

    def send(self, *taps):
        """Send taps and give the answer."""
        status, _, text = self.ask("/taps", {"taps": list(taps), "offset": 0})
        return status, json.loads(text)
