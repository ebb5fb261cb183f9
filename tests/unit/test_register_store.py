"""The register on disk: what it holds, takes back and tells."""

from __future__ import annotations

import json
import tomllib
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from checked_sheets import run, runs, take, write_sheet

from metafreeze.errors import InputError, RegisterError
from metafreeze.register.answers import Answers
from metafreeze.register.folder import writing
from metafreeze.register.folder.store import create_register, open_register
from metafreeze.register.schema import FIELDS


@pytest.fixture
def register(tmp_path):
    return create_register(tmp_path / "winter", lab="north kitchen")


def starts(register) -> list[float]:
    return register.rows()["start_temp_c"].tolist()


def test_a_new_register_is_empty_and_says_what_it_was_told(tmp_path):
    made = create_register(tmp_path / "winter", title="Winter", primary_endpoint="t_solid")
    again = open_register(tmp_path / "winter")
    assert (again.title, again.primary_endpoint, again.lab) == ("Winter", "t_solid", "")
    assert again.rows().empty
    assert again.damage == ()
    assert again.history().to_frame().empty
    assert not again.invented
    assert repr(made) == "<Register: Winter, 0 entries, endpoint t_solid>"
    assert {p.name for p in made.path.iterdir() if not p.name.startswith(".")} == {
        "register.toml",
        "rows",
        "curves",
        "sources",
        "journal.jsonl",
        "results",
    }


def test_a_folder_with_something_in_it_is_not_taken(tmp_path, register):
    with pytest.raises(RegisterError, match=r"winter is a register already. Open it, or choose"):
        create_register(register.path)
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "freezer.jpg").touch()
    with pytest.raises(RegisterError, match=r"other files, such as freezer\.jpg. Choose a folder"):
        create_register(tmp_path / "photos")
    with pytest.raises(RegisterError, match=r"There is no register at .*photos. Make one with"):
        open_register(tmp_path / "photos")


def test_an_endpoint_that_is_none_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"primary_endpoint is 'frozen'. Choose one of"):
        create_register(tmp_path / "winter", primary_endpoint="frozen")
    assert not (tmp_path / "winter").exists()


def test_rows_have_every_column_of_the_schema_in_its_type(tmp_path, register):
    expected = {"number": "float64", "integer": "Int64", "boolean": "boolean"}
    for rows in (register.rows(), None):
        if rows is None:
            take(register, tmp_path, runs(2))
            rows = register.rows()
        assert list(rows.columns) == [f.name for f in FIELDS] + ["entry_id"]
        for field in FIELDS:
            found = rows[field.name].dtype
            if field.kind in expected:
                assert str(found) == expected[field.kind], field.name
            else:
                assert found == pd.StringDtype(na_value=np.nan), field.name
        assert rows["entry_id"].dtype == pd.StringDtype(na_value=np.nan)
        assert rows.index.equals(pd.RangeIndex(len(rows)))


def test_rows_come_in_the_order_of_entries_and_of_the_file(tmp_path, register):
    take(register, tmp_path, runs(3, first=10), name="b.csv")
    take(register, tmp_path, runs(2), name="a.csv")
    assert starts(register) == [30, 31, 32, 20, 21]
    assert register.rows()["entry_id"].tolist() == ["e0001"] * 3 + ["e0002"] * 2
    assert register.rows()["file_row"].tolist() == [2, 3, 4, 2, 3]


def test_entries_are_ordered_by_number_when_the_clock_goes_back(tmp_path, register, monkeypatch):
    class Clock:
        years = iter((2031, 2025, 1999))

        @classmethod
        def now(cls, zone):
            return datetime(next(cls.years), 1, 1, tzinfo=UTC)

    monkeypatch.setattr(writing, "datetime", Clock)
    for k in range(3):
        take(register, tmp_path, runs(1, first=k), name=f"{k}.csv")
    past = register.history().to_frame()
    assert past["entry_id"].tolist() == ["e0001", "e0002", "e0003"]
    assert [at[:4] for at in past["recorded_at"]] == ["2031", "2025", "1999"]
    assert starts(register) == [20, 21, 22]


def test_undo_takes_back_and_undo_of_undo_brings_back(tmp_path, register):
    take(register, tmp_path, runs(3), name="a.csv")
    take(register, tmp_path, runs(2, first=5), name="b.csv")
    before = register.rows()
    done = register.undo("e0001")
    assert (done.id, done.gone, done.new) == ("e0003", 3, 0)
    assert starts(register) == [25, 26]
    back = register.undo("e0003")
    assert (back.id, back.gone, back.new) == ("e0004", 0, 3)
    pd.testing.assert_frame_equal(register.rows(), before)
    register.undo("e0004")
    assert starts(register) == [25, 26]
    past = register.history().to_frame().set_index("entry_id")
    assert past["undone_by"].to_dict() == {
        "e0001": "e0003",
        "e0002": "",
        "e0003": "",
        "e0004": "e0005",
        "e0005": "",
    }
    assert (register.path / "rows" / "e0001.parquet").is_file()


def test_what_cannot_be_taken_back_is_named(tmp_path, register):
    take(register, tmp_path, runs(3))
    register.set_plan({"smallest_effect": 0.05})
    with pytest.raises(InputError, match=r'no entry "e0009". The entries are: e0001, e0002'):
        register.undo("e0009")
    with pytest.raises(InputError, match=r"e0002 is a plan and stays on record"):
        register.undo("e0002")
    register.undo("e0001")
    with pytest.raises(InputError, match=r"taken back already, by e0003. .*undo REGISTER e0003"):
        register.undo("e0001")


def test_undo_of_an_entry_that_was_corrected_leaves_the_correction_and_says_so(tmp_path, register):
    take(register, tmp_path, runs(3))
    corrected = runs(3)
    corrected[1]["time_upper_s"] = corrected[1]["time_lower_s"] = 5000.0
    take(register, tmp_path, corrected, replace=True)
    done = register.undo("e0001")
    assert starts(register) == [21]
    assert [note.rule for note in done.notes] == ["still-corrected", "held-too"]
    assert "Rows of e0001 that e0002 corrected stay" in done.notes[0].message
    assert done.notes[1].message == (
        "2 records of trials.csv (e0002) that e0001 held already go with it"
    )
    register.undo("e0002")
    assert starts(register) == []
    register.undo("e0003")
    assert starts(register) == [20, 21, 22]
    assert register.rows()["time_upper_s"].tolist() == [2400, 2407, 2414]


def test_a_row_corrected_twice_shows_once_whatever_is_taken_back(tmp_path, register):
    for seconds in (1000.0, 2000.0, 3000.0):
        take(register, tmp_path, [run(80, seconds, run_id="R1")], replace=True)
    times = lambda: register.rows()["time_upper_s"].tolist()  # noqa: E731
    assert times() == [3000]
    register.undo("e0002")
    assert times() == [3000], "the first value must not return beside the last"
    register.undo("e0003")
    assert times() == [1000]
    register.undo("e0004")
    assert times() == [2000]
    register.undo("e0005")
    assert times() == [3000]


def test_rows_do_not_come_back_twice(tmp_path, register):
    take(register, tmp_path, runs(3, named=False))
    register.undo("e0001")
    take(register, tmp_path, runs(3, named=False))
    with pytest.raises(
        InputError, match=r"3 rows of trials.csv would come back with e0001, but"
    ) as e:
        register.undo("e0002")
    assert "e0003 holds them again. Take that back first: metafreeze undo REGISTER e0003" in str(
        e.value
    )
    assert len(register.rows()) == 3
    register.undo("e0003")
    register.undo("e0002")
    assert register.rows()["entry_id"].tolist() == ["e0001"] * 3


def test_the_ledger_puts_every_record_into_one_bin(tmp_path, register):
    sheet = [
        run(80, 2400.0, run_id="R1"),
        run(80, 2500.0, run_id="R2", time_upper_s=None),
        run(20, 2300.0, run_id="R3", exclusion_reason="knocked over"),
        run(20, 2200.0, run_id="R4"),
    ]
    bins = ["used", "not seen exactly", "excluded", "used", "duplicate"]
    counts = {"used": 2, "not seen exactly": 1, "excluded": 1, "duplicate": 1, "unreadable": 2}
    take(register, tmp_path, [*sheet, sheet[3]], bins=bins, ledger=counts)
    assert len(register.rows()) == 4, "a duplicate is counted, not stored"
    sheet[0]["time_upper_s"] = sheet[0]["time_lower_s"] = 2450.0
    grown = [*sheet, run(60, 2350.0, run_id="R5")]
    take(register, tmp_path, grown, bins=[*bins[:4], "used"], replace=True)
    frame = register.ledger().to_frame().set_index("entry_id")
    first = {"used": 1, "not seen exactly": 1, "excluded": 1, "duplicate": 1, "unreadable": 2}
    first |= {"already there": 0, "replaced since": 1, "taken back": 0, "records": 7}
    second = {"used": 2, "not seen exactly": 0, "excluded": 0, "duplicate": 0, "unreadable": 0}
    second |= {"already there": 3, "replaced since": 0, "taken back": 0, "records": 5}
    assert frame.loc["e0001"].drop("file").to_dict() == first
    assert frame.loc["e0002"].drop("file").to_dict() == second
    register.undo("e0001")
    frame = register.ledger().to_frame().set_index("entry_id")
    assert frame.loc["e0001", "taken back"] == 7
    assert frame.loc["e0002", "taken back"] == 3, "what e0001 held went with it"
    assert sum(register.ledger().totals.values()) == 12


def test_the_ledger_counts_a_wide_record_once(tmp_path, register):
    wide = [
        run(80, time, run_id="R1", endpoint=endpoint, file_row=2)
        for endpoint, time in (("t_first_ice", 1200.0), ("t_solid", 2400.0))
    ]
    take(register, tmp_path, wide, ledger={"used": 1})
    more = [*wide, run(80, 900.0, run_id="R1", endpoint="t_zero", file_row=2)]
    entry = take(register, tmp_path, more, ledger={"used": 1})
    assert (entry.new, entry.already_there) == (1, 2)
    totals = register.ledger().totals
    assert (totals["used"], totals["already there"]) == (2, 0)
    entry = take(register, tmp_path, more, ledger={"used": 1})
    assert (entry.id, entry.already_there) == ("", 3)


def test_sources_are_kept_under_their_hash(tmp_path, register):
    check, path = write_sheet(tmp_path, runs(2), name="My trials; rm -rf .CSV")
    register._take([(check, Answers(), ())], [path], answers=Answers(), replace=False)
    (kept,) = (register.path / "sources").iterdir()
    assert kept.name == f"{check.sha256}.csv"
    assert kept.read_bytes() == path.read_bytes()
    listed = register.sources().to_frame().iloc[0]
    assert (listed["file"], listed["state"], listed["rows"]) == (check.file, "kept", 2)


@pytest.mark.parametrize("suffix", [".csv/../../x", ".tar gz", ".é", "." + "a" * 30, "."])
def test_a_strange_ending_never_gets_into_a_path(suffix):
    from metafreeze.register.folder.taking import safe_suffix

    assert safe_suffix(suffix) == ""


def test_a_file_that_changes_while_it_is_read_is_refused(tmp_path, register):
    check, path = write_sheet(tmp_path, runs(2))
    path.write_text("something else", "utf-8")
    with pytest.raises(InputError, match=r"The file changed while it was read. trials\.csv"):
        register._take([(check, Answers(), ())], [path], answers=Answers(), replace=False)
    assert list((register.path / "sources").iterdir()) == []
    assert register.history().to_frame().empty


def test_several_files_are_one_entry_or_none(tmp_path, register):
    sheets = [write_sheet(tmp_path, runs(2, first=k), name=f"{k}.csv") for k in (0, 2)]
    entry = register._take(
        [(check, Answers(), ()) for check, _ in sheets],
        [path for _, path in sheets],
        answers=Answers(),
        replace=False,
    )
    assert (entry.id, entry.files, entry.new) == ("e0001", ("0.csv", "2.csv"), 4)
    assert register.rows()["file_name"].tolist() == ["0.csv", "0.csv", "2.csv", "2.csv"]
    assert register.ledger().to_frame()["used"].tolist() == [2, 2]


def test_two_files_of_one_call_that_disagree_are_refused(tmp_path, register):
    sheets = [
        write_sheet(tmp_path, [run(80, time, run_id="R1")], name=name)
        for name, time in (("a.csv", 1000.0), ("b.csv", 1100.0))
    ]
    with pytest.raises(InputError) as refused:
        register._take(
            [(check, Answers(), ()) for check, _ in sheets],
            [path for _, path in sheets],
            answers=Answers(),
            replace=True,
        )
    (fault,) = (fault for fault in refused.value.faults if fault.severity == "error")
    assert fault.rule == "changed"
    assert "1000 → 1100; an earlier file of this call holds the old value" in fault.message
    assert "one after the other" in fault.remedy


def test_the_fingerprint_follows_rows_endpoint_and_plan_only(tmp_path, register):
    seen = [register.fingerprint]
    take(register, tmp_path, runs(3))
    seen.append(register.fingerprint)
    register.set_plan({"smallest_effect": 0.05})
    seen.append(register.fingerprint)
    assert len(set(seen)) == 3
    assert take(register, tmp_path, runs(3)).id == ""
    assert register.fingerprint == seen[-1]
    register.undo("e0001")
    assert register.fingerprint not in seen
    register.undo("e0003")
    assert register.fingerprint == seen[-1]


def test_the_fingerprint_does_not_depend_on_how_parts_are_spelled(tmp_path, register, monkeypatch):
    spelled = writing.encode_part
    monkeypatch.setattr(
        writing,
        "encode_part",
        lambda table: spelled(table.replace_schema_metadata({"signed": "by another version"})),
    )
    other = create_register(tmp_path / "other", primary_endpoint=register.primary_endpoint)
    sheet = tmp_path / "same.csv"
    sheet.write_text("lab,batch,run,start_C,time (min)\nA,1,1,20,40\n", encoding="utf-8")
    other.add(sheet, answers=Answers(endpoint="t_solid"))
    monkeypatch.undo()
    again = create_register(tmp_path / "again", primary_endpoint=register.primary_endpoint)
    again.add(sheet, answers=Answers(endpoint="t_solid"))
    parts = [(r.path / "rows" / "e0001.parquet").read_bytes() for r in (other, again)]
    assert parts[0] != parts[1]
    assert other.fingerprint == again.fingerprint


def test_settings_can_be_read_by_anything_and_edited_by_hand(tmp_path, register):
    register.set_plan({"pair_c": [20, 80], "exclusions": {"frost": True}, "margin": 0.05})
    settings = register.path / "register.toml"
    content = tomllib.loads(settings.read_text("utf-8"))
    assert content["plan"] == {"pair_c": [20, 80], "exclusions": {"frost": True}, "margin": 0.05}
    settings.write_text(settings.read_text("utf-8").replace('title = ""', 'title = "Täglich"'))
    assert register.title == "Täglich"
    register.set_plan({"margin": 0.1})
    assert (register.title, dict(register.plan)) == ("Täglich", {"margin": 0.1})


@pytest.mark.parametrize("value", [float("nan"), float("inf"), None, {1: "x"}, object()])
def test_a_plan_of_the_wrong_kind_is_refused(register, value):
    with pytest.raises(InputError, match=r"plan"):
        register.set_plan({"margin": value})
    assert register.history().to_frame().empty


def test_settings_that_a_crash_kept_from_the_file_come_from_the_journal(tmp_path, monkeypatch):
    register = create_register(tmp_path / "winter", title="Winter")

    def crash(*_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(writing, "write_settings", crash)
        entry = register.set_plan({"margin": 0.05})
    assert entry.id == "e0001", "the entry stands: its line is whole"
    assert dict(register.plan) == {"margin": 0.05}
    assert tomllib.loads((register.path / "register.toml").read_text("utf-8"))["plan"] == {}
    take(register, tmp_path, runs(1))
    assert tomllib.loads((register.path / "register.toml").read_text("utf-8"))["plan"] == {
        "margin": 0.05
    }


def test_the_journal_is_one_json_object_a_line(tmp_path, register):
    answers = Answers(mapping={"weißnich": "remark"}, endpoint="t_solid", decimal=",")
    take(register, tmp_path, runs(2), answers=answers, shape="f00")
    lines = [
        json.loads(x) for x in (register.path / "journal.jsonl").read_text("utf-8").split("\n")[:-1]
    ]
    assert [line["seq"] for line in lines] == [0, 1]
    (file,) = lines[1]["files"]
    assert file["dialect"]["decimal"] == "."
    assert file["answers"] == {"mapping": {"weißnich": "remark"}, "decimal": ","}
    assert lines[1]["part"]["rows"] == 2


def test_answers_are_remembered_for_files_of_the_same_shape(tmp_path, register):
    first = Answers(mapping={"t": "time_upper_s"}, units={"t": "min"}, endpoint="t_solid", lab="x")
    take(register, tmp_path, runs(2), answers=first, shape="f00")
    remembered = register.remembered_answers("f00")
    assert remembered == Answers(mapping={"t": "time_upper_s"}, units={"t": "min"})
    assert register.remembered_answers("other") == Answers()
    assert register.remembered_answers("") == Answers()
    register.undo("e0001")
    assert register.remembered_answers("f00") == Answers()


def test_the_cache_gives_back_what_was_put_and_nothing_damaged(register):
    assert register.cache_get("pool", "k") is None
    assert register.cache_put("pool", "k", b'{"slope": 1}\nmore')
    assert register.cache_put("../../etc/x", "k", b"")
    assert register.cache_get("pool", "k") == b'{"slope": 1}\nmore'
    assert register.cache_get("pool", "other") is None
    assert register.cache_get("../../etc/x", "k") == b""
    for path in (register.path / "results").iterdir():
        path.write_bytes(path.read_bytes()[:-1] + b"?")
    assert register.cache_get("pool", "k") is None


def test_parts_can_be_read_by_any_parquet_reader(tmp_path, register):
    take(register, tmp_path, runs(3))
    table = pq.read_table(register.path / "rows" / "e0001.parquet")
    assert table["start_temp_c"].to_pylist() == [20, 21, 22]
    assert table["ledger_bin"].to_pylist() == ["used"] * 3


def test_calls_that_name_nothing_or_no_endpoint_are_refused(register):
    with pytest.raises(InputError, match=r"No file is named"):
        register.add([])
    with pytest.raises(InputError, match=r"endpoint is 'frozen'. Choose one of"):
        register.add("a.csv", answers=Answers(endpoint="frozen"))


def test_a_journal_from_a_stranger_does_not_lead_out_of_the_folder(tmp_path, register):
    from metafreeze.register.folder.journal import spell_line

    take(register, tmp_path, runs(2))
    journal = register.path / "journal.jsonl"
    first, second = journal.read_text("utf-8").splitlines()
    body = json.loads(second)
    del body["check"]
    body["files"][0] |= {"sha256": "../../secret", "suffix": ".csv"}
    journal.write_bytes(first.encode() + b"\n" + spell_line(body))
    assert register.sources().to_frame()["copy"].tolist() == [""]
    assert register.sources().to_frame()["state"].tolist() == ["none"]
    assert register.damage == ()


def test_two_views_of_one_register_agree(tmp_path, register):
    other = open_register(register.path)
    assert other.rows().empty
    take(register, tmp_path, runs(2))
    assert len(other.rows()) == 2
    other.undo("e0001")
    assert register.rows().empty
    settings = register.path / "register.toml"
    settings.write_text(settings.read_text("utf-8").replace('""', '"New"', 1), "utf-8")
    assert register.title == other.title == "New"
