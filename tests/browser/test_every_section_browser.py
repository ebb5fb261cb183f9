"""A report with every section that an analysis can add, under a hostile label."""

import json

import pytest
from axe_playwright_python.sync_playwright import Axe
from opened_page import Opened
from traced_sheets import invent

import metafreeze as mf
from metafreeze.cli.main import answer
from metafreeze.reporting.tracing import numbers_without_result

pytestmark = pytest.mark.browser

# Markup, a script, a formula and a letter that turns the line around.
HOSTILE = "=1+1 <script>document.title='caught'</script> <b>bold</b> \u202egnol"
SECTIONS = {
    *("plan", "ladder", "labs", "points", "choices", "spread", "absent", "curves", "physics"),
    *("false-alarms", "consequences", "shuffle", "hidden", "sham", "shape", "rows", "against"),
}


@pytest.fixture(scope="module")
def published(tmp_path_factory):
    folder = tmp_path_factory.mktemp("whole")
    sheet, files = invent(folder, lab=HOSTILE)
    whole, other = str(folder / "whole"), str(folder / "other")
    for path in (whole, other):
        assert answer(["new", path, "--endpoint", "t_solid"]) == 0
        assert answer(["seal", path, "--pair", "60", "25", "--stop", "after 5 batches"]) == 0
        assert answer(["add", path, str(sheet)]) == 0
    assert answer(["add", whole, *map(str, files)]) == 0
    assert answer(["false-alarms", whole, "--runs", "6", "--advantage", "0"]) == 0
    return mf.report(mf.open_register(whole), out=folder / "out", against=mf.open_register(other))


@pytest.fixture(scope="module")
def page(published):
    return published.files[0].parent / "report.html"


def test_every_section_is_there_and_every_number_has_a_result(published):
    keys = {section.key for section in published.content.sections}
    assert keys >= SECTIONS, (SECTIONS - keys, keys - SECTIONS)
    found = numbers_without_result(published.content, published.results, published.tables)
    assert found == ()


@pytest.mark.parametrize("width", [360, 768, 1280])
def test_it_is_quiet_closed_and_never_wider_than_the_screen(chromium, page, width):
    one = Opened(chromium, page, width=width)
    one.page.evaluate("window.scrollTo(0, document.body.scrollHeight)")
    assert one.said == [] and one.asked == [one.url]
    assert one.page.evaluate("document.documentElement.scrollWidth") <= width
    one.context.close()


@pytest.mark.parametrize("width", [360, 1280])
def test_the_accessibility_engine_finds_nothing(chromium, page, width):
    one = Opened(chromium, page, width=width)
    found = Axe().run(one.page)
    assert found.violations_count == 0, found.generate_report()
    one.context.close()


def test_the_hostile_label_stays_text(chromium, page, published):
    one = Opened(chromium, page)
    assert one.page.title() != "caught"
    assert one.page.locator("b").count() == one.page.locator("b:not(:has-text('bold'))").count()
    assert "<script>document.title" in one.page.inner_text("main")
    assert "\u202e" not in page.read_text("utf-8")
    one.context.close()
    rows = (page.parent / "tables" / "rows.csv").read_text("utf-8")
    assert ",=1+1" not in rows and "'=1+1" in rows
    assert json.loads((page.parent / "results.json").read_text("ascii"))["false_alarms"]
