"""Where calls and events come from: nothing reckoned later passes for what was told at its time.

What must be said is DEVELOPERS.md's "What a log proves"; no outside source.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from command import filmcall

from monitor.log.rows import CallRow
from monitor.review.origin import CallOrigin, call_origin, calls_heading, event_origin
from rules.events import Event
from rules.vocabulary import EventKind

HOUR = 3600.0
DAY = 24.0 * HOUR


def row(time_s: float, logged_s: float, source: int = 1) -> CallRow:
    return CallRow("tent", "hull", time_s, "GO", "prep", "start", "{}", source, logged_s, 1)


def coat(time_s: float, recorded_s: float, **more: object) -> Event:
    return Event(
        EventKind.COAT_STARTED,
        time_s,
        "tent",
        "hull",
        recorded_s=recorded_s,
        **more,  # type: ignore[arg-type]
    )


@pytest.mark.parametrize(
    ("kept", "kind", "events", "origin"),
    [
        (row(0.0, 0.2), "live", [], CallOrigin.LIVE),
        (row(0.0, 600.0), "live", [], CallOrigin.UNLOGGED),
        (row(0.0, 52.0 * DAY, 2), "replay", [], CallOrigin.LATER),
        (row(0.0, 1.0, 2), "simulate", [], CallOrigin.SIMULATED),
        (row(HOUR, HOUR), "live", [coat(0.0, 2 * HOUR)], CallOrigin.BEFORE_EVENT),
        (row(3 * HOUR, 3 * HOUR), "live", [coat(0.0, 2 * HOUR)], CallOrigin.LIVE),
        (row(HOUR, HOUR), "live", [coat(2 * HOUR, 5 * HOUR)], CallOrigin.LIVE),
    ],
)
def test_each_call_says_how_it_came(
    kept: CallRow, kind: str, events: list[Event], origin: CallOrigin
) -> None:
    assert call_origin(kept, kind, events) is origin


def test_each_event_says_when_it_was_typed_in() -> None:
    assert event_origin(coat(0.0, 30.0)) == "live"
    assert event_origin(coat(0.0, 2 * HOUR)) == "typed in 2 h later"
    assert event_origin(coat(0.0, 2 * HOUR, corrects=7)) == "corrects row 7, typed in 2 h later"


def test_only_calls_that_were_told_are_headed_so() -> None:
    live, later = CallOrigin.LIVE, CallOrigin.LATER
    assert calls_heading([live, live], 0.0) == "calls as they were given at the time"
    assert calls_heading([later], 52 * DAY).startswith("calls worked out 52 d")
    assert "1 of 2 calls before" in calls_heading([live, CallOrigin.BEFORE_EVENT], 0.0)
    assert "nobody acted on them" in calls_heading([CallOrigin.SIMULATED], 0.0)


def test_a_recording_and_what_was_typed_in_or_taken_back_are_headed_so(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    rows = [f"2026-10-03T10:{minute:02}:00Z,20.0,50.0,19.0\n" for minute in range(30)]
    (tmp_path / "plank.csv").write_text("time,temp_air_c,rh_air,plank_temp_c\n" + "".join(rows))
    filmcall("replay", str(tmp_path / "plank.csv"), "--db", str(path), "--plain")
    at = ("--enclosure", "recording", "--db", str(path), "--at")
    filmcall("event", "coat-started", *at, "2026-10-03T10:05:00Z")
    filmcall("event", "washed", *at, "2026-10-03T10:02:00Z")
    filmcall("event", "washed", *at, "2026-10-03T10:02:00Z", "--corrects", "2", "--withdraw")
    page = tmp_path / "page.html"
    said = filmcall("review", "--db", str(path), "--html", str(page))
    assert said.code == 0, said.err
    assert "later from a recording; nobody saw them then" in said.out
    text = page.read_text("utf-8")
    assert "as they were told at the time" not in text
    assert "nobody saw its calls at the time" in text
    assert "washed: withdrawn" in text
    found = json.loads(filmcall("review", "--db", str(path), "--json").out)
    assert {call["origin"] for call in found["sections"][0]["calls"]} == {"reckoned later"}
    assert found["events"][0]["written_down"].startswith("typed in ")
    assert [each["event"] for each in found["withdrawn"]] == ["washed"]


@pytest.mark.parametrize("vouched_first", [False, True])
def test_a_probe_vouched_for_after_its_recording_was_played_is_said_to_stay_doubted(
    vouched_first: bool, tmp_path: Path
) -> None:
    """The plank jumps 5 K within a minute beside still air, at 12:00; vouched for from 12:10 on."""
    minutes = ((hour, minute) for hour in range(10, 14) for minute in range(60))
    rows = [
        f"2026-10-03T{hour}:{minute:02}:00Z,20.0{minute % 3},50.{minute % 7},"
        f"{(19.0 if hour < 12 else 24.0) + 0.01 * (minute % 5):.2f}\n"
        for hour, minute in minutes
    ]
    (tmp_path / "plank.csv").write_text("time,temp_air_c,rh_air,plank_temp_c\n" + "".join(rows))
    db = ("--db", str(tmp_path / "log.db"))
    where = ("--enclosure", "recording", *db)
    steps = [
        ("replay", str(tmp_path / "plank.csv"), *db, "--plain"),
        ("event", "vouched", "--point", "plank", *where, "--at", "2026-10-03T12:10:00Z"),
    ]
    for step in reversed(steps) if vouched_first else steps:
        ran = filmcall(*step)
        assert ran.code == 0, ran.err
    filmcall("event", "coat-started", "--enclosure", "recording", *db, "--at", "2026-10-03T11:00Z")
    told = filmcall("review", *db).out
    assert "doubted" in told
    words = "plank was vouched for after its recording was played:"
    assert (words in told) is not vouched_first
