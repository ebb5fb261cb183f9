"""Which encoding a file was written in."""

from __future__ import annotations

import pytest

from metafreeze.register.files import encodings
from metafreeze.register.files.encodings import decode_text

TABLE = "Versuch;Labor;Gefäß;Start (°C)\nV1;Süd;Becher;80,0\nV2;Süd;Becher;−20,0\n"
LATIN = TABLE.replace("−", "-")


@pytest.mark.parametrize(
    ("text", "codec", "name"),
    [
        (TABLE, "utf-8", "utf-8"),
        (TABLE, "utf-8-sig", "utf-8"),
        (TABLE, "utf-16", "utf-16-le"),
        (TABLE, "utf-16-le", "utf-16-le"),
        (TABLE, "utf-16-be", "utf-16-be"),
        (TABLE, "utf-32", "utf-32-le"),
        (LATIN, "cp1252", "windows-1252"),
        (LATIN, "latin-1", "windows-1252"),
        (LATIN, "mac_roman", "mac-roman"),
        (LATIN, "cp850", "cp850"),
        ("Łódź;Świnoujście;°C\n1;2;3\n", "cp1250", "windows-1250"),
        ("时间,温度\n2025/2/11 上午 11:20:00,20\n", "gb18030", "gb18030"),
        ("t,T(℃)\n0,1\n", "gb18030", "gb18030"),
        ("Опыт;Лаборатория;Начало\nВ1;Север;80\n", "cp1251", "cp1251"),
        ("run,start\nR1,80\n", "ascii", "utf-8"),
    ],
)
def test_told_from_the_bytes(text, codec, name):
    decoded = decode_text(text.encode(codec))
    assert decoded.utf8.decode() == text
    assert decoded.encoding == name
    assert decoded.evidence.startswith("encoding ")


@pytest.mark.parametrize(
    ("text", "codec"),
    [
        (LATIN, "cp1252"),
        (LATIN, "mac_roman"),
        ("Łódź;Świnoujście;°C\n1;2;3\n", "cp1250"),
        ("时间,温度\n2025/2/11 上午 11:20:00,20\n", "gb18030"),
        ("Опыт;Лаборатория;Начало\nВ1;Север;80\n", "cp1251"),
    ],
)
def test_a_long_text_is_told_by_its_lines_beyond_ascii(text, codec, monkeypatch):
    monkeypatch.setattr(encodings, "_LONG", 1)
    lines = "".join(f"{k};{80 - k};20\n" for k in range(400))
    whole = f"{text}{lines}{text}{lines}{text.strip()}"
    decoded = decode_text(whole.encode(codec))
    assert decoded.utf8.decode() == whole
    assert decoded.encoding == decode_text(text.encode(codec)).encoding


def test_a_long_text_of_which_most_lines_are_beyond_ascii_is_told_by_all(monkeypatch):
    monkeypatch.setattr(encodings, "_LONG", 1)
    assert decode_text((LATIN * 50).encode("cp1252")).utf8.decode() == LATIN * 50


@pytest.mark.parametrize("piece", [1, 2, 3, 7, 1 << 20])
def test_wide_text_is_written_anew_a_piece_at_a_time(piece, monkeypatch):
    monkeypatch.setattr(encodings, "_RECODED", piece)
    for codec in ("utf-16", "utf-16-be", "utf-32"):
        assert decode_text(TABLE.encode(codec)).utf8.decode() == TABLE
    (fault,) = decode_text(b"\xff\xfe" + "a;b\n1;2\n".encode("utf-16-le") + b"\x00\xd8").findings
    assert fault.rule == "encoding-contradiction"


def test_utf16_big_endian_with_its_mark():
    decoded = decode_text(b"\xfe\xff" + TABLE.encode("utf-16-be"))
    assert (decoded.utf8.decode(), decoded.encoding) == (TABLE, "utf-16-be")


def test_a_guess_is_shown_with_its_words():
    (note,) = decode_text(LATIN.encode("cp1252"), file="runs.csv").findings
    assert note.severity == "note"
    assert "“Gefäß”" in note.message
    assert "--encoding" in note.remedy
    assert note.location.row == 1


def test_an_answer_is_followed():
    decoded = decode_text(LATIN.encode("cp850"), forced="cp850")
    assert decoded.utf8.decode() == LATIN
    assert decoded.findings == ()


@pytest.mark.parametrize("name", ["utf-9", "hex", "rot13"])
def test_an_unknown_encoding_is_refused(name):
    (fault,) = decode_text(b"a,b\n", forced=name).findings
    assert fault.rule == "encoding-unknown"


def test_an_encoding_that_cannot_be_is_refused_at_its_row():
    (fault,) = decode_text("run\nR1\nGefäß\n".encode("cp1252"), forced="utf-8").findings
    assert (fault.rule, fault.location.row) == ("encoding-contradiction", 3)


def test_a_file_joined_from_two_encodings_is_refused():
    data = "Gefäß;Süd;é\nè;ö;ü\n".encode() + b"caf\xe9\n"
    (fault,) = decode_text(data).findings
    assert (fault.rule, fault.severity, fault.location.row) == (
        "encoding-contradiction",
        "error",
        3,
    )


def test_zero_bytes_at_the_end_are_left_away_and_noted():
    decoded = decode_text(b"a,b\n1,2\n" + b"\0" * 40)
    assert decoded.utf8 == b"a,b\n1,2\n"
    assert decoded.findings[0].rule == "cut-off"


def test_a_zero_byte_inside_is_an_error_at_its_row():
    (fault,) = decode_text(b"a,b\n1,2\n3,\x004\n" + b"5,6\n" * 50).findings
    assert (fault.rule, fault.severity, fault.location.row) == ("zero-byte", "error", 3)


def test_a_lost_letter_is_noted():
    decoded = decode_text("lab,t\nS\ufffdd,41\n".encode())
    (note,) = decoded.findings
    assert (note.rule, note.location.row, note.value) == ("lost-letter", 2, "S\ufffdd,41")
    assert decoded.readable


@pytest.mark.parametrize("data", [bytes(range(256)) * 9, b"\x00\x01\x02\x03\x04" * 50])
def test_binary_files_are_refused(data):
    (fault,) = decode_text(data).findings
    assert fault.rule == "not-text"


@pytest.mark.parametrize(
    "data", [b"run\n\xa2 \xa4 \xac\n\xb8 \xaf\n", b"lab\n\xff\xa6\xa4\xff\n\xd7\x81\xf7\x8d\n"]
)
def test_bytes_that_make_no_sense_are_asked_about(data):
    decoded = decode_text(data)
    (question,) = decoded.findings
    assert (question.rule, question.severity) == ("encoding-undecidable", "question")
    assert "--encoding NAME" in question.remedy
    assert decoded.utf8 == b""
