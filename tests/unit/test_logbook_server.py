"""The server as a client meets it: who is let in, what is stored, what is refused."""

import json
import socket
import time

import pytest
from logbook_server import Served, Visitor

import metafreeze as mf
from metafreeze.logbook.guard import AT_ONCE, LARGEST_BODY
from metafreeze.logbook.taps import KIND_WORDS
from metafreeze.options import TapKind, choices
from metafreeze.register.folder.sealing import make_plan, sealed

SHEET = """lab,batch,run,position,order of insertion,vessel,start temperature (°C),freeze time (min)
Quarry Lane,Tuesday,A1,back left,2,steel cup,80,
Quarry Lane,Tuesday,A2,back right,1,steel cup,20,
Quarry Lane,Wednesday,B1,back left,1,steel cup,20,
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("logbook")


@pytest.fixture(scope="module")
def winter(folder):
    register = mf.create_register(folder / "winter", primary_endpoint="t_solid", lab="Quarry Lane")
    register.set_plan(
        sealed(
            make_plan(
                endpoint="t_solid",
                pair=(80, 20),
                smallest_effect=0.05,
                stopping_rule="after 30 batches",
            ),
            rows=0,
        )
    )
    return register


@pytest.fixture(scope="module")
def served(winter, folder):
    (folder / "today.csv").write_text(SHEET, encoding="utf-8")
    one = Served(winter.path, "--sheet", str(folder / "today.csv"))
    yield one
    one.kill()


@pytest.fixture(scope="module")
def guarded(folder):
    register = mf.create_register(folder / "guarded", lab="Quarry Lane")
    one = Served(register.path, "--on-network", "--address", "127.0.0.1")
    yield one
    one.kill()


@pytest.fixture
def visitor(served):
    one = Visitor(served)
    assert one.enter() == 200
    return one


@pytest.fixture(scope="module")
def phone(guarded):
    """A phone that came in with the first code."""
    one = Visitor(guarded)
    assert one.enter(guarded.code) == 200
    return one


# Who is let in


def test_without_a_code_nothing_is_told(guarded, phone):
    stranger = Visitor(guarded)
    status, headers, _ = stranger.ask("/")
    assert (status, headers["location"]) == (303, "/join")
    for path in ("/book", "/now", "/batches/" + "ab" * 8, "/page.js"):
        assert stranger.ask(path)[0] == 401, path
    assert stranger.ask("/taps", {"taps": [], "offset": 0})[0] == 401
    assert phone.ask("/book")[0] == 200


def test_a_wrong_code_and_a_replayed_one_are_refused(guarded, phone):
    stranger = Visitor(guarded)
    assert stranger.enter("AAAA-AAAA") == 403
    assert stranger.enter(guarded.code) == 403
    assert stranger.ask("/join", {"code": 7})[0] == 403
    assert stranger.ask("/join", {"code": "x"}, headers={"Origin": "http://other"})[0] == 403


def test_guessing_is_stopped(tmp_path):
    register = mf.create_register(tmp_path / "one", lab="Quarry Lane")
    served = Served(register.path, "--on-network", "--address", "127.0.0.1")
    stranger = Visitor(served)
    statuses = [stranger.enter("AAAA-AAAA") for _ in range(12)]
    assert statuses[:10] == [403] * 10
    assert set(statuses[10:]) == {429}
    # The right code has to wait as well.
    assert stranger.enter(served.code) == 429
    served.kill()


def test_a_made_up_cookie_is_refused(guarded, phone):
    stranger = Visitor(guarded)
    stranger.cookie = phone.cookie[:-1] + ("A" if phone.cookie[-1] != "A" else "B")
    assert stranger.ask("/book")[0] == 401


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(served):
    _, headers, _ = Visitor(served).ask("/")
    flags = headers["set-cookie"].split("; ")
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(flags)


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "evil.example:{port}", "", "[::1]:{port}"]
)
def test_another_host_name_is_refused(served, visitor, host):
    asked = host.format(port=served.port)
    for path in ("/", "/book", "/join"):
        assert visitor.ask(path, headers={"Host": asked})[0] == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": None},
        {"Origin": "null"},
        {"Origin": "https://127.0.0.1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"X-Logbook-Token": None},
        {"X-Logbook-Token": "0" * 64},
        {"Content-Type": "text/plain", "_status": 415},
        {"Content-Type": "application/x-www-form-urlencoded", "_status": 415},
    ],
)
def test_a_change_from_elsewhere_is_refused(served, visitor, headers):
    headers = dict(headers)
    wanted = headers.pop("_status", 403)
    batch = visitor.begin()
    told = {"taps": [visitor.tap(batch, "in", "1")], "offset": 0}
    before = len(served.taps())
    assert visitor.ask("/taps", told, headers=headers)[0] == wanted
    assert len(served.taps()) == before
    assert visitor.ask("/taps", told)[0] == 200
    assert len(served.taps()) == before + 1


def test_another_sessions_token_is_refused(served, visitor):
    other = Visitor(served)
    other.enter()
    other.token = visitor.token
    assert other.ask("/taps", {"taps": [], "offset": 0})[0] == 403


def test_reading_from_another_site_is_refused(visitor):
    cross = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "cors"}
    assert visitor.ask("/book", headers=cross)[0] == 403
    linked = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}
    assert visitor.ask("/", headers=linked)[0] == 200
    assert visitor.ask("/book", headers=linked)[0] == 403


def test_every_answer_forbids_framing_and_foreign_parts(visitor):
    for path in ("/", "/book", "/page.js", "/nothing-here"):
        _, headers, _ = visitor.ask(path)
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"


def test_other_methods_and_large_or_broken_requests_are_refused(visitor):
    assert visitor.ask("/book", method="DELETE")[0] == 405
    assert visitor.ask("/taps", b"x" * (LARGEST_BODY + 1))[0] == 413
    assert visitor.ask("/taps", b"{")[0] == 400
    assert visitor.ask("/taps", b"[" * 20_000)[0] == 400
    assert visitor.ask("/taps", b'{"taps": [], "offset": NaN}')[0] == 400
    assert visitor.ask("/taps", b"[]")[0] == 422


def test_a_runaway_program_is_slowed_down(served):
    one = Visitor(served)
    one.enter()
    line = socket.create_connection(("127.0.0.1", served.port), timeout=20)
    asked = f"GET /now HTTP/1.1\r\nHost: {one.host}\r\nCookie: {one.cookie}\r\n\r\n".encode()
    line.sendall(asked * int(AT_ONCE * 1.5))
    got, waited = b"", time.monotonic()
    while b" 429 " not in got and time.monotonic() - waited < 15:
        got += line.recv(65536)
    line.close()
    assert b" 200 " in got and b" 429 " in got
    # Others are not slowed down with it.
    other = Visitor(served)
    assert other.enter() == 200


def test_this_machine_alone_is_served_by_default(served):
    assert served.url == f"http://127.0.0.1:{served.port}/"
    assert served.code == ""
    # Any other address of this machine answers nothing: the whole of 127/8 leads here.
    with pytest.raises(OSError):
        socket.create_connection(("127.0.0.2", served.port), timeout=2)


def test_the_page_asks_nobody_else(visitor):
    for path in ("/", "/page.js", "/page.css", "/join.js", "/icon.svg"):
        status, _, text = visitor.ask(path)
        assert status == 200
        addresses = text.decode().replace("http://www.w3.org/2000/svg", "")
        assert "http://" not in addresses and "https://" not in addresses, path


# What is stored


def test_a_tap_is_on_the_disk_when_it_is_acknowledged(served, visitor):
    batch = visitor.begin()
    one = visitor.tap(batch, "in", "1")
    status, answer = visitor.send(one)
    assert (status, answer["stored"], answer["refused"]) == (200, [one["id"]], [])
    last = served.taps()[-1]
    assert (last["id"], last["at_ms"], last["vessel"]) == (one["id"], one["clock"], "1")


def test_a_tap_sent_twice_is_stored_once(served, visitor):
    batch = visitor.begin()
    one, two = visitor.tap(batch, "in", "1"), visitor.tap(batch, "in", "2")
    visitor.send(one)
    status, answer = visitor.send(one, two, one)
    assert status == 200 and set(answer["stored"]) == {one["id"], two["id"]}
    ids = [event["id"] for event in served.taps()]
    assert ids.count(one["id"]) == ids.count(two["id"]) == 1


def test_the_time_is_the_phones_corrected_by_the_difference(served, visitor):
    batch = visitor.begin()
    one = visitor.tap(batch, "in", "1") | {"offset": -3_600_000}
    status, answer = visitor.send(one)
    assert status == 200 and answer["stored"] == [one["id"]]
    last = served.taps()[-1]
    assert last["at_ms"] == one["clock"] - 3_600_000
    # By the time of sending, the difference was nought: somebody set a clock.
    assert last["moved_ms"] == 3_600_000


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"id": "short"}, "hexadecimal"),
        ({"tap": "melted"}, "Use one of in, liquid"),
        ({"vessel": "Z9"}, "no vessel"),
        ({"vessel": ""}, "names no vessel"),
        ({"batch": "ff" * 8}, "no such batch"),
        ({"clock": "noon"}, "milliseconds"),
        ({"clock": 5}, "not near any day"),
        ({"tap": "mass_in"}, "water at start is None"),
        ({"tap": "mass_in", "value": -1}, "water at start is -1 g"),
        ({"tap": "start_temp", "value": 101}, "0 to 100 °C"),
        ({"tap": "note", "text": " "}, "note is empty"),
        ({"tap": "note", "text": "x" * 501}, "501 characters"),
        ({"tap": "undo", "target": ""}, "hexadecimal"),
    ],
)
def test_what_is_no_tap_is_refused_and_the_rest_is_stored(served, visitor, change, said):
    batch = visitor.begin()
    good = visitor.tap(batch, "in", "1")
    bad = visitor.tap(batch, "in", "2") | change
    status, answer = visitor.send(bad, good)
    assert status == 200 and answer["stored"] == [good["id"]]
    (refused,) = answer["refused"]
    assert refused["id"] == bad["id"] and said in refused["error"]
    assert bad["id"] not in {event["id"] for event in served.taps()}


def test_every_kind_of_tap_has_its_words():
    assert set(KIND_WORDS) == set(choices(TapKind))


def test_killed_and_started_again_it_knows_every_acknowledged_tap(folder):
    register = mf.create_register(folder / "killed", lab="Quarry Lane")
    served = Served(register.path)
    one = Visitor(served)
    one.enter()
    batch = one.begin(vessels=50)
    sent = []
    for vessel in range(1, 51):
        tap = one.tap(batch, "in", str(vessel))
        one.send(tap)
        sent.append(tap["id"])
    served.kill()
    assert [event["id"] for event in served.taps()] == sent
    served.start()
    assert served.said["taps"] == 50
    # The phone needs no new page, and taps sent again are known.
    status, answer = one.send(one.tap(batch, "ice", "1"))
    assert status == 200 and len(answer["stored"]) == 1
    assert "Closed" in served.stop()


def test_two_logbooks_do_not_write_one_register(served, winter):
    with pytest.raises(AssertionError, match=r"is open already\. Process"):
        Served(winter.path)


def test_a_taken_port_is_named(served, folder):
    other = mf.create_register(folder / "other", lab="Quarry Lane")
    with pytest.raises(AssertionError, match="--port"):
        Served(other.path, port=served.port)


# Batches


def test_the_run_sheets_batches_are_offered_and_carry_what_they_state(visitor, winter):
    planned = json.loads(visitor.ask("/book")[2])["planned"]
    assert [(one["name"], one["vessels"]) for one in planned] == [("Tuesday", 2), ("Wednesday", 1)]
    batch = visitor.begin(sheet_batch=0)
    assert [one["name"] for one in json.loads(visitor.ask("/book")[2])["planned"]] == ["Wednesday"]
    start = time.time() - 5000
    status, answer = visitor.send(
        visitor.tap(batch, "in", "A1", at=start),
        visitor.tap(batch, "in", "A2", at=start + 30),
        visitor.tap(batch, "round", at=start + 1000),
        visitor.tap(batch, "solid", "A2", at=start + 4000),
    )
    assert status == 200 and len(answer["stored"]) == 4
    review = json.loads(visitor.ask(f"/batches/{batch}/review")[2])
    assert review["accepted"] and review["rows"] == 4
    assert [one["severity"] for one in review["findings"]] == ["note", "note"]
    assert "planned was 2" in review["findings"][0]["text"]
    status, _, text = visitor.ask(f"/batches/{batch}/store", {"seq": review["seq"] - 1})
    assert status == 422 and b"More was tapped" in text
    status, _, text = visitor.ask(f"/batches/{batch}/store", {"seq": review["seq"]})
    entry = json.loads(text)["entry"]
    rows = winter.rows()
    rows = rows[rows["entry_id"] == entry]
    assert set(rows["block_id"]) == {"Tuesday"}
    assert set(rows["vessel_material"]) == {"steel cup"}
    solid = rows[rows["endpoint"] == "t_solid"].set_index("run_id")
    assert dict(solid["position_id"]) == {"A1": "back left", "A2": "back right"}
    assert dict(solid["start_temp_c"]) == {"A1": 80, "A2": 20}
    assert dict(solid["insertion_order"]) == {"A1": 1, "A2": 2}
    assert solid.loc["A2", "time_lower_s"] == pytest.approx(970, abs=0.01)
    assert solid.loc["A2", "time_upper_s"] == pytest.approx(3970, abs=0.01)
    # Stored once more, nothing is doubled.
    status, _, text = visitor.ask(f"/batches/{batch}/store", {"seq": review["seq"]})
    assert status == 200 and json.loads(text)["entry"] == ""
    status, headers, text = visitor.ask(f"/batches/{batch}/sheet.csv")
    assert headers["content-disposition"].startswith("attachment; filename*=UTF-8''logbook-Tuesday")
    assert text.decode().splitlines()[0].split(",")[0] == '"lab_id"'
    assert len(text.decode().splitlines()) == 5


def test_a_batch_that_contradicts_itself_is_not_stored(visitor, winter):
    batch = visitor.begin()
    start = time.time() - 100
    visitor.send(
        visitor.tap(batch, "in", "1", at=start),
        visitor.tap(batch, "ice", "1", at=start + 10),
        visitor.tap(batch, "liquid", "1", at=start + 20),
    )
    review = json.loads(visitor.ask(f"/batches/{batch}/review")[2])
    assert not review["accepted"]
    before = len(winter.rows())
    status, _, text = visitor.ask(f"/batches/{batch}/store", {"seq": review["seq"]})
    assert status == 422 and "still liquid" in json.loads(text)["error"]
    assert len(winter.rows()) == before


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"vessels": 0}, "Give 1 to 200"),
        ({"vessels": 2.5}, "Give 1 to 200"),
        ({"start_temps_c": [300]}, "0 to 100 °C"),
        ({"fields": {"lid": "glued"}}, "open, loose, sealed"),
        ({"fields": {"endpoint": "t_solid"}}, "can be"),
        ({"watching": "sometimes"}, "looks"),
        ({"sheet_batch": 7}, "no batch 7"),
        ({"name": "x" * 81}, "80 characters"),
    ],
)
def test_a_batch_that_cannot_be_is_refused(visitor, asked, said):
    status, _, text = visitor.ask(
        "/batches", {"id": "cd" * 8, "vessels": 2, "name": "never", **asked}
    )
    assert status == 422 and said in json.loads(text)["error"]
    assert "never" not in [one["name"] for one in json.loads(visitor.ask("/book")[2])["batches"]]


def test_a_name_is_given_once(visitor):
    visitor.begin(name="Once")
    status, _, text = visitor.ask("/batches", {"id": "ef" * 8, "vessels": 2, "name": "Once"})
    assert status == 422 and "already" in json.loads(text)["error"]


def test_the_same_request_begins_a_batch_once(visitor):
    asked = {"id": "0123456789abcdef", "vessels": 2, "name": "Repeated"}
    first, second = visitor.ask("/batches", asked), visitor.ask("/batches", asked)
    assert first[0] == second[0] == 200 and first[2] == second[2]


def test_the_arms_are_shown_only_with_a_line_in_the_journal(visitor, winter):
    batch = visitor.begin(vessels=4)
    start = time.time() - 9000
    visitor.send(
        *(visitor.tap(batch, "in", str(v), at=start) for v in (1, 2, 3, 4)),
        visitor.tap(batch, "round", at=start + 1000),
        visitor.tap(batch, "solid", "1", at=start + 4000),
        visitor.tap(batch, "solid", "3", at=start + 5000),
        visitor.tap(batch, "solid", "2", at=start + 3000),
    )
    before, fingerprint = list(winter.history().to_frame()["kind"]), winter.fingerprint
    for path in ("/book", f"/batches/{batch}", f"/batches/{batch}/review"):
        assert "arms_stored" not in json.loads(visitor.ask(path)[2])
    assert visitor.ask(f"/batches/{batch}/arms")[0] == 405
    assert list(winter.history().to_frame()["kind"]) == before
    status, _, text = visitor.ask(f"/batches/{batch}/arms", {})
    answer = json.loads(text)
    assert status == 200
    assert list(winter.history().to_frame()["kind"]) == [*before, "look"]
    assert winter.fingerprint == fingerprint and winter.damage == ()
    assert answer["stopping_rule"].endswith("after 30 batches")
    hot, cold = answer["arms"]
    assert (hot["frozen"], hot["vessels"], cold["frozen"], cold["vessels"]) == (2, 2, 1, 2)
    assert (hot["median_lower_s"], hot["median_upper_s"]) == (1000, 4500)
    assert (cold["median_lower_s"], cold["median_upper_s"]) == (1000, None)
    journal = (winter.path / "journal.jsonl").read_text("utf-8").splitlines()
    assert json.loads(journal[-1])["look"]["stopping_rule"] == "after 30 batches"
