"""The PDF: A4, tagged, fonts inside, whole rows, inert names, no date."""

import io
import re
from functools import cache

import pypdf
import pytest
import report_samples

from metafreeze.reporting.content import Column, Given, Report, Section, TableContent, say
from metafreeze.reporting.pdf import breakable, render_pdf

A4_POINTS = (595.276, 841.89)

# Keys by which a PDF would act: run, open, fetch, submit, or carry files.
ACTING_KEYS = ("/JavaScript", "/JS", "/AA", "/OpenAction", "/URI", "/Launch", "/EmbeddedFile")


@cache
def rendered(name):
    sample = report_samples.SAMPLES[name]()
    return sample, render_pdf(sample.report)


@pytest.fixture(
    params=[
        pytest.param(name, marks=pytest.mark.slow) if name == "many-studies" else name
        for name in sorted(report_samples.SAMPLES)
    ]
)
def pdf(request):
    sample, content = rendered(request.param)
    return sample, content, pypdf.PdfReader(io.BytesIO(content))


def squeezed(text):
    return re.sub(r"[\s\u200b\u2068\u2069\u00a0\u202f]+", "", text)


def test_pages_are_a4(pdf):
    _, _, reader = pdf
    for page in reader.pages:
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(
            A4_POINTS, abs=0.1
        )


def test_the_file_is_tagged_titled_and_undated(pdf):
    sample, _, reader = pdf
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert reader.trailer["/Root"]["/Lang"] == "en"
    assert reader.metadata.title == str(sample.report.title)
    assert reader.metadata.creation_date is None
    assert reader.metadata.modification_date is None


def test_every_font_is_inside(pdf):
    _, _, reader = pdf
    seen = 0
    for page in reader.pages:
        for font in page["/Resources"].get("/Font", {}).values():
            descendant = font.get_object()["/DescendantFonts"][0].get_object()
            descriptor = descendant["/FontDescriptor"].get_object()
            assert any(key in descriptor for key in ("/FontFile2", "/FontFile3"))
            seen += 1
    assert seen


def test_nothing_in_the_file_acts(pdf):
    _, _, reader = pdf
    for number in range(1, len(reader.xref_objStm) + sum(map(len, reader.xref.values())) + 1):
        found = reader.get_object(pypdf.generic.IndirectObject(number, 0, reader))
        if isinstance(found, pypdf.generic.DictionaryObject):
            assert not set(found) & set(ACTING_KEYS), found


def test_names_in_latin_letters_are_there_as_text(pdf):
    sample, _, reader = pdf
    text = squeezed("".join(page.extract_text() for page in reader.pages))
    for name in sample.tables["studies"]["study"]:
        if name.isascii() and name.isprintable() and len(name) < 100:
            assert squeezed(name) in text


def rows_report(count):
    rows = tuple((f"Row {n:03d} begins", float(n), f"row {n:03d} ends") for n in range(count))
    table = TableContent(
        key="t",
        caption=say("A long table"),
        columns=(
            Column(heading="First", kind="given"),
            Column(heading="Middle", kind="number"),
            Column(heading="Last", kind="given"),
        ),
        rows=rows,
    )
    section = Section(key="s", question=say("Why?"), answer=say("So."), tables=(table,))
    return Report(title=say("Tables"), sections=(section,))


def pages_of(count):
    content = render_pdf(rows_report(count))
    return [p.extract_text() for p in pypdf.PdfReader(io.BytesIO(content)).pages]


def test_a_long_table_repeats_its_heading_and_cuts_no_row():
    pages = pages_of(120)
    assert len(pages) > 2
    for n in range(120):
        own = [p for p in pages if f"Row {n:03d} begins" in p]
        assert len(own) == 1 and f"row {n:03d} ends" in own[0]
    for page in pages:
        assert "First" in page and "Middle" in page and "Last" in page


def test_a_short_table_stays_on_one_page():
    for count in (5, 20):
        pages = pages_of(count)
        assert sum("begins" in p for p in pages) == 1


def wide_report(columns, rows):
    table = TableContent(
        key="t",
        caption=say("A wide table"),
        columns=(
            Column(heading="Study", kind="given"),
            *(Column(heading="Standard error", kind="number") for _ in range(columns)),
        ),
        rows=tuple(
            (f"Evening class {n:02d} of the college", *(1001.0 + n for _ in range(columns)))
            for n in range(rows)
        ),
    )
    section = Section(key="s", question=say("Why?"), answer=say("So."), tables=(table,))
    return Report(title=say("Tables"), sections=(section,))


@pytest.mark.parametrize(("columns", "turned"), [(4, False), (8, False), (14, True), (24, True)])
def test_a_wide_table_shrinks_or_turns_its_page_and_keeps_every_number_whole(columns, turned):
    reader = pypdf.PdfReader(io.BytesIO(render_pdf(wide_report(columns, 30))))
    assert any(page.mediabox.width > page.mediabox.height for page in reader.pages) is turned
    text = "\n".join(page.extract_text() for page in reader.pages)
    for n in range(30):
        # A broken number would be parted by a line end.
        assert len(re.findall(rf"\b{1001 + n}\b", text)) == columns


def test_the_same_content_gives_the_same_bytes():
    report = report_samples.two_studies().report
    assert render_pdf(report) == render_pdf(report)


def test_a_character_without_a_glyph_is_written_as_its_code_point():
    report = Report(title=say("Ice {x}", x=Given("🧊")))
    text = pypdf.PdfReader(io.BytesIO(render_pdf(report))).pages[0].extract_text()
    assert "[U+1F9CA]" in text


def test_long_words_can_break_and_short_ones_stay():
    assert breakable("short words stay") == "short words stay"
    long = breakable("n" * 45)
    assert long.replace("\u200b", "") == "n" * 45
    assert max(map(len, long.split("\u200b"))) <= 20


def test_markup_of_the_typesetter_is_only_text():
    name = '#panic("x") $1/2$ *b* _i_ = h <l> @r `c` \\ // /* */ https://example.org'
    report = Report(title=say("{x}", x=Given(name)), lead=(say("{x}", x=Given(name)),))
    text = pypdf.PdfReader(io.BytesIO(render_pdf(report))).pages[0].extract_text()
    assert squeezed(name) in squeezed(text)
