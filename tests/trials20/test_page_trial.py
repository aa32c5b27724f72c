"""The page in a real browser and by bare HTTP: never an old GO, and nobody records who may not.

The stations are played by an actor that publishes as the contract for listeners says; in one trial
the real program runs and is killed. HTTP is the standard library's, the browser is chromium.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import signal
import socket
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from tests.system.broker import RealBroker, free_port
from tests.system.certificates import Authority
from tests.system.conftest import MakeBroker, need
from tests.system.test_watch import Feed
from tests.trials20.parts import (
    PATIENCE_S,
    Actor,
    DarkLine,
    Station,
    call_message,
    config_text,
    filmcall,
    iso,
    refusal,
    until,
)
from tests.trials20.visitor import Server, Visitor, account

Note = Callable[[Any], Any]
SAYS_SO_S = 10.0
PASSWORD = "seven-tarred-oars"
PHONE = {"width": 390, "height": 844}


@pytest.fixture(scope="module")
def chrome() -> Iterator[Any]:
    sync_api = pytest.importorskip("playwright.sync_api")
    program = shutil.which("chromium")
    need("chromium", program is not None)
    arguments = ["--no-sandbox"] if os.geteuid() == 0 else []
    with sync_api.sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=program, args=arguments, timeout=30_000)
        yield opened
        opened.close()


@pytest.fixture
def tab(chrome: Any) -> Iterator[Any]:
    context = chrome.new_context(viewport=PHONE)
    context.set_default_timeout(PATIENCE_S * 1000)
    yield context.new_page()
    context.close()


@pytest.fixture
def actor(broker: RealBroker, closing: Note) -> Actor:
    played: Actor = closing(Actor(broker.port))
    played.call()
    return played


def shown(tab: Any, enclosure: str = "tent") -> str | None:
    found = tab.locator(f'[data-enclosure="{enclosure}"][data-word]')
    return (
        found.first.get_attribute("data-word", timeout=PATIENCE_S * 1000) if found.count() else None
    )


def comes(tab: Any, word: str, timeout_s: float | None = None) -> None:
    """Wait for a word; that there is none has to be said in time."""
    wait_s = timeout_s or (SAYS_SO_S if word == "NONE" else PATIENCE_S)
    until(f"{word} on the page", lambda: shown(tab) == word, wait_s)


def link(tab: Any) -> str | None:
    value: str | None = tab.locator("html").get_attribute("data-link", timeout=PATIENCE_S * 1000)
    return value


def is_tight(policy: str) -> bool:
    """Whether a Content-Security-Policy lets no foreign and no inline script run (W3C CSP 3)."""
    rules = dict(each.strip().partition(" ")[::2] for each in policy.split(";") if each.strip())
    scripts = rules.get("script-src", rules.get("default-src", "*"))
    loose = ("'unsafe-inline'", "'unsafe-eval'", "*", "http:", "https:", "data:", "blob:")
    return "default-src" in rules and not any(word in scripts.split() for word in loose)


def test_the_first_answer_has_the_word_the_reason_and_strict_headers(
    actor: Actor, broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    actor.call("stale", valid_s=-86_400.0)
    actor.call("brig two", "STOP")
    server = closing(Server(tmp_path, broker.port)).ready()
    visitor = Visitor(server.port)
    until("retained calls", lambda: len(visitor.get("/").words()) == 3)
    overview, one = visitor.get("/"), visitor.get("/enclosure/tent?station=shed-pi")
    assert overview.words() == {
        ("tent", "shed-pi"): "GO",
        ("stale", "shed-pi"): "NONE",
        ("brig two", "shed-pi"): "STOP",
    }
    assert visitor.get("/enclosure/brig%20two").words()[("brig two", "shed-pi")] == "STOP"
    for said in ("6.1 K above dew point", "Recoat from", "Good all night"):
        assert said in one.body.replace("\N{NO-BREAK SPACE}", " "), said
    assert re.search(r"never about the air|not.{0,40}air.{0,20}breathe", one.body, re.S), (
        "GO says so"
    )
    for page in (overview, one):
        assert page.status == 200
        assert len(page.body.encode()) <= 30 * 1024
        assert is_tight(page.headers["Content-Security-Policy"])
        assert page.headers["X-Content-Type-Options"] == "nosniff"
        assert "no-store" in page.headers["Cache-Control"], "no cache shows an old GO"
        assert not re.search(r"""(src|href|action)=["']?(https?:)?//(?!127\.0\.0\.1)""", page.body)
        assert page.buttons() == [], "without accounts nobody records"
    assert json.loads(visitor.get("/manifest.webmanifest").body)["name"]
    assert "javascript" in visitor.get("/worker.js").headers["Content-Type"]
    for path in ("/enclosure/nowhere", "/enclosure/..%2f..%2fetc%2fpasswd", "/enclosure/%00", "/x"):
        lost = visitor.get(path)
        assert lost.status == 404, path
        assert "Traceback" not in lost.body
    posted = visitor.post("/enclosure/tent/event", kind="washed", id="a1", section="hull-port")
    assert posted.status in (401, 403, 404, 405)
    assert actor.events == []


def test_a_phone_shows_changes_and_lets_no_go_grow_old(
    actor: Actor, broker: RealBroker, closing: Note, tmp_path: Path, tab: Any
) -> None:
    server = closing(Server(tmp_path, broker.port)).ready()
    asked: list[str] = []
    faults: list[str] = []
    tab.on("request", lambda each: asked.append(each.url))
    tab.on("console", lambda each: faults.append(each.text) if each.type == "error" else None)
    tab.goto(f"{server.url}/enclosure/tent")
    comes(tab, "GO")
    assert link(tab) == "up"
    assert tab.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    actor.call(call="STOP")
    comes(tab, "STOP")
    actor.call(valid_s=4.0)
    comes(tab, "GO")
    comes(tab, "NONE", 4.0 + SAYS_SO_S)  # it ran out, and nobody said anything more
    assert "shed-pi" in tab.locator("body").inner_text()
    actor.call()
    comes(tab, "GO")
    actor.life("offline")
    comes(tab, "NONE")
    actor.life("online")
    actor.call()
    comes(tab, "GO")
    assert [each for each in asked if not each.startswith((server.url, "data:"))] == []
    assert faults == []


def test_no_go_outlives_watch_broker_line_or_server(
    make_broker: MakeBroker, closing: Note, tmp_path: Path, tab: Any, chrome: Any
) -> None:
    broker = make_broker()
    closing(Feed(broker.port))
    station = closing(Station(tmp_path, broker.port)).ready()
    server = closing(Server(tmp_path, broker.port)).ready()
    dark = closing(DarkLine(server.port))
    far = tab.context.new_page()
    tab.goto(f"{server.url}/enclosure/tent")
    far.goto(f"http://127.0.0.1:{dark.port}/enclosure/tent")
    comes(tab, "GO")
    comes(far, "GO")

    dark.dark.set()  # the line stands and carries nothing
    until("a dark line on the page", lambda: shown(far) != "GO" and link(far) == "down", SAYS_SO_S)
    assert shown(tab) == "GO"
    far.close()

    station.end(signal.SIGKILL)
    comes(tab, "NONE")
    station = closing(Station(tmp_path, broker.port))
    comes(tab, "GO")

    broker.kill()
    comes(tab, "NONE")
    broker.start()
    comes(tab, "GO")

    server.process.send_signal(signal.SIGSTOP)
    until(
        "a frozen server on the page", lambda: shown(tab) != "GO" and link(tab) == "down", SAYS_SO_S
    )
    server.process.send_signal(signal.SIGCONT)
    comes(tab, "GO")
    server.end(signal.SIGKILL)
    until(
        "a dead server on the page", lambda: shown(tab) != "GO" and link(tab) == "down", SAYS_SO_S
    )
    with contextlib.suppress(Exception):  # the browser's own page of a fault is an answer too
        tab.reload(timeout=5000)
    assert shown(tab) != "GO", "nor from the browser's own cache"
    closing(Server(tmp_path, broker.port, port=server.port)).ready()
    tab.goto(f"{server.url}/enclosure/tent")
    comes(tab, "GO")


def test_two_stations_with_one_enclosure_name_stand_apart(
    actor: Actor, broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    server = closing(Server(tmp_path, broker.port)).ready()
    other = closing(Actor(broker.port, "creek-pi"))
    visitor = Visitor(server.port)
    until("the first", lambda: visitor.get("/").words())
    other.call(call="STOP")
    both = {("tent", "shed-pi"): "GO", ("tent", "creek-pi"): "STOP"}
    until("both", lambda: visitor.get("/").words() == both)
    assert "tent (creek-pi)" in visitor.get("/").body
    for station, word in (("shed-pi", "GO"), ("creek-pi", "STOP")):
        assert visitor.get(f"/enclosure/tent?station={station}").words()[("tent", station)] == word
    other.life("offline")
    both[("tent", "creek-pi")] = "NONE"
    until("the other's end", lambda: visitor.get("/").words() == both)


def test_whatever_a_note_holds_is_text(
    broker: RealBroker, closing: Note, tmp_path: Path, tab: Any
) -> None:
    evil = "<script>window.hit=1</script><img src=x onerror='window.hit=2'>\"><b>bold</b>{{7191*7}}"
    name = """t<i>"'&;"""
    reason = {"limit": "dew_margin_min", "state": "broken", "value": 1, "bound": 3, "guard": 1}
    when = iso(time.time())
    alarm = {"section": evil, "fact": "harmed", "text": evil, "since": when, "rang_at": when}
    actor = closing(Actor(broker.port))
    actor.call(
        name,
        "STOP",
        reasons=[reason | {"unit": "K", "text": evil}],
        lines=[evil],
        alarms=[alarm | {"acknowledged_at": when, "acknowledged_by": evil}],
        events=[{"kind": "note", "section": evil, "time": when, "note": evil}],
    )
    server = closing(Server(tmp_path, broker.port)).ready()
    quoted = "t%3Ci%3E%22%27%26%3B"
    for path in ("/", f"/enclosure/{quoted}"):
        ask = partial(Visitor(server.port).get, path)
        until("the page", lambda: ask().words())  # noqa: B023
        source = ask()
        assert ("b", {}) not in source.elements
        assert "<script>window.hit" not in source.body
        tab.goto(server.url + path)
        until("its word", lambda: tab.locator("[data-word=STOP]").count())
        actor.call(name, "STOP", lines=[evil, evil], events=[])  # by the stream this time
        time.sleep(1.0)
        assert tab.evaluate("typeof window.hit") == "undefined"
        assert tab.locator("b").count() == 0
    assert "<script>window.hit=1</script>" in tab.locator("body").inner_text()
    assert "50337" not in tab.locator("body").inner_text()


def test_broken_calls_from_the_broker_take_nothing_down(
    actor: Actor, broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    server = closing(Server(tmp_path, broker.port)).ready()
    visitor = Visitor(server.port)
    until("the call", lambda: visitor.get("/").words())
    whole = call_message("brig")
    wrong: list[dict[str, object]] = [
        {"call": "MAYBE"}, {"call": None}, {"valid_until": "soon"}, {"valid_until": None},
        {"station": {"a": 1}}, {"station": ""}, {"clocks": "none"}, {"lines": [[1], None]},
        {"outlook": 7}, {"events": [{"kind": 1}]}, {"reasons": None}, {"alarms": {"a": [1]}},
        {"sections": [1]}, {"valid_until": "9999-12-31T23:59:59Z"}, {"valid_until": 1e400},
    ]  # fmt: skip
    for each in wrong:
        actor.say("brig/call", json.dumps(whole | each))
    for raw in ("{}", "[]", "null", '"GO"', "\x00", "[" * 5000, "x" * 500_000):
        actor.say("brig/call", raw)
    actor.call("brig", valid_s=-1.0)
    actor.call(call="HOLD")
    until("HOLD", lambda: visitor.get("/").words().get(("tent", "shed-pi")) == "HOLD")
    words = visitor.get("/").words()
    assert [word for (name, _), word in words.items() if name == "brig" and word == "GO"] == []
    assert server.alive()
    assert "Traceback" not in server.said


def test_off_loopback_it_starts_with_accounts_and_tls_or_not_at_all(
    broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    config = tmp_path / "page.toml"
    config.write_text(config_text(broker.port))
    accounts = account(tmp_path, "foreman", "record", PASSWORD)
    assert PASSWORD not in accounts.read_text()
    assert accounts.stat().st_mode & 0o077 == 0
    certificate, key = Authority(tmp_path).issue("shed", "IP:127.0.0.1")
    port, trust = free_port(), tmp_path / "yard-ca.pem"
    wide = ("page", "--config", config, "--host", "0.0.0.0", "--port", port)
    for words in (
        (),
        ("--accounts", accounts),
        ("--cert", certificate, "--key", key),
        ("--accounts", tmp_path / "nobody", "--cert", certificate, "--key", key),
    ):
        refusal(filmcall(*wide, *words, timeout_s=60.0))
        with pytest.raises(OSError):  # noqa: PT011 - whatever the system says of a closed port
            socket.create_connection(("127.0.0.1", port), 0.5).close()
    actor = closing(Actor(broker.port))
    actor.call()
    tls = ("--accounts", accounts, "--cert", certificate, "--key", key)
    server = closing(Server(tmp_path, broker.port, "--host", "0.0.0.0", *tls)).ready(trust)
    visitor = Visitor(server.port, trust)
    visitor.login("foreman", PASSWORD)
    until("the word inside", visitor.inside)
    flags = [each.lower().replace(" ", "") for each in visitor.given]
    assert flags
    assert all(";httponly" in each and ";secure" in each for each in flags)
    assert all(";samesite=lax" in each or ";samesite=strict" in each for each in flags)
    assert PASSWORD not in server.said + "".join(visitor.given)


def test_a_login_wants_the_password_and_takes_no_guesses_for_long(
    actor: Actor, broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    accounts = account(tmp_path, "foreman", "record", PASSWORD)
    server = closing(Server(tmp_path, broker.port, "--accounts", accounts)).ready()
    right = Visitor(server.port)
    assert not right.inside(), "reading is by account too"
    right.login("foreman", PASSWORD)
    until("the word inside", right.inside)
    kept = dict(right.cookies)
    forged = Visitor(server.port)
    forged.cookies = {name: value[:-4] + "AAAA" for name, value in kept.items()}
    assert not forged.inside()
    bare = Visitor(server.port)
    bare.post("/login", name="foreman", password=PASSWORD)
    assert not bare.inside(), "a login without the form's own mark is somebody else's form"
    ended = right.get("/enclosure/tent").hidden("csrf")
    right.post("/logout", csrf=ended) if ended else right.get("/logout")
    right.cookies = kept
    assert not right.inside(), "a session that was ended is no session, whoever kept its cookie"

    replies = []
    for guess in ("", PASSWORD + "x", PASSWORD.upper(), "x" * 100_000):
        wrong = Visitor(server.port)
        replies.append(wrong.login("foreman", guess))
        assert not wrong.inside()
    stranger = Visitor(server.port).login("nobody", "nothing")
    assert stranger.status == replies[1].status, "who has an account is nobody's business"
    guesser = Visitor(server.port)
    statuses = [guesser.login("foreman", f"guess {number}").status for number in range(15)]
    guesser.login("foreman", PASSWORD)
    assert 429 in statuses or not guesser.inside()
    assert "Traceback" not in server.said


def test_a_button_records_by_the_broker_and_only_for_whom_it_is(
    actor: Actor, broker: RealBroker, closing: Note, tmp_path: Path, tab: Any
) -> None:
    actor.warnings = ["The recoat window opens in 3 h"]
    account(tmp_path, "reader", "read", PASSWORD)
    accounts = account(tmp_path, "foreman", "record", PASSWORD)
    server = closing(Server(tmp_path, broker.port, "--accounts", accounts)).ready()
    reader = Visitor(server.port)
    reader.login("reader", PASSWORD)
    until("the reader's word", reader.inside)
    read = reader.get("/enclosure/tent")
    assert read.buttons() == []

    posts: list[Any] = []
    tab.on("request", lambda each: posts.append(each) if "/event" in each.url else None)
    tab.on("dialog", lambda each: each.accept())
    tab.goto(f"{server.url}/login")
    tab.fill("[name=name]", "foreman")
    tab.fill("[name=password]", PASSWORD)
    tab.press("[name=password]", "Enter")
    until("the word inside", lambda: shown(tab) == "GO")
    tab.goto(f"{server.url}/enclosure/tent")
    button = tab.locator("button[data-event]:visible").first
    size = button.bounding_box()
    assert min(size["width"], size["height"]) >= 44.0, "WCAG 2.2, 2.5.5: 44 by 44 CSS pixels"
    kind = button.get_attribute("data-event")
    button.click()
    until(
        "the answer",
        lambda: "opens in 3 h" in " ".join(tab.locator("[data-done]").all_inner_texts()),
    )
    ((topic, event),) = actor.events
    assert topic == "filmcall/tent/event"
    assert (event["kind"], event["by"]) == (kind, "foreman")
    assert re.fullmatch(r"[A-Za-z0-9._-]{1,64}", event["id"])

    (post,) = [each for each in posts if each.method == "POST"]
    path = post.url.removeprefix(server.url)
    body = post.post_data_buffer or b""
    headers = {n: v for n, v in post.headers.items() if n in ("content-type", "accept")}
    headers |= {n: v for n, v in post.headers.items() if "csrf" in n}
    marks = [v for n, v in headers.items() if "csrf" in n]
    found = re.search(rb"""csrf\W+(?:\r\n\r\n)?([A-Za-z0-9._~%-]{8,})""", body)
    marks += [found.group(1).decode()] if found else []
    assert marks, "the request has no mark against forged ones"
    mark = marks[0]
    cookies = {each["name"]: each["value"] for each in tab.context.cookies()}
    forger = Visitor(server.port)

    def replay(cookies: dict[str, str], mark_sent: str) -> int:
        """Send the browser's own request once more, with another mark; return the status."""
        forger.cookies = dict(cookies)
        changed = {n: v.replace(mark, mark_sent) for n, v in headers.items()}
        sent = body.replace(mark.encode(), mark_sent.encode())
        return forger.ask("POST", path, sent, changed).status

    assert replay(cookies, mark) < 400, "as it was, it is taken once more, harmless by its id"
    heard = len(actor.events)
    assert {each["id"] for _, each in actor.events} == {event["id"]}
    assert 400 <= replay(cookies, "") < 500
    assert 400 <= replay(cookies, mark[::-1]) < 500
    assert 400 <= replay(reader.cookies, read.hidden("csrf") or mark) < 500
    assert replay({}, mark) in (302, 303, 307, 400, 401, 403)
    time.sleep(0.3)
    assert len(actor.events) == heard, "what was refused reached nobody"


def test_axe_finds_nothing_serious_and_the_word_is_read_from_three_metres(
    actor: Actor, broker: RealBroker, closing: Note, tmp_path: Path, tab: Any
) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    server = closing(Server(tmp_path, broker.port)).ready()
    for path in ("/", "/enclosure/tent"):
        for scheme in ("light", "dark"):
            tab.emulate_media(color_scheme=scheme)
            tab.goto(server.url + path)
            comes(tab, "GO")
            found = axe.run(tab).response["violations"]
            serious = [v["id"] for v in found if v["impact"] in ("serious", "critical")]
            assert serious == [], (path, scheme)
    # ISO 9241-303, from memory: a letter wants 16 minutes of arc, 14 mm at 3 m; a CSS pixel of a
    # tablet is about 1/160 inch. The line's box is a little taller than its letters.
    tab.set_viewport_size({"width": 800, "height": 1280})
    boxes = [each.bounding_box() for each in tab.get_by_text("GO", exact=True).all()]
    assert max(box["height"] for box in boxes if box) >= 14.0 / 25.4 * 160.0
