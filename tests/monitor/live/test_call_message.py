"""What a call tells screens elsewhere, and the word when nothing current is known.

The keys, the 24 KB and NONE are our own contract (deploy/README.md).
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fake_line import FakeLine
from live import HOUR_S, ONE_PLANK, START_S, WET_C, Live

from monitor.contract import REPEAT_S
from monitor.live.alarms import Alarms
from monitor.live.call_message import MOST_BYTES, fitted
from monitor.live.publish import Publisher
from monitor.log.rows import EventId
from monitor.snapshot import OutlookBands
from rules.events import Event
from rules.text import iso_utc
from rules.trend import EarlierOutlook
from rules.vocabulary import EventKind, Stage

CALL, WORD = "filmcall/tent/call", "filmcall/tent/word"
TOPCOAT = ONE_PLANK.replace("general-guidance", "polyurethane-topcoat")


@pytest.fixture
def line() -> FakeLine:
    return FakeLine()


@pytest.fixture
def live(tmp_path: Path, line: FakeLine) -> Iterator[Live]:
    publisher = Publisher(line, base="filmcall", station="shed-pi")
    one = Live(tmp_path, TOPCOAT, publisher=publisher)
    yield one
    one.kill()


def record(live: Live, kind: EventKind, note: str = "", by: str = "") -> Event:
    now_s = live.machine.wall()
    event = Event(kind, now_s, "tent", note=note, recorded_s=now_s)
    name = EventId(f"id-{now_s}", by) if by else None
    return live.watch.record(event, name).event


def newest(line: FakeLine) -> dict[str, Any]:
    return line.take(CALL)[-1].body


def test_a_call_says_where_it_stands_in_which_log(live: Live, line: FakeLine) -> None:
    live.run(40.0, live.climate())
    told = newest(line)
    assert told["log"] == live.store.log_uuid
    assert told["row"] == live.store.last_call("tent", "all").row  # type: ignore[union-attr]
    assert told["seal"] == live.store.seal().sha256
    assert told["station"] == "shed-pi"
    live.store.file.connection.execute("PRAGMA query_only = ON")
    assert live.run(20.0, live.climate(WET_C)) == "STOP"
    assert newest(line)["row"] is None, "not in the log yet"
    live.store.file.connection.execute("PRAGMA query_only = OFF")
    live.run(30.0 + REPEAT_S, live.climate(WET_C))
    assert newest(line)["row"] == live.store.last_call("tent", "all").row  # type: ignore[union-attr]


def test_events_clocks_and_sentences_go_with_the_call_at_once(live: Live, line: FakeLine) -> None:
    live.run(60.0, live.climate())
    for number in range(6):
        live.machine.monotonic_s += 1.0
        record(live, EventKind.NOTE, f"note {number}")
    record(live, EventKind.COAT_STARTED)
    line.take()
    live.run(1.0, live.climate(), step_s=1.0)
    told = newest(line)
    assert [each["kind"] for each in told["events"]] == ["coat-started", *["note"] * 4]
    assert told["events"][1] == {
        "kind": "note",
        "section": None,
        "time": iso_utc(live.machine.wall() - 1.0),
        "note": "note 5",
    }
    assert {"recoat opens", "recoat closes"} <= {each["name"] for each in told["clocks"]}
    wanted = {"name", "section", "state", "left_s", "ends_at", "ends_at_range", "basis"}
    assert all(wanted <= each.keys() for each in told["clocks"])
    first = told["reasons"][0]["text"]
    assert told["lines"][0].lower().startswith(first[:12].lower()), "the reason first"
    assert all(each.endswith(".") for each in told["lines"])
    assert told["alarms"] == []
    assert told["outlook"] is None


def test_the_message_is_in_si_whatever_people_read_at_the_watch(
    monkeypatch: pytest.MonkeyPatch, live: Live, line: FakeLine
) -> None:
    """Who reads it has units of their own."""
    monkeypatch.setenv("FILMCALL_UNITS", "us")
    alarms = Alarms(live.watch, live.watch.publisher)
    record(live, EventKind.COAT_STARTED)
    live.run(30.0, live.climate(WET_C))
    assert alarms.look()
    live.run(1.0, step_s=1.0)
    told = newest(line)
    texts = [told["lines"][0], *(each["text"] for each in told["alarms"])]
    assert len(texts) > 1
    assert any(re.search(r"\d K ", text) for text in texts)
    assert not any("°F" in text for text in texts)


def test_an_open_alarm_says_who_has_seen_it_and_goes_when_it_is_done_with(
    live: Live, line: FakeLine
) -> None:
    alarms = Alarms(live.watch, live.watch.publisher)

    def let(seconds: int, surface_c: float) -> list[dict[str, Any]]:
        for _ in range(seconds // 5):
            live.run(5.0, live.climate(surface_c), step_s=5.0)
            alarms.look()
        live.run(1.0, step_s=1.0)
        found: list[dict[str, Any]] = newest(line)["alarms"]
        return found

    live.run(60.0, live.climate())
    record(live, EventKind.COAT_STARTED)
    rang, *_ = let(30, WET_C)
    assert (rang["section"], rang["fact"], rang["acknowledged_at"]) == ("all", "harmed", None)
    assert rang["text"].startswith("tent: STOP since ")
    assert START_S < seconds(rang["since"]) <= seconds(rang["rang_at"]) <= live.machine.wall()
    seen = record(live, EventKind.ACKNOWLEDGED, by="the owner")
    known, *_ = let(10, WET_C)
    assert known["acknowledged_at"] == iso_utc(seen.time_s)
    assert known["acknowledged_by"] == "the owner"
    assert let(1300, 19.0) == [], "inside again for the re-entry time"


def seconds(iso: str) -> float:
    from datetime import datetime

    return datetime.fromisoformat(iso.replace("Z", "+00:00")).timestamp()


def test_an_outlook_is_told_in_thirteen_steps(live: Live, line: FakeLine) -> None:
    live.run(60.0, live.climate())
    made_s = live.machine.wall()
    ahead_s = np.arange(0.0, 24.0 * HOUR_S + 1.0, 600.0)
    band = tuple(tuple(3.0 + k + 0.0 * ahead_s) for k in (0.0, 1.0, 2.0))
    room = live.watch.rooms["tent"]
    room.bands["all"] = OutlookBands(
        made_s, tuple(made_s + ahead_s), band, band, band, band, "the log's trend"  # type: ignore[arg-type]
    )  # fmt: skip
    (section,) = room.enclosure.sections.values()
    section.ahead = EarlierOutlook(made_s, Stage.PREP, 24.0 * HOUR_S, (), "the log's trend")
    live.run(30.0, live.climate())
    outlook = newest(line)["outlook"]
    assert set(outlook) == {"state", "text", "breaks_at", "bands"}
    assert outlook["state"] in ("ok", "near", "unknown")
    assert outlook["breaks_at"] is None
    bands = outlook["bands"]
    assert len(bands) == 13
    assert bands[0]["ahead_s"] >= 0
    assert bands[-1]["ahead_s"] == pytest.approx(24.0 * HOUR_S, abs=60.0)
    assert {k: v for k, v in bands[6].items() if k != "ahead_s"} == {
        "margin_low_k": 3.0, "margin_mid_k": 4.0, "margin_high_k": 5.0,
    }  # fmt: skip


def test_no_message_is_over_24_kb_and_the_reason_is_the_last_to_go() -> None:
    reason = {"limit": "dew_margin_min", "text": "x" * 200}
    answer = {"call": "HOLD", "reasons": [reason] * 9}
    section = {"call": "HOLD", "reasons": [reason] * 9, "start": answer, "films": answer}
    told = {
        "enclosure": "tent", **section, "sections": [section] * 12,
        "events": [{"note": "\u20ac" * 9000}] * 5, "lines": ["Wait."] * 9, "clocks": [section] * 9,
        "alarms": [{"text": "wet"}], "outlook": {"bands": [{"ahead_s": 0}] * 13}, "row": 7,
    }  # fmt: skip
    message = fitted(told)
    assert len(message) <= MOST_BYTES == 24 * 1024
    left = json.loads(message)
    assert left.keys() == told.keys()
    assert (left["row"], left["reasons"], left["lines"]) == (7, [reason] * 9, ["Wait."] * 9)
    assert left["alarms"] == [{"text": "wet"}]
    assert left["events"] == []
    assert json.loads(json.dumps(told)) == told, "what is told elsewhere is not cut"


def test_the_word_goes_as_soon_as_nothing_renews_it_and_a_stop_stays(
    live: Live, line: FakeLine
) -> None:
    live.run(620.0, live.climate())
    assert line.take(WORD)[-1].payload == b"GO"
    silent = {name: said for name, said in live.climate().items() if name != "plank-port"}
    words, calls = [], []
    for _ in range(10):
        live.run(10.0, silent)
        calls += [each.body for each in line.messages if each.topic == CALL]
        words.append([each.payload for each in line.take(WORD)])
    gone = next(at for at, said in enumerate(words) if b"NONE" in said)
    # Its readings come every 10 s: overdue after 30 s, and counting for 90 s.
    assert 2 <= gone <= 4
    assert not any(b"GO" in said for said in words[gone + 1 :])
    # What stands elsewhere by the call's message takes the GO back with the lamp's word.
    first = next(each for each in calls if not each["renewed"])
    assert first["call"] == "GO"
    assert [each["renewed"] for each in first["sections"]] == [False]
    assert first["lines"][0].startswith("NOTHING NEW from plank-port: last reading ")
    assert first["lines"][0].endswith(" s ago. Do not trust this GO.")
    assert not any(each["renewed"] for each in calls[calls.index(first) :])
    live.run(20.0, live.climate())
    assert line.take(WORD)[-1].payload == b"HOLD", "as soon as it is known again"
    assert live.run(20.0, live.climate(WET_C)) == "STOP"
    line.take()
    live.run(300.0)
    assert {each.payload for each in line.take(WORD)} == {b"STOP"}, "silence ends no STOP"


def test_far_behind_the_word_of_a_go_goes_too(live: Live, line: FakeLine) -> None:
    live.run(620.0, live.climate())
    line.take()
    publisher = live.watch.publisher
    assert publisher is not None
    publisher.set_behind(True)
    assert [each.payload for each in line.take()] == [b"NONE"]
    publisher.set_behind(False)
    assert publisher.due(live.machine.wall())
