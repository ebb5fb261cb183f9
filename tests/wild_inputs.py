"""Files that nobody would send on purpose, and what must hold for each of them.

`wild_file` spoils sound files, the same for the same seed and number; `judge_file` reads one
as the command line would and says what is wrong with the package, not with the file.
"""

from __future__ import annotations

import io
import json
import random
import re
import tempfile
import warnings
import zipfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from metafreeze.cli.check import describe_check
from metafreeze.cli.output import plain
from metafreeze.errors import InputError, MetafreezeError
from metafreeze.register.answers import Answers, FileCheck
from metafreeze.register.folder.store import Register
from metafreeze.register.intake import check_file
from metafreeze.register.meaning.values import LABEL_CHOICES
from metafreeze.register.schema import FIELDS
from metafreeze.register.templates import heading_of

ROOT = Path(__file__).parent.parent
CASES = ROOT / "tests" / "cases"
DEMO = ROOT / "datasets" / "demo" / "sheets"

# Larger inputs are cut: a fuzzed file is to be small, so that its time says something.
MOST_BYTES = 60_000

TOKENS = [
    token.encode()
    for token in (
        *(",", ";", "\t", "|", '"', '""', "'", "\n", "\r\n", "\r", "\x00", "\x1a", "\ufeff"),
        *("1e309", "-1e309", "1e-400", "-0", "nan", "inf", "-inf", "1.234,5", "1,234.5", "1.241"),
        *("99999999999999999999", "0x1F", "1_000", "٣٤", "½", "½ h", "1 000", "1'000", "−5", "+5"),
        *("12:61", "24:00:00", "99:59:59", "1:2:3:4", "12:30 PM", "31/02/2025", "2025-13-01"),
        *("0000-00-00", "9999-12-31T23:59:59Z", "03/04/25", "1 h 5 min", "65 min", "1.5 h", "45''"),
        *(">180", ">", "<30", "<", ">=1e400", "35-40", "40-35", "35–", "~41", "≈", "41 ± 3", "±"),
        *("not frozen", "not frozen after 180", "not frozen after", "never", "-", "--", "?", "NA"),
        *("#N/A", "#DIV/0!", "=1+1", "=cmd|'/C x'!A0", "@SUM(1)", "null", "None", "TRUE", "yes"),
        *("../../x", "..\\x", "/etc/hosts", "%s%n", "{0}", "${x}", "<script>", "\u202e", "\u0000"),
        *("80 °C", "80C", "176 °F", "353 K", "1 kg", "250 ml", "8 oz", "mean 41 (SD 3)", "n = 6"),
        *("start (°C)", "freeze (min)", "time", "time unit", "start unit", "SD (min)", "n", "run"),
        *("lab", "batch", "endpoint", "source", "figure", "pixel x", "pixel y", "axis", "arm"),
        *("hot", "cold", "p", "median", "IQR", "95% CI", "total", "Total", "mean", "average"),
        *(heading_of(field) for field in FIELDS),
        *(word for field in FIELDS for word in field.vocabulary),
    )
]

CODECS = ("utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252", "cp1250", "gb18030", "mac_roman")

REFERENCES = (
    b"XFD1048576",
    b"A1:XFD1048576",
    b"A0",
    b"A",
    b"1",
    b"ZZZZ9",
    b"A1:B2:C3",
    b"-A1",
    b"",
)
VALUES = (b"1e308", b"-1e308", b"nan", b"99999999999", b"-1", b"0.5", b"1e-320", b"45000.7", b"x")


@cache
def seeds() -> tuple[tuple[str, bytes], ...]:
    """List the sound files that are spoilt: the hard cases, the invented sheets, templates."""
    found = [p for p in sorted(CASES.iterdir()) if p.suffix not in ("", ".toml")]
    found += sorted(p for p in DEMO.iterdir() if p.suffix)
    files = [(p.name, p.read_bytes()) for p in found]
    files = [(name, data if data[:2] == b"PK" else data[:MOST_BYTES]) for name, data in files]
    for kind in ("runs", "summaries", "points"):
        fields = [f for f in FIELDS if kind in f.sheets]
        line = ";".join(heading_of(f) for f in fields)
        cells = ";".join(sound_cell(f.kind, f.low, f.vocabulary) for f in fields)
        files.append((f"full_{kind}.csv", f"{line}\n{cells}\n{cells}\n".encode()))
    table = pa.table(
        {
            "run": ["R1", "R2", "R3"],
            "start (°C)": [80.0, 20.0, 50.0],
            "freeze (min)": [41, 39, 40],
            "put in at": pa.array([0, 10**9, None], pa.timestamp("us")),
        }
    )
    out = io.BytesIO()
    pq.write_table(table, out)
    return (*files, ("runs.parquet", out.getvalue()))


def sound_cell(kind: str, low: float, vocabulary: tuple[str, ...]) -> str:
    """Give a cell that a field of this kind takes."""
    if kind in ("number", "integer"):
        return f"{max(low, -1) + 1:g}"
    return {"choice": (*vocabulary, "")[0], "date": "2025-02-11", "boolean": "no"}.get(kind, "A")


def wild_file(seed: int, number: int) -> tuple[str, bytes]:
    """Make the spoilt file of this number: its name and its bytes."""
    chance = random.Random(f"{seed}/{number}")
    name, data = chance.choice(seeds())
    if data[:2] == b"PK" and chance.random() < 0.8:
        return name, spoil_workbook(chance, data)
    for _ in range(chance.choice((1, 1, 2, 3, 5, 10))):
        data = chance.choice(SPOILERS)(chance, data)
    if data[:4] not in (b"PAR1", b"PK\x03\x04") and chance.random() < 0.1:
        text = data.decode("utf-8", errors="ignore")
        data = text.encode(chance.choice(CODECS), errors="ignore")
    return name, data[:MOST_BYTES]


def _span(chance: random.Random, data: bytes) -> tuple[int, int]:
    start = chance.randrange(len(data) + 1)
    return start, min(len(data), start + chance.choice((1, 1, 2, 4, 16, 100)))


def flip(chance: random.Random, data: bytes) -> bytes:
    if not data:
        return bytes([chance.randrange(256)])
    at = chance.randrange(len(data))
    return data[:at] + bytes([chance.randrange(256)]) + data[at + 1 :]


def cut(chance: random.Random, data: bytes) -> bytes:
    start, stop = _span(chance, data)
    return data[:start] + data[stop:]


def truncate(chance: random.Random, data: bytes) -> bytes:
    return data[: chance.randrange(len(data) + 1)]


def put_in(chance: random.Random, data: bytes) -> bytes:
    start = chance.randrange(len(data) + 1)
    return data[:start] + chance.choice(TOKENS) + data[start:]


def repeat(chance: random.Random, data: bytes) -> bytes:
    start, stop = _span(chance, data)
    return data[:start] + data[start:stop] * chance.choice((2, 3, 10, 200)) + data[stop:]


def swell(chance: random.Random, data: bytes) -> bytes:
    """Put a very long run of a token or of a byte in."""
    start = chance.randrange(len(data) + 1)
    piece = chance.choice(TOKENS) if chance.random() < 0.5 else bytes([chance.randrange(32, 127)])
    return data[:start] + piece * chance.choice((50, 500, 5000, 30_000)) + data[start:]


def splice(chance: random.Random, data: bytes) -> bytes:
    _, other = chance.choice(seeds())
    return data[: chance.randrange(len(data) + 1)] + other[chance.randrange(len(other)) :]


def change_cell(chance: random.Random, data: bytes) -> bytes:
    """Put a token, or another cell, in the place of a cell."""
    places = list(re.finditer(rb"[^,;\t|\r\n]+", data[:MOST_BYTES]))
    if not places:
        return data
    place = chance.choice(places)
    new = chance.choice(TOKENS) if chance.random() < 0.7 else chance.choice(places).group()
    return data[: place.start()] + new + data[place.end() :]


def move_line(chance: random.Random, data: bytes) -> bytes:
    lines = data.split(b"\n")
    line = lines.pop(chance.randrange(len(lines)))
    for _ in range(chance.choice((0, 1, 1, 2, 50))):
        lines.insert(chance.randrange(len(lines) + 1), line)
    return b"\n".join(lines)


def change_mark(chance: random.Random, data: bytes) -> bytes:
    marks = [b",", b";", b"\t", b"|", b".", b" ", b'"', b"\n", b"\r\n", b":", b"/", b"-"]
    return data.replace(chance.choice(marks), chance.choice(marks), chance.choice((1, 3, -1)))


SPOILERS = (
    *(flip, cut, truncate, put_in, repeat, splice, swell),
    # Changes of cells keep most of the file readable and so get farther in.
    *(change_cell, change_cell, change_cell, change_cell, move_line, change_mark, put_in),
)


def spoil_workbook(chance: random.Random, data: bytes) -> bytes:
    """Change the XML of a part, and pack it again so that the package itself is sound."""
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        parts = {name: package.read(name) for name in package.namelist()}
    names = [n for n in parts if n.startswith("xl/")]
    sheets = [n for n in names if "worksheets/sheet" in n or "sharedStrings" in n]
    for _ in range(chance.choice((1, 1, 2, 4))):
        name = chance.choice(sheets if chance.random() < 0.7 else names)
        parts[name] = chance.choice(XML_SPOILERS)(chance, parts[name])
    if chance.random() < 0.05:
        del parts[chance.choice(list(parts))]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as package:
        for name, content in parts.items():
            package.writestr(name, content)
    return out.getvalue()


def change_attribute(chance: random.Random, xml: bytes) -> bytes:
    places = list(re.finditer(rb'="([^"]*)"', xml))
    if not places:
        return xml
    place = chance.choice(places)
    new = chance.choice((*REFERENCES, *VALUES, b"s", b"d", b"e", b"b", b"inlineStr", b"str", b"n"))
    return xml[: place.start(1)] + new + xml[place.end(1) :]


def change_text(chance: random.Random, xml: bytes) -> bytes:
    places = list(re.finditer(rb">([^<]+)<", xml))
    if not places:
        return xml
    place = chance.choice(places)
    new = chance.choice(VALUES) if chance.random() < 0.5 else chance.choice(TOKENS)
    new = new.replace(b"&", b"&amp;").replace(b"<", b"&lt;").replace(b"\x00", b"")
    return xml[: place.start(1)] + new + xml[place.end(1) :]


def change_element(chance: random.Random, xml: bytes) -> bytes:
    places = list(re.finditer(rb"<(\w+)[^<>]*/>|<(\w+)[^<>]*>[^<>]*</\2>", xml))
    if not places:
        return xml
    place, other = chance.choice(places), chance.choice(places)
    return xml[: place.start()] + other.group() * chance.choice((0, 1, 2)) + xml[place.end() :]


XML_SPOILERS = (change_attribute, change_text, change_text, change_element, flip, cut)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What one file came to.

    Parameters
    ----------
    outcome : str
        ``accepted``, ``refused``, or what the package did wrong.
    bad : bool
        Whether the package is at fault.
    """

    outcome: str
    bad: bool = False


def judge_file(name: str, data: bytes, *, register: Register | None = None) -> Judgement:
    """Read bytes as a file of this name would be read, and judge what came of it.

    Where a register is given, an accepted file is added to it, and no row of it or of
    earlier entries may be missing afterwards.
    """
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        # A warning of a library is text that no user can act on.
        warnings.simplefilter("error")
        path = Path(folder, name)
        path.write_bytes(data)
        try:
            check = check_file(path)
        except InputError as refused:
            return _judge_refusal(refused)
        trouble = _trouble_of(check)
        if trouble:
            return Judgement(outcome=trouble, bad=True)
        if register is None or not check.accepted:
            return Judgement(outcome="accepted" if check.accepted else "refused")
        return _judge_adding(path, check, register)


def _judge_refusal(refused: InputError) -> Judgement:
    silent = not str(refused).strip() or any(not f.message for f in refused.faults)
    return Judgement(outcome="refused without a word" if silent else "refused", bad=silent)


def _trouble_of(check: FileCheck) -> str:
    """Say what a check may never be; empty where it is sound."""
    open_ones = [f for f in check.findings if f.severity != "note"]
    if any(not f.message or not f.remedy or f.message.endswith("..") for f in open_ones):
        return "a finding without message or remedy"
    if not check.accepted and not open_ones and check.kind in ("runs", "summaries", "points"):
        return "refused without a finding"
    if check.accepted and open_ones:
        return "accepted with an open finding"
    if check.rows.num_rows != len(check.bins) or min(check.ledger.values()) < 0:
        return "rows and their bins differ"
    describe_check(check)
    json.dumps(plain(check.to_dict()), ensure_ascii=False, allow_nan=False).encode(
        "utf-8", errors="replace"
    )
    return _row_trouble(check) if check.accepted else ""


def _row_trouble(check: FileCheck) -> str:
    """Say which row that may count breaks the schema."""
    rows = check.rows.filter(pc.is_in(check.bins, value_set=pa.array(["used", "not seen exactly"])))
    for field in FIELDS:
        values = rows[field.name].drop_null()
        if not len(values):
            continue
        if field.kind in ("number", "integer"):
            x = values.to_numpy().astype(float)
            outside = ~np.isfinite(x) | (x < field.low) | (x > field.high)
            if field.low_open:
                outside |= x == field.low
            if outside.any():
                return f"{field.name} {x[outside][0]!r} was accepted"
        elif field.kind == "choice" and field.name not in LABEL_CHOICES:
            strange = set(values.to_pylist()) - set(field.vocabulary)
            if strange:
                return f"{field.name} {sorted(strange)[0]!r} was accepted"
    reversed_windows = pc.any(pc.less(rows["time_upper_s"], rows["time_lower_s"])).as_py()
    return "a window that ends before it begins was accepted" if reversed_windows else ""


def _judge_adding(path: Path, check: FileCheck, register: Register) -> Judgement:
    before = len(register.rows())
    answers = Answers(lab="A", endpoint="" if register.primary_endpoint else "t_solid")
    try:
        entry = register.add(path, answers=answers)
    except MetafreezeError as refused:
        silent = not str(refused).strip()
        return Judgement(
            outcome="not added" if not silent else "refused without a word", bad=silent
        )
    after = len(register.rows())
    stored = int(
        pc.sum(
            pc.invert(pc.is_in(check.bins, value_set=pa.array(["duplicate", "unreadable"])))
        ).as_py()
        or 0
    )
    if entry.new + entry.already_there + entry.changed != stored:
        return Judgement(
            outcome=f"{stored} rows to store, {entry.new} new, {entry.already_there} there",
            bad=True,
        )
    if after != before + entry.new - entry.gone:
        return Judgement(outcome=f"{before} rows, {entry.new} new, then {after}", bad=True)
    if register.damage:
        return Judgement(outcome=f"damage: {register.damage[0]}", bad=True)
    return Judgement(outcome="added")
