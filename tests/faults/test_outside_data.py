"""Workbooks that refer to other files, addresses or data connections: nobody asks for them."""

import io
import sys
import zipfile
from pathlib import Path

import openpyxl
import pytest

from metafreeze.register.files.reading import read_file

ADDRESS = "http://192.0.2.1/runs.xlsx"
OFFICE = "http://schemas.openxmlformats.org"
LINK = f"""<?xml version="1.0"?><externalLink xmlns="{OFFICE}/spreadsheetml/2006/main">
<externalBook xmlns:r="{OFFICE}/officeDocument/2006/relationships" r:id="rId1">
<sheetNames><sheetName val="Runs"/></sheetNames></externalBook></externalLink>"""
LINK_RELATIONS = f"""<?xml version="1.0"?>
<Relationships xmlns="{OFFICE}/package/2006/relationships">
<Relationship Id="rId1" Type="{OFFICE}/officeDocument/2006/relationships/externalLinkPath"
Target="%s" TargetMode="External"/></Relationships>"""
CONNECTIONS = f"""<?xml version="1.0"?><connections xmlns="{OFFICE}/spreadsheetml/2006/main">
<connection id="1" name="c" type="4" refreshedVersion="6" refreshOnLoad="1">
<webPr url="{ADDRESS}"/></connection></connections>"""
# Kinds of references: parts of the package, and what the relations of the workbook say.
KINDS = {
    "a linked file": ("externalLink", "externalLinks/externalLink1.xml", "%s"),
    "a linked address": ("externalLink", "externalLinks/externalLink1.xml", ADDRESS),
    "a data connection": ("connections", "connections.xml", ""),
}
NOTE = (
    "The workbook refers to other files or data connections; none was opened. linked.xlsx. "
    "Its cells are read as they were last saved. Check those that come from there."
)
_watched: list[tuple[str, str]] = []
_watching = False


def _watch(event: str, args: tuple[object, ...]) -> None:
    if _watching and (event == "open" or event.startswith(("socket.", "urllib", "subprocess"))):
        _watched.append((event, str(args[0]) if args else ""))


# A hook of this kind cannot be taken away again; it listens only while a test asks it to.
sys.addaudithook(_watch)


def events_of_reading(path: Path):
    global _watching
    _watched.clear()
    read_file(path)  # whatever is imported, is imported by now
    _watched.clear()
    _watching = True
    try:
        source = read_file(path)
    finally:
        _watching = False
    return source, list(_watched)


def book(path: Path, *, formula: str = "", defined: str = "") -> Path:
    made = openpyxl.Workbook()
    made.active.append(["run", "start"])
    made.active.append(["R1", formula or 80])
    if defined:
        name = openpyxl.workbook.defined_name.DefinedName("outside", attr_text=defined)
        made.defined_names["outside"] = name
    made.save(path)
    return path


def linked(path: Path, kind: str, secret: Path) -> Path:
    """Put the parts of a reference into a plain workbook."""
    relation, part, target = KINDS[kind]
    plain = book(path, defined="[1]Runs!$A$1" if relation == "externalLink" else "").read_bytes()
    out = io.BytesIO()
    added = f'<Relationship Id="rId99" Type="{OFFICE}/officeDocument/2006/relationships/'
    added += f'{relation}" Target="{part}"/></Relationships>'
    with zipfile.ZipFile(io.BytesIO(plain)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            content = old.read(name).decode()
            if name == "xl/_rels/workbook.xml.rels":
                content = content.replace("</Relationships>", added)
            if name == "xl/workbook.xml" and relation == "externalLink":
                reference = (
                    '<externalReferences><externalReference xmlns:r="'
                    f'{OFFICE}/officeDocument/2006/relationships" r:id="rId99"/>'
                    "</externalReferences><definedNames"
                )
                assert "<definedNames" in content
                content = content.replace("<definedNames", reference, 1)
            new.writestr(name, content)
        if relation == "externalLink":
            new.writestr("xl/externalLinks/externalLink1.xml", LINK)
            to = target if target == ADDRESS else secret.as_uri()
            new.writestr("xl/externalLinks/_rels/externalLink1.xml.rels", LINK_RELATIONS % to)
        else:
            new.writestr("xl/connections.xml", CONNECTIONS)
    path.write_bytes(out.getvalue())
    return path


@pytest.fixture
def secret(tmp_path: Path) -> Path:
    """Give a file that a reference names."""
    return book(tmp_path / "secret.xlsx")


@pytest.mark.parametrize("kind", KINDS)
def test_references_are_named_and_never_followed(tmp_path: Path, secret: Path, kind: str) -> None:
    path = linked(tmp_path / "linked.xlsx", kind, secret)
    source, events = events_of_reading(path)
    assert [(f.severity, str(f)) for f in source.findings] == [("note", NOTE)]
    assert source.tables[0].n_rows == 1
    assert {name for _, name in events} == {str(path)}, "the file itself, and nothing else"


@pytest.mark.parametrize(
    "reference", ["'[{}]Runs'!$A$1", "'{}'!A1", f"'{ADDRESS}'!A1", "\\\\192.0.2.1\\share\\x"]
)
def test_a_name_that_leads_elsewhere_is_not_followed(
    tmp_path: Path, secret: Path, reference: str
) -> None:
    path = book(tmp_path / "named.xlsx", defined=reference.format(secret))
    source, events = events_of_reading(path)
    assert source.tables[0].n_rows == 1
    assert {name for _, name in events} == {str(path)}


@pytest.mark.parametrize(
    "formula",
    ["='[{}]Runs'!A1", f'=WEBSERVICE("{ADDRESS}")', '=HYPERLINK("{}")', "=cmd|'/C calc'!A1"],
)
def test_a_formula_that_leads_elsewhere_is_not_worked_out(
    tmp_path: Path, secret: Path, formula: str
) -> None:
    path = book(tmp_path / "formula.xlsx", formula=formula.format(secret))
    source, events = events_of_reading(path)
    assert {name for _, name in events} == {str(path)}
    assert source.tables == () or source.tables[0].n_rows == 1
    assert any("formula" in str(f).lower() for f in source.findings)
