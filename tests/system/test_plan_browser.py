"""The plan's page in a real browser: whole, quiet, narrow enough, and on two A4 sheets at most."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.system.browser import Browser, chromium
from tests.system.conftest import need

PAGE = Path(__file__).parents[2] / "examples" / "workboat" / "plan.html"


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    need("chromium", chromium() is not None)
    opened = Browser(tmp_path_factory.mktemp("browser"))
    opened.open(PAGE)
    yield opened
    opened.close()


def test_it_asks_for_nothing_outside_and_complains_of_nothing(browser: Browser) -> None:
    assert browser.requests() == [PAGE.as_uri()]
    assert browser.complaints() == []


def test_every_coat_has_its_bar_and_its_number(browser: Browser) -> None:
    # Four sections: four coats on each side, three on the transom, two on the deck.
    assert browser.value_of("document.querySelectorAll('svg .coat').length") == 13
    assert browser.value_of("document.querySelectorAll('svg .number').length") == 13
    assert browser.value_of("document.querySelectorAll('svg .sand').length") == 4


def test_it_prints_on_two_sheets(browser: Browser) -> None:
    printed = browser.ask("Page.printToPDF", preferCSSPageSize=True, printBackground=True)
    data = base64.b64decode(printed["data"])
    assert len(re.findall(rb"/Type\s*/Page[^s]", data)) <= 2


def test_a_phone_scrolls_the_chart_and_not_the_page(browser: Browser) -> None:
    # WCAG 2.1, SC 1.4.10: 320 px wide without scrolling sideways, a drawing of its own excepted.
    browser.open(PAGE, width_px=320)
    assert browser.value_of("document.documentElement.scrollWidth") <= 320
