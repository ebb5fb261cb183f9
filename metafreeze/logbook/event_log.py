"""The log of a logbook: every event appended and on the disk before it is acknowledged.

A line is spelled as one of the register's journal and vouches for itself in the same way.
Half a line at the end is the rest of an interrupted write: nobody was told that it counts,
so the page that sent it sends it again.
"""

from __future__ import annotations

import json
import secrets
import threading
from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from metafreeze.errors import Fault, Location, RegisterError
from metafreeze.register.folder.disk import append_line, disk_trouble_explained
from metafreeze.register.folder.journal import spell_line

LOG_NAME = "events.jsonl"
LOG_FORMAT = 1

Body = dict[str, Any]


class EventLog:
    """The events of one register's logbook.

    Parameters
    ----------
    folder : Path
        The logbook's folder, which exists.

    Attributes
    ----------
    id : str
        Made up with the first line: pages keep by it what they have not sent yet.
    events : list of dict
        The believable lines but the first, in order.
    faults : tuple of Fault
        Lines that are damaged or gone, by number.

    Raises
    ------
    RegisterError
        A newer version of the package wrote the log, or the disk is in the way.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / LOG_NAME
        with disk_trouble_explained("The logbook could not be read"):
            content = self.path.read_bytes() if self.path.exists() else b""
        self._bytes = content.rfind(b"\n") + 1
        bodies, self.faults = _read(content[: self._bytes])
        self._next = bodies[-1]["seq"] + 1 if bodies else 0
        heads = [body for body in bodies if body["kind"] == "logbook"]
        self.events: list[Body] = [body for body in bodies if body["kind"] != "logbook"]
        if not heads:
            head = {"kind": "logbook", "format": LOG_FORMAT, "id": secrets.token_hex(8)}
            heads = self.append([head])
        # It becomes part of names in the browser's storage, whoever wrote it.
        self.id = str(heads[0].get("id", ""))

    def append(self, bodies: Sequence[Mapping[str, Any]]) -> list[Body]:
        """Append events and wait until they are on the disk: all of them, or none.

        Parameters
        ----------
        bodies : sequence of mapping
            Events with their `kind`.

        Returns
        -------
        list of dict
            The same, numbered.

        Raises
        ------
        RegisterError
            The disk refuses; nothing of them is there.
        """
        numbered: list[Body] = [
            {"seq": self._next + place, **body} for place, body in enumerate(bodies)
        ]
        lines = b"".join(spell_line(body) for body in numbered)
        with disk_trouble_explained("The logbook could not be written"):
            append_line(self.path, lines, keep_bytes=self._bytes)
        self._bytes += len(lines)
        self._next += len(numbered)
        return numbered


class LogWriter:
    """One thread that appends: events that wait while the disk works share its next turn.

    Parameters
    ----------
    log : EventLog
        Written to by nobody else from here on.
    """

    def __init__(self, log: EventLog) -> None:
        self._log = log
        self._waiting: SimpleQueue[tuple[list[Body], Future[list[Body]]] | None] = SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="logbook", daemon=True)
        self._thread.start()

    def submit(self, bodies: Sequence[Mapping[str, Any]]) -> Future[list[Body]]:
        """Hand events over; the future answers once they are on the disk."""
        done: Future[list[Body]] = Future()
        self._waiting.put(([dict(body) for body in bodies], done))
        return done

    def close(self) -> None:
        """Write what waits, and end the thread."""
        self._waiting.put(None)
        self._thread.join()

    def _work(self) -> None:
        more = True
        while more:
            group = [self._waiting.get()]
            while True:
                try:
                    group.append(self._waiting.get_nowait())
                except Empty:
                    break
            more = None not in group
            self._write([item for item in group if item is not None])

    def _write(self, group: Sequence[tuple[list[Body], Future[list[Body]]]]) -> None:
        if not group:
            return
        try:
            stored = self._log.append([body for bodies, _ in group for body in bodies])
        except Exception as error:
            for _, done in group:
                done.set_exception(error)
            return
        place = 0
        for bodies, done in group:
            done.set_result(stored[place : place + len(bodies)])
            place += len(bodies)


def _read(content: bytes) -> tuple[list[Body], tuple[Fault, ...]]:
    """Read whole lines, naming those that cannot be believed."""
    bodies: list[Body] = []
    faults: list[Fault] = []
    expected = 0
    for number, raw in enumerate(content.split(b"\n")[:-1], 1):
        body = _believe(raw)
        if body is None:
            faults.append(_lost(number, f"Line {number} of the logbook is damaged"))
            expected += 1
            continue
        if body["seq"] != expected:
            faults.append(_lost(number, f"Lines are missing before line {number} of the logbook"))
        expected = body["seq"] + 1
        if body.get("format", LOG_FORMAT) != LOG_FORMAT:
            raise RegisterError(
                f"The logbook has format {body['format']!r}; this version of metafreeze knows "
                f"format {LOG_FORMAT}. Update metafreeze and open it again."
            )
        bodies.append(body)
    return bodies, tuple(faults)


def _lost(number: int, state: str) -> Fault:
    return Fault(
        rule="logbook-line",
        message=f"{state}; what was tapped is lost with it",
        remedy=f"Restore {LOG_NAME} from a copy, or write down what you remember",
        location=Location(file=LOG_NAME, row=number),
    )


def _believe(raw: bytes) -> Body | None:
    """Read a line if it is spelled as we spell it, its check included."""
    try:
        body = json.loads(raw)
        check = body.pop("check")
        whole = spell_line(body) == raw + b"\n"
    except (ValueError, KeyError, AttributeError, TypeError):
        return None
    known = isinstance(body.get("seq"), int) and isinstance(body.get("kind"), str)
    return body if whole and check and known else None
