"""One browser for all tests of this folder.

Needs the extra ``browser`` and the system's Chromium; the tests fail without either.
"""

import pytest
from playwright.sync_api import sync_playwright

CHROMIUM = "/usr/bin/chromium"


@pytest.fixture(scope="session")
def chromium():
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield browser
        browser.close()
