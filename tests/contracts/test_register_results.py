"""What every result of the register owes: frame, line, table, fragment, pickle, read-only."""

from __future__ import annotations

import copy
import dataclasses
import html.parser
import pickle

import pandas as pd
import pytest
from checked_sheets import runs, take

from metafreeze.errors import Fault
from metafreeze.register.answers import BINS
from metafreeze.register.folder.entries import Entry, History, Ledger, PastEntry, Sources
from metafreeze.register.folder.store import create_register

NOTE = Fault(rule="x", message="A <b>note</b>", severity="note")
ENTRY = Entry(id="e0002", kind="add", files=("<a>.csv",), new=3, already_there=2, notes=(NOTE,))
PAST = PastEntry(entry=ENTRY, undone_by="e0003", recorded_at="2024-01-01T00:00:00+00:00")

FULL = {
    "entry": ENTRY,
    "past": PAST,
    "history": History(past=(PAST,)),
    "ledger": Ledger(entry_ids=("e0001",), files=("<a>.csv",), counts=((3, 1, 0, 0, 0, 2, 0, 0),)),
    "sources": Sources(
        entry_ids=("e0001",),
        files=("<a>.csv",),
        kinds=("runs",),
        copies=("sources/00.csv",),
        states=("kept",),
        rows=(3,),
    ),
}
EMPTY = {
    "history": History(past=()),
    "ledger": Ledger(entry_ids=(), files=(), counts=()),
    "sources": Sources(entry_ids=(), files=(), kinds=(), copies=(), states=(), rows=()),
}


@pytest.mark.parametrize("name", FULL)
def test_it_survives_pickle_and_copy(name):
    result = FULL[name]
    for twin in (pickle.loads(pickle.dumps(result)), copy.deepcopy(result)):
        pd.testing.assert_frame_equal(twin.to_frame(), result.to_frame())
        assert repr(twin) == repr(result)


@pytest.mark.parametrize("name", FULL)
def test_it_cannot_be_changed(name):
    result = FULL[name]
    frame = result.to_frame()
    frame.iloc[0, 0] = "changed"
    assert result.to_frame().iloc[0, 0] != "changed"
    with pytest.raises(dataclasses.FrozenInstanceError):
        setattr(result, result.field_names()[0], "changed")


@pytest.mark.parametrize("name", FULL)
def test_it_shows_itself(name):
    result = FULL[name]
    assert repr(result) == f"<{type(result).__name__}: {result.headline()}>"
    assert "\n" not in result.headline()
    assert str(result).splitlines()[0] == result.headline()
    assert len(str(result).splitlines()) == 2 + len(result.to_frame())

    tags = set()
    parser = html.parser.HTMLParser()
    parser.handle_starttag = lambda tag, attrs: tags.add(tag)
    parser.feed(result._repr_html_())
    assert tags == {"table", "caption", "thead", "tbody", "tr", "th", "td"}


@pytest.mark.parametrize("name", EMPTY)
def test_columns_and_types_are_the_same_when_empty(name):
    full, empty = FULL[name].to_frame(), EMPTY[name].to_frame()
    assert empty.empty
    assert full.dtypes.equals(empty.dtypes)
    assert EMPTY[name].headline()


def test_an_entry_gives_plain_values(tmp_path):
    register = create_register(tmp_path / "winter", lab="k")
    given = take(register, tmp_path, runs(2)).to_dict()
    assert given["ledger"] == {name: 2 * (name == "used") for name in BINS}
    assert given["entry_id"] == "e0001"
    assert [note["rule"] for note in given["notes"]] == ["lab"]


@pytest.mark.parametrize(
    ("entry", "line"),
    [
        (ENTRY, "e0002, add <a>.csv: 3 new, 2 already there."),
        (
            Entry(id="e0003", kind="undo", target="e0001", gone=2),
            "e0003 takes back e0001: 2 taken out.",
        ),
        (Entry(id="e0004", kind="plan"), "e0004, plan: no rows changed."),
        (
            Entry(id="", kind="add", files=("a.csv",), already_there=4),
            "Nothing new in a.csv: 4 rows already there.",
        ),
    ],
)
def test_an_entry_says_what_it_did(entry, line):
    assert entry.headline() == line


def test_ledger_rows_add_up():
    ledger = FULL["ledger"]
    assert ledger.to_frame()["records"].tolist() == [6]
    assert ledger.headline() == ("6 records of 1 file: 3 used, 1 not seen exactly, 2 already there")
    assert EMPTY["ledger"].headline() == "0 records of 0 files: none"
