"""The way in for files: bytes to tables of verbatim text, with what was decided and why.

A path that is missing, a folder or not readable raises; whatever is wrong with the content of a
file becomes a finding. Faults of single rows stand in `RawTable.unreadable` alone, all
others in `SourceFile.findings`.
"""

from __future__ import annotations

import hashlib
import io
import os
import zipfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from metafreeze.errors import InputError
from metafreeze.register.answers import Answers
from metafreeze.register.files.sheets import SourceFile, shown_name
from metafreeze.register.files.tables import Contents, Draft, file_fault, refuse_file, settle

# Larger files are refused before they are read into memory.
MOST_BYTES = 2 << 30
# From this size on a file is hashed beside its reading.
_LONG = 1 << 20

_NO_ANSWERS = Answers()
_SAVE_AS = "Open it in its program and save the table as CSV or XLSX"
# First bytes of files that are no tables, what they are, and what to do.
_SIGNATURES: tuple[tuple[bytes, str, str], ...] = (
    (
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
        "a workbook of the old binary kind or one with a password",
        "Open it in a spreadsheet and save it as XLSX without a password, or as CSV",
    ),
    (b"%PDF", "a PDF", "Copy its table into a spreadsheet, or read points off its figure"),
    (b"\x89PNG", "a picture", "Read points off it and enter them as a sheet of points"),
    (b"\xff\xd8\xff", "a picture", "Read points off it and enter them as a sheet of points"),
    (b"GIF8", "a picture", "Read points off it and enter them as a sheet of points"),
    (b"\x1f\x8b", "packed (gzip)", "Unpack it first"),
    (b"BZh", "packed (bzip2)", "Unpack it first"),
    (b"\xfd7zXZ", "packed (xz)", "Unpack it first"),
    (b"\x28\xb5\x2f\xfd", "packed (zstd)", "Unpack it first"),
    (b"7z\xbc\xaf\x27\x1c", "packed (7z)", "Unpack it first"),
    (b"Rar!", "packed (rar)", "Unpack it first"),
    (b"SQLite format 3", "a database", "Export the table as CSV"),
    (b"\x89HDF", "an HDF file", "Export the table as CSV or Parquet"),
    (b"ARROW1", "an Arrow file", "Write the table as Parquet or CSV"),
    (b"{\\rtf", "a text document", _SAVE_AS),
)

_PACKAGE = (b"PK\x03\x04", b"PK\x05\x06")
# No signature is longer.
_SIGNED = 32


def read_file(path: str | os.PathLike[str], *, answers: Answers = _NO_ANSWERS) -> SourceFile:
    """Read a file into tables of verbatim text.

    What the file is, is judged by its content and not by its name. Delimiter, encoding,
    decimal mark and day order are decided once from all rows, each with a sentence of
    evidence; where nothing decides, a question names the option that answers it.

    Parameters
    ----------
    path : path
        CSV or other delimited text, XLSX, or Parquet.
    answers : Answers
        Answers to the questions of reading: encoding, delimiter, decimal, day_order, sheet.

    Returns
    -------
    SourceFile
        Its findings hold every error and question; a file that cannot be read has no tables.

    Raises
    ------
    InputError
        The path is missing, is a folder, or cannot be opened.
    """
    path = Path(path)
    name = shown_name(path)
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise InputError(
                faults=[file_fault("folder", f"“{path}” is a folder", "Name the files in it", name)]
            )
        if size > MOST_BYTES:
            fault = file_fault(
                "too-large",
                f"The file has {size / 1e9:.1f} GB",
                "Give the runs in files of at most 2 GB",
                name,
            )
            return settle(refuse_file(name, fault), answers)
        data = path.read_bytes()
    except FileNotFoundError as problem:
        fault = file_fault("no-file", f"There is no file “{path}”", "Check its name", name)
        raise InputError(faults=[fault]) from problem
    except OSError as problem:
        reason = problem.strerror or type(problem).__name__
        fault = file_fault(
            "no-access", f"“{path}” cannot be opened ({reason})", "Check its name and rights", name
        )
        raise InputError(faults=[fault]) from problem
    # Bytes that are no text yet would lie idle beside what becomes of them: nobody keeps them.
    contents = Contents(data)
    with ThreadPoolExecutor(max_workers=1) as beside:
        # The hash of a long file takes as long as a good part of its reading.
        hashing = beside.submit(hashlib.sha256, data) if size >= _LONG else None
        sha256 = "" if hashing else hashlib.sha256(data).hexdigest()
        del data
        draft = _read_bytes(contents, name, answers)
        sha256 = hashing.result().hexdigest() if hashing else sha256
    contents.let_go()
    return settle(draft, answers, sha256)


def _read_bytes(contents: Contents, name: str, answers: Answers) -> Draft:
    """Send bytes to the reader for what they are."""
    start = contents.data[:_SIGNED]
    if not start.startswith((b"PAR1", *_PACKAGE, *(s for s, _, _ in _SIGNATURES))):
        from metafreeze.register.files.text_files import read_text

        return read_text(contents, name=name, answers=answers)
    data = contents.data
    if data.startswith(b"PAR1"):
        from metafreeze.register.files.parquet_files import read_parquet

        return read_parquet(data, name=name)
    if data.startswith(_PACKAGE):
        return _read_package(data, name, answers)
    kind, remedy = next((k, r) for s, k, r in _SIGNATURES if data.startswith(s))
    fault = file_fault("not-a-table", f"The file is {kind}", remedy, name)
    return refuse_file(name, fault)


def _read_package(data: bytes, name: str, answers: Answers) -> Draft:
    """Read a zip package if it is a workbook; refuse it by what it holds otherwise."""
    from metafreeze.register.files.workbooks import PACKAGE_ERRORS, read_workbook

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            parts = set(package.namelist())
    except PACKAGE_ERRORS as problem:
        fault = file_fault(
            "damaged-workbook",
            f"The workbook is damaged or cut off ({problem})",
            "Copy it again from where it came, or open it in a spreadsheet and save it",
            name,
        )
        return refuse_file(name, fault)
    if "[Content_Types].xml" in parts and any(p.endswith("workbook.xml") for p in parts):
        return read_workbook(data, name=name, answers=answers)
    if "content.xml" in parts:
        kind, remedy = "an OpenDocument file", "Save the sheet as XLSX or CSV"
    elif any(p.endswith("workbook.bin") for p in parts):
        kind, remedy = "a binary workbook", "Save it as XLSX or CSV"
    elif any(p.startswith("word/") for p in parts):
        kind, remedy = "a text document", _SAVE_AS
    else:
        kind, remedy = "a zip archive", "Unpack it and give the files in it"
    fault = file_fault("not-a-table", f"The file is {kind}", remedy, name)
    return refuse_file(name, fault)
