"""The page: closed, accounted for, inert, and the same bytes every time."""

import base64
import hashlib
import json
import os
import re
import subprocess
import sys
from functools import cache
from itertools import pairwise
from pathlib import Path

import lxml.html
import pytest
import report_samples

from metafreeze.reporting.content import Column, Given, Report, Section, TableContent, say
from metafreeze.reporting.files import report_files
from metafreeze.reporting.html import render_fragment, render_html
from metafreeze.reporting.labels import visible
from metafreeze.reporting.results_json import json_text
from metafreeze.reporting.shown import texts_of
from metafreeze.reporting.tracing import numbers_shown, numbers_without_result

MOST_BYTES = 3_000_000

HTML_ELEMENTS = {
    "html", "head", "meta", "title", "style", "body", "a", "header", "nav", "main", "section",
    "h1", "h2", "h3", "p", "ul", "ol", "li", "dl", "dt", "dd", "strong", "span", "data", "bdi",
    "code", "details", "summary", "figure", "figcaption", "div", "table", "caption", "thead",
    "tbody", "tr", "th", "td",
}  # fmt: skip
SVG_ELEMENTS = {"svg", "g", "path", "use", "defs"}


@cache
def rendered(name):
    sample = report_samples.SAMPLES[name]()
    return sample, render_html(sample.report)


@pytest.fixture(
    params=[
        pytest.param(name, marks=pytest.mark.slow) if name == "many-studies" else name
        for name in sorted(report_samples.SAMPLES)
    ]
)
def page(request):
    sample, html = rendered(request.param)
    return sample, html, lxml.html.document_fromstring(html)


def test_the_page_holds_only_what_it_should(page):
    _, _, tree = page
    for element in tree.iter():
        assert isinstance(element.tag, str), "a comment"
        assert element.tag in HTML_ELEMENTS | SVG_ELEMENTS
        for name, value in element.attrib.items():
            assert not name.startswith("on") and name not in ("src", "srcset", "style", "action")
            if name in ("href", "xlink:href"):
                assert value.startswith("#")


def test_the_policy_forbids_everything_but_the_one_style_sheet(page):
    _, html, tree = page
    policy = tree.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")[0]
    style = re.search(r"<style>(.*?)</style>", html, re.S)[1]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    fonts = "font-src data:; " if "@font-face" in style else ""
    assert policy == (
        f"default-src 'none'; style-src 'sha256-{digest}'; {fonts}"
        "base-uri 'none'; form-action 'none'"
    )
    assert "@import" not in style and "http" not in style
    assert style.count("url(") == style.count("url(data:font/woff;base64,")
    first = tree.find("head")
    assert [e.tag for e in first][:2] == ["meta", "meta"]


def test_letters_are_carried_only_where_names_need_them():
    assert "@font-face" not in rendered("demo")[1]
    names = [say("{x}", x=Given(name)) for name in report_samples.long_names(12)]
    html = render_html(Report(title=say("Names"), lead=tuple(names)))
    ranges = re.findall(r"unicode-range: ([^;]+);", html)
    carried = {chr(int(number[2:], 16)) for one in ranges for number in one.split(", ")}
    assert set("凉水氷얼음לשפحدबหำ\u0e4d") <= carried
    assert not carried & set("Ледωλệé")
    assert sum(map(len, re.findall(r"base64,([^)]+)\)", html))) < 60_000


def test_every_inner_link_has_its_place_and_every_place_is_one(page):
    _, _, tree = page
    ids = list(tree.xpath("//@id"))
    assert len(ids) == len(set(ids))
    for link in tree.xpath("//a/@href"):
        assert link[1:] in ids
    for names in tree.xpath("//@aria-labelledby"):
        assert set(names.split()) <= set(ids)


def test_headings_are_in_order_and_landmarks_are_there(page):
    _, _, tree = page
    levels = [int(e.tag[1]) for e in tree.iter("h1", "h2", "h3")]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    assert len(tree.xpath("//main")) == len(tree.xpath("//nav")) == 1
    assert tree.xpath("//body/*[1]/@href") == ["#main"]
    assert tree.xpath("/html/@lang") == ["en"]


def test_tables_have_captions_scopes_and_a_region_for_the_keyboard(page):
    _, _, tree = page
    for table in tree.iter("table"):
        assert table.find("caption").text_content().strip()
        assert all(th.get("scope") == "col" for th in table.iterfind("thead//th"))
        for row in table.iterfind("tbody/tr"):
            assert row[0].tag == "th" and row[0].get("scope") == "row"
        region = table.getparent()
        assert region.get("tabindex") == "0" and region.get("role") == "region"


def test_a_column_without_a_heading_has_no_empty_heading_cell():
    table = TableContent(
        key="t",
        caption=say("c"),
        columns=(Column(heading="", kind="words"), Column(heading="Runs", kind="count")),
        rows=(("seen", 1),),
    )
    section = Section(key="s", question=say("q"), answer=say("a"), tables=(table,))
    tree = lxml.html.document_fromstring(render_html(Report(title=say("t"), sections=(section,))))
    assert [e.tag for e in tree.find(".//thead/tr")] == ["td", "th"]


def test_figures_have_their_words(page):
    sample, _, tree = page
    figures = [f for s in sample.report.sections for f in s.figures]
    for figure in figures:
        node = tree.get_element_by_id(figure.key)
        for width in ("page", "phone"):
            pictures = node.find_class(f"for-{width}")[0].find_class("picture")
            assert pictures[0].get("aria-label") == visible(str(figure.alt()))
            assert all(p.get("role") == "img" and p.get("aria-label") for p in pictures)


def numbers_in(value):
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        return {n for v in value for n in numbers_in(v)}
    return {float(value)} if isinstance(value, (int, float)) else set()


def test_every_number_on_the_page_stands_in_results_json(page):
    sample, _, tree = page
    known = numbers_in(json.loads(json_text(sample.results)))
    shown = tree.xpath("//data")
    assert shown
    for node in shown:
        assert float(node.get("value")) in known
    assert numbers_without_result(sample.report, sample.results, {}) == ()
    # What is left has no digit: not ours, not fixed wording, not something to type.
    for node in tree.xpath("//data | //bdi | //code | //style | //span[contains(@class, 'fixed')]"):
        node.drop_tree() if node.tail is None else drop_keeping_tail(node)
    for text in tree.xpath("//body//text()"):
        assert not any(c.isdigit() for c in text), text


def drop_keeping_tail(node):
    tail, parent = node.tail, node.getparent()
    before = node.getprevious()
    parent.remove(node)
    if before is None:
        parent.text = (parent.text or "") + tail
    else:
        before.tail = (before.tail or "") + tail


def test_a_number_without_a_result_is_found():
    sample = report_samples.demo()
    results = dict(sample.results, pool=dict(sample.results["pool"], estimate=0.123))
    lost = numbers_without_result(sample.report, results, {})
    assert {n.value for n in lost} == {sample.results["pool"]["estimate"]}
    assert len(numbers_shown(sample.report)) > 100


def test_the_page_is_small_enough(page):
    _, html, _ = page
    assert len(html.encode()) <= MOST_BYTES


def test_names_are_shown_as_they_were_entered():
    _, html = rendered("hostile")
    shown = {e.text_content() for e in lxml.html.document_fromstring(html).iter("bdi")}
    for name in report_samples.HOSTILE_NAMES:
        assert visible(name) in shown


def test_a_name_in_the_title_stays_text():
    name = "</title><script>alert(1)</script>"
    report = Report(
        title=say("{x}", x=Given(name)),
        sections=(Section(key="a", question=say("{x}?", x=Given(name)), answer=say("Yes.")),),
    )
    tree = lxml.html.document_fromstring(render_html(report))
    assert not tree.xpath("//script")
    assert tree.findtext(".//title") == name
    assert tree.xpath("//nav//li[last()]")[0].text_content() == name + "?"
    assert "<script" not in render_fragment(report)


def test_the_letters_of_all_pictures_are_kept_once(page):
    _, _, tree = page
    outlines = tree.find_class("glyphs")[0].xpath(".//path/@d")
    assert len(outlines) == len(set(outlines))
    ids = set(tree.find_class("glyphs")[0].xpath(".//path/@id"))
    used = {link[1:] for link in tree.xpath("//use/@href")}
    assert used == ids
    assert not tree.xpath("//figure//defs")


def test_two_reports_in_one_notebook_do_not_mix_their_letters():
    outlines = {}
    for name in ("demo", "hostile"):
        tree = lxml.html.fragment_fromstring(render_fragment(report_samples.SAMPLES[name]().report))
        for path in tree.find_class("glyphs")[0].iter("path"):
            assert outlines.setdefault(path.get("id"), path.get("d")) == path.get("d")
    assert outlines


def test_sections_that_do_not_apply_are_one_line():
    report = report_samples.one_study().report
    tree = lxml.html.document_fromstring(render_html(report))
    section = tree.get_element_by_id("spread")
    assert [e.tag for e in section] == ["h2", "p"]


def test_the_verdicts_come_before_the_contents_and_everything_else():
    _, html = rendered("demo")
    places = [html.index(mark) for mark in ('class="verdict"', "<nav", "<figure", "<table")]
    assert places == sorted(places)


def test_reading_order_is_the_order_of_the_sentences():
    sample = report_samples.two_studies()
    words = [str(t) for t in texts_of(sample.report)]
    assert words[0] == str(sample.report.title)
    assert words.index(str(sample.report.verdicts[0].answer)) < words.index(
        str(sample.report.sections[0].question)
    )


PROGRAM = """
import hashlib, sys
sys.path.insert(0, sys.argv[1])
import report_samples
from metafreeze.reporting.files import report_files
sample = report_samples.SAMPLES[sys.argv[2]]()
files = report_files(sample.report, sample.results, sample.tables)
for name, content in files.items():
    print(name, hashlib.sha256(content).hexdigest())
"""


def hashes(name, seed):
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, str(Path(report_samples.__file__).parent), name],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONHASHSEED": seed, "TZ": f"UTC+{seed}"},
    )
    assert done.returncode == 0, done.stderr
    return dict(line.split() for line in done.stdout.splitlines())


def test_another_process_writes_the_same_bytes():
    sample = report_samples.two_studies()
    files = report_files(sample.report, sample.results, sample.tables)
    here = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
    assert {"report.html", "report.pdf", "results.json", "tables/rows.parquet"} <= set(here)
    assert hashes("two-studies", "1") == here


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(report_samples.SAMPLES))
def test_two_processes_write_the_same_bytes(name):
    assert hashes(name, "1") == hashes(name, "2")


def test_the_same_process_writes_the_same_page_twice():
    report = report_samples.two_studies().report
    assert render_html(report) == render_html(report)
