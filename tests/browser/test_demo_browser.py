"""The committed demo report in a browser, with every section that the analyses add."""

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from opened_page import Opened

import metafreeze as mf

pytestmark = pytest.mark.browser

PAGE = Path(mf.__file__).parent.parent / "reports" / "demo" / "report.html"


@pytest.mark.parametrize("width", [360, 768, 1280])
def test_the_demo_is_quiet_closed_and_never_wider_than_the_screen(chromium, width):
    one = Opened(chromium, PAGE, width=width)
    one.page.evaluate("window.scrollTo(0, document.body.scrollHeight)")
    one.page.wait_for_load_state("networkidle")
    wide = one.page.evaluate("document.documentElement.scrollWidth")
    assert one.said == []
    assert one.asked == [one.url]
    assert wide <= width
    one.context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1280])
def test_the_accessibility_engine_finds_nothing(chromium, width, scheme):
    one = Opened(chromium, PAGE, width=width, scheme=scheme)
    found = Axe().run(one.page)
    assert found.violations_count == 0, found.generate_report()
    one.context.close()


def test_the_verdicts_stand_first(chromium):
    one = Opened(chromium, PAGE)
    headings = one.page.eval_on_selector_all("h1, h2", "all => all.map(h => h.innerText)")
    assert headings[1] == "The answer"
    answer = one.page.inner_text("main")
    assert answer.index("Does the hotter one finish first?") < answer.index("Over all labs")
    one.context.close()
