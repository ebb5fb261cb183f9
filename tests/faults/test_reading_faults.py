"""Planted faults in files: the whole message, its place, its remedy, and no traceback."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import openpyxl
import pytest

from metafreeze.errors import InputError
from metafreeze.register.answers import Answers
from metafreeze.register.files.reading import read_file

CASES = Path(__file__).parents[1] / "cases"


def write(folder: Path, name: str, data: bytes | str) -> Path:
    path = folder / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return path


def test_missing_file(tmp_path):
    with pytest.raises(InputError, match=r"There is no file “.*runs\.csv”\. .*Check its name\."):
        read_file(tmp_path / "runs.csv")


def test_folder(tmp_path):
    with pytest.raises(InputError, match=r"is a folder\. .*Name the files in it\."):
        read_file(tmp_path)


def test_a_file_that_may_not_be_opened(tmp_path, monkeypatch):
    path = write(tmp_path, "runs.csv", "run\nR1\n")

    def refuse(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(InputError, match=r"cannot be opened \(Permission denied\)"):
        read_file(path)


def test_a_file_too_large_to_read(tmp_path, monkeypatch):
    from metafreeze.register.files import reading

    monkeypatch.setattr(reading, "MOST_BYTES", 10)
    (fault,) = read_file(write(tmp_path, "runs.csv", "run,start\nR1,80\n")).findings
    assert (fault.rule, fault.severity) == ("too-large", "error")


MESSAGES = {
    "empty.csv": (
        b"",
        "The file is empty. empty.csv. Give a file with a heading and rows.",
    ),
    "blank.csv": (
        b"\r\n  \n\t\n",
        "The file is empty. blank.csv. Give a file with a heading and rows.",
    ),
    "mark.csv": (
        b"\xef\xbb\xbf",
        "The file is empty. mark.csv. Give a file with a heading and rows.",
    ),
    "old.xls": (
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600),
        "The file is a workbook of the old binary kind or one with a password. old.xls. Open it "
        "in a spreadsheet and save it as XLSX without a password, or as CSV.",
    ),
    "paper.csv": (
        b"%PDF-1.7 ...",
        "The file is a PDF. paper.csv. Copy its table into a spreadsheet, or read points off its "
        "figure.",
    ),
    "runs.csv.gz": (b"\x1f\x8b\x08", "The file is packed (gzip). runs.csv.gz. Unpack it first."),
    "page.xls": (
        b"<html><table><tr><td>run</td></tr></table></html>",
        "The file is a web page, XML or JSON, not delimited text. page.xls. Open it in a "
        "spreadsheet and save it as CSV or XLSX.",
    ),
    "runs.json": (
        b'[{"run": "R1", "start": 80}]',
        "The file is a web page, XML or JSON, not delimited text. runs.json. Open it in a "
        "spreadsheet and save it as CSV or XLSX.",
    ),
    "noise.csv": (
        bytes(range(256)) * 20,
        "The file is neither text nor a workbook that can be read. noise.csv. Give CSV or other "
        "delimited text, XLSX or Parquet.",
    ),
    "letter.txt": (
        b"Dear all,\nthis is about ice, mostly.\nBye\n",
        "The file holds text but no table. letter.txt. Give a heading and under it a row for each "
        "run; or answer with --delimiter.",
    ),
    "shifted.csv": (
        b"run,start,freeze\n1,R1,80,41.2\n2,R2,20,39.9\n",
        "The heading has 3 cells but the rows have 4. shifted.csv, row 1. Give every column a "
        "heading, and quote headings and cells that hold the delimiter; save with semicolons "
        "between cells if a comma also marks decimals; or answer with --delimiter.",
    ),
    "quote.csv": (
        b'run,start\nR1,80\n"R2,20\nR3,60\n',
        "A quote is opened here and never closed. quote.csv, row 3. Close the quote, or take it "
        "away.",
    ),
    "swallow.csv": (
        b'run,note,t\nR1,"x,41\nR2,y,40\nR3,z",39\nR4,w,39\n',
        "A quote opened here runs over 2 more lines that look like rows of their own. "
        "swallow.csv, row 2. Close the quote in the row where it was opened.",
    ),
    "zero.csv": (
        b"run,start\nR1,80\nR2,2\x000\n",
        "The row holds a zero byte, which no text has. zero.csv, row 3. Mend the row; the writing "
        "of the file may have been cut off there.",
    ),
    "marks.csv": (
        b"run;t\nR1;5.4\nR2;53,2\nR3;5.5\nR4;5.6\n",
        "Column “t” marks decimals with a dot in 3 and with a comma in 1 cells: 53,2 (row 3). "
        "marks.csv, row 3, column t. Write these cells with a decimal dot, like the others.",
    ),
    "order.csv": (
        b"run,date\nR1,13/04/2025\nR2,04/13/2025\nR3,14/04/2025\n",
        "Dates in “date” are day first, as 13/04/2025 can only be day first; others cannot be: "
        "04/13/2025 (row 3). order.csv, row 3, column date. Write all dates of the column alike, "
        "best as 2025-04-03.",
    ),
    "cut.xlsx": (
        (CASES / "x05_sheet_per_lab_different_units.xlsx").read_bytes()[:1500],
        "The workbook is damaged or cut off (File is not a zip file). cut.xlsx. Copy it again from "
        "where it came, or open it in a spreadsheet and save it.",
    ),
}


@pytest.mark.parametrize("name", MESSAGES)
def test_errors_say_what_where_and_what_to_do(tmp_path, name):
    data, message = MESSAGES[name]
    source = read_file(write(tmp_path, name, data))
    errors = [f for f in source.findings if f.severity == "error"]
    assert [str(f) for f in errors] == [message]
    assert source.name == name
    assert len(source.sha256) == 64


QUESTIONS = {
    "dots.csv": (
        "run;t\nR1;1.241\nR2;1.855\n",
        "No row decides whether the dot or the comma marks decimals: “t” holds 1.241 (row 2), "
        "1.855 (row 3). dots.csv, row 2, column t. Answer with --decimal . or --decimal ,.",
    ),
    "groups.csv": (
        "run;start;t\nR1;80,5;1.241\nR2;20,0;1.855\n",
        "The file marks decimals with a comma, so “1.241” may be 1241 or a slip for 1,241; column "
        "“t” holds 1.241 (row 2), 1.855 (row 3). groups.csv, row 2, column t. Answer with "
        "--decimal , if the dot groups thousands (1.241 is 1241); otherwise write 1,241 in the "
        "file.",
    ),
    "dates.csv": (
        "run,date\nR1,03/04/2025\nR2,04/04/2025\n",
        "Which of day and month comes first in “date”? 03/04/2025 can be read both ways and no row "
        "decides. dates.csv, row 2, column date. Answer with --day-order day-first or --day-order "
        "month-first.",
    ),
}

SETTLED = {
    "dots.csv": Answers(decimal="."),
    "groups.csv": Answers(decimal=","),
    "dates.csv": Answers(day_order="day-first"),
}


@pytest.mark.parametrize("name", QUESTIONS)
def test_questions_name_the_option_that_settles_them(tmp_path, name):
    text, message = QUESTIONS[name]
    path = write(tmp_path, name, text)
    assert [(str(f), f.severity) for f in read_file(path).findings] == [(message, "question")]
    assert read_file(path, answers=SETTLED[name]).findings == ()


def test_every_broken_row_is_named_at_once(tmp_path):
    text = "run,lab,start,t\n" + "".join(
        f"R{i},A,80,41\n" if i % 3 else f"R{i},A,80,41,late\n" for i in range(30)
    )
    (table,) = read_file(write(tmp_path, "runs.csv", text)).tables
    assert [f.location.row for f in table.unreadable] == list(range(2, 32, 3))
    assert table.n_rows + len(table.unreadable) == 30


def packed(change) -> bytes:
    """Save a small workbook and change its worksheet."""
    book = openpyxl.Workbook()
    book.active.append(["run", "start"])
    book.active.append(["R1", 80])
    plain = io.BytesIO()
    book.save(plain)
    out = io.BytesIO()
    with (
        zipfile.ZipFile(plain) as source,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target,
    ):
        for name in source.namelist():
            part = source.read(name)
            target.writestr(name, change(part) if name == "xl/worksheets/sheet1.xml" else part)
    return out.getvalue()


TRAPS = {
    "large when unpacked": (lambda xml: xml + b" " * (210 << 20), "too-large"),
    "growing a thousandfold": (lambda xml: xml + b" " * (60 << 20), "suspicious-workbook"),
    "entities": (
        lambda xml: xml.replace(
            b"<worksheet", b'<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hosts">]><worksheet', 1
        ),
        "suspicious-workbook",
    ),
    "merged over everything": (
        lambda xml: xml.replace(
            b"</sheetData>",
            b'</sheetData><mergeCells><mergeCell ref="A1:XFD1048576"/></mergeCells>',
        ),
        "suspicious-workbook",
    ),
    "links over whole columns": (
        lambda xml: xml.replace(
            b"</sheetData>", b'</sheetData><hyperlinks><hyperlink ref="A:C"/></hyperlinks>'
        ),
        "suspicious-workbook",
    ),
    "cut in the middle": (lambda xml: xml[: len(xml) // 2], "damaged-workbook"),
    "not XML": (lambda xml: b"nothing", "damaged-workbook"),
}


@pytest.mark.parametrize("trap", TRAPS)
def test_traps_in_workbooks_are_refused_before_they_are_parsed(tmp_path, trap):
    change, rule = TRAPS[trap]
    source = read_file(write(tmp_path, "trap.xlsx", packed(change)))
    assert [f.rule for f in source.findings] == [rule]
    assert source.tables == ()


def test_a_claim_of_huge_dimensions_costs_nothing(tmp_path):
    claim = b'<dimension ref="A1:XFD1048576"/><sheetData>'
    path = write(tmp_path, "wide.xlsx", packed(lambda xml: xml.replace(b"<sheetData>", claim)))
    source = read_file(path)
    assert source.tables[0].n_rows == 1
    assert source.findings == ()


@pytest.mark.parametrize(
    ("part", "message"),
    [
        ("content.xml", "The file is an OpenDocument file"),
        ("xl/workbook.bin", "The file is a binary workbook"),
        ("word/document.xml", "The file is a text document"),
        ("runs.csv", "The file is a zip archive"),
    ],
)
def test_packages_of_other_kinds(tmp_path, part, message):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as package:
        package.writestr(part, "x")
    (fault,) = read_file(write(tmp_path, "runs.xlsx", out.getvalue())).findings
    assert fault.message == message


def test_a_tabbed_text_named_like_a_workbook_is_read(tmp_path):
    source = read_file(write(tmp_path, "runs.xls", "run\tstart\nR1\t80\nR2\t20\n"))
    assert source.dialect.delimiter == "\t"
    assert source.tables[0].n_rows == 2


def test_the_other_answers_are_followed(tmp_path):
    path = write(tmp_path, "runs.csv", "run|note\nR1|Süd\n".encode("cp850"))
    source = read_file(path, answers=Answers(encoding="cp850", delimiter="|"))
    assert source.tables[0].columns[1].text.to_pylist() == ["Süd"]
    assert source.dialect.evidence[:2] == (
        "encoding cp850: as answered",
        "pipe between cells: as answered",
    )


def test_random_cuts_and_flips_never_end_in_a_traceback(tmp_path):
    import random

    chance = random.Random(20250211)
    names = sorted(CASES.glob("[rlsx]*"))
    for _ in range(150):
        data = bytearray(chance.choice(names).read_bytes())
        for _ in range(chance.randrange(1, 6)):
            data[chance.randrange(len(data))] = chance.randrange(256)
        cut = chance.randrange(1, len(data) + 1)
        source = read_file(write(tmp_path, "broken.csv", bytes(data[:cut])))
        assert source.tables or source.findings
