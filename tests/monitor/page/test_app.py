"""The page by its routes: what it shows, to whom, and what it sends when a button is pressed.

What a Content-Security-Policy and a cookie's flags mean: W3C CSP Level 3, RFC 6265bis.
"""

from __future__ import annotations

import asyncio
import json
import math
import re
import threading
from collections.abc import Callable, Iterator
from datetime import UTC
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from listening import NOW_S, Ear, call
from starlette.testclient import TestClient

from monitor.listen.message import Done
from monitor.page import accounts as accounts_module
from monitor.page import app as app_module
from monitor.page import press as press_module
from monitor.page.accounts import Accounts, add_account
from monitor.page.app import Settings, page_app
from monitor.page.gate import Gate
from monitor.page.today import TodaySheet
from monitor.page.view import BUTTONS, Zones
from monitor.screen.phrases import FILM_IS_NOT_AIR

PASSWORD = "rain on canvas"
EVIL = '<script>window.ran=1</script><img src=x onerror="window.ran=1">"\'&'
ZONES = Zones(UTC, {})
MOST_BYTES = 30 * 1024


@pytest.fixture(autouse=True)
def now(monkeypatch: pytest.MonkeyPatch) -> None:
    """The page's hours are the rig's, and nothing has to come from a broker."""
    monkeypatch.setattr("time.time", lambda: NOW_S)
    monkeypatch.setattr(app_module, "_KEPT_WAIT_S", 0.0)


@pytest.fixture
def ear() -> Ear:
    ear = Ear()
    ear.rig.status()
    ear.rig.say(whole_call("HOLD"))
    return ear


@pytest.fixture
def accounts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Accounts:
    real = accounts_module.PasswordHasher
    monkeypatch.setattr(
        accounts_module,
        "PasswordHasher",
        lambda: real(time_cost=1, memory_cost=64, parallelism=1),
    )
    for name, right in (("kit", "record"), ("wall", "read")):
        add_account(tmp_path / "accounts", name, right, PASSWORD)
    return Accounts(tmp_path / "accounts")


Open = Callable[..., TestClient]


@pytest.fixture
def open_page(ear: Ear) -> Iterator[Open]:
    opened: list[TestClient] = []

    def make(accounts: Accounts | None = None, **more: Any) -> TestClient:
        app = page_app(ear, Gate(accounts, tls=more.get("tls", False)), Settings(ZONES, **more))
        scheme = "https" if more.get("tls") else "http"
        client = TestClient(app, base_url=f"{scheme}://127.0.0.1:8480", follow_redirects=False)
        client.__enter__()
        opened.append(client)
        return client

    yield make
    for client in opened:
        client.__exit__(None, None, None)


def whole_call(word: str, **more: Any) -> bytes:
    said: dict[str, Any] = {
        "since": "2027-01-15T07:40:00Z",
        "section": "hull-port",
        "stage": "flash",
        "question": "is the film safe?",
        "advice": "Keep off; look again soon",
        "lines": ["Hull 3.4 K above dew point; wants 3.0 K, or 3.9 K with sensor error.", EVIL],
        "reasons": [{"limit": "dew_margin_min", "state": "near", "value": 3.4, "bound": 3.0,
                     "guard": 0.9, "unit": "K", "text": "Hull 3.4 K above dew point"}],
        "air_temp_c": 17.2, "rh_pct": 61.0, "surface_temp_c": 13.1, "dew_point_c": 9.7,
        "dew_margin_k": 3.4, "dew_margin_u95_k": 1.1,
        "clocks": [{"name": "recoat opens", "section": "hull-port", "state": "running",
                    "left_s": 5400.0, "ends_at": "2027-01-15T09:30:00Z", "ends_at_range": None,
                    "basis": ""}],
        "outlook": {"state": "near", "text": "Hull probably too close from 10:10",
                    "breaks_at": "2027-01-15T10:10:00Z",
                    "bands": [{"ahead_s": 1800.0 * n, "margin_low_k": 3.0 - 0.3 * n,
                               "margin_mid_k": 3.4 - 0.2 * n, "margin_high_k": 3.8 - 0.1 * n}
                              for n in range(13)]},
        "alarms": [{"section": "hull-port", "fact": "near", "text": EVIL,
                    "since": "2027-01-15T07:45:00Z", "rang_at": "2027-01-15T07:46:00Z",
                    "acknowledged_at": None, "acknowledged_by": None}],
        "events": [{"kind": "note", "section": "hull-port", "time": "2027-01-15T07:00:00Z",
                    "note": EVIL}],
        "sections": [{"section": "hull-port", "call": word, "advice": "Keep off", "reasons": []},
                     {"section": "hull-stbd", "call": "GO", "advice": "You may start",
                      "reasons": []}],
        "log": "0d9cbb11-0000", "row": 41, "seal": "ab12" * 16,
    }  # fmt: skip
    return call(word, **{**said, **more})


class Page(HTMLParser):
    """Every start tag with its attributes, and the text between them."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [each for name, each in self.tags if name == tag]

    def words(self) -> list[tuple[str | None, str | None, str | None]]:
        return [
            (each["data-enclosure"], each["data-station"], each["data-word"])
            for _, each in self.tags
            if "data-word" in each
        ]

    def field(self, name: str) -> str:
        fields = [*self.all("input"), *self.all("button")]
        return next(each["value"] or "" for each in fields if each.get("name") == name)


def log_in(page: TestClient, name: str = "kit", password: str = PASSWORD, **more: str) -> Any:
    form = Page(page.get("/login").text)
    fields = {"name": name, "password": password, "csrf": form.field("csrf"), **more}
    return page.post("/login", data=fields)


# --- what it shows


def test_the_first_answer_holds_the_present_call(open_page: Open) -> None:
    page = open_page()
    for path in ("/", "/enclosure/tent"):
        shown = Page(page.get(path).text)
        assert shown.words() == [("tent", "shed-pi", "HOLD")]
        assert shown.all("html")[0]["data-link"] == "up"
    whole = page.get("/enclosure/tent").text
    for text in ("Keep off; look again soon.", "3.4 K", "09:30", "1 h 30 min", "10:10", "hull-stbd",
                 "17.2 °C", "3.4 ± 1.1 K", "log 0d9cbb11, row 41", "Rang at 07:46",
                 "07:00"):  # fmt: skip
        assert text in whole, text


def test_what_a_note_can_hold_is_text_there(open_page: Open) -> None:
    page = open_page()
    shown = Page(page.get("/enclosure/tent").text)
    assert shown.text.count(EVIL) == 3  # a line, an alarm, an event
    assert list(shown.all("script")) == [{"src": "/page.js", "defer": None}]
    assert shown.all("img") == []


def test_no_word_means_nothing_of_the_present(open_page: Open, ear: Ear) -> None:
    page = open_page()
    ear.rig.status(b"offline")
    text = page.get("/enclosure/tent").text
    assert Page(text).words() == [("tent", "shed-pi", "NONE")]
    assert "NO CALL" in text
    assert "No word from shed-pi since 08:00: it is offline." in text
    for old in ("HOLD", "3.4 K", "09:30", "17.2", "Keep off"):
        assert old not in text, old
    ear.rig.yard.lost(ear.rig.now)
    text = page.get("/").text
    assert Page(text).all("html")[0]["data-link"] == "down"
    assert "No link to the broker since 08:00." in text


def test_a_go_never_stands_without_the_words_about_the_air(open_page: Open, ear: Ear) -> None:
    page = open_page()
    ear.rig.say(whole_call("GO"))
    for path in ("/", "/enclosure/tent"):
        assert FILM_IS_NOT_AIR in page.get(path).text


def test_two_stations_with_one_name_are_both_offered(open_page: Open, ear: Ear) -> None:
    page = open_page()
    ear.rig.status(station="yard-pi")
    ear.rig.say(whole_call("STOP", station="yard-pi"))
    both = Page(page.get("/enclosure/tent").text)
    assert both.words() == [("tent", "yard-pi", "STOP"), ("tent", "shed-pi", "HOLD")]
    assert "tent (yard-pi)" in both.text
    one = Page(page.get("/enclosure/tent?station=shed-pi").text)
    assert one.words() == [("tent", "shed-pi", "HOLD")]
    assert "shed-pi and yard-pi both publish tent" in one.text


def test_names_that_need_quoting_have_a_page(open_page: Open, ear: Ear) -> None:
    page = open_page()
    name = 'tent 7 & "quay" ü?'
    ear.rig.say(whole_call("STOP"), enclosure=name)
    (href,) = [a["href"] for a in Page(page.get("/").text).all("a") if "7" in str(a["href"])]
    assert Page(page.get(str(href)).text).words() == [(name, "shed-pi", "STOP")]


def test_messages_that_could_not_be_read_are_counted_where_people_look(
    open_page: Open, ear: Ear
) -> None:
    page = open_page()
    assert "not be read" not in page.get("/").text
    ear.rig.say(b"<script>")
    assert "1 message could not be read." in page.get("/").text


def test_what_is_not_there_is_said_in_one_sentence(open_page: Open) -> None:
    page = open_page()
    for path, status in (("/enclosure/shed", 404), ("/today", 404), ("/none", 404)):
        answer = page.get(path)
        assert answer.status_code == status
        assert "Traceback" not in answer.text


def test_a_page_weighs_30_kb_at_most_with_its_script_and_style(
    open_page: Open, accounts: Accounts, ear: Ear
) -> None:
    page = open_page(accounts)
    log_in(page)  # with its buttons
    files = sum(len(page.get(path).content) for path in ("/style.css", "/page.js"))
    assert len(page.get("/enclosure/tent").content) + files <= MOST_BYTES
    for n in range(200):
        ear.rig.say(whole_call("HOLD"), enclosure=f"tent-{n}")
    packed = page.get("/", headers={"accept-encoding": "gzip"})
    assert packed.headers["content-encoding"] == "gzip"
    assert int(packed.headers["content-length"]) + files <= MOST_BYTES


# --- headers and files


def test_every_answer_lets_a_browser_run_the_pages_own_script_only(
    open_page: Open, accounts: Accounts
) -> None:
    page = open_page(accounts)
    for path in ("/", "/login", "/page.js", "/none", "/offline", "/alive", "/stream"):
        headers = page.get(path).headers
        policy = dict(part.split(" ", 1) for part in headers["content-security-policy"].split("; "))
        assert policy["default-src"] == "'none'"
        assert policy["script-src"] == policy["style-src"] == "'self'"
        assert "unsafe" not in headers["content-security-policy"]
        assert "http" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
    for path in ("/login", "/offline"):
        shown = Page(page.get(path).text)
        assert not [each for _, each in shown.tags if "style" in each]
        assert not [name for _, each in shown.tags for name in each if name.startswith("on")]
        assert shown.all("style") == []


def test_pages_with_a_word_are_kept_nowhere(open_page: Open) -> None:
    page = open_page()
    for path in ("/", "/enclosure/tent"):
        assert page.get(path).headers["cache-control"] == "no-store"
    worker = page.get("/worker.js").text
    kept = re.search(r"const KEPT = (\[.*?\]);", worker)
    assert kept is not None
    for path in json.loads(kept[1]):
        answer = page.get(path)
        assert answer.status_code == 200
        assert not re.search(r'data-word="(GO|HOLD|STOP)"', answer.text)
    assert Page(page.get("/offline").text).words() == [("", "", "NONE")]


def test_it_can_be_put_on_a_home_screen(open_page: Open) -> None:
    page = open_page()
    manifest = page.get("/manifest.webmanifest")
    assert manifest.headers["content-type"].startswith("application/manifest+json")
    said = manifest.json()
    assert (said["start_url"], said["display"]) == ("/", "standalone")
    for icon in said["icons"]:
        answer = page.get(icon["src"])
        assert answer.headers["content-type"].startswith(icon["type"])
        if icon["type"] == "image/png":  # width and height stand at byte 16 (PNG, 11.2.2)
            size = [int.from_bytes(answer.content[at : at + 4]) for at in (16, 20)]
            assert "x".join(map(str, size)) == icon["sizes"]


def test_on_loopback_it_answers_to_no_other_name(open_page: Open) -> None:
    page = open_page()
    assert page.get("/", headers={"host": "evil.example"}).status_code == 421
    for host in ("localhost:8480", "127.0.0.1", "[::1]:8480"):
        assert page.get("/", headers={"host": host}).status_code == 200
    assert open_page(loopback=False).get("/", headers={"host": "yard.local"}).status_code == 200


def test_every_colour_comes_from_the_palette() -> None:
    assets = Path(__file__).parents[3] / "monitor" / "page" / "assets"
    for path in assets.iterdir():
        if path.suffix != ".png":
            assert re.findall(r"#[0-9a-fA-F]{3,8}\b(?!\")", path.read_text()) in ([], ["#record"])


# --- who may


def test_without_accounts_all_may_read_and_nobody_records(open_page: Open, ear: Ear) -> None:
    page = open_page()
    assert "data-event" not in page.get("/enclosure/tent").text
    assert page.post("/enclosure/tent/event", data={"kind": "mixed"}).status_code == 401
    assert ear.sent == []


def test_the_sheet_of_today_keeps_its_lines_and_nothing_in_it_is_run(
    open_page: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    """White space inside `pre` is kept: HTML Living Standard, 4.4.3."""
    lines = ["the try, Sun 2026-11-29 00:52", "", "May I?", f"  hull-port: STOP. {EVIL}"]
    sheet = TodaySheet(Path("job.toml"))

    async def told() -> str:
        return "\n".join(lines)

    monkeypatch.setattr(sheet, "text", told)
    page = Page(open_page(today=sheet).get("/today").text)
    assert "\n".join(lines) in page.text
    assert page.all("img") == []


def test_with_accounts_nothing_is_shown_before_the_login(
    open_page: Open, accounts: Accounts
) -> None:
    page = open_page(accounts)
    for path in ("/", "/enclosure/tent", "/enclosure/none", "/today"):
        answer = page.get(path)
        assert answer.status_code == 303
        assert answer.headers["location"].startswith("/login?next=%2F")
    assert page.get("/stream").status_code == 401
    for path in ("/alive", "/manifest.webmanifest", "/worker.js", "/page.js", "/offline"):
        assert page.get(path).status_code == 200
        assert "shed-pi" not in page.get(path).text


def test_a_login_opens_what_was_asked_for_and_a_logout_closes_it(
    open_page: Open, accounts: Accounts
) -> None:
    page = open_page(accounts)
    answer = log_in(page, next="/enclosure/tent?station=shed-pi")
    assert (answer.status_code, answer.headers["location"]) == (
        303,
        "/enclosure/tent?station=shed-pi",
    )
    cookie = page.cookies["filmcall"]
    assert Page(page.get("/").text).words() == [("tent", "shed-pi", "HOLD")]
    assert page.post("/logout").status_code == 303
    assert page.get("/").status_code == 303
    page.cookies.set("filmcall", cookie)
    assert page.get("/").status_code == 303, "the cookie counts no more, wherever it is"


@pytest.mark.parametrize("path", ["//evil.example", "https://evil.example", "/\\evil", "x"])
def test_a_login_leads_to_no_other_site(open_page: Open, accounts: Accounts, path: str) -> None:
    assert log_in(open_page(accounts), next=path).headers["location"] == "/"


def test_a_wrong_password_is_one_sentence_and_the_sixth_is_not_looked_at(
    open_page: Open, accounts: Accounts
) -> None:
    page = open_page(accounts)
    for name in ("kit", "nobody", "kit", "kit", "kit"):
        answer = log_in(page, name, "wrong wrong")
        assert answer.status_code == 401
        assert "Name or password is wrong." in answer.text
    answer = log_in(page)  # the right one
    assert answer.status_code == 429
    assert "Too many wrong passwords; wait" in answer.text
    assert 0 < int(answer.headers["retry-after"]) <= 901
    assert "filmcall" not in page.cookies


def test_a_login_form_of_another_visitor_is_refused(open_page: Open, accounts: Accounts) -> None:
    page = open_page(accounts)
    token = Page(page.get("/login").text).field("csrf")
    page.cookies.clear()
    fields = {"name": "kit", "password": PASSWORD, "csrf": token}
    assert page.post("/login", data=fields).status_code == 403


def test_cookies_are_for_the_server_alone_and_by_tls_only_where_there_is_tls(
    open_page: Open, accounts: Accounts
) -> None:
    plain = log_in(open_page(accounts)).headers["set-cookie"].lower()
    assert "httponly" in plain
    assert "samesite=lax" in plain
    assert "secure" not in plain
    safe = log_in(open_page(accounts, tls=True, loopback=False))
    assert safe.headers["set-cookie"].startswith("__Host-filmcall=")
    assert "secure" in safe.headers["set-cookie"].lower()
    assert "strict-transport-security" in safe.headers


def test_a_session_that_has_run_out_is_sent_to_the_login(
    open_page: Open, accounts: Accounts, ear: Ear, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = open_page(accounts)
    log_in(page)
    form = event_form(page)
    monkeypatch.setattr("time.time", lambda: NOW_S + 13 * 3600.0)
    assert page.get("/").status_code == 303
    answer = press(page, form, "mixed")
    assert answer.status_code == 401
    assert "nothing was recorded" in answer.json()["text"]
    assert ear.sent == []


# --- buttons


def event_form(page: TestClient) -> Page:
    return Page(page.get("/enclosure/tent").text)


def press(page: TestClient, form: Page, kind: str, **more: str) -> Any:
    fields = {"csrf": form.field("csrf"), "kind": kind, **more}
    headers = {"accept": "application/json"}
    return page.post("/enclosure/tent/event", data=fields, headers=headers)


def answered(ear: Ear, kind: str, result: str = "recorded", *warnings: str) -> None:
    ear.answers[kind] = Done("x", kind, "hull-port", result, warnings, f"{kind} {result}.", 7)


def test_buttons_are_there_for_who_may_record_and_for_nobody_else(
    open_page: Open, accounts: Accounts
) -> None:
    page = open_page(accounts)
    log_in(page, "wall")
    form = event_form(page)
    assert "data-event" not in page.get("/enclosure/tent").text
    assert press(page, Page("<input name=csrf value=x>"), "mixed").status_code == 403
    page.post("/logout")
    log_in(page)
    form = event_form(page)
    kinds = [each["data-event"] for each in form.all("button") if "data-event" in each]
    assert kinds == [kind.value for kind in BUTTONS]


def test_a_press_is_sent_once_with_a_fresh_id_and_who_pressed(
    open_page: Open, accounts: Accounts, ear: Ear
) -> None:
    page = open_page(accounts)
    log_in(page)
    form = event_form(page)
    answered(ear, "coat-started", "recorded", "Coat 1 is past its recoat window.")
    answer = press(page, form, "coat-started", section="hull-port", method="brush", batch="B2",
                   amount_ml="250,5", coat="2", note="  thin at the bow  ")  # fmt: skip
    assert answer.json()["result"] == "recorded"
    assert answer.json()["warnings"] == ["Coat 1 is past its recoat window."]
    ((enclosure, event),) = ear.sent
    assert enclosure == "tent"
    name = event.pop("id")
    assert re.fullmatch(r"[A-Za-z0-9._-]{1,64}", name)
    assert event == {"kind": "coat-started", "by": "kit", "section": "hull-port", "method": "brush",
                     "batch": "B2", "amount_ml": 250.5,
                     "coat": 2, "note": "thin at the bow"}  # fmt: skip
    press(page, form, "coat-started")
    assert ear.sent[1][1]["id"] != name


def test_a_press_may_be_json_too_and_noise_is_refused(
    open_page: Open, accounts: Accounts, ear: Ear
) -> None:
    page = open_page(accounts)
    log_in(page)
    token = event_form(page).field("csrf")
    answered(ear, "mixed")
    fields = {"csrf": token, "kind": "mixed", "id": "button-7", "amount_ml": 250, "section": None}
    answer = page.post("/enclosure/tent/event", json=fields)
    assert answer.status_code == 200
    assert ear.sent == [
        ("tent", {"id": "button-7", "kind": "mixed", "by": "kit", "amount_ml": 250.0})
    ]
    for noise in (b"[]", b"\xff", b'{"kind": NaN}', b"{" * 2000):
        headers = {"content-type": "application/json"}
        answer = page.post("/enclosure/tent/event", content=noise, headers=headers)
        assert answer.status_code == 400
    assert len(ear.sent) == 1


def test_a_form_without_a_script_gets_its_answer_as_a_page(
    open_page: Open, accounts: Accounts, ear: Ear
) -> None:
    page = open_page(accounts)
    log_in(page)
    form = event_form(page)
    answered(ear, "wiped", "refused")
    fields = {"csrf": form.field("csrf"), "id": form.field("id"), "kind": "wiped"}
    shown = Page(page.post("/enclosure/tent/event", data=fields).text)
    (done,) = [each for _, each in shown.tags if "data-done" in each]
    assert done["data-result"] == "refused"
    assert "wiped refused." in shown.text
    assert ear.sent[0][1]["id"] == form.field("id"), "loaded again, it is the same event"
    assert shown.field("id") != form.field("id")


def test_what_was_recorded_can_be_taken_back_where_its_answer_stands(
    open_page: Open, accounts: Accounts, ear: Ear
) -> None:
    page = open_page(accounts)
    log_in(page)
    form = event_form(page)
    assert "takes_back" not in {each.get("name") for each in form.all("button")}
    answered(ear, "wiped")
    pressed = {"csrf": form.field("csrf"), "id": form.field("id"), "kind": "wiped"}
    shown = Page(page.post("/enclosure/tent/event", data=pressed).text)
    assert shown.field("takes_back") == form.field("id")
    answered(ear, "")
    fields = {key: shown.field(key) for key in ("csrf", "id", "takes_back")}
    page.post("/enclosure/tent/event", data=fields)
    assert ear.sent[1] == (
        "tent",
        {"id": shown.field("id"), "takes_back": form.field("id"), "by": "kit"},
    )
    answered(ear, "washed", "refused")
    refused = page.post(
        "/enclosure/tent/event", data={"csrf": form.field("csrf"), "kind": "washed"}
    )
    assert "takes_back" not in refused.text


@pytest.mark.parametrize(
    ("fields", "status", "told"),
    [
        ({"kind": "explode"}, 400, "'explode' is no event"),
        ({"kind": "mixed", "csrf": "forged"}, 403, "not of this login"),
        ({"kind": "mixed", "id": "a b"}, 400, "id 'a b' is none"),
        ({"kind": "", "takes_back": "a b"}, 400, "id 'a b' is none"),
        ({"kind": "mixed", "amount_ml": "a lot"}, 400, "amount_ml 'a lot' is no number"),
        ({"kind": "mixed", "amount_ml": "nan"}, 400, "amount_ml 'nan' is no number"),
        ({"kind": "mixed", "coat": "1.5"}, 400, "coat '1.5' is no number"),
        ({"kind": "mixed", "method": "bucket"}, 400, "method 'bucket' is not known"),
        ({"kind": "note"}, 400, "a note has no words"),
        ({"kind": "note", "note": "x" * 501}, 400, "note has 501 characters"),
        ({"kind": "note", "note": "x" * 9000}, 413, "at most 8192 bytes"),
    ],
)
def test_what_cannot_be_sent_is_refused_in_one_sentence(
    open_page: Open,
    accounts: Accounts,
    ear: Ear,
    fields: dict[str, str],
    status: int,
    told: str,
) -> None:
    page = open_page(accounts)
    log_in(page)
    answer = press(page, event_form(page), **fields)
    assert answer.status_code == status
    assert told in answer.json()["text"]
    assert ear.sent == []


@pytest.mark.parametrize(
    "headers", [{"origin": "https://evil.example"}, {"sec-fetch-site": "cross-site"}]
)
def test_a_form_of_another_site_is_refused(
    open_page: Open, accounts: Accounts, ear: Ear, headers: dict[str, str]
) -> None:
    page = open_page(accounts)
    log_in(page)
    fields = {"csrf": event_form(page).field("csrf"), "kind": "mixed"}
    answer = page.post("/enclosure/tent/event", data=fields, headers=headers)
    assert answer.status_code == 403
    assert ear.sent == []


def test_without_an_answer_it_says_not_confirmed_and_without_a_link_not_sent(
    open_page: Open, accounts: Accounts, ear: Ear, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(press_module, "ANSWER_S", 0.05)
    page = open_page(accounts)
    log_in(page)
    form = event_form(page)
    answer = press(page, form, "mixed")
    assert (answer.status_code, answer.json()["result"]) == (504, "unconfirmed")
    assert answer.json()["text"] == "Not confirmed: look at the log before you press again."
    assert len(ear.sent) == 1
    assert ear.waiting == {}
    ear.rig.yard.lost(ear.rig.now)
    answer = press(page, form, "mixed")
    assert (answer.status_code, answer.json()["result"]) == (503, "unsent")
    assert len(ear.sent) == 1


# --- the stream


def streamed(ear: Ear, count: int, of: str | None = None) -> list[tuple[str, Any]]:
    """Return so many events of a stream, turned once after the first second's worth."""
    from monitor.page.stream import Board, events

    async def collect() -> list[tuple[str, Any]]:
        board = Board(ear, ZONES)
        turning = asyncio.create_task(board.run())
        await asyncio.sleep(0)
        found = []
        async for text in events(board, ZONES, lambda: True, of=of):
            name, data = re.fullmatch(r"event: (\w+)\ndata: (.*)\n\n", text).groups()
            found.append((name, json.loads(data)))
            if name == "beat" and len(found) < count:
                ear.rig.say(whole_call("STOP"))
                threading.Timer(0.01, lambda: [hook() for hook in ear.on_change]).start()
            if len(found) >= count:
                break
        turning.cancel()
        assert board.streams == 1
        return found

    return asyncio.run(collect())


def test_a_stream_begins_with_all_and_goes_on_with_what_changes(ear: Ear) -> None:
    found = streamed(ear, 4)
    assert [name for name, _ in found] == ["row", "order", "beat", "row"]
    assert (found[0][1]["word"], found[3][1]["word"]) == ("HOLD", "STOP")
    assert found[1][1] == {"keys": ["shed-pi/tent"]}
    assert found[2][1] == {"clock": "08:00:00", "broker": True}
    assert 59.0 < found[0][1]["left_s"] <= 60.0


def test_a_board_that_no_longer_turns_beats_no_more(
    ear: Ear, monkeypatch: pytest.MonkeyPatch
) -> None:
    from monitor.page import stream as stream_module
    from monitor.page.stream import Board, events

    monkeypatch.setattr(stream_module, "BEAT_S", 0.02)
    monkeypatch.setattr(stream_module, "LATEST_S", 0.4)

    async def collect() -> tuple[int, int]:
        board = Board(ear, ZONES)
        beats = 0

        async def listen() -> None:
            nonlocal beats
            async for text in events(board, ZONES, lambda: True):
                beats += text.startswith("event: beat")

        listening, turning = asyncio.create_task(listen()), asyncio.create_task(board.run())
        async with asyncio.timeout(60.0):
            while beats <= 2:
                await asyncio.sleep(0.02)
        turning.cancel()
        await asyncio.sleep(0.6)
        before = beats
        await asyncio.sleep(0.2)
        listening.cancel()
        return before, beats

    before, after = asyncio.run(collect())
    assert before == after > 2


def test_who_listens_later_is_told_what_is_left_then(
    ear: Ear, monkeypatch: pytest.MonkeyPatch
) -> None:
    from monitor.page import stream as stream_module
    from monitor.page.stream import Board, events

    monkeypatch.setattr(stream_module, "TURN_S", 0.05)

    async def collect() -> list[float]:
        board = Board(ear, ZONES)
        turning = asyncio.create_task(board.run())
        found = []
        for wanted in (60.0, 40.0):
            left_s = math.inf
            async with asyncio.timeout(60.0):
                while left_s != pytest.approx(wanted, abs=1.0):  # of the turn after this one
                    await asyncio.sleep(0.05)
                    async for text in events(board, ZONES, lambda: True):
                        left_s = json.loads(text.partition("data: ")[2])["left_s"]
                        break
            found.append(left_s)
            ear.rig.wait(20.0)
            ear.on_change[0]()
        turning.cancel()
        return found

    assert asyncio.run(collect()) == pytest.approx([60.0, 40.0], abs=1.0)


def test_the_stream_of_one_enclosure_brings_all_of_it_as_text(ear: Ear) -> None:
    ear.rig.say(whole_call("GO"), enclosure="other")
    found = streamed(ear, 2, of="shed-pi/tent")
    assert [name for name, _ in found] == ["row", "order"]
    assert found[0][1]["lines"][1] == [EVIL]
    assert found[0][1]["clocks"][0]["left_s"] == 5400.0
    assert found[1][1] == {"keys": ["shed-pi/tent"]}
