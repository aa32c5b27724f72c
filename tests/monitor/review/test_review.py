"""The look back through a real log: what the rules say of a job must not change on the way."""

from __future__ import annotations

import dataclasses
import json
import sqlite3
from pathlib import Path

import numpy as np
import planted
import pytest
from command import filmcall
from planted import CLEAN, PLANTS, SECTION
from planted_log import asked
from planted_store import NOW_S, ROWS_EVERY, call, put

from monitor.cli import review as review_command
from monitor.log.log import Store
from monitor.log.rows import QUALITY_CODES
from monitor.review import read as review_read
from monitor.review.figures import TimeStamp
from monitor.review.json import review_dict
from monitor.review.read import read_columns
from monitor.review.report import html_report
from monitor.review.review import NothingToReview, Review, choose_session, review
from monitor.review.text import CAUTION, plain_text
from rules.errors import FilmcallError
from rules.events import Event
from rules.review.causes import Finding
from rules.review.exposure import LimitTimes
from rules.vocabulary import EventKind, LimitName
from sensors.reading import Quality, Quantity, Reading

HOUR = 3600.0
MIDNIGHT = planted.MIDNIGHT_S


def reviewed(store: Store, **wanted: object) -> Review:
    with store:
        return review(store, choose_session(store.sessions(), None), **wanted)  # type: ignore[arg-type]


def first_cause(found: Review) -> str:
    return found.sections[0].verdicts[0].ranked[0].cause.sign.name


@pytest.mark.parametrize(
    ("plant", "defect"),
    [
        ("dew-on-epoxy", "amine bloom"),
        ("fuel-heater-epoxy", "amine bloom"),
        ("damp-over-topcoat", "pinholes"),
        ("stale-pot", "brush marks"),
        ("late-recoat", "peeling"),
        ("old-tape", "tape marks"),
    ],
)
def test_a_planted_cause_is_found_through_the_log(tmp_path: Path, plant: str, defect: str) -> None:
    job = PLANTS[plant](3000)
    found = reviewed(put(tmp_path / "log.db", job), defect=defect)
    straight = asked(job, defect)
    assert found.sections[0].verdicts[0].answer is straight.answer is Finding.SUPPORTED
    assert first_cause(found) == straight.ranked[0].cause.sign.name
    through = found.sections[0].verdicts[0].ranked[0].weight
    assert through == pytest.approx(straight.ranked[0].weight, rel=0.02)


def test_a_clean_job_is_inside_its_spec_and_spoken_for(tmp_path: Path) -> None:
    found = reviewed(put(tmp_path / "log.db", CLEAN["good-system"](3000)), defect="gloss loss")
    assert found.sections[0].verdicts[0].answer is Finding.AGAINST
    text = plain_text(found)
    assert text.count("Inside its spec") == 3
    assert "The air does not explain it. See the causes below, which no sensor sees." in text
    assert "Outside its spec" not in text


def test_the_answer_stands_before_the_figures_and_the_caution_at_the_end(tmp_path: Path) -> None:
    store = put(tmp_path / "log.db", PLANTS["dew-on-topcoat"](3000))
    text = plain_text(reviewed(store, seen="milky in the morning, dull, greasy"))
    why, first_aid = text.index("This log points to dew"), text.index("First aid: ")
    assert why < first_aid < text.index("Two-pack polyurethane topcoat") < text.index("\nSensors")
    assert text.endswith(CAUTION)
    assert "K h and % h: how far past a limit, times how long." in text
    # A topcoat cannot bloom: what was asked and not looked at is named all the same.
    assert "Understood: moisture blush or gloss loss; in the morning" in text
    assert "Left out, since no coat here can have it: amine bloom or blush." in text


def test_without_a_defect_the_review_says_how_to_ask(tmp_path: Path) -> None:
    store = put(tmp_path / "log.db", PLANTS["dew-on-topcoat"](3000))
    last = plain_text(reviewed(store)).splitlines()[-1]
    assert last.startswith("Is something wrong with the film? Say how it looks and feels: ")


@pytest.mark.parametrize("defect", ["poor-adhesion", "amine-bloom"])
def test_a_log_without_a_coat_says_how_to_get_an_answer(tmp_path: Path, defect: str) -> None:
    job = CLEAN["good-primer"](3000)
    bare = dataclasses.replace(job, events=job.events[:1])
    text = plain_text(reviewed(put(tmp_path / "log.db", bare), defect=defect))
    assert "No coat is recorded, so the log can tell no cause of " in text
    assert "look again: filmcall event coat-started --at TIME, and coat-ended." in text
    assert "  No coat is recorded." in text


def test_a_coat_whose_end_nobody_recorded_is_said_so(tmp_path: Path) -> None:
    job = CLEAN["good-primer"](3000)
    begun = tuple(e for e in job.events if e.kind is not EventKind.COAT_ENDED)
    found = reviewed(put(tmp_path / "log.db", dataclasses.replace(job, events=begun)))
    for shown in (plain_text(found), html_report(found)):
        assert " to a time not recorded" in shown


def test_advice_is_given_once_with_the_first_section_that_can_have_the_defect(
    tmp_path: Path,
) -> None:
    # The deck has a topcoat, which cannot bloom; the hull's epoxy can, and comes after it.
    job = PLANTS["dew-on-epoxy"](3000)
    more = [
        Event(kind, MIDNIGHT + hour * HOUR, planted.ENCLOSURE, "a-deck", spec=spec)
        for kind, hour, spec in (
            (EventKind.COAT_STARTED, 30.0, "polyurethane-topcoat"),
            (EventKind.COAT_ENDED, 31.0, None),
        )
    ]
    found = reviewed(put(tmp_path / "log.db", job, more), seen="greasy, milky")
    assert [each.section for each in found.sections] == ["a-deck", SECTION]
    told = [{v.defect.name for v in each.verdicts} for each in found.sections]
    assert "amine-bloom" not in told[0]
    assert "amine-bloom" in told[1]
    for shown in (plain_text(found), html_report(found)):
        assert shown.count("A wet white cloth comes away greasy") == 1


def test_what_was_seen_is_enough_and_others_films_are_left_out(tmp_path: Path) -> None:
    store = put(tmp_path / "log.db", PLANTS["dew-on-topcoat"](3000))
    found = reviewed(store, seen="milky in the morning, dull, lower planks")
    assert [v.defect.name for v in found.sections[0].verdicts] == ["moisture-blush"]
    assert found.seen_says == ("in the morning", "low down, where the hull is coldest")
    assert first_cause(found) == "LOW_MARGIN"


def test_a_correction_of_an_event_counts_from_when_it_is_kept(tmp_path: Path) -> None:
    # The coat was told eight days late; put right, the window is kept.
    store = put(tmp_path / "log.db", PLANTS["late-recoat"](3000))
    events = store.events(planted.ENCLOSURE)
    second = [e for e in events if e.coat == 2]
    first_end = next(e.time_s for e in events if e.kind is EventKind.COAT_ENDED and e.coat == 1)
    for event in second:
        moved = first_end + 24 * HOUR + (event.time_s - second[0].time_s)
        store.add_event(
            dataclasses.replace(event, time_s=moved, corrects=event.row, row=None, recorded_s=None)
        )
    found = reviewed(store, defect="poor-adhesion")
    assert found.sections[0].verdicts[0].ranked == ()


def test_a_value_is_held_until_its_age_runs_out(tmp_path: Path) -> None:
    store = Store.open(tmp_path / "log.db", now_s=lambda: NOW_S)
    times = [0.0, 60.0, 120.0, 180.0, 600.0]
    store.add_readings(
        Reading("tent", "air", Quantity.AIR_TEMP, 1e9 + t, 20.0 + t, Quality.OK, 1e9 + t)
        for t in times
    )
    store.add_readings(
        [Reading("tent", "air", Quantity.AIR_TEMP, 1e9 + 660.0, 5.0, Quality.IMPLAUSIBLE, 1e9)]
    )
    store.flush()
    columns = read_columns(store, "tent", 1, 1e9, 1e9 + 720.0)
    values = columns.of[Quantity.AIR_TEMP][0].values
    store.close()
    assert columns.step_s == 60.0
    # 180 s is three usual intervals: the fourth value holds to 360 s, then nothing is known.
    expected = [20.0, 80.0, 140.0, 200.0, 200.0, 200.0, 200.0, np.nan, np.nan, np.nan, 620.0]
    np.testing.assert_array_equal(values, [*expected, np.nan])
    assert columns.health[0].by_quality == {"implausible": 1}
    assert columns.health[0].gaps == 1
    assert columns.health[0].longest_gap_s == 420.0


def test_what_was_doubted_stands_beside_what_is_believed(tmp_path: Path) -> None:
    doubted = QUALITY_CODES[Quality.DOUBTED]
    with Store.open(tmp_path / "log.db", now_s=lambda: NOW_S) as store:
        rows = [
            (round((MIDNIGHT + 60.0 * at) * 1e6), None, 20.0 + at, None, doubted if at > 2 else 0)
            for at in range(6)
        ]
        store.add_reading_rows("tent", "plank", Quantity.SURFACE_TEMP, rows)
        store.flush()
        found = read_columns(store, "tent", 1, MIDNIGHT, MIDNIGHT + 360.0)
    (column,) = found.of[Quantity.SURFACE_TEMP]
    assert column.values[:3].tolist() == [20.0, 21.0, 22.0]
    assert np.isnan(column.values[3:]).all()
    assert column.doubted is not None
    assert np.isnan(column.doubted[:3]).all()
    assert column.doubted[3:].tolist() == [23.0, 24.0, 25.0]


def test_pieces_join_without_a_seam(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    job = PLANTS["dew-on-epoxy"](3000)
    store = put(tmp_path / "log.db", job)
    whole = read_columns(store, planted.ENCLOSURE, 1, MIDNIGHT, MIDNIGHT + 4 * 86_400.0)
    monkeypatch.setattr(review_read, "PIECE_S", 1234.5)
    told: list[float] = []
    pieces = read_columns(
        store, planted.ENCLOSURE, 1, MIDNIGHT, MIDNIGHT + 4 * 86_400.0, progress=told.append
    )
    store.close()
    for quantity, columns in whole.of.items():
        for one, other in zip(columns, pieces.of[quantity], strict=True):
            np.testing.assert_array_equal(one.values, other.values)
    assert whole.health == pieces.health
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_a_very_long_session_gets_a_coarser_grid_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(review_read, "MOST_CELLS", 5000)
    store = put(tmp_path / "log.db", PLANTS["dew-on-epoxy"](3000))
    found = reviewed(store, defect="amine-bloom")
    assert found.step_s > 60.0
    assert first_cause(found) == "LOW_MARGIN"
    assert review_dict(found)["step_s"] == found.step_s


def test_the_count_of_readings_has_the_last_one_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store.open(tmp_path / "log.db", now_s=lambda: NOW_S)
    rows = [(round((MIDNIGHT + 300.0 * k) * 1e6), None, 20.0, None, 0) for k in range(217)]
    store.add_reading_rows("tent", "air", Quantity.AIR_TEMP, rows)
    store.flush()
    to_s = MIDNIGHT + 300.0 * 216
    # Whole, in pieces whose seams fall on readings, and in pieces whose seams do not.
    for piece_s in (86_400.0 * 7, 300.0, 1234.5):
        monkeypatch.setattr(review_read, "PIECE_S", piece_s)
        columns = read_columns(store, "tent", 1, MIDNIGHT, to_s)
        assert columns.health[0].readings == 217
        assert columns.health[0].gaps == 0
    store.close()


def test_only_the_sessions_own_readings_are_counted(tmp_path: Path) -> None:
    # The hours before it are looked at, for dew on what is coated, but they are not its readings.
    store = Store.open(tmp_path / "log.db", now_s=lambda: NOW_S)
    rows = [
        (round((MIDNIGHT + 60.0 * k) * 1e6), None, 5.0 if k < 360 else 20.0, None, 0)
        for k in range(600)
    ]
    store.add_reading_rows("tent", "air", Quantity.AIR_TEMP, rows)
    store.flush()
    store.add_event(Event(EventKind.SESSION_STARTED, MIDNIGHT + 6 * HOUR, "tent"))
    store.add_event(Event(EventKind.SESSION_ENDED, MIDNIGHT + 9 * HOUR, "tent"))
    (air,) = reviewed(store).sensors
    assert (air.readings, air.low, air.high) == (181, 20.0, 20.0)


def damp_for_twenty_seconds(path: Path, *, thin: bool) -> Review:
    """A day of topcoat in good air, 10 s apart, but 95 % for two readings five hours in."""
    store = Store.open(path, now_s=lambda: NOW_S)
    times = [MIDNIGHT + 10.0 * k for k in range(8640)]
    damp_s = MIDNIGHT + 5 * HOUR + 20.0
    for point, quantity, usual in (
        ("air", Quantity.AIR_TEMP, 20.0),
        ("air", Quantity.HUMIDITY, 55.0),
        ("plank", Quantity.SURFACE_TEMP, 20.0),
    ):
        damp = 95.0 if quantity is Quantity.HUMIDITY else usual
        rows = [
            (round(t * 1e6), None, damp if damp_s <= t < damp_s + 20.0 else usual, None, 0)
            for t in times
        ]
        store.add_reading_rows("tent", point, quantity, rows)
    store.flush()
    for kind, hour in (
        (EventKind.SESSION_STARTED, 0.0),
        (EventKind.COAT_STARTED, 1.0),
        (EventKind.COAT_ENDED, 2.0),
        (EventKind.SESSION_ENDED, 22.999),  # within a minute, so that both count the same
    ):
        spec = "polyurethane-topcoat" if kind is EventKind.COAT_STARTED else None
        store.add_event(Event(kind, MIDNIGHT + hour * HOUR, "tent", spec=spec))
    while thin and store.thin_step(MIDNIGHT + 2 * 86_400.0, 1) is not None:
        pass
    return reviewed(store, defect="moisture-blush")


def test_what_a_minutes_mean_hides_is_told_all_the_same(tmp_path: Path) -> None:
    whole = damp_for_twenty_seconds(tmp_path / "whole.db", thin=False)
    thinned = damp_for_twenty_seconds(tmp_path / "thinned.db", thin=True)

    def humidity(found: Review) -> LimitTimes:
        (coat,) = found.sections[0].coats
        return next(x for x in coat.limits if x.name is LimitName.HUMIDITY_MAX and x.broken_s
                    + x.beyond.partly_s)  # fmt: skip

    # Two readings of six: mean 68.3 %, and 15 % over 80 % for 20 s is 0.083 % h.
    assert (humidity(whole).broken_s, humidity(whole).beyond.partly_s) == (20.0, 0.0)
    assert (humidity(thinned).broken_s, humidity(thinned).beyond.partly_s) == (0.0, 60.0)
    for found in (whole, thinned):
        assert humidity(found).beyond.exposure == pytest.approx(15.0 * 20.0 / HOUR)
        assert humidity(found).beyond.worst == 95.0
    for one, other in zip(whole.sensors, thinned.sensors, strict=True):
        assert (one.readings, one.low, one.high) == (other.readings, other.low, other.high)
        assert (one.usual_interval_s, other.usual_interval_s) == (10.0, 10.0)
        assert other.gaps == 0
        assert (one.thinned, other.thinned) == (0, one.readings)
    assert "minute means" not in plain_text(whole)
    assert "at some time" not in plain_text(whole)
    assert not any("lowest and the highest" in text for text in whole.not_known)
    text = plain_text(thinned)
    assert (
        "Outside its spec at some time within 1 min: dew margin, humidity, in flash; the log ends "
        "before it has cured." in text
    )
    assert "flash, humidity: over 80 % at some time within 1 min, worst 95 %" in text
    assert "about 0 % h" in text
    assert "of them kept as minute means" in text
    assert any("lowest and the highest of each minute" in each for each in thinned.not_known)
    assert "0 s, and at some time within 1 min more" in html_report(thinned)
    limits = review_dict(thinned)["sections"][0]["coats"][0]["limits"]
    assert 60.0 in {limit["partly_broken_s"] for limit in limits}


def test_minutes_that_hide_too_little_make_no_cause_clear(tmp_path: Path) -> None:
    # A minute in which it may have been is no ten minutes in which it was.
    thinned = damp_for_twenty_seconds(tmp_path / "thinned.db", thin=True)
    verdict = thinned.sections[0].verdicts[0]
    assert verdict.ranked == ()
    # But the log ends at 23:00, and this film is open to dew until it has cured.
    assert verdict.answer is Finding.NOT_KNOWN
    assert all(e.after_log_s is not None for e in verdict.still_open)


def test_an_open_session_ends_with_its_last_reading(tmp_path: Path) -> None:
    job = CLEAN["good-primer"](3000)
    found = reviewed(put(tmp_path / "log.db", job))
    assert found.to_s == job.time_s[::ROWS_EVERY][-1]
    assert any("goes on" in text for text in found.not_known)


def coat_from_one_to_two(path: Path, *, hours: float, ended: bool) -> str:
    """What is said of a coat of topcoat in good air, of which the log has so many hours."""
    store = Store.open(path, now_s=lambda: NOW_S)
    for point, quantity, value in (
        ("air", Quantity.AIR_TEMP, 20.0),
        ("air", Quantity.HUMIDITY, 55.0),
        ("plank", Quantity.SURFACE_TEMP, 20.0),
    ):
        rows = [
            (round((MIDNIGHT + 60.0 * k) * 1e6), None, value, None, 0)
            for k in range(round(60 * hours) + 1)
        ]
        store.add_reading_rows("tent", point, quantity, rows)
    store.flush()
    spec = "polyurethane-topcoat"
    store.add_event(Event(EventKind.SESSION_STARTED, MIDNIGHT, "tent"))
    store.add_event(Event(EventKind.COAT_STARTED, MIDNIGHT + HOUR, "tent", spec=spec))
    store.add_event(Event(EventKind.COAT_ENDED, MIDNIGHT + 2 * HOUR, "tent"))
    if ended:
        store.add_event(Event(EventKind.SESSION_ENDED, MIDNIGHT + hours * HOUR, "tent"))
    found = reviewed(store)
    (outcome,) = {coat["outcome"] for coat in review_dict(found)["sections"][0]["coats"]}
    assert outcome in plain_text(found)
    assert outcome in html_report(found)
    return str(outcome)


@pytest.mark.parametrize(
    ("hours", "ended", "said"),
    [
        # The topcoat takes 7 days at 20 °C until it has cured, and limits count until then.
        (10.0, False, "Inside its spec so far."),
        (10.0, True, "Inside its spec; the log ends before it has cured."),
        (24.0 * 14, False, "Inside its spec."),
        (24.0 * 14, True, "Inside its spec."),
    ],
)
def test_only_what_is_over_is_said_to_have_been_inside_its_spec(
    tmp_path: Path, hours: float, ended: bool, said: str
) -> None:
    assert coat_from_one_to_two(tmp_path / "log.db", hours=hours, ended=ended) == said


def test_a_recordings_readings_serve_a_session_that_has_none_of_its_own(tmp_path: Path) -> None:
    store = Store.open(tmp_path / "log.db", now_s=lambda: NOW_S)
    source, _ = store.begin_source("replay", "digest", "logger.csv")
    rows = [(round((MIDNIGHT + 60.0 * k) * 1e6), None, 20.0, None, 0) for k in range(600)]
    store.add_reading_rows("tent", "air", Quantity.AIR_TEMP, rows, source=source)
    store.end_source(source, complete=True)
    store.add_event(Event(EventKind.SESSION_STARTED, MIDNIGHT, "tent", note="told by hand"))
    store.add_event(Event(EventKind.SESSION_ENDED, MIDNIGHT + 9 * HOUR, "tent"))
    with store:
        found = review(store, choose_session(store.sessions(), "told by hand"))
    # Every minute of nine hours, the first and the last included.
    assert found.sensors[0].readings == 541
    assert any("logger.csv" in text for text in found.not_known)
    assert any("No surface was measured" in text for text in found.not_known)
    assert any("No coat is recorded" in text for text in found.not_known)


def test_a_surface_that_was_only_assumed_is_said_and_reckoned_with(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    rows = [f"2026-10-03T{k // 60:02}:{k % 60:02}:00Z,12.0,70.0\n" for k in range(0, 1440, 5)]
    recording = tmp_path / "air.csv"
    recording.write_text("time,temp_air_c,rh_air\n" + "".join(rows))
    played = filmcall("replay", str(recording), "--assumed-surface-offset", "-4 K", "--spec",
                      "two-pack-epoxy-primer", "--db", str(path), "--plain")  # fmt: skip
    assert played.code == 0, played.err
    for kind, at in (("coat-started", "10:00"), ("coat-ended", "11:00")):
        noted = filmcall("event", kind, "--at", f"2026-10-03T{at}:00Z", "--db", str(path))
        assert noted.code == 0, noted.err
    text = review_command.run(db=path)
    assert (
        "No surface was measured. It is assumed to stand 4 K under the coldest air, give or take "
        "2 K; dew margin, surface and clocks rest on that." in text
    )
    # 12 °C less 4 K, under the 10 °C of the spec; its dew point at 70 % is 6.7 (WMO-No. 8 form).
    assert "under 10.0 °C, worst 8.0 °C" in text
    assert "under 3.0 K, worst 1.3 K" in text


def test_a_go_is_told_with_the_reason_that_its_screen_had_first(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    rows = [f"2026-10-03T10:{minute:02}:00Z,20.0,50.0,19.0\n" for minute in range(30)]
    recording = tmp_path / "plank.csv"
    recording.write_text("time,temp_air_c,rh_air,plank_temp_c\n" + "".join(rows))
    played = filmcall("replay", str(recording), "--db", str(path), "--plain")
    go = next(line for line in played.out.splitlines() if "  GO  " in line)
    with Store.open(path, now_s=lambda: 0.0, read_only=True) as store:
        bodies = [json.loads(row.body) for row in store.calls(None, source=2)]
        found = review(store, choose_session(store.sessions(), None))
    texts = [each["text"] for each in bodies[-1]["reasons"]]
    assert any(text.startswith("No outlook yet") for text in texts[1:]), "it decides nothing"
    told = found.sections[0].calls[-1]
    assert (told.call, told.reason.startswith("Inside every limit")) == ("GO", True)
    assert told.reason in go


def test_known_then_leaves_out_what_came_or_was_told_after_the_sessions_end(
    tmp_path: Path,
) -> None:
    clock = [MIDNIGHT]
    path = tmp_path / "log.db"
    store = Store.open(path, now_s=lambda: clock[0])
    for point, quantity, value in (
        ("air", Quantity.AIR_TEMP, 20.0),
        ("air", Quantity.HUMIDITY, 55.0),
        ("plank", Quantity.SURFACE_TEMP, 20.0),
    ):
        # From the fourth hour on the plank's readings came a day late: it had been 9 °C.
        late = quantity is Quantity.SURFACE_TEMP
        rows = []
        for k in range(8 * 60):
            t = MIDNIGHT + 60.0 * k
            after = late and k >= 240
            rows.append(
                (round(t * 1e6), round((t + 86_400.0 * after) * 1e6), 9.0 if after else value,
                 None, 0)
            )  # fmt: skip
        store.add_reading_rows("tent", point, quantity, rows)
    store.flush()

    def told(kind: EventKind, hour: float, recorded_hour: float, **more: object) -> None:
        clock[0] = MIDNIGHT + recorded_hour * HOUR
        store.add_event(Event(kind, MIDNIGHT + hour * HOUR, "tent", **more))  # type: ignore[arg-type]

    told(EventKind.SESSION_STARTED, 0.0, 0.0)
    told(EventKind.COAT_STARTED, 1.0, 1.0, spec="polyurethane-topcoat", coat=1)
    told(EventKind.COAT_ENDED, 2.0, 2.0)
    told(EventKind.SESSION_ENDED, 8.0, 8.005)  # 18 s later, as it is typed
    told(EventKind.NOTE, 3.0, 30.0, note="remembered the day after")
    store.close()
    now, then = review_command.run(db=path), review_command.run(db=path, known="then")
    assert "coldest hull: " in now
    assert "under 10.0 °C, worst 9.0 °C" in now
    assert "remembered the day after" in now
    assert "a minute after the session's end" not in now
    assert "9.0 °C" not in then
    assert "not known" in then
    assert "remembered" not in then
    assert "plank, surface temperature: 240 readings" in then
    assert "what was recorded later is left out (events: 1)" in then


def test_known_is_now_or_then(tmp_path: Path) -> None:
    ran = filmcall("review", "--known", "later", "--db", str(tmp_path / "log.db"))
    assert ran.code == 2
    assert "known 'later' is neither now nor then" in ran.err


def test_calls_stand_as_they_were_told(tmp_path: Path) -> None:
    store = put(tmp_path / "log.db", CLEAN["good-primer"](3000))
    store.add_call(call(MIDNIGHT + 36 * HOUR, "STOP", "humidity 91 %, at most 85 %"))
    found = reviewed(store)
    assert [(c.call, c.reason) for c in found.sections[0].calls] == [
        ("STOP", "humidity 91 %, at most 85 %")
    ]


def test_notes_and_hand_measurements_stand_in_the_text_in_time_order(tmp_path: Path) -> None:
    at = MIDNIGHT + 40 * HOUR
    more = [
        Event(EventKind.NOTE, at + 60.0, planted.ENCLOSURE, SECTION, note="runs\x1b[2J\u202e\nGO"),
        Event(EventKind.MEASURED, at, planted.ENCLOSURE, SECTION,
              what="wood-moisture", value=14.0, unit="pct"),
        Event(EventKind.OVERRULED, at + 30.0, planted.ENCLOSURE),
        Event(EventKind.WIPED, at + 90.0, planted.ENCLOSURE, SECTION, note="with water only"),
        Event(EventKind.TAPE_ON, at + 95.0, planted.ENCLOSURE, SECTION),
    ]  # fmt: skip
    found = reviewed(put(tmp_path / "log.db", CLEAN["good-primer"](3000), more, title="A\x07job"))
    lines = plain_text(found).splitlines()
    assert lines[0].startswith("A\\x07job in ")
    begin = lines.index("Noted and measured by hand")
    # 40 h after the midnight that the job begins with, in UTC.
    day = TimeStamp("Etc/UTC")(at)
    # Each says that it was typed in weeks later; see test_origin.
    assert [line.partition(" (typed in")[0] for line in lines[begin + 1 : begin + 6]] == [
        f"  {day} measured, hull-port: wood-moisture 14 pct",
        f"  {day} overruled: nothing said",
        f"  {TimeStamp('Etc/UTC')(at + 60.0)} note, hull-port: runs\\x1b[2J\\u202e\\x0aGO",
        f"  {TimeStamp('Etc/UTC')(at + 90.0)} wiped, hull-port: with water only",
        "",
    ]
    page = html_report(found)
    assert not {"\x1b", "\x07", "\u202e"} & set(page)
    assert "runs\\x1b[2J\\u202e\\x0aGO" in page
    told = review_dict(found)["events"]
    assert {"wood-moisture"} == {each["what"] for each in told if each["value"] == 14.0}


def test_a_job_about_which_nobody_noted_anything_has_no_such_part(tmp_path: Path) -> None:
    found = reviewed(put(tmp_path / "log.db", CLEAN["good-primer"](3000)))
    assert "Noted and measured" not in plain_text(found)


def test_a_log_that_was_changed_later_says_so(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    put(path, CLEAN["good-primer"](3000)).close()
    with sqlite3.connect(path) as connection:
        connection.execute("DROP TRIGGER IF EXISTS events_kept")
        triggers = connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        for (name,) in triggers.fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute("UPDATE events SET note = 'smoothed' WHERE kind = 'session-started'")
    connection.close()
    text = review_command.run(db=path)
    assert "The log was changed after it was written:" in text


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        ({"defect": "gremlins"}, "defect 'gremlins' is not in the list"),
        ({"seen": "it is blue"}, "fits no defect in the list"),
        ({"section": "keel"}, "section 'keel' is not in this session; it has: hull-port"),
        ({"session": "99"}, "session '99' fits 0 of the log's 1 session"),
        ({"sheet": Path("sheet.xls")}, "neither .csv nor .html"),
        ({"spec": "no-such-spec"}, "no-such-spec"),
    ],
)
def test_what_a_person_can_get_wrong_is_one_sentence(
    tmp_path: Path, wanted: dict[str, object], words: str
) -> None:
    path = tmp_path / "log.db"
    put(path, CLEAN["good-primer"](3000)).close()
    with pytest.raises(FilmcallError, match=words):
        review_command.run(db=path, **wanted)  # type: ignore[arg-type]


def test_a_spec_that_is_gone_is_said_and_the_general_guidance_counts(tmp_path: Path) -> None:
    store = Store.open(tmp_path / "log.db", now_s=lambda: NOW_S)
    rows = [(round((MIDNIGHT + 60.0 * k) * 1e6), None, 20.0, None, 0) for k in range(600)]
    store.add_reading_rows("tent", "air", Quantity.AIR_TEMP, rows)
    store.flush()
    store.add_event(Event(EventKind.SESSION_STARTED, MIDNIGHT, "tent", spec="lost.toml"))
    found = reviewed(store)
    assert [each.name for each in found.specs] == ["general-guidance"]
    assert any("'lost.toml' could not be read" in text for text in found.not_known)


def test_an_empty_log_has_nothing_to_review(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    Store.open(path, now_s=lambda: NOW_S).close()
    with pytest.raises(NothingToReview, match="holds no session and no recording yet"):
        review_command.run(db=path)


def test_json_has_iso_times_and_no_probability(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    put(path, PLANTS["dew-on-epoxy"](3000)).close()
    told = json.loads(review_command.run(db=path, defect="amine bloom", as_json=True))
    verdict = told["sections"][0]["verdicts"][0]
    assert verdict["answer"] == "supported"
    first = verdict["causes"][0]
    assert first["cause"] == "low_margin"
    assert first["first_beyond"].endswith("Z")
    assert "ISO 8502-4" in first["source"]
    assert "no probability" in told["note"]
    assert not any("probab" in key or "chance" in key for key in first)
    limits = told["sections"][0]["coats"][0]["limits"]
    for limit in limits:
        spent = [limit[f"{state}_s"] for state in ("ok", "near", "broken", "unknown")]
        assert sum(spent) > 0.0
    assert {limit["stage"] for limit in limits} == {"apply", "flash", "cure"}


def test_without_a_defect_the_missed_times_are_told_with_their_lengths(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    put(path, PLANTS["late-recoat"](3000)).close()
    text = review_command.run(db=path)
    assert "recoat: coated over" in text
    assert "too late by" in text
    assert "points to" not in text


def test_times_are_shown_in_the_zone_asked_for() -> None:
    # 25 October 2026, 01:30 UTC is 02:30 in Brussels for the second time that night.
    assert TimeStamp("Europe/Brussels")(1_792_891_800.0) == "2026-10-25 02:30 CET"
    assert TimeStamp("Etc/UTC").name == "UTC"
    assert TimeStamp("Nowhere/Land").name == "UTC"


def test_sections_share_the_coldest_plank_where_no_config_tells_them_apart(
    tmp_path: Path,
) -> None:
    job = CLEAN["good-primer"](3000)
    store = put(tmp_path / "log.db", job)
    rows = [(round(t * 1e6), None, 9.0, None, 0) for t in job.time_s[:9000].tolist()]
    store.add_reading_rows(planted.ENCLOSURE, "plank-stbd", Quantity.SURFACE_TEMP, rows)
    store.add_event(Event(EventKind.TAPE_ON, MIDNIGHT + 30 * HOUR, planted.ENCLOSURE, "hull-stbd"))
    found = reviewed(store)
    assert [each.section for each in found.sections] == [SECTION, "hull-stbd"]
    assert any("Which surface point belongs to which section" in t for t in found.not_known)
    assert "surface" in plain_text(found)
