"""The page at the freezer in Chromium, as wide as a phone."""

import http.server
import json
import threading
import time
import urllib.parse

import pytest
from axe_playwright_python.sync_playwright import Axe
from logbook_server import Served

import metafreeze as mf
from metafreeze.register.folder.sealing import make_plan, sealed

pytestmark = pytest.mark.browser

PHONE = {"width": 360, "height": 740}
VESSELS = 20
# Times of taps are to be right to a second.
RIGHT_TO_S = 1.0
# A phone whose clock is more than an hour fast.
PHONE_AHEAD_MS = 3_723_000
WRONG_CLOCK = f"""
    const real = Date.now.bind(Date);
    Date.now = () => real() + {PHONE_AHEAD_MS};
"""


@pytest.fixture
def winter(tmp_path):
    return mf.create_register(
        tmp_path / "winter", title="Winter trials", primary_endpoint="t_solid", lab="Quarry Lane"
    )


@pytest.fixture
def served(winter):
    one = Served(winter.path)
    yield one
    one.kill()


class Phone:
    """A browser at a logbook, and everything that it said."""

    def __init__(self, chromium, served, *, scheme="light", script=""):
        self.context = chromium.new_context(
            viewport=PHONE, color_scheme=scheme, has_touch=True, is_mobile=True
        )
        if script:
            self.context.add_init_script(script)
        self.page = self.context.new_page()
        self.said = []
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("dialog", lambda dialog: self.said.append(dialog.message))
        self.page.on("console", lambda one: self.said.append(one.text))
        self.foreign = []
        self.page.on(
            "request",
            lambda r: None if r.url.startswith(served.url) else self.foreign.append(r.url),
        )
        self.page.goto(served.url)
        self.page.wait_for_selector("#home:not([hidden])")

    def begin(self, *, vessels, temps, name="First", always=False):
        self.page.fill("#new-name", name)
        self.page.fill("#new-count", str(vessels))
        self.page.fill("#new-temps", temps)
        if always:
            self.page.check("input[value=always]")
        self.page.tap("#new-batch button")
        self.page.wait_for_selector("#batch:not([hidden])")

    def choose(self, vessel):
        self.page.locator(".tile").nth(vessel - 1).tap()

    def tap(self, kind):
        """Tap a button; give the time between before and after."""
        before = time.time()
        self.page.tap(f"#buttons [data-tap={kind}]")
        return (before + time.time()) / 2

    def write(self, what, text):
        self.page.fill(f"#{what}", text)
        self.page.locator(f"#{what}").blur()

    def all_stored(self):
        self.page.wait_for_selector('#connection:has-text("All taps stored")', timeout=20_000)

    def review(self):
        self.page.locator("#more-part").evaluate("part => { part.open = true; }")
        self.page.tap("#review-link")
        self.page.wait_for_selector("#store:not([disabled])", timeout=20_000)

    def store(self):
        self.review()
        self.page.tap("#store")
        self.page.wait_for_selector('#review-head:has-text("Stored: e")', timeout=20_000)

    def require_accessible(self):
        found = Axe().run(self.page)
        assert found.violations_count == 0, found.generate_report()
        assert self.page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]


def near(value, wanted):
    return abs(value - wanted) <= RIGHT_TO_S


def test_a_whole_batch_survives_reload_kill_and_lost_connection(chromium, winter, served):
    phone = Phone(chromium, served, script=WRONG_CLOCK)
    phone.begin(vessels=VESSELS, temps="80 20")
    taps = 0
    entered, ice, solid = {}, {}, {}
    for vessel in range(1, VESSELS + 1):
        phone.choose(vessel)
        phone.write("mass_in", f"{100 + vessel / 10:.1f}".replace(".", ","))
        entered[vessel] = phone.tap("in")
        taps += 2
        if vessel == VESSELS // 2:
            phone.page.reload()
            phone.page.wait_for_selector("#batch:not([hidden])")
    phone.require_accessible()

    first_round = phone.tap("round")
    taps += 1
    for vessel in range(1, 6):
        phone.choose(vessel)
        ice[vessel] = phone.tap("ice")
        taps += 1
    phone.all_stored()
    assert len(served.taps()) == taps

    # The server dies as in a power cut; the page goes on and says so.
    served.kill()
    phone.choose(11)
    phone.tap("knocked")
    for vessel in range(6, 12):
        phone.choose(vessel)
        ice[vessel] = phone.tap("ice")
    taps += 7
    phone.page.wait_for_selector('#connection:has-text("7 taps kept here")')
    assert len(served.taps()) == taps - 7
    phone.require_accessible()
    time.sleep(2 * RIGHT_TO_S)
    served.start()
    phone.page.reload()
    phone.page.wait_for_selector("#batch:not([hidden])")
    phone.all_stored()
    assert len(served.taps()) == taps

    second_round = phone.tap("round")
    taps += 1
    # The connection is gone for a while.
    phone.context.set_offline(True)
    for vessel in range(1, 11):
        phone.choose(vessel)
        solid[vessel] = phone.tap("solid")
    taps += 10
    phone.page.wait_for_selector('#connection:has-text("10 taps kept here")')
    time.sleep(2 * RIGHT_TO_S)
    phone.context.set_offline(False)
    phone.all_stored()
    assert len(served.taps()) == taps

    for vessel in range(11, 19):
        phone.choose(vessel)
        solid[vessel] = phone.tap("solid")
    phone.choose(19)
    last_look = phone.tap("liquid")
    phone.choose(20)
    phone.tap("solid")
    assert phone.page.locator("#undo").inner_text().startswith("Undo 20: solid")
    phone.page.tap("#undo")
    phone.choose(1)
    phone.write("mass_out", "97.3")
    taps += 12
    phone.all_stored()
    assert len(served.taps()) == taps
    assert len({one["id"] for one in served.taps()}) == taps
    phone.store()
    phone.require_accessible()
    assert phone.foreign == []
    # A browser reports a lost connection by itself; nothing else was said.
    assert {line for line in phone.said if "ERR_" not in line} == set()

    rows = winter.rows()
    assert len(rows) == 2 * VESSELS
    assert list(rows["entry_id"].unique()) == ["e0001"]
    windows = {
        (int(row.run_id), row.endpoint): (row.time_lower_s, row.time_upper_s)
        for row in rows.itertuples()
    }
    for vessel in range(1, VESSELS + 1):
        start = entered[vessel]
        low, high = windows[vessel, "t_first_ice"]
        saw = ice.get(vessel) or solid.get(vessel)
        looked = first_round if vessel <= 11 else second_round
        looked = last_look if vessel == 19 else looked
        assert near(low, looked - start), vessel
        assert near(high, saw - start) if saw else high != high, vessel
        low, high = windows[vessel, "t_solid"]
        looked = last_look if vessel == 19 else second_round
        assert near(low, looked - start), vessel
        assert near(high, solid[vessel] - start) if vessel in solid else high != high, vessel
    solids = rows[rows["endpoint"] == "t_solid"].set_index("run_id")
    for vessel in range(1, VESSELS + 1):
        one = solids.loc[str(vessel)]
        assert one["water_mass_start_g"] == pytest.approx(100 + vessel / 10)
        assert one["start_temp_c"] == (80 if vessel % 2 else 20)
        assert one["insertion_order"] == vessel
    assert solids.loc["1", "water_mass_end_g"] == 97.3
    ices = rows[rows["endpoint"] == "t_first_ice"].set_index("run_id")
    assert ices.loc["11", "trigger_event"] == "knock"
    assert ices["trigger_event"].notna().sum() == 1
    phone.context.close()


def test_without_a_break_ice_is_seen_when_it_comes(chromium, winter, served):
    phone = Phone(chromium, served)
    phone.begin(vessels=2, temps="80 20", always=True)
    phone.choose(1)
    start = phone.tap("in")
    time.sleep(1.2)
    ice = phone.tap("ice")
    solid = phone.tap("solid")
    phone.store()
    rows = winter.rows().set_index("endpoint")
    assert (rows["time_lower_s"] == rows["time_upper_s"]).all()
    assert near(rows.loc["t_first_ice", "time_upper_s"], ice - start)
    assert near(rows.loc["t_solid", "time_upper_s"], solid - start)
    assert list(rows["run_id"]) == ["1", "1"]
    phone.context.close()


def test_what_comes_after_closing_is_stored_as_a_correction(chromium, winter, served):
    phone = Phone(chromium, served)
    phone.begin(vessels=1, temps="80")
    phone.tap("in")
    phone.tap("liquid")
    phone.store()
    phone.page.tap("#review-back")
    phone.page.wait_for_selector("#batch:not([hidden])")
    phone.tap("solid")
    phone.all_stored()
    phone.page.wait_for_selector('#batch-state:has-text("close it once more")')
    phone.store()
    rows = winter.rows()
    assert len(rows) == 2
    assert rows["time_upper_s"].notna().all()
    assert list(winter.history().to_frame()["kind"]) == ["add", "add"]
    phone.context.close()


def test_a_mistyped_number_is_not_kept_and_says_why(chromium, served):
    phone = Phone(chromium, served)
    phone.begin(vessels=1, temps="80")
    phone.write("start_temp", "380")
    assert "0 to 100 °C" in phone.page.inner_text("#measured-wrong")
    phone.require_accessible()
    phone.write("start_temp", "79,5")
    assert phone.page.inner_text("#measured-wrong") == ""
    phone.all_stored()
    assert [one["value"] for one in served.taps()] == [79.5]
    phone.page.locator("#taps-part").evaluate("part => { part.open = true; }")
    phone.page.tap("#vessel-taps button")
    phone.page.wait_for_selector('#vessel-taps:has-text("None yet.")')
    assert phone.page.input_value("#start_temp") == "80"
    phone.context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_view_is_accessible_and_narrow(chromium, winter, scheme):
    winter.set_plan(
        sealed(
            make_plan(
                endpoint="t_solid",
                pair=(80, 20),
                smallest_effect=0.05,
                stopping_rule="after 30 batches",
            ),
            rows=0,
        )
    )
    served = Served(winter.path)
    phone = Phone(chromium, served, scheme=scheme)
    phone.require_accessible()
    phone.begin(vessels=6, temps="80 20")
    for vessel, kinds in enumerate((["in"], ["in", "ice"], ["in", "solid"], []), start=1):
        phone.choose(vessel)
        for kind in kinds:
            phone.tap(kind)
    for part in ("note-part", "taps-part", "more-part"):
        phone.page.locator(f"#{part}").evaluate("part => { part.open = true; }")
    phone.require_accessible()
    phone.review()
    phone.require_accessible()
    phone.page.tap("#review-back")
    phone.page.wait_for_selector("#batch:not([hidden])")
    phone.page.tap("#arms-link")
    phone.page.wait_for_selector("#arms:not([hidden])")
    phone.require_accessible()
    # The warning and the sealed rule stand before the tap, and no number does.
    words = phone.page.inner_text("#arms")
    assert "invites stopping early" in words and "after 30 batches" in words
    assert phone.page.locator("#arms table").count() == 0
    kinds = list(winter.history().to_frame()["kind"])
    assert "look" not in kinds
    phone.page.tap("#show-arms")
    phone.page.wait_for_selector("#arms-answer table")
    phone.require_accessible()
    assert list(winter.history().to_frame()["kind"]) == [*kinds, "look"]
    assert "1 of 1" in phone.page.inner_text("#arms-answer table")
    served.kill()
    assert phone.said == []
    phone.context.close()


def test_the_square_lets_one_phone_in_and_it_stays_in(chromium, winter):
    served = Served(winter.path, "--on-network", "--address", "127.0.0.1")
    context = chromium.new_context(viewport=PHONE)
    page = context.new_page()
    page.goto(served.url)
    assert page.url.endswith("/join")
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    page.fill("#code", "WRNG-CODE")
    page.click("#join button")
    page.wait_for_selector('#wrong:has-text("not the code")')
    page.goto("about:blank")
    page.goto(f"{served.url}join#{served.code}")
    page.wait_for_selector("#home:not([hidden])")
    assert "#" not in page.url
    other = chromium.new_context(viewport=PHONE)
    second = other.new_page()
    second.goto(f"{served.url}join#{served.code}")
    second.wait_for_selector('#wrong:has-text("works once")')
    served.kill()
    served.start()
    page.reload()
    page.wait_for_selector("#home:not([hidden])")
    served.kill()
    context.close()
    other.close()


def test_a_page_of_another_site_changes_nothing(chromium, served):
    phone = Phone(chromium, served)
    phone.begin(vessels=1, temps="80")
    batch = phone.page.url.split("batch=")[1]
    one = {"id": "ab" * 8, "batch": batch, "tap": "in", "vessel": "1"}
    one |= {"clock": int(time.time() * 1000), "offset": 0}
    sent = json.dumps(json.dumps({"taps": [one], "offset": 0}))

    class Elsewhere(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            target = json.dumps(urllib.parse.urljoin(served.url, "taps"))
            how = f"{{method: 'POST', mode: 'no-cors', credentials: 'include', body: {sent}}}"
            done = "() => { document.title = 'sent'; }"
            body = f"<script>fetch({target}, {how}).then({done}, {done})</script>"
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(body.encode())

        def log_message(self, *words):
            pass

    foreign = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Elsewhere)
    threading.Thread(target=foreign.serve_forever, daemon=True).start()
    # The same browser, which has the cookie of this machine's logbook.
    page = phone.context.new_page()
    asked = []
    page.on("request", lambda request: asked.append((request.method, request.url)))
    page.goto(f"http://127.0.0.1:{foreign.server_port}/")
    page.wait_for_function("document.title === 'sent'")
    assert ("POST", f"{served.url}taps") in asked
    assert served.taps() == []
    # The same tap on the logbook's own page counts.
    phone.tap("in")
    phone.all_stored()
    assert len(served.taps()) == 1
    foreign.shutdown()
    foreign.server_close()
    phone.context.close()
