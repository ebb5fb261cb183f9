"""Damage on the disk: named, and the rest still opens."""

from __future__ import annotations

import shutil
import warnings

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from checked_sheets import runs, take

from metafreeze.errors import InputError, RegisterError
from metafreeze.register.folder.disk import hash_file
from metafreeze.register.folder.journal import spell_line
from metafreeze.register.folder.store import create_register, open_register
from metafreeze.register.schema import SCHEMA_VERSION, arrow_schema


@pytest.fixture
def register(tmp_path):
    """Three entries of two rows each."""
    made = create_register(tmp_path / "winter", lab="north kitchen", title="Winter")
    for k in range(3):
        take(made, tmp_path, runs(2, first=3 * k), name=f"{k}.csv")
    return made


def flip(path, at: int) -> None:
    content = bytearray(path.read_bytes())
    content[at] ^= 1
    path.write_bytes(content)


def journal_lines(register) -> list[bytes]:
    return (register.path / "journal.jsonl").read_bytes().splitlines(keepends=True)


def write_journal(register, lines) -> None:
    (register.path / "journal.jsonl").write_bytes(b"".join(lines))


def entries(register) -> list[str]:
    return register.rows()["entry_id"].tolist()


def entries_warned(register, match: str) -> list[str]:
    with pytest.warns(UserWarning, match=match):
        return entries(register)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.9, 1.0])
def test_a_flipped_byte_in_a_part_is_named_and_the_rest_opens(register, share):
    part = register.path / "rows" / "e0002.parquet"
    flip(part, int(share * (part.stat().st_size - 1)))
    (fault,) = register.damage
    assert str(fault) == (
        "rows/e0002.parquet is damaged: its checksum is not the journal's; entry "
        "e0002 is left out (2 rows). rows/e0002.parquet. Restore it from a copy, or undo "
        "e0002 and add its file again from the folder sources."
    )
    assert (
        entries_warned(register, "rows/e0002.parquet is damaged") == ["e0001"] * 2 + ["e0003"] * 2
    )


def test_a_truncated_and_a_vanished_part_are_named(register):
    before = register.fingerprint
    part = register.path / "rows" / "e0001.parquet"
    part.write_bytes(part.read_bytes()[:100])
    (register.path / "rows" / "e0003.parquet").unlink()
    assert [(f.rule, f.location.file) for f in register.damage] == [
        ("part-damaged", "rows/e0001.parquet"),
        ("part-missing", "rows/e0003.parquet"),
    ]
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        assert entries(register) == ["e0002"] * 2
    assert [str(w.message).split()[0] for w in warned] == [
        "rows/e0001.parquet",
        "rows/e0003.parquet",
    ]
    assert register.fingerprint != before, "a cached answer over all rows is not given for the rest"


def test_a_damaged_part_is_mended_as_the_message_says(tmp_path, register):
    part = register.path / "rows" / "e0002.parquet"
    flip(part, 50)
    with pytest.raises(RegisterError, match=r"e0002.parquet is damaged.* undo e0002 and add its"):
        take(register, tmp_path, runs(2, first=3), name="1.csv")
    register.undo("e0002")
    assert take(register, tmp_path, runs(2, first=3), name="1.csv").new == 2
    assert entries(register) == ["e0001"] * 2 + ["e0003"] * 2 + ["e0005"] * 2


def test_an_intact_part_put_back_is_whole_again(register):
    part = register.path / "rows" / "e0002.parquet"
    kept = part.read_bytes()
    flip(part, 50)
    assert register.damage
    part.write_bytes(kept)
    assert register.damage == ()
    assert len(entries(register)) == 6


def test_another_entry_s_part_in_its_place_is_damage(register):
    rows = register.path / "rows"
    shutil.copy(rows / "e0001.parquet", rows / "e0002.parquet")
    assert [f.rule for f in register.damage] == ["part-damaged"]


@pytest.mark.parametrize("cut", [2, 40, 10_000])
def test_half_a_journal_line_at_the_end_counts_for_nothing(tmp_path, register, cut):
    lines = journal_lines(register)
    write_journal(register, [*lines[:-1], lines[-1][: max(1, len(lines[-1]) - cut)]])
    assert register.damage == ()
    assert entries(register) == ["e0001"] * 2 + ["e0002"] * 2
    entry = take(register, tmp_path, runs(2, first=20), name="next.csv")
    assert entry.id == "e0003"
    assert [n.rule for n in entry.notes if n.location.file == "journal.jsonl"] == ["journal-torn"]
    assert entries(open_register(register.path))[-2:] == ["e0003"] * 2
    assert [line[-1:] for line in journal_lines(register)] == [b"\n"] * 4


def test_a_line_break_that_an_editor_took_costs_nothing(tmp_path, register):
    write_journal(register, [line.replace(b"\n", b"\r\n") for line in journal_lines(register)])
    assert len(entries(register)) == 6
    journal = register.path / "journal.jsonl"
    journal.write_bytes(journal.read_bytes().removesuffix(b"\r\n"))
    assert register.damage == ()
    assert len(entries(register)) == 6
    assert take(register, tmp_path, runs(2, first=20), name="next.csv").id == "e0004"
    assert entries(open_register(register.path)) == [f"e{k:04d}" for k in (1, 1, 2, 2, 3, 3, 4, 4)]
    assert register.damage == ()


@pytest.mark.parametrize("at", [0, 5, 60, -2, -10])
def test_a_damaged_middle_line_is_named_and_the_rest_opens(tmp_path, register, at):
    lines = journal_lines(register)
    broken = bytearray(lines[2])
    broken[at] ^= 1
    write_journal(register, [*lines[:2], bytes(broken), lines[3]])
    (fault,) = register.damage
    assert fault.message == "Journal line 3 is damaged; entry e0002 is lost with it"
    assert fault.location.row == 3
    assert "add the entry's file again from the folder sources" in fault.remedy
    assert entries(register) == ["e0001"] * 2 + ["e0003"] * 2
    assert take(register, tmp_path, runs(2, first=20), name="n.csv").id == "e0004"
    assert (register.path / "rows" / "e0002.parquet").is_file()


def test_a_damaged_last_line_keeps_its_number_and_its_part(tmp_path, register):
    lines = journal_lines(register)
    write_journal(register, [*lines[:3], b"#" + lines[3][1:]])
    assert [f.message for f in register.damage] == [
        "Journal line 4 is damaged; entry e0003 is lost with it"
    ]
    part = (register.path / "rows" / "e0003.parquet").read_bytes()
    assert take(register, tmp_path, runs(2, first=20), name="n.csv").id == "e0004"
    assert (register.path / "rows" / "e0003.parquet").read_bytes() == part


def test_a_line_taken_out_is_missed(register):
    lines = journal_lines(register)
    write_journal(register, [*lines[:2], lines[3]])
    assert [f.message for f in register.damage] == [
        "A journal line is gone; entry e0002 is lost with it"
    ]
    assert entries(register) == ["e0001"] * 2 + ["e0003"] * 2


def test_a_line_put_in_twice_is_left_aside(register):
    lines = journal_lines(register)
    write_journal(register, [*lines, lines[2]])
    assert [f.rule for f in register.damage] == ["journal-order"]
    assert len(entries(register)) == 6


def test_strange_text_in_the_journal_is_named(register):
    lines = journal_lines(register)
    write_journal(register, [*lines[:3], b"hello\n", "naïve ß\n".encode("latin-1"), lines[3]])
    assert [f.message for f in register.damage] == [
        "Journal line 4 is damaged; it stands where no entry is missing",
        "Journal line 5 is damaged; it stands where no entry is missing",
    ]
    assert len(entries(register)) == 6


def test_lost_last_lines_do_not_cost_the_parts_they_stood_for(tmp_path, register):
    write_journal(register, journal_lines(register)[:2])
    kept = {p.name: p.read_bytes() for p in (register.path / "rows").iterdir()}
    assert [f.rule for f in register.damage] == ["part-unclaimed"]
    assert take(register, tmp_path, runs(2, first=20), name="n.csv").id == "e0004"
    for name, content in kept.items():
        assert (register.path / "rows" / name).read_bytes() == content
    assert [f.message for f in register.damage] == [
        "A journal line is gone; entry e0002 is lost with it",
        "A journal line is gone; entry e0003 is lost with it",
    ]


def test_a_lost_journal_opens_and_takes_nothing(tmp_path, register):
    (register.path / "journal.jsonl").unlink()
    again = open_register(register.path)
    assert again.rows().empty
    assert again.title == "Winter"
    assert [f.rule for f in again.damage] == ["journal-missing"]
    with pytest.raises(RegisterError, match=r"The beginning of journal.jsonl is lost, so nothing"):
        take(again, tmp_path, runs(2, first=20), name="n.csv")
    assert sorted(p.name for p in (again.path / "rows").iterdir()) == [
        "e0001.parquet",
        "e0002.parquet",
        "e0003.parquet",
    ]


def test_a_vanished_and_a_damaged_source_are_named_and_rows_stay(register):
    files = register.sources().to_frame()
    (register.path / files["copy"][0]).unlink()
    flip(register.path / files["copy"][1], 3)
    assert [f.rule for f in register.damage] == ["source-missing", "source-damaged"]
    assert "the copy of 0.csv, is gone; the rows of e0001 are not affected" in str(
        register.damage[0]
    )
    assert register.sources().to_frame()["state"].tolist() == ["missing", "damaged", "kept"]
    assert len(entries(register)) == 6


def test_a_damaged_copy_is_written_again_with_its_file(tmp_path, register):
    flip(register.path / register.sources().to_frame()["copy"][1], 3)
    register.undo("e0002")
    take(register, tmp_path, runs(2, first=3), name="1.csv")
    assert register.damage == ()


@pytest.mark.parametrize(
    ("text", "state"),
    [
        ("title = ", "is not valid TOML"),
        ("title = 3", "holds title of the wrong kind"),
        ("plan = 3", "holds plan of the wrong kind"),
        ('as_of = "x"', "holds as_of of the wrong kind"),
    ],
)
def test_broken_settings_come_from_the_journal_and_are_not_overwritten(
    tmp_path, register, text, state
):
    settings = register.path / "register.toml"
    settings.write_text(text, "utf-8")
    (fault,) = register.damage
    assert fault.message.startswith(f"register.toml {state}")
    assert fault.message.endswith("title, endpoint, lab and plan come from the journal")
    assert (register.title, register.lab) == ("Winter", "north kitchen")
    register.set_plan({"margin": 1})
    assert settings.read_text("utf-8") == text, "what a person wrote is theirs to mend"
    settings.unlink()
    assert "is gone" in register.damage[0].message
    take(register, tmp_path, runs(1, first=20), name="n.csv")
    assert register.damage == ()
    assert (register.title, dict(register.plan)) == ("Winter", {"margin": 1})


def test_an_endpoint_edited_into_nonsense_is_refused(register):
    settings = register.path / "register.toml"
    text = settings.read_text("utf-8").replace('endpoint = ""', 'endpoint = "frozen"')
    settings.write_text(text, "utf-8")
    with pytest.raises(RegisterError, match=r'has primary_endpoint "frozen". Write one of t_thr'):
        open_register(register.path)


@pytest.mark.parametrize("member", ["format", "schema"])
def test_settings_of_a_newer_version_are_refused(register, member):
    settings = register.path / "register.toml"
    text = settings.read_text("utf-8").replace(f"{member} = 1", f"{member} = 99")
    settings.write_text(text, "utf-8")
    with pytest.raises(RegisterError, match=rf"register.toml has {member} 99; .*Update metafreeze"):
        open_register(register.path)


def test_a_journal_line_of_a_newer_version_is_refused(register):
    newer = spell_line({"seq": 4, "kind": "add", "schema": SCHEMA_VERSION + 1})
    write_journal(register, [*journal_lines(register), newer])
    with pytest.raises(RegisterError, match=r"line 5 was written with schema .*Update metafreeze"):
        open_register(register.path)


def swap_part(register, table: pa.Table) -> None:
    """Put another table in the place of the first part, vouched for by the journal."""
    import json

    path = register.path / "rows" / "e0001.parquet"
    pq.write_table(table, path)
    lines = journal_lines(register)
    body = json.loads(lines[1])
    del body["check"]
    body["part"] = {"sha256": hash_file(path), "rows": table.num_rows}
    write_journal(register, [lines[0], spell_line(body), *lines[2:]])


def part_table(register) -> pa.Table:
    return pq.read_table(register.path / "rows" / "e0001.parquet")


def test_an_older_part_is_widened(register):
    before = register.rows()
    old = part_table(register)
    narrow = old.drop_columns(["ledger_bin"])
    at = narrow.schema.get_field_index("time_upper_s")
    narrow = narrow.set_column(at, "time_upper_s", narrow["time_upper_s"].cast(pa.int64()))
    # A column without a value was once written too, and one of no type at all.
    assert "lid" not in narrow.column_names
    narrow = narrow.append_column("lid", pa.nulls(narrow.num_rows))
    narrow = narrow.append_column("remark", pa.nulls(narrow.num_rows, pa.string()))
    swap_part(register, narrow.replace_schema_metadata({"metafreeze_schema": "0"}))
    assert register.damage == ()
    assert register.rows().equals(before)
    assert register.rows().dtypes.equals(before.dtypes)


def test_a_type_clash_is_refused(register):
    table = part_table(register)
    at = table.schema.get_field_index("start_temp_c")
    swap_part(register, table.set_column(at, "start_temp_c", pa.array(["hot", "cold"])))
    with pytest.raises(
        RegisterError,
        match=r"e0001.parquet, column start_temp_c holds string; the schema has double",
    ):
        register.rows()


def test_a_part_of_a_newer_schema_is_refused(register):
    newer = {"metafreeze_schema": str(SCHEMA_VERSION + 1)}
    swap_part(register, part_table(register).replace_schema_metadata(newer))
    with pytest.raises(RegisterError, match=r"e0001.parquet was written with schema .*Update meta"):
        register.rows()


def test_a_column_that_no_schema_has_is_refused(register):
    swap_part(register, part_table(register).append_column("mood", pa.array(["good", "bad"])))
    with pytest.raises(RegisterError, match=r"has a column mood that schema 1 lacks"):
        register.rows()


def test_other_files_in_the_folder_do_not_matter(tmp_path, register):
    for name in ("rows/.e0004.parquet.77.new", "rows/notes.txt", "sources/Thumbs.db", "x.tmp"):
        (register.path / name).write_bytes(b"?")
    assert register.damage == ()
    take(register, tmp_path, runs(1, first=20), name="n.csv")
    assert not (register.path / "rows" / ".e0004.parquet.77.new").exists()
    assert (register.path / "rows" / "notes.txt").exists()


def test_a_refused_entry_leaves_the_folder_as_it_was(tmp_path, register):
    before = {p: p.read_bytes() for p in register.path.rglob("*") if p.is_file()}
    changed = [row | {"time_upper_s": 1e6} for row in runs(2)]
    with pytest.raises(InputError, match=r"changed"):
        take(register, tmp_path, changed, name="0.csv")
    assert before == {p: p.read_bytes() for p in register.path.rglob("*") if p.is_file()}


def test_every_schema_type_has_its_widening():
    from metafreeze.register.folder.parts import _WIDENED_FROM

    assert {field.type for field in arrow_schema()} <= set(_WIDENED_FROM)
