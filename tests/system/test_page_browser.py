"""The page in a real browser, with a real broker: what it shows, what it weighs on a phone, and
that it takes the word away when watch, broker, network or its own server dies, one at a time.

Ten seconds are the project's own bound. Rules for contrast, names and roles: axe-core (WCAG 2.2).
Letters at a distance: 20 to 22 minutes of arc are what ISO 9241-303 recommends (from memory).
"""

from __future__ import annotations

import contextlib
import json
import math
import re
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.contract import VALID_S
from monitor.page.accounts import add_account
from rules.text import iso_utc
from tests.system.broker import RealBroker, free_port, mosquitto
from tests.system.browser import chromium
from tests.system.conftest import need
from tests.system.proxy import DarkProxy

playwright_api = pytest.importorskip("playwright.sync_api")

ROOT = Path(__file__).parents[2]
PASSWORD = "rain on canvas"
WITHIN_MS = 10_000
PATIENCE_MS = 60_000
EVIL = '<script>window.ran=1</script><img src=x onerror="window.ran=1">'
WORD = "document.querySelector('[data-enclosure=tent]').dataset.word"
CONFIG = """
[broker]
port = {port}
[publish]
station = "shed-pi"
[[enclosure]]
name = "tent"
[[enclosure.point]]
name = "air"
quantity = "air_temp"
unit = "degC"
topic = "shed/air"
"""


class Station:
    """A watch as a listener knows it: calls, status, a last will; it answers what is pressed."""

    def __init__(self, port: int) -> None:
        self.word = "GO"
        self.answers = True
        self.events: list[dict[str, Any]] = []
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id="shed-pi")
        self._client.will_set("filmcall/shed-pi/status", b"offline", 1, retain=True)
        self._client.on_message = self._on_event
        self._client.connect("127.0.0.1", port, 30)
        self._client.subscribe("filmcall/+/event", 1)
        self._client.loop_start()
        self.say()

    def say(self, word: str | None = None) -> None:
        self.word = word or self.word
        now_s = time.time()
        said = {
            "enclosure": "tent", "station": "shed-pi", "call": self.word, "stage": "flash",
            "section": "hull-port", "question": "is the film safe?", "advice": "Keep off",
            "time": iso_utc(now_s), "since": iso_utc(now_s - 600.0),
            "valid_until": iso_utc(now_s + VALID_S), "dew_margin_k": 3.4, "air_temp_c": 17.2,
            "lines": ["Hull 3.4 K above dew point; wants 3.0 K.", EVIL],
            "reasons": [{"limit": "dew_margin_min", "state": "near", "value": 3.4, "bound": 3.0,
                         "guard": 0.9, "unit": "K", "text": "Hull 3.4 K above dew point"}],
            "clocks": [{"name": "recoat opens", "section": "hull-port", "state": "running",
                        "left_s": 62.0, "ends_at": iso_utc(now_s + 62.0), "basis": ""}],
            "outlook": {"state": "near", "text": "Hull probably too close at dawn",
                        "breaks_at": None,
                        "bands": [{"ahead_s": 1800.0 * n, "margin_low_k": 3.0 - 0.3 * n,
                                   "margin_mid_k": 3.4, "margin_high_k": 3.8} for n in range(13)]},
            "alarms": [{"section": "hull-port", "fact": "near", "text": EVIL,
                        "since": iso_utc(now_s), "rang_at": iso_utc(now_s)}],
            "events": [{"kind": "note", "section": None, "time": iso_utc(now_s), "note": EVIL}],
            "sections": [{"section": name, "call": self.word, "advice": "Keep off", "reasons": []}
                         for name in ("hull-port", "hull-stbd")],
        }  # fmt: skip
        self.send("filmcall/shed-pi/status", b"online", retain=True)
        self.send("filmcall/tent/call", json.dumps(said).encode(), retain=True)

    def send(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        self._client.publish(topic, payload, 1, retain).wait_for_publish(60.0)

    def _on_event(self, client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        event = json.loads(message.payload)
        self.events.append(event)
        if self.answers:
            text = f"Recorded: {event['kind']}." if "kind" in event else "Taken back."
            done = {"id": event["id"], "kind": event.get("kind"), "section": event.get("section"),
                    "result": "recorded", "time": iso_utc(time.time()), "log": "0d9c", "row": 7,
                    "warnings": [EVIL], "text": text}  # fmt: skip
            client.publish("filmcall/tent/event/done", json.dumps(done), 1)

    def kill(self) -> None:
        """End as a power cut would: the broker says the last will."""
        sock = self._client.socket()
        if sock is not None:
            sock.close()
        self._client.loop_stop()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Server:
    """The page's own process."""

    def __init__(self, folder: Path, broker_port: int) -> None:
        self.port = free_port()
        config = folder / f"page-{self.port}.toml"
        config.write_text(CONFIG.format(port=broker_port))
        accounts = folder / "accounts.json"
        if not accounts.exists():
            add_account(accounts, "kit", "record", PASSWORD)
        code = "from monitor.cli.app import main; main()"
        words = ["page", "--config", config, "--port", self.port, "--accounts", accounts]
        self._process = subprocess.Popen(
            [sys.executable, "-c", code, *map(str, words)], cwd=ROOT, stderr=subprocess.PIPE
        )
        until_s = time.monotonic() + PATIENCE_MS / 1000.0
        while time.monotonic() < until_s:
            assert self._process.poll() is None, self._process.stderr
            with contextlib.suppress(urllib.error.URLError, OSError):
                urllib.request.urlopen(f"http://127.0.0.1:{self.port}/alive", timeout=2.0).close()
                return
            time.sleep(0.05)
        raise AssertionError("the page does not start")

    def kill(self) -> None:
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait(60.0)
        if self._process.stderr is not None:
            self._process.stderr.close()


class Shed:
    """Broker, station, the two networks, the server and a browser that is logged in."""

    def __init__(self, folder: Path, browser: Any) -> None:
        self.broker = RealBroker(folder)
        self.broker.start()
        self.to_broker = DarkProxy(self.broker.port)
        self.station = Station(self.broker.port)
        self.server = Server(folder, self.to_broker.port)
        self.to_page = DarkProxy(self.server.port)
        self.browser = browser
        self.context = browser.new_context(viewport={"width": 390, "height": 844})
        self.url = f"http://127.0.0.1:{self.to_page.port}"
        self.page = self.context.new_page()
        self.page.set_default_timeout(PATIENCE_MS)
        self.said: list[str] = []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda fault: self.said.append(str(fault)))
        self.page.goto(f"{self.url}/enclosure/tent")
        self.page.fill("[name=name]", "kit")
        self.page.fill("[name=password]", PASSWORD)
        self.page.click("button.big")
        self.page.wait_for_selector("[data-enclosure=tent]")

    def open(self, path: str = "/enclosure/tent") -> Any:
        self.station.say()
        self.said.clear()
        self.page.goto(self.url + path)
        return self.page

    def await_word(self, word: str, within_ms: int = PATIENCE_MS) -> None:
        # Not by a function: the page's policy evaluates no text.
        self.await_one(f"[data-enclosure=tent][data-word={word}]", within_ms)

    def await_one(self, selector: str, within_ms: int = PATIENCE_MS) -> None:
        self.page.wait_for_selector(selector, state="attached", timeout=within_ms)

    def close(self) -> None:
        self.context.close()
        self.to_page.close()
        self.server.kill()
        self.station.close()
        self.to_broker.close()
        self.broker.stop()


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shed]:
    need("mosquitto", mosquitto() is not None)
    program = chromium()
    need("chromium", program is not None)
    with playwright_api.sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=program, args=["--no-sandbox", "--disable-dev-shm-usage"]
        )
        playwright_api.expect.set_options(timeout=PATIENCE_MS)
        opened = Shed(tmp_path_factory.mktemp("shed"), browser)
        yield opened
        opened.close()
        browser.close()


def test_the_word_is_in_the_first_answer_and_changes_without_loading_anew(shed: Shed) -> None:
    shed.station.say("GO")
    page = shed.open()
    answer = page.request.get(f"{shed.url}/enclosure/tent").text()
    assert re.search(r'data-word="GO"', answer), "before any script has run"
    page.evaluate("window.same = true")
    for word in ("STOP", "HOLD", "GO"):
        shed.station.say(word)
        shed.await_word(word)
    assert page.evaluate("window.same")
    shed.await_one("html[data-link=up]")
    shed.open("/")
    shed.station.say("STOP")
    shed.await_word("STOP")
    playwright_api.expect(page.locator("[data-counts]")).to_have_text("1 STOP")


def test_it_asks_nobody_else_and_the_browser_has_no_complaint(shed: Shed) -> None:
    asked: list[str] = []
    shed.page.on("request", lambda request: asked.append(request.url))
    page = shed.open()
    shed.station.say("HOLD")
    shed.await_word("HOLD")
    assert asked
    assert all(url.startswith(shed.url) for url in asked), asked
    assert shed.said == []
    # What is in a note is text, rendered there and put in by the script alike.
    assert page.inner_text(".events").count(EVIL) == 1
    assert page.inner_text(".alarms").count(EVIL) == 1
    assert page.evaluate("typeof window.ran") == "undefined"
    assert page.evaluate("document.images.length") == 0
    # Put in as markup, the policy stops it and says so: the two checks above can fail.
    page.evaluate("document.body.insertAdjacentHTML('beforeend', '<img src=x onerror=ran=1>')")
    playwright_api.expect(page.locator("img")).to_have_count(1)
    until_s = time.monotonic() + PATIENCE_MS / 1000.0
    while not any("Content Security Policy" in text for text in shed.said):
        assert time.monotonic() < until_s, shed.said
        page.wait_for_timeout(100)
    assert page.evaluate("typeof window.ran") == "undefined"


def test_a_clock_counts_down_by_itself(shed: Shed) -> None:
    page = shed.open()
    # From 62 s, which the page may show for less than a glance.
    left = page.locator(".clocks li span:nth-child(3)")
    playwright_api.expect(left).to_have_text(re.compile("^(60|[1-5][0-9]) s$"))


@pytest.mark.parametrize("path", ["/", "/enclosure/tent", "/login", "/offline", "/none"])
def test_axe_finds_nothing(shed: Shed, path: str) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    page = shed.open(path)
    for dim in (False, True):
        if page.locator("[data-dim]").count() and dim:
            page.click("[data-dim]")
        found = axe.run(page).response["violations"]
        assert found == [], json.dumps(found)[:2000]
    if page.locator("[data-dim]").count():
        page.click("[data-dim]")


def test_on_a_phone_nothing_is_cut_and_buttons_fit_a_glove(shed: Shed) -> None:
    page = shed.open()
    for width in (320, 390):
        page.set_viewport_size({"width": width, "height": 844})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    boxes = page.evaluate(
        "[...document.querySelectorAll('[data-event], .choice label')]"
        ".map(e => e.getBoundingClientRect()).map(b => [b.width, b.height])"
    )
    assert len(boxes) >= 12
    assert min(height for _, height in boxes) >= 64
    assert min(width for width, _ in boxes) >= 64


def test_on_a_tablet_the_word_reads_at_three_metres(shed: Shed) -> None:
    page = shed.open()
    page.set_viewport_size({"width": 1280, "height": 800})
    pixel_mm = 10.1 * 25.4 / math.hypot(1280, 800)
    for word in ("GO", "HOLD", "STOP"):
        shed.station.say(word)
        shed.await_word(word)
        high_px, right_px, column_px = page.evaluate(
            """() => {
                const word = document.querySelector('[data-enclosure=tent]');
                const draw = document.createElement('canvas').getContext('2d');
                const style = getComputedStyle(word);
                draw.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
                return [draw.measureText('H').actualBoundingBoxAscent,
                    word.lastElementChild.getBoundingClientRect().right,
                    document.querySelector('.band').getBoundingClientRect().right];
            }"""
        )
        minutes = math.degrees(math.atan(high_px * pixel_mm / 3000.0)) * 60.0
        assert minutes >= 22.0, word
        assert right_px <= column_px, word
        assert page.evaluate("document.documentElement.scrollWidth") <= 1280
    page.set_viewport_size({"width": 390, "height": 844})


def test_a_button_is_sent_once_and_shows_its_answer_and_warnings_as_text(shed: Shed) -> None:
    page = shed.open()
    shed.station.events.clear()
    page.check("input[value=hull-stbd]")
    page.click("button[data-event=coat-started]")
    page.wait_for_selector("[data-done][data-result=recorded]")
    assert page.inner_text("[data-done]").split("\n")[0] == "Recorded: coat-started."
    assert EVIL in page.inner_text("[data-done]")
    (event,) = shed.station.events
    assert (event["kind"], event["section"], event["by"]) == ("coat-started", "hull-stbd", "kit")
    page.click("text=Take it back")
    playwright_api.expect(page.locator("[data-done]")).to_contain_text("Taken back.")
    assert page.locator("text=Take it back").count() == 0
    assert shed.station.events[1]["takes_back"] == event["id"]
    assert "kind" not in shed.station.events[1]
    page.click("button[data-event=wiped]")
    playwright_api.expect(page.locator("[data-done]")).to_contain_text("wiped")
    assert len({each["id"] for each in shed.station.events}) == len(shed.station.events) == 3


def test_a_logout_shows_the_login_although_the_worker_stands_between(shed: Shed) -> None:
    page = shed.open()
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.click("text=Log out kit")
    page.goto(f"{shed.url}/enclosure/tent")
    page.fill("[name=name]", "kit")
    page.fill("[name=password]", PASSWORD)
    page.click("button.big")
    shed.await_word(shed.station.word)
    assert page.url == f"{shed.url}/enclosure/tent"


def test_a_page_that_sleeps_keeps_no_word_on_its_glass(shed: Shed) -> None:
    page = shed.open()
    hide = (
        "(hidden) => { Object.defineProperty(document, 'hidden', {value: hidden, "
        "configurable: true}); document.dispatchEvent(new Event('visibilitychange')); }"
    )
    page.evaluate(hide, True)
    assert page.evaluate(WORD) == "NONE"
    page.evaluate(hide, False)
    shed.await_word(shed.station.word)


def test_a_script_that_never_ran_leaves_no_word_standing(shed: Shed) -> None:
    login = shed.context.storage_state()
    context = shed.browser.new_context(storage_state=login, service_workers="block")
    page = context.new_page()
    page.route("**/page.js", lambda route: route.abort())
    page.goto(f"{shed.url}/enclosure/tent")
    standing = "getComputedStyle(document.querySelector('.word')).visibility"
    assert page.evaluate(standing) == "visible"
    # The style's own clock is wound forward rather than waited for.
    delays = page.evaluate(
        "document.getAnimations().map((each) => {"
        " const delay = each.effect.getComputedTiming().delay;"
        " each.currentTime = delay + 1; return delay; })"
    )
    assert 0 < max(delays) <= WITHIN_MS
    assert page.evaluate(standing) == "hidden"
    context.close()


# --- the deaths, one at a time


def test_a_watch_that_dies_takes_its_word_along(shed: Shed) -> None:
    shed.station.say("GO")
    page = shed.open()
    shed.await_word("GO")
    shed.station.kill()
    shed.await_word("NONE", WITHIN_MS)
    assert "it is offline" in page.inner_text("[data-text=why]")
    assert "3.4 K" not in page.inner_text("main")
    shed.station = Station(shed.broker.port)
    shed.await_word("GO")


def test_a_dark_network_between_server_and_broker_takes_the_word(shed: Shed) -> None:
    shed.open()
    shed.await_word("GO")
    shed.to_broker.dark()
    shed.await_word("NONE", WITHIN_MS)
    shed.await_one("html[data-link=down]")
    shed.to_broker.light()
    shed.station.say()
    shed.await_word("GO")


def test_a_dark_network_between_phone_and_server_takes_the_word(shed: Shed) -> None:
    shed.open()
    shed.await_word("GO")
    shed.to_page.dark()
    shed.await_word("NONE", WITHIN_MS)
    shed.await_one("html[data-link=down]")
    shed.to_page.light()
    shed.station.say()
    shed.await_word("GO")


def test_a_broker_that_dies_takes_the_word_and_its_return_brings_it_back(shed: Shed) -> None:
    shed.open()
    shed.await_word("GO")
    shed.broker.kill()
    shed.await_word("NONE", WITHIN_MS)
    shed.await_one("html[data-link=down]")
    shed.broker.start()
    shed.station.close()
    shed.station = Station(shed.broker.port)
    shed.await_word("GO")


def test_a_server_that_dies_takes_the_word_and_a_page_opened_then_has_none(shed: Shed) -> None:
    page = shed.open()
    shed.await_word("GO")
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    shed.server.kill()
    shed.await_word("NONE", WITHIN_MS)
    shed.await_one("html[data-link=down]")
    # An age and no hour: phone and enclosure may stand in two zones.
    said = page.inner_text("[data-text=why]")
    assert re.fullmatch(r"No word from this page's server for \d+ s\.", said)
    assert not page.is_visible("[data-clock]"), "a clock that stands is no clock"
    page.reload()
    assert page.evaluate(WORD) == "NONE"
    assert "no link to its server" in page.inner_text("main")
    assert "GO" not in page.inner_text("main").split()
