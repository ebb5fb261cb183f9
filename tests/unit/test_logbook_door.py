"""Codes work once, sessions outlive the server, guesses are slow."""

import json

import pytest

from metafreeze.errors import InputError
from metafreeze.logbook.door import (
    MOST_SESSIONS,
    SESSION_S,
    SESSIONS_NAME,
    TRIES_PER_MINUTE,
    Bucket,
    Buckets,
    Door,
    page_token,
)
from metafreeze.logbook.serving import names_of, require_local


class Clock:
    def __init__(self):
        self.now = 1_790_000_000.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def codes():
    return []


@pytest.fixture
def door(tmp_path, clock, codes):
    return Door(tmp_path, needs_code=True, announce=codes.append, clock=clock)


def test_a_code_lets_one_in_and_is_replaced(door, codes):
    token = door.open_with(codes[0])
    assert token and door.knows(token)
    assert door.open_with(codes[0]) is None
    assert len(codes) == 2 and codes[0] != codes[1]
    assert door.open_with(codes[1].lower().replace("-", " "))


@pytest.mark.parametrize("wrong", ["", "-", "AAAA-AAAA", "ÄÖ", "0" * 1000])
def test_nothing_else_lets_anybody_in(door, wrong):
    assert door.open_with(wrong) is None
    assert not door.knows(wrong)


def test_codes_are_long_and_do_not_repeat(door, codes):
    for _ in range(200):
        door.new_code()
    assert len(set(codes)) == 201
    assert all(len(code) == 9 and not set(code) & set("01IO") for code in codes)


def test_guesses_are_slow(door, clock):
    assert sum(door.may_try() for _ in range(100)) == TRIES_PER_MINUTE
    clock.now += 60
    assert sum(door.may_try() for _ in range(100)) == TRIES_PER_MINUTE


def test_a_session_outlives_the_server_but_not_its_time(door, codes, tmp_path, clock):
    token = door.open_with(codes[0])
    again = Door(tmp_path, needs_code=True, announce=codes.append, clock=clock)
    assert again.knows(token)
    clock.now += SESSION_S + 1
    assert not again.knows(token)


def test_what_is_kept_lets_nobody_in(door, codes, tmp_path):
    token = door.open_with(codes[0])
    kept = (tmp_path / SESSIONS_NAME).read_text("utf-8")
    assert token not in kept
    (name,) = json.loads(kept)["sessions"]
    assert not door.knows(name)


def test_a_damaged_file_of_sessions_lets_nobody_in(tmp_path, clock, codes):
    (tmp_path / SESSIONS_NAME).write_text("[1, 2", encoding="utf-8")
    door = Door(tmp_path, needs_code=True, announce=codes.append, clock=clock)
    assert door.open_with(codes[0])


def test_the_oldest_session_goes_first(door, clock):
    tokens = []
    for _ in range(MOST_SESSIONS + 1):
        clock.now += 1
        tokens.append(door.new_session())
    assert [door.knows(token) for token in tokens[:2]] == [False, True]


def test_a_page_token_belongs_to_its_session():
    assert page_token("a") != page_token("b")
    assert page_token("a") == page_token("a") != "a"


def test_buckets_are_refilled_steadily_and_told_apart(clock):
    bucket = Bucket(rate=2, most=4, clock=clock)
    assert [bucket.take() for _ in range(5)] == [True] * 4 + [False]
    clock.now += 1
    assert [bucket.take() for _ in range(3)] == [True, True, False]
    # A clock that is set back gives nothing and takes nothing.
    clock.now -= 100
    assert not bucket.take()
    many = Buckets(rate=0, most=1, kept=2)
    assert many.take("a") and not many.take("a") and many.take("b")


@pytest.mark.parametrize("host", ["8.8.8.8", "0.0.0.0", "::", "2606:4700::1111", "printer", ""])
def test_only_local_addresses_are_served(host):
    with pytest.raises(InputError, match="address"):
        require_local(host)


@pytest.mark.parametrize("host", ["127.0.0.1", "192.168.1.20", "10.0.0.7", "172.17.0.2", "fd00::1"])
def test_local_addresses_may_be_served(host):
    require_local(host)
    assert all(name.endswith(":8417") for name in names_of(host, 8417))


def test_a_loopback_page_has_its_two_names_only():
    assert names_of("127.0.0.1", 81) == {"127.0.0.1:81", "localhost:81"}
    assert names_of("192.168.1.20", 80) == {"192.168.1.20:80", "192.168.1.20"}
