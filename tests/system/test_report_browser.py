"""The review's page and the daily sheet in a real browser, opened as a file and without a net.

Bounds: contrast by WCAG 2.1, SC 1.4.3 (4.5 to 1) with its definition of relative luminance; width
of 320 to 360 px after SC 1.4.10; the rest is what HTML and ARIA ask of headings, tables and images.
"""

from __future__ import annotations

import base64
import re
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import planted
import pytest
from planted import PLANTS, SECTION
from planted_store import call, put

from monitor.review.daily_sheet import sheet_html
from monitor.review.report import html_report
from monitor.review.review import choose_session, review
from rules.events import Event
from rules.vocabulary import EventKind
from tests.system.browser import PATIENCE_S, Browser, chromium
from tests.system.conftest import need

HOUR = 3600.0
EVIL = '<script>window.ran = 1</script><img src=x onerror="window.ran = 1">'
LEAST_CONTRAST = 4.5  # WCAG 2.1, SC 1.4.3


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    need("chromium", chromium() is not None)
    opened = Browser(tmp_path_factory.mktemp("browser"))
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A spoiled job on two sections, with every call, an attack in a note and a long word."""
    folder = tmp_path_factory.mktemp("pages")
    at = planted.MIDNIGHT_S + 36.0 * HOUR
    more = [
        Event(EventKind.NOTE, at, planted.ENCLOSURE, SECTION, note=EVIL),
        Event(EventKind.NOTE, at, planted.ENCLOSURE, SECTION, note="unbroken" * 30),
        Event(EventKind.MIXED, at - 600.0, planted.ENCLOSURE, SECTION, batch="B1",
              spec=planted.EPOXY, amount_ml=500.0),
        Event(EventKind.TAPE_ON, at - 900.0, planted.ENCLOSURE, "hull-stbd"),
    ]  # fmt: skip
    with put(folder / "log.db", PLANTS["dew-on-epoxy"](3000), more, "Title" * 60) as store:
        for hour, word in ((30.0, "HOLD"), (35.5, "GO"), (37.0, "HOLD"), (38.0, "STOP")):
            told_s = planted.MIDNIGHT_S + hour * HOUR
            store.add_call(
                call(told_s, word, "Humidity 91.3 %; at most 85.0, or 82.2 with sensor error")
            )
        found = review(store, choose_session(store.sessions(), None), seen="milky, greasy, low")
    made = {"report": html_report(found), "sheet": sheet_html(found)}
    for name, text in made.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return {**{name: folder / f"{name}.html" for name in made}, "example": EXAMPLE}


EXAMPLE = Path(__file__).parents[2] / "examples" / "workboat" / "review.html"
each_page = pytest.mark.parametrize("name", ["report", "sheet", "example"])


@each_page
def test_it_opens_without_a_fault_and_asks_for_nothing(
    browser: Browser, pages: dict[str, Path], name: str
) -> None:
    browser.open(pages[name])
    browser.value_of("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert browser.complaints() == []
    asked = [url for url in browser.requests() if not url.startswith("data:")]
    assert asked == [pages[name].as_uri()]
    assert browser.value_of("document.title").strip()
    assert browser.value_of("document.documentElement.lang") == "en"


def test_a_script_in_a_note_is_text_and_does_not_run(
    browser: Browser, pages: dict[str, Path]
) -> None:
    browser.open(pages["report"])
    assert EVIL in browser.value_of("document.body.innerText")
    assert browser.value_of("typeof window.ran") == "undefined"
    assert browser.value_of("document.scripts.length") == 0
    # Put in as markup it does run here: the check above can fail.
    browser.value_of("document.body.insertAdjacentHTML('beforeend', '<img src=x onerror=ran=1>')")
    until_s = time.monotonic() + PATIENCE_S
    while browser.value_of("typeof window.ran") == "undefined" and time.monotonic() < until_s:
        time.sleep(0.05)
    assert browser.value_of("window.ran") == 1
    assert [url for url in browser.requests() if url.endswith("/x")]


def test_each_drawing_has_a_name_and_a_description_and_its_figures_as_a_table(
    browser: Browser, pages: dict[str, Path]
) -> None:
    browser.open(pages["report"])
    tree = browser.ask("Accessibility.getFullAXTree")["nodes"]
    images = [
        each
        for each in tree
        if each.get("role", {}).get("value") in ("image", "img") and not each.get("ignored")
    ]
    # The one for another width is not displayed, and so is no image to anybody.
    drawn = browser.value_of(
        "[...document.querySelectorAll('svg, img')].filter(e => e.getClientRects().length).length"
    )
    assert len(images) == drawn >= 1
    for each in images:
        assert each["name"]["value"].startswith("Climate over coat")
    tables = "[...document.querySelectorAll('svg')].map(s => s.closest('section')"
    assert all(browser.value_of(f"{tables}.querySelectorAll('details table').length)"))


@each_page
def test_headings_go_down_one_step_at_a_time(
    browser: Browser, pages: dict[str, Path], name: str
) -> None:
    browser.open(pages[name])
    levels = browser.value_of(
        "[...document.querySelectorAll('h1,h2,h3,h4,h5,h6')].map(h => +h.tagName[1])"
    )
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


@each_page
def test_every_cell_of_a_table_has_its_headers(
    browser: Browser, pages: dict[str, Path], name: str
) -> None:
    browser.open(pages[name])
    told = browser.value_of(
        """[...document.querySelectorAll('table')].map(t => ({
            heads: [...t.querySelectorAll('thead th')].length,
            bare: [...t.querySelectorAll('th:not([scope])')].map(h => h.textContent),
            rows: [...t.querySelectorAll('tbody tr')]
                .filter(r => !r.querySelector('th[scope=row]')).length,
            wide: Math.max(...[...t.querySelectorAll('tbody tr')].map(r => r.cells.length)),
            name: (t.caption && t.caption.textContent.trim()) || t.getAttribute('aria-label')
                || t.getAttribute('aria-labelledby') || '',
        }))"""
    )
    assert told
    for table in told:
        assert table["bare"] == []
        assert table["rows"] == 0, "a row without a header"
        assert table["heads"] == table["wide"]
        assert table["name"], "a table without a name"


@each_page
@pytest.mark.parametrize("width_px", [320, 360])
def test_a_phone_shows_it_without_scrolling_sideways(
    browser: Browser, pages: dict[str, Path], name: str, width_px: int
) -> None:
    browser.open(pages[name], width_px=width_px)
    browser.value_of("document.querySelectorAll('details').forEach(d => d.open = true)")
    wide = browser.value_of(
        f"""[...document.querySelectorAll('body *')].filter(e =>
            e.getBoundingClientRect().right > {width_px} + 0.5 && !e.closest('.wide')
            && !e.closest('svg')).map(e => e.tagName + ' ' + e.textContent.slice(0, 40))"""
    )
    assert wide == []
    assert browser.value_of("document.documentElement.scrollWidth") <= width_px
    # What is wider than the screen scrolls in its own box, which the keyboard reaches.
    assert browser.value_of(
        """[...document.querySelectorAll('.wide')].every(e =>
            e.scrollWidth <= e.clientWidth + 1
            || (e.tabIndex === 0
                && (e.hasAttribute('aria-label') || e.hasAttribute('aria-labelledby'))))"""
    )


CONTRASTS = """
(() => {
  const parse = c => { const p = c.match(/[\\d.]+/g).map(Number);
    return [p[0], p[1], p[2], p.length > 3 ? p[3] : 1]; };
  const over = (top, below) => { const a = top[3];
    return [0, 1, 2].map(i => top[i] * a + below[i] * (1 - a)).concat([1]); };
  const light = c => { const f = c.slice(0, 3).map(v => { v /= 255;
    return v <= 0.03928 ? v / 12.92 : Math.pow((v + 0.055) / 1.055, 2.4); });
    return 0.2126 * f[0] + 0.7152 * f[1] + 0.0722 * f[2]; };
  const contrast = (a, b) => { const x = light(a), y = light(b);
    return (Math.max(x, y) + 0.05) / (Math.min(x, y) + 0.05); };
  const ground = e => { const layers = [];
    for (; e; e = e.parentElement) { const c = parse(getComputedStyle(e).backgroundColor);
      layers.push(c); if (c[3] === 1) break; }
    let below = [255, 255, 255, 1];
    for (const layer of layers.reverse()) below = over(layer, below);
    return below; };
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const e = walker.currentNode.parentElement, text = walker.currentNode.textContent.trim();
    const box = e.getBoundingClientRect();
    if (!text || e.closest('title,desc,style,script') || box.width === 0) continue;
    const style = getComputedStyle(e), drawing = e.closest('svg');
    let grounds = [ground(drawing || e)];
    if (drawing) for (const rect of drawing.querySelectorAll('rect')) {
      const r = rect.getBoundingClientRect();
      if (r.right <= box.left || r.left >= box.right || r.bottom <= box.top || r.top >= box.bottom)
        continue;
      const s = getComputedStyle(rect), fill = parse(s.fill);
      fill[3] *= Number(s.opacity) * Number(s.fillOpacity);
      grounds.push(over(fill, grounds[0]));
    }
    const ink = parse(drawing ? style.fill : style.color);
    for (const g of grounds) found.push([contrast(over(ink, g), g), text.slice(0, 40),
      (e.getAttribute('class') || e.tagName), ink.join(), g.map(Math.round).join()]);
  }
  return found;
})()
"""


@each_page
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out_from_its_ground(
    browser: Browser, pages: dict[str, Path], name: str, scheme: str
) -> None:
    browser.open(pages[name], scheme=scheme)
    browser.value_of("document.querySelectorAll('details').forEach(d => d.open = true)")
    told = browser.value_of(CONTRASTS)
    assert len(told) > 50
    faint = sorted({(round(each[0], 2), *each[2:]) for each in told if each[0] < LEAST_CONTRAST})
    assert faint == []
    (paper,) = {browser.value_of("getComputedStyle(document.body).backgroundColor")}
    dark = sum(int(part) for part in re.findall(r"\d+", paper)[:3]) < 3 * 128
    assert dark == (scheme == "dark")


@each_page
def test_it_prints(browser: Browser, pages: dict[str, Path], name: str) -> None:
    browser.open(pages[name], scheme="dark")
    printed = base64.b64decode(
        browser.ask("Page.printToPDF", printBackground=True, preferCSSPageSize=True)["data"]
    )
    assert printed.startswith(b"%PDF-")
    assert printed.rstrip().endswith(b"%%EOF")
    leaves = len(re.findall(rb"/Type\s*/Page\b", printed))
    assert leaves >= 1
    assert len(printed) > 10_000
    (wide, high) = re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", printed).groups()  # type: ignore[union-attr]
    # A4 is 210 by 297 mm (ISO 216), in points of 1/72 inch.
    assert sorted((float(wide), float(high))) == pytest.approx(
        [210 / 25.4 * 72, 297 / 25.4 * 72], abs=1.5
    )
    browser.ask("Emulation.setEmulatedMedia", media="print")
    assert browser.value_of("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    browser.ask("Emulation.setEmulatedMedia", media="")


def printed_leaves(browser: Browser, page: Path) -> int:
    browser.open(page)
    printed = browser.ask("Page.printToPDF", printBackground=True, preferCSSPageSize=True)["data"]
    return len(re.findall(rb"/Type\s*/Page\b", base64.b64decode(printed)))


def test_one_coat_of_one_section_takes_three_leaves_at_the_most_and_two_sections_five(
    browser: Browser, pages: dict[str, Path], tmp_path: Path
) -> None:
    with put(tmp_path / "log.db", PLANTS["dew-on-epoxy"](3000)) as store:
        found = review(store, choose_session(store.sessions(), None), seen="milky, greasy, low")
    page = tmp_path / "one.html"
    page.write_text(html_report(found, planted.MIDNIGHT_S), encoding="utf-8")
    assert printed_leaves(browser, page) <= 3
    assert printed_leaves(browser, pages["example"]) <= 5


def test_a_telephone_held_upright_shows_the_drawing_made_for_it(
    browser: Browser, pages: dict[str, Path]
) -> None:
    for width_px, shown in ((390, "slim"), (1280, "wide")):
        browser.open(pages["example"], width_px=width_px)
        sizes = browser.value_of(
            """[...document.querySelectorAll('svg')].map(s => [
                s.classList.contains('slim') ? 'slim' : 'wide', s.getBoundingClientRect().width])"""
        )
        seen = {kind for kind, width in sizes if width > 0}
        assert seen == {shown}
        # Its smallest text is 9 px in the drawing's own units, and not under 8 on the screen.
        own = 358.0 if shown == "slim" else 760.0
        assert all(9.0 * width / own >= 8.0 for kind, width in sizes if kind == shown)


def test_a_faint_text_would_be_found(browser: Browser, tmp_path: Path) -> None:
    page = tmp_path / "faint.html"
    page.write_text(
        "<body style='background:#fff'><p style='color:#777'>grey</p>"  # 4.48, just short of it
        "<p style='color:#767676'>darker</p>"  # 4.54
        "<div style='background:rgba(0,0,0,.5)'><p style='color:#555'>half</p></div>"
        "<svg width=90 height=40><rect width=90 height=40 fill='#777'/>"
        "<text y=20 fill='#fff'>drawn</text></svg>"
    )
    browser.open(page)
    told = browser.value_of(CONTRASTS)
    worst = {text: min(each[0] for each in told if each[1] == text) for _, text, *_ in told}
    # Greys on white as WebAIM's checker has them, from memory.
    assert worst["grey"] == pytest.approx(4.48, abs=0.01)
    assert worst["darker"] == pytest.approx(4.54, abs=0.01)
    assert worst["half"] < LEAST_CONTRAST
    assert worst["drawn"] < LEAST_CONTRAST
