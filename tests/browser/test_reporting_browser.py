"""The report opened in a browser: quiet, closed, accessible, readable at every width.

Needs the extra ``browser`` and the system's Chromium; the tests fail without either.
"""

import io
import re
from functools import cache

import pypdf
import pytest
import report_samples
from axe_playwright_python.sync_playwright import Axe
from opened_page import Opened

from metafreeze.reporting.html import render_html
from metafreeze.reporting.shown import shown_table

pytestmark = pytest.mark.browser

WIDTHS = (360, 768, 1280)
NAMES = sorted(report_samples.SAMPLES)

# Printable width of the page, A4 less the margins of the style sheet, in CSS pixels.
PRINT_WIDTH_PX = round((210 - 2 * 16) / 25.4 * 96)


@cache
def sample(name):
    made = report_samples.SAMPLES[name]()
    return made, render_html(made.report)


@pytest.fixture
def opened(chromium, tmp_path):
    made = []

    def open_report(name, **more):
        path = tmp_path / f"{name}.html"
        path.write_text(sample(name)[1], "utf-8", newline="\n")
        made.append(Opened(chromium, path, **more))
        return made[-1]

    yield open_report
    for one in made:
        one.context.close()


@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_said_and_nothing_leaves_the_file(opened, name):
    one = opened(name)
    one.page.evaluate("window.scrollTo(0, document.body.scrollHeight)")
    one.page.wait_for_load_state("networkidle")
    assert one.said == []
    assert one.asked == [one.url]


def test_a_page_that_asks_and_speaks_is_noticed(chromium, tmp_path):
    # The partner that must fail: without the policy an image and a script get through.
    path = tmp_path / "loud.html"
    path.write_text(
        "<!doctype html><title>x</title><img src='x.png'><script>console.log('x')</script>", "utf-8"
    )
    one = Opened(chromium, path)
    assert one.said and len(one.asked) > 1
    one.context.close()


def test_the_policy_stops_what_a_mistake_would_let_in(chromium, tmp_path):
    html = sample("two-studies")[1].replace(
        "</main>", "<img src='https://example.org/x.png'><script>window.ran = 1</script></main>"
    )
    path = tmp_path / "broken.html"
    path.write_text(html, "utf-8")
    one = Opened(chromium, path)
    assert one.page.evaluate("window.ran") is None
    assert len(one.said) == 2 and all("Content Security Policy" in words for words in one.said)
    one.context.close()


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", NAMES)
def test_the_page_never_scrolls_sideways(opened, name, width):
    page = opened(name, width=width).page
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    outside = page.evaluate(
        """() => [...document.querySelectorAll('body *')].filter(e => {
            const box = e.getBoundingClientRect();
            const apart = e.closest('.scroll, .skip, svg');
            return box.width && !apart && (box.right > innerWidth + 1 || box.left < -1);
        }).map(e => e.outerHTML.slice(0, 80))"""
    )
    assert outside == []


@pytest.mark.parametrize("width", WIDTHS)
def test_one_width_of_every_figure_is_seen(opened, width):
    page = opened("demo", width=width).page
    seen = page.evaluate(
        """() => [...document.querySelectorAll('figure')].map(f =>
            [...f.querySelectorAll('.for-page, .for-phone')]
                .filter(e => e.offsetHeight).map(e => e.className))"""
    )
    expected = "for-phone" if width < 672 else "for-page"
    assert seen and all(one == [expected] for one in seen)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize("name", NAMES)
def test_the_accessibility_engine_finds_nothing(opened, name, width, scheme):
    page = opened(name, width=width, scheme=scheme).page
    # The engine itself must get past the policy, so it comes in from outside the page.
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    looked_at = {rule["id"] for rule in found.response["passes"]}
    assert {"color-contrast", "region", "role-img-alt", "heading-order"} <= looked_at


def test_the_accessibility_engine_works(chromium, tmp_path):
    path = tmp_path / "bad.html"
    path.write_text("<!doctype html><img src='data:,'><p style='color:#eee'>faint", "utf-8")
    one = Opened(chromium, path)
    rules = {v["id"] for v in Axe().run(one.page).response["violations"]}
    assert {"image-alt", "html-has-lang", "color-contrast"} <= rules
    one.context.close()


def tab_stops(page):
    stops = []
    while True:
        page.keyboard.press("Tab")
        where = page.evaluate(
            """() => { const e = document.activeElement;
                return e === document.body ? null : [e.tagName, e.getAttribute('href'),
                  e.getAttribute('aria-labelledby')]; }"""
        )
        if where is None or (stops and where == stops[0]):
            return stops
        stops.append(where)


def test_the_keyboard_reaches_everything_in_reading_order(opened):
    one = opened("demo")
    made, _ = sample("demo")
    stops = tab_stops(one.page)
    assert stops[0] == ["A", "#main", None]
    links = [href for tag, href, _ in stops[1:] if tag == "A"]
    keys = [s.key for s in made.report.sections]
    assert links == [
        "#answer", *(f"#{k}" for k in keys), "#methods", "#provenance", "#cautions", "#add",
    ]  # fmt: skip
    regions = [label for tag, _, label in stops if tag == "DIV"]
    tables = [t.key for s in made.report.sections for t in s.tables]
    assert regions == [f"{key}-caption" for key in tables]


def test_the_skip_link_shows_itself_and_leads_to_the_answer(opened):
    page = opened("demo", width=360).page
    skip = page.locator(".skip")
    assert skip.bounding_box()["x"] < 0
    page.keyboard.press("Tab")
    assert skip.bounding_box()["x"] >= 0
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"


def test_a_wide_table_scrolls_by_keyboard_inside_its_region(opened):
    page = opened("demo", width=360).page
    region = page.locator(".scroll").first
    region.focus()
    assert region.evaluate("e => e.scrollWidth > e.clientWidth")
    for _ in range(20):
        page.keyboard.press("ArrowRight")
        page.wait_for_timeout(50)
    assert region.evaluate("e => e.scrollLeft") > 0
    assert page.evaluate("window.scrollX") == 0


def test_carried_letters_are_taken_up(opened):
    page = opened("many-studies").page
    states = page.evaluate(
        """async () => { await Promise.all([...document.fonts].map(f => f.load()));
            return [...document.fonts].map(f => [f.family, f.status]); }"""
    )
    assert states == [["metafreeze scripts", "loaded"]] * 4


@pytest.mark.parametrize("name", NAMES)
def test_names_are_text_in_the_browser_too(opened, name):
    page = opened(name).page
    assert page.evaluate("document.scripts.length + document.images.length") == 0
    assert page.evaluate("document.querySelectorAll('svg text, svg a, svg image').length") == 0


def printed(page):
    return [
        p.extract_text()
        for p in pypdf.PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True))).pages
    ]


def squeezed(text):
    return re.sub(r"\s+", "", text)


@pytest.mark.parametrize("name", ["demo", "one-study", "many-studies"])
def test_printing_cuts_no_table(opened, name):
    one = opened(name)
    pages = [squeezed(text) for text in printed(one.page)]
    made, _ = sample(name)
    for section in made.report.sections:
        for content in section.tables:
            table = shown_table(content)
            heading = squeezed("".join(c.heading for c in table.columns[:1]))
            for row in table.rows:
                if not str(row[0]).isascii():
                    continue
                # A row's cells follow each other on one page, under the table's heading.
                cells = [squeezed(str(cell)) for cell in row[:3]]
                assert any(
                    all(cell in page for cell in cells) and heading in page for page in pages
                ), row


@pytest.mark.parametrize("name", NAMES)
def test_print_leaves_nothing_outside_the_paper(opened, name):
    one = opened(name, width=PRINT_WIDTH_PX)
    one.page.emulate_media(media="print")
    wide = one.page.evaluate(
        """() => [...document.querySelectorAll('main *')].filter(e => !e.closest('svg') &&
            e.getBoundingClientRect().right > innerWidth + 1).map(e => e.outerHTML.slice(0, 80))"""
    )
    assert wide == []
    tall = one.page.evaluate(
        "() => Math.max(0, ...[...document.querySelectorAll('.picture')].map(e => e.offsetHeight))"
    )
    # Printable height: A4 less the margins.
    assert tall <= (297 - 2 * 18) / 25.4 * 96


def test_print_is_black_on_white_whatever_the_scheme(opened):
    one = opened("demo", scheme="dark")
    one.page.emulate_media(media="print")
    colours = one.page.evaluate(
        "() => { const s = getComputedStyle(document.body); return [s.color, s.backgroundColor]; }"
    )
    assert colours == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]


def test_without_scripts_the_page_is_the_same(chromium, tmp_path):
    path = tmp_path / "demo.html"
    path.write_text(sample("demo")[1], "utf-8")
    texts = []
    for scripts in (True, False):
        context = chromium.new_context(java_script_enabled=scripts)
        page = context.new_page()
        page.goto(path.as_uri())
        texts.append(page.locator("body").inner_text())
        context.close()
    assert texts[0] == texts[1] and "The answer" in texts[0]
