"""The log: whole lines count, half a line does not, and a full disk loses nothing."""

import errno
import os

import pytest

from metafreeze.errors import RegisterError
from metafreeze.logbook.book import Book, folder_of
from metafreeze.logbook.event_log import LOG_NAME, EventLog, LogWriter
from metafreeze.register.folder.store import create_register

ONE, TWO = {"kind": "tap", "id": "a"}, {"kind": "tap", "id": "b", "text": "größer"}


def test_events_come_back_in_order_with_the_logs_id(tmp_path):
    log = EventLog(tmp_path)
    stored = log.append([ONE, TWO])
    again = EventLog(tmp_path)
    assert again.id == log.id
    assert again.events == stored
    assert [event["seq"] for event in stored] == [1, 2]
    assert again.faults == ()


@pytest.mark.parametrize("cut", [1, 2, 17, 40, 59])
def test_half_a_line_counts_for_nothing_and_is_written_over(tmp_path, cut):
    log = EventLog(tmp_path)
    log.append([ONE])
    log.append([TWO])
    content = (tmp_path / LOG_NAME).read_bytes()
    (tmp_path / LOG_NAME).write_bytes(content[:-cut])
    again = EventLog(tmp_path)
    assert [event["id"] for event in again.events] == ["a"]
    assert again.faults == ()
    again.append([TWO])
    assert (tmp_path / LOG_NAME).read_bytes() == content


def test_a_damaged_line_is_named_and_the_others_stand(tmp_path):
    log = EventLog(tmp_path)
    log.append([ONE, TWO, ONE])
    content = (tmp_path / LOG_NAME).read_bytes()
    (tmp_path / LOG_NAME).write_bytes(content.replace("größer".encode(), "grösser".encode()))
    again = EventLog(tmp_path)
    assert [event["seq"] for event in again.events] == [1, 3]
    (fault,) = again.faults
    assert fault.location.row == 3 and "Line 3" in fault.message
    assert again.append([TWO])[0]["seq"] == 4


def test_a_line_that_is_gone_is_missed(tmp_path):
    EventLog(tmp_path).append([ONE, TWO, ONE])
    lines = (tmp_path / LOG_NAME).read_bytes().splitlines(keepends=True)
    (tmp_path / LOG_NAME).write_bytes(b"".join([*lines[:2], *lines[3:]]))
    (fault,) = EventLog(tmp_path).faults
    assert "missing before line 3" in fault.message


def test_a_log_of_a_newer_version_is_refused(tmp_path):
    log = EventLog(tmp_path)
    log.append([{"kind": "logbook", "format": 2, "id": "x"}])
    with pytest.raises(RegisterError, match="format 2"):
        EventLog(tmp_path)


PLAN = {
    "id": "ab" * 8,
    "name": "first",
    "lab": "Quarry Lane",
    "watching": "looks",
    "sheet": "",
    "began_ms": 1,
    "vessels": [{"name": "1", "fields": {"start_temp_c": 80.0}}],
}
TAP = {"id": "cd" * 8, "batch": "ab" * 8, "tap": "in", "vessel": "1", "at_ms": 5}


@pytest.mark.parametrize(
    "event",
    [
        {"kind": "begin", "plan": PLAN | {"id": "../../../x"}},
        {"kind": "begin", "plan": PLAN | {"vessels": [{"name": 7, "fields": {}}]}},
        {"kind": "begin", "plan": PLAN | {"vessels": [{"name": "1", "fields": {"x": 1}}]}},
        {"kind": "begin", "plan": PLAN | {"watching": "never"}},
        {"kind": "begin", "plan": "first"},
        {"kind": "tap", **TAP, "id": None},
        {"kind": "tap", **TAP, "tap": "melted"},
        {"kind": "tap", **TAP, "at_ms": "noon"},
        {"kind": "tap", **TAP, "value": [1]},
        {"kind": "tap", **TAP, "batch": {}},
        {"kind": "close", "batch": "ab" * 8, "until": None, "entry": "e0001", "got_ms": 1},
        {"kind": "dance", "batch": "ab" * 8},
    ],
)
def test_a_line_of_a_strangers_making_is_left_aside_by_number(tmp_path, event):
    register = create_register(tmp_path / "winter")
    log = EventLog(folder_of(register))
    begin = {"kind": "begin", "plan": PLAN | {"id": "ef" * 8}}
    strange = log.append([begin, event, {"kind": "tap", **TAP, "batch": "ef" * 8}])[1]
    book = Book(register)
    (fault,) = book.faults
    assert fault.message.startswith(f"Event {strange['seq']} of the logbook is left aside")
    assert list(book.batches) == ["ef" * 8] and book.count == 1
    book.close()


def test_a_full_disk_refuses_and_keeps_what_was_there(tmp_path, monkeypatch):
    log = EventLog(tmp_path)
    log.append([ONE])
    before = (tmp_path / LOG_NAME).read_bytes()
    writer = LogWriter(log)

    def full(handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        with pytest.raises(RegisterError, match="disk is full"):
            writer.submit([TWO]).result(timeout=10)
    assert (tmp_path / LOG_NAME).read_bytes() == before
    assert writer.submit([TWO]).result(timeout=10)[0]["seq"] == 2
    writer.close()
    assert [event["id"] for event in EventLog(tmp_path).events] == ["a", "b"]


def test_events_that_wait_share_one_turn_of_the_disk(tmp_path, monkeypatch):
    writer = LogWriter(EventLog(tmp_path))
    turns = []
    sync = os.fsync
    monkeypatch.setattr(os, "fsync", lambda handle: (turns.append(1), sync(handle)))
    waiting = [writer.submit([{"kind": "tap", "id": str(k)}]) for k in range(400)]
    stored = [one.result(timeout=20)[0] for one in waiting]
    writer.close()
    assert [event["id"] for event in stored] == [str(k) for k in range(400)]
    assert [event["seq"] for event in stored] == list(range(1, 401))
    assert 1 <= len(turns) < 400
    assert [event["id"] for event in EventLog(tmp_path).events] == [str(k) for k in range(400)]
