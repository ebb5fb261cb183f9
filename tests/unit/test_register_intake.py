"""Sheets as people type them, through the way in and into the register."""

from __future__ import annotations

import numpy as np
import openpyxl
import pandas as pd
import pytest

from metafreeze.errors import InputError
from metafreeze.register.answers import Answers
from metafreeze.register.folder.codes import SAME_RELATIVE
from metafreeze.register.folder.store import create_register

CUPS = ("blue", "red", "green")


def cups(count: int) -> list[tuple[float, float, str]]:
    """Give start, minutes and cup of a kitchen's first evening."""
    return [(20 + 5 * (k % 12), 38.5 + 0.5 * k, CUPS[k % 3]) for k in range(count)]


def write_plain(path, rows) -> None:
    lines = "".join(f"{start},{minutes},{cup}\n" for start, minutes, cup in rows)
    path.write_text("start,time (min),cup\n" + lines, "utf-8")


def test_three_columns_are_enough(tmp_path):
    sheet = tmp_path / "trials.csv"
    write_plain(sheet, cups(12))
    register = create_register(tmp_path / "winter")
    with pytest.raises(InputError) as refused:
        register.add(sheet)
    assert [f.rule for f in refused.value.questions] == ["endpoint"], "at most two questions"
    entry = register.add(sheet, answers=Answers(endpoint="t_solid"))
    assert (entry.new, entry.ledger["used"]) == (12, 12)
    rows = register.rows()
    assert rows["start_temp_c"].tolist() == [start for start, _, _ in cups(12)]
    assert rows["time_upper_s"].tolist() == [60 * minutes for _, minutes, _ in cups(12)]
    assert rows["file_row"].tolist() == list(range(2, 14))
    assert (rows["endpoint"] == "t_solid").all()


def test_fifteen_rows_become_twenty_of_which_one_is_corrected(tmp_path):
    sheet = tmp_path / "trials.csv"
    register = create_register(tmp_path / "winter", primary_endpoint="t_solid")
    write_plain(sheet, cups(15))
    register.add(sheet)
    grown = cups(20)
    grown[6] = (grown[6][0], 99.5, grown[6][2])
    write_plain(sheet, grown)
    with pytest.raises(InputError) as refused:
        register.add(sheet)
    (error,) = (f for f in refused.value.faults if f.severity == "error")
    assert "time_upper_s changed, 2490 → 5970" in error.message
    assert (error.location.file, error.location.row) == ("trials.csv", 8)
    assert "--replace" in error.remedy
    assert len(register.rows()) == 15
    register.add(sheet, replace=True)
    assert sorted(register.rows()["time_upper_s"]) == sorted(60 * m for _, m, _ in grown)


def typed_three_ways(folder) -> list[str]:
    """Write the same runs in °F and minutes, with decimal commas in a workbook, and clean."""
    runs = [(f"R{k}", 18.35 + 3.7 * k, 2310.5 + 61.3 * k, 100.25 - k) for k in range(8)]
    fahrenheit = "".join(f"{r},{c * 9 / 5 + 32!r},{s / 60!r},{g}\n" for r, c, s, g in runs)
    (folder / "fahrenheit.csv").write_text(
        "run,start (°F),freeze time (min),water (g)\n" + fahrenheit, "utf-8"
    )
    book = openpyxl.Workbook()
    book.active.append(["run", "start (°C)", "freeze time (s)", "water (g)"])
    for run, *numbers in runs:
        book.active.append([run, *(f"{number!r}".replace(".", ",") for number in numbers)])
    book.save(folder / "comma.xlsx")
    clean = "".join(f"{r},{c!r},{s!r},{s!r},{g}\n" for r, c, s, g in runs)
    (folder / "clean.csv").write_text(
        "run_id,start_temp_c,time_lower_s,time_upper_s,water_mass_start_g\n" + clean, "utf-8"
    )
    return ["fahrenheit.csv", "comma.xlsx", "clean.csv"]


def test_the_same_data_typed_in_three_ways_give_the_same_rows(tmp_path):
    names = typed_three_ways(tmp_path)
    frames = []
    for name in names:
        register = create_register(
            tmp_path / f"register {name}", primary_endpoint="t_solid", lab="north kitchen"
        )
        register.add(tmp_path / name)
        frames.append(register.rows())
    numbers = ["start_temp_c", "time_lower_s", "time_upper_s", "water_mass_start_g"]
    for frame in frames[1:]:
        pd.testing.assert_series_equal(frame["run_id"], frames[0]["run_id"])
        np.testing.assert_allclose(frame[numbers], frames[0][numbers], rtol=SAME_RELATIVE, atol=0)
    register = create_register(tmp_path / "one", primary_endpoint="t_solid", lab="north kitchen")
    counts = [register.add(tmp_path / name) for name in names]
    assert [(e.new, e.already_there, e.changed) for e in counts] == [
        (8, 0, 0),
        (0, 8, 0),
        (0, 8, 0),
    ]


def test_an_export_comes_back_as_the_same_rows(tmp_path):
    register = create_register(tmp_path / "winter", primary_endpoint="t_solid")
    write_plain(tmp_path / "trials.csv", [*cups(5), (80, 41.5, "=HYPERLINK(1)"), (80, 41, "-5 L")])
    register.add(tmp_path / "trials.csv")
    for out in (tmp_path / "out.csv", tmp_path / "out.parquet"):
        register.export(out)
        other = create_register(tmp_path / f"from {out.suffix}")
        other.add(out)
        before, after = (r.rows().drop(columns="entry_id") for r in (register, other))
        pd.testing.assert_frame_equal(before, after)
    assert '"\'=HYPERLINK(1)"' in (tmp_path / "out.csv").read_text("utf-8")


def test_a_mapping_answered_once_serves_the_next_sheet_of_the_shape(tmp_path):
    register = create_register(tmp_path / "winter", primary_endpoint="t_solid", lab="k")
    for k, name in enumerate(("monday.csv", "tuesday.csv")):
        lines = "".join(f"M{k}-{n},{20 + n},{40 + n}\n" for n in range(3))
        (tmp_path / name).write_text("Lauf,xyzzy (°C),plugh (min)\n" + lines, "utf-8")
    mapping = {"Lauf": "run_id", "xyzzy (°C)": "start_temp_c", "plugh (min)": "freeze time"}
    with pytest.raises(InputError):
        register.add(tmp_path / "monday.csv")
    register.add(tmp_path / "monday.csv", answers=Answers(mapping=mapping))
    entry = register.add(tmp_path / "tuesday.csv")
    assert entry.new == 3
    assert "remembered" in {note.rule for note in entry.notes}
    assert register.rows()["run_id"].tolist() == [f"M{k}-{n}" for k in range(2) for n in range(3)]


def test_a_logger_file_is_sent_to_its_own_command(tmp_path):
    register = create_register(tmp_path / "winter", primary_endpoint="t_solid")
    readings = "".join(f"{30 * k},{20 - 0.1 * k:.1f}\n" for k in range(200))
    (tmp_path / "logger.csv").write_text("time (s),T (°C)\n" + readings, "utf-8")
    with pytest.raises(InputError, match=r"temperature trace.*metafreeze curves logger\.csv"):
        register.add(tmp_path / "logger.csv")
    assert register.history().to_frame().empty


def test_a_file_that_is_not_there_is_refused(tmp_path):
    register = create_register(tmp_path / "winter")
    with pytest.raises(InputError, match=r"nowhere\.csv"):
        register.add(tmp_path / "nowhere.csv")
