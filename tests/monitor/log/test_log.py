"""The log takes in readings, calls and events, gives them back, and adds nothing twice."""

from __future__ import annotations

import csv
import json
import math
import random
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from io import StringIO
from pathlib import Path

import numpy as np
import pytest

from monitor.log import write as store_buffer
from monitor.log.export import CALL_KEYS, READING_KEYS, export_calls, export_readings
from monitor.log.log import Store
from monitor.log.rows import (
    LIVE,
    QUALITY_CODES,
    QUALITY_OF_CODE,
    Calibration,
    CallRow,
    Outage,
    micros,
)
from rules.errors import FilmcallError
from rules.events import Event, in_force
from rules.vocabulary import EventKind, Method
from sensors.reading import Quality, Quantity, Reading

T0 = 1_770_000_000.0


class Clock:
    def __init__(self) -> None:
        self.now = T0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(tmp_path: Path, clock: Clock) -> Iterator[Store]:
    with Store.open(tmp_path / "log.db", now_s=clock) as opened:
        yield opened


def reading(
    offset_s: float, value: float = 20.0, quality: Quality = Quality.OK, late_s: float = 0.0
) -> Reading:
    at = T0 + offset_s
    return Reading("tent", "air", Quantity.AIR_TEMP, at, value, quality, at + late_s)


def call(offset_s: float, word: str = "HOLD", **other: object) -> CallRow:
    body = {"call": word, "reasons": [{"state": "near", "text": "margin 3.1 K"}], "section": "x"}
    fields: dict[str, object] = {
        "enclosure": "tent",
        "section": "all",
        "time_s": T0 + offset_s,
        "call": word,
        "stage": "prep",
        "question": "start",
        "body": json.dumps(body),
        **other,
    }
    return CallRow(**fields)  # type: ignore[arg-type]


def air(store: Store, **span: float | None) -> list[tuple[float, float, int]]:
    times, values, quality = store.readings("tent", "air", Quantity.AIR_TEMP, **span)  # type: ignore[arg-type]
    return [
        (float(t), float(v), int(q)) for t, v, q in zip(times - T0, values, quality, strict=True)
    ]


# Readings ------------------------------------------------------------------------------------


def test_readings_come_back_as_they_were(store: Store) -> None:
    store.add_readings(
        [
            reading(20.000001, 21.25),
            reading(0.0, math.nan, Quality.MISSING),
            reading(10.0, -3.5, Quality.STUCK),
        ]
    )
    store.flush()
    times, values, quality = store.readings("tent", "air", Quantity.AIR_TEMP)
    assert times.tolist() == [T0, T0 + 10.0, T0 + 20.000001]
    assert math.isnan(values[0])
    assert values[1:].tolist() == [-3.5, 21.25]
    assert quality.tolist() == [QUALITY_CODES[q] for q in ("missing", "stuck", "ok")]  # type: ignore[index]
    assert quality.dtype == np.uint8


def test_every_quality_has_a_code_of_its_own() -> None:
    assert set(QUALITY_CODES) == set(Quality)
    assert len(set(QUALITY_CODES.values())) == len(Quality)
    assert QUALITY_CODES[Quality.OK] == 0


def test_a_channel_without_readings_gives_empty_arrays(store: Store) -> None:
    times, values, quality = store.readings("tent", "air", Quantity.CO2)
    assert len(times) == len(values) == len(quality) == 0


def test_raw_and_calibrated_values_are_both_kept(store: Store) -> None:
    store.add_readings([reading(0.0, 20.0), reading(10.0, 20.0)], calibrated=[20.4, 20.0])
    store.flush()
    assert [value for _, value, _ in air(store)] == [20.4, 20.0]
    raw = store.readings("tent", "air", Quantity.AIR_TEMP, raw=True)[1]
    assert raw.tolist() == [20.0, 20.0]


def test_a_span_includes_both_its_ends(store: Store) -> None:
    store.add_readings([reading(t) for t in (0.0, 10.0, 20.0, 30.0)])
    store.flush()
    assert [t for t, _, _ in air(store, from_s=T0 + 10.0, to_s=T0 + 20.0)] == [10.0, 20.0]


def test_a_reading_that_comes_twice_is_counted_and_kept_once(store: Store) -> None:
    store.add_readings([reading(0.0, 20.0), reading(0.0, 25.0)])
    store.flush()
    store.add_readings([reading(0.0, 20.0)])
    store.flush()
    assert air(store) == [(0.0, 20.0, 0)]
    assert (store.counts.added, store.counts.duplicates) == (1, 2)


def test_a_late_reading_lands_where_it_belongs(store: Store) -> None:
    store.add_readings([reading(20.0, 22.0)])
    store.flush()
    store.add_readings([reading(10.0, 21.0, late_s=60.0)])
    store.flush()
    assert [t for t, _, _ in air(store)] == [10.0, 20.0]
    assert [t for t, _, _ in air(store, known_s=T0 + 30.0)] == [20.0]


@pytest.mark.parametrize("time_s", [math.nan, math.inf, 1e30, -1e30])
def test_a_time_that_no_log_can_hold_is_counted_and_harms_nothing(
    store: Store, time_s: float
) -> None:
    bad = Reading("tent", "air", Quantity.AIR_TEMP, time_s, 20.0, Quality.CLOCK, T0)
    store.add_readings([reading(0.0), bad, reading(10.0)])
    store.flush()
    assert [t for t, _, _ in air(store)] == [0.0, 10.0]
    assert store.counts.untimed == 1


def test_a_confirmed_spike_is_a_note_beside_the_reading(store: Store, clock: Clock) -> None:
    spike = reading(10.0, 24.0, Quality.SPIKE)
    store.add_readings([reading(0.0), spike])
    clock.now = T0 + 40.0
    store.note_quality(spike, Quality.OK)
    store.flush()
    assert air(store) == [(0.0, 20.0, 0), (10.0, 24.0, 0)]
    # What was known before the note is still known.
    before = store.readings("tent", "air", Quantity.AIR_TEMP, known_s=T0 + 39.0)[2]
    assert before.tolist() == [0, QUALITY_CODES[Quality.SPIKE]]


def test_a_call_does_not_wait_for_what_is_of_other_enclosures(
    store: Store, clock: Clock, tmp_path: Path
) -> None:
    def on_disk(enclosure: str) -> list[list[float]]:
        with Store.open(tmp_path / "log.db", now_s=clock, read_only=True) as other:
            found = other.readings(enclosure, "air", Quantity.AIR_TEMP)
            return [each.tolist() for each in found[1:]]

    mine, theirs = reading(0.0), replace(reading(0.0), enclosure="booth")
    store.add_readings([mine, theirs])
    for each in (mine, theirs):
        store.note_quality(each, Quality.SPIKE)
    store.add_call(call(0.0))
    spike = QUALITY_CODES[Quality.SPIKE]
    assert on_disk("tent") == [[20.0], [spike]]
    assert on_disk("booth") == [[], []]
    clock.now = T0 + 2.0
    store.tick()
    assert on_disk("booth") == [[20.0], [spike]]
    assert store.waiting == (0, 0)


def test_no_call_waits_for_the_file_to_be_put_in_order(
    store: Store, clock: Clock, tmp_path: Path
) -> None:
    """SQLite checkpoints inside the commit that fills its write-ahead log."""
    store.file.rows("PRAGMA wal_autocheckpoint = 1")
    before = (tmp_path / "log.db").read_bytes()
    store.add_call(call(0.0))
    assert (tmp_path / "log.db").read_bytes() == before
    store.add_readings([reading(0.0)])
    clock.now = T0 + 2.0
    store.tick()
    assert (tmp_path / "log.db").read_bytes() != before


def test_readings_reach_the_disk_by_tick_within_two_seconds(
    store: Store, clock: Clock, tmp_path: Path
) -> None:
    def on_disk() -> int:
        with Store.open(tmp_path / "log.db", now_s=clock, read_only=True) as other:
            return len(other.readings("tent", "air", Quantity.AIR_TEMP)[0])

    store.add_readings([reading(0.0)])
    clock.now = T0 + 1.9
    store.tick()
    assert on_disk() == 0
    clock.now = T0 + 2.0
    store.tick()
    assert on_disk() == 1
    store.add_readings([reading(10.0)])
    clock.now = T0 - 3600.0  # set back an hour
    store.tick()
    assert on_disk() == 2


def test_a_call_takes_the_readings_before_it_to_disk(
    store: Store, clock: Clock, tmp_path: Path
) -> None:
    store.add_readings([reading(0.0)])
    store.add_call(call(0.0))
    with Store.open(tmp_path / "log.db", now_s=clock, read_only=True) as other:
        assert len(air(other)) == 1
        assert other.last_call("tent", "all") is not None


def test_channels_and_the_newest_time_are_told(store: Store, clock: Clock) -> None:
    assert store.newest_time_s() is None
    store.add_readings([reading(0.0, late_s=7.0)])
    store.flush()
    assert [(c.enclosure, c.point, c.quantity) for c in store.channels()] == [
        ("tent", "air", Quantity.AIR_TEMP)
    ]
    assert store.newest_time_s() == T0 + 7.0
    clock.now = T0 + 9.0
    store.add_event(Event(EventKind.WASHED, T0 - 60.0, "tent"))
    assert store.newest_time_s() == T0 + 9.0


# Calls ---------------------------------------------------------------------------------------


def test_the_last_call_is_the_one_written_last_whatever_the_clock(store: Store) -> None:
    store.add_call(call(3600.0, "GO"))
    store.add_call(call(0.0, "STOP"))
    store.add_call(call(5.0, "GO", section="hull-port"))
    last = store.last_call("tent", "all")
    assert last is not None
    assert (last.call, last.time_s, last.logged_s) == ("STOP", T0, T0)
    assert json.loads(last.body)["reasons"][0]["text"] == "margin 3.1 K"
    assert store.last_call("tent", "deck") is None
    assert [c.call for c in store.calls("tent")] == ["GO", "STOP", "GO"]
    assert [c.call for c in store.calls("tent", T0 + 1.0, T0 + 10.0)] == ["GO"]


def test_a_replays_stop_is_no_live_stop(store: Store) -> None:
    source, _ = store.begin_source("replay", "digest", "night.csv")
    store.add_call(call(0.0, "STOP", source=source))
    store.end_source(source, complete=True)
    assert store.last_call("tent", "all") is None
    assert store.last_call("tent", "all", source=source) is not None


def test_a_call_that_is_none_is_refused_and_harms_nothing(store: Store) -> None:
    with pytest.raises(ValueError, match="none of GO, HOLD, STOP"):
        store.add_call(call(0.0, "go"))
    with pytest.raises(LookupError, match="source 9 was never begun"):
        store.add_call(call(0.0, source=9))
    with pytest.raises(LookupError, match="source 9 was never begun"):
        store.add_readings([reading(0.0)], source=9)
    assert store.add_call(call(0.0)) == 1


# Replays -------------------------------------------------------------------------------------


def play(store: Store, readings: int = 5) -> tuple[int, bool]:
    source, complete = store.begin_source("replay", "sha256 of file and config", "night.csv")
    store.add_readings([reading(10.0 * i) for i in range(readings)], source=source)
    store.add_call(call(0.0, "HOLD", source=source))
    store.add_call(call(10.0, "GO", source=source))
    store.end_source(source, complete=True)
    return source, complete


def test_the_same_replay_twice_adds_nothing_twice(store: Store) -> None:
    source, complete = play(store)
    assert not complete
    head = store.head()
    again, complete = play(store)
    assert (again, complete) == (source, True)
    assert store.head() == head
    assert len(store.readings("tent", "air", Quantity.AIR_TEMP, source=source)[0]) == 5
    assert [c.call for c in store.calls(source=source)] == ["HOLD", "GO"]
    assert store.counts.duplicates == 5
    assert [s.title for s in store.sources()] == ["live", "night.csv"]


def test_a_replay_does_not_wait_for_the_disk_at_every_call(store: Store, clock: Clock) -> None:
    source, _ = store.begin_source("replay", "digest", "night.csv")
    for number in range(20):
        store.add_readings([reading(10.0 * number)], source=source)
        assert store.add_call(call(10.0 * number, source=source)) is None
        store.tick()
    assert store.waiting == (20, 20)
    clock.now += 2.0
    store.tick()
    assert store.waiting == (0, 0)
    assert len(list(store.calls(source=source))) == 20


def test_a_replay_that_is_marked_whole_is_on_disk_whole(store: Store) -> None:
    source, _ = play(store, readings=12_000)
    assert store.waiting == (0, 0)
    assert len(store.readings("tent", "air", Quantity.AIR_TEMP, source=source)[0]) == 12_000


def test_an_interrupted_replay_goes_on_where_it_was(store: Store) -> None:
    source, _ = store.begin_source("replay", "sha256 of file and config", "night.csv")
    store.add_readings([reading(0.0), reading(10.0)], source=source)
    store.add_call(call(0.0, "HOLD", source=source))
    store.end_source(source, complete=False)
    again, complete = play(store)
    assert (again, complete) == (source, False)
    assert len(store.readings("tent", "air", Quantity.AIR_TEMP, source=source)[0]) == 5
    assert store.verify() == []


def test_live_readings_and_those_of_a_replay_stand_apart(store: Store) -> None:
    source, _ = play(store, readings=3)
    store.add_readings([reading(0.0, 5.0)])
    store.flush()
    assert air(store) == [(0.0, 5.0, 0)]
    assert len(store.readings("tent", "air", Quantity.AIR_TEMP, source=source)[0]) == 3
    assert {c.source for c in store.channels()} == {LIVE, source}


def test_more_rows_at_once_than_memory_may_keep_all_reach_the_disk(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store_buffer, "KEPT_ROWS", 300)
    monkeypatch.setattr(store_buffer, "COMMIT_ROWS", 50)
    rows = [(micros(T0 + k), None, 20.0, None, 0) for k in range(1000)]
    for at in range(0, 1000, 500):
        store.add_reading_rows("tent", "air", Quantity.AIR_TEMP, rows[at : at + 500])
    store.flush()
    assert len(store.readings("tent", "air", Quantity.AIR_TEMP)[0]) == 1000
    assert (store.counts.dropped, store.outages()) == (0, ())


def test_bare_rows_are_the_same_as_readings(store: Store) -> None:
    rows = [(micros(T0 + i), None, 20.0 + i, None, 0) for i in range(3)]
    store.add_reading_rows("tent", "air", Quantity.AIR_TEMP, rows)
    store.add_readings([reading(float(i), 20.0 + i) for i in range(4)])
    store.flush()
    assert air(store) == [(float(i), 20.0 + i, 0) for i in range(4)]
    assert store.counts.duplicates == 3


# Events and sessions -------------------------------------------------------------------------

FULL = Event(
    kind=EventKind.MIXED,
    time_s=T0 + 0.25,
    enclosure="tent",
    section="hull-port",
    note="a cold tin; brought in overnight — 3 °C",
    spec="epoxy-primer",
    coat=2,
    batch="B7",
    amount_ml=750.0,
    thinner_pct=5.0,
    method=Method.ROLLER,
    what="mix-temperature",
    value=14.5,
    unit="degC",
)


def test_an_event_comes_back_whole(store: Store, clock: Clock) -> None:
    clock.now = T0 + 100.0
    kept = store.add_event(FULL, station="shed-pi")
    assert kept.row == 1
    assert kept.recorded_s == T0 + 100.0
    assert store.events() == (kept,)
    assert store.events("tent") == (kept,)
    assert store.events("shed") == ()


def test_only_what_other_shells_added_is_asked_for(store: Store) -> None:
    first = store.add_event(FULL)
    second = store.add_event(FULL)
    assert first.row is not None
    assert store.events(after_row=first.row) == (second,)


def test_a_correction_is_a_row_of_its_own(store: Store) -> None:
    wrong = store.add_event(Event(EventKind.COAT_STARTED, T0, "tent", coat=1))
    right = store.add_event(Event(EventKind.COAT_STARTED, T0 + 60.0, "tent", coat=1, corrects=1))
    assert store.events() == (wrong, right)
    assert in_force(store.events()) == (right,)


@pytest.mark.parametrize(
    ("corrects", "enclosure", "text"),
    [
        (99, "tent", "event row 99: there is none of that number"),
        (1, "shed", "it belongs to enclosure 'tent' and not to 'shed'"),
        (2, "tent", "row 3 already takes its place, so nothing was corrected. Correct row 3."),
    ],
)
def test_a_correction_of_the_wrong_row_is_refused(
    store: Store, corrects: int, enclosure: str, text: str
) -> None:
    for corrected in (None, None, 2):
        store.add_event(Event(EventKind.NOTE, T0, "tent", corrects=corrected))
    with pytest.raises(FilmcallError, match=text):
        store.add_event(Event(EventKind.NOTE, T0, enclosure, corrects=corrects))
    assert len(store.events()) == 3
    assert store.verify() == []


@pytest.mark.parametrize(
    "event",
    [
        Event(EventKind.MIXED, T0, "tent", amount_ml=math.nan),
        Event(EventKind.MIXED, math.inf, "tent"),
        Event(EventKind.NOTE, T0, "tent", note="\udcff"),
        Event(EventKind.NOTE, T0, "tent", withdrawn=True),
    ],
)
def test_an_event_that_no_log_keeps_is_refused(store: Store, event: Event) -> None:
    with pytest.raises(FilmcallError, match="the event was not kept"):
        store.add_event(event)
    assert store.events() == ()


def test_sessions_run_from_their_start_to_their_end(store: Store) -> None:
    for kind, offset, note in (
        (EventKind.SESSION_STARTED, 0.0, "port side"),
        (EventKind.SESSION_ENDED, 3600.0, ""),
        (EventKind.SESSION_STARTED, 7200.0, "deck"),
        (EventKind.SESSION_STARTED, 9000.0, "deck again"),
    ):
        store.add_event(Event(kind, T0 + offset, "tent", note=note, spec="epoxy-primer"))
    source, _ = play(store)
    told = [
        (s.session, s.kind, s.title, s.started_s - T0, s.ended_s and s.ended_s - T0)
        for s in store.sessions()
    ]
    assert told == [
        (None, "replay", "night.csv", 0.0, 40.0),
        (1, "live", "port side", 0.0, 3600.0),
        (3, "live", "deck", 7200.0, 9000.0),
        (4, "live", "deck again", 9000.0, None),
    ]
    assert store.sessions()[0].source == source


# Specs, calibrations, outages ----------------------------------------------------------------


def test_a_specs_text_is_kept_once_as_it_stood(store: Store) -> None:
    digest = store.keep_spec("name = 'x'\n")
    assert store.keep_spec("name = 'x'\n") == digest
    # printf "name = 'x'\n" | sha256sum, GNU coreutils 9.1
    assert digest == "6d4b2ecad21db56f00772296f261954a6a22d5f9df693da757b18721cefc8a7b"
    assert store.spec_text(digest) == "name = 'x'\n"
    assert store.spec_text("0" * 64) is None


def test_calibrations_and_outages_come_back(store: Store) -> None:
    kept = store.add_calibration(Calibration("tent", "air", Quantity.HUMIDITY, T0, '{"a": 1}'))
    assert store.calibrations("tent") == (kept,)
    assert store.calibrations("shed") == ()
    outage = Outage("broker-lost", T0, T0 + 60.0, "the broker was away for 60 s", "tent")
    going_on = Outage("program-stopped", T0 + 500.0, None, "the program stopped")
    store.add_outage(outage)
    store.add_outage(going_on)
    assert store.outages() == (outage, going_on)
    assert store.outages(T0 + 30.0, T0 + 40.0) == (outage,)
    assert store.outages(T0 + 61.0, T0 + 70.0) == ()


# Nothing is rewritten ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE events SET note = 'better'",
        "DELETE FROM events",
        "UPDATE calls SET call = 'GO'",
        "DELETE FROM chain",
        "UPDATE readings SET raw = 1.0",
    ],
)
def test_the_file_itself_refuses_to_rewrite(store: Store, tmp_path: Path, sql: str) -> None:
    store.add_readings([reading(0.0)])
    store.add_event(FULL)
    store.add_call(call(0.0))
    other = sqlite3.connect(tmp_path / "log.db")
    with pytest.raises(sqlite3.IntegrityError, match="never rewritten"):
        other.execute(sql)
    other.close()


# Export --------------------------------------------------------------------------------------


def test_readings_are_exported_as_csv_and_json_lines(store: Store, tmp_path: Path) -> None:
    spike = reading(10.5, 24.0, Quality.SPIKE, late_s=1.0)
    store.add_readings([reading(0.0), spike], calibrated=[20.5, 24.0])
    store.add_readings([reading(20.0, math.nan, Quality.MISSING)])
    store.note_quality(spike, Quality.OK)
    store.flush()
    out = tmp_path / "out"
    with out.open("w", newline="") as file:
        assert export_readings(store, file, "csv") == 3
    # T0 by GNU date: `date -u -d @1770000000` gives Mon Feb 2 02:40:00 2026.
    assert out.read_text().splitlines() == [
        ",".join(READING_KEYS),
        "2026-02-02T02:40:00Z,2026-02-02T02:40:00Z,live,tent,air,air_temp,degC,20.0,20.5,ok,1,20.5,20.5",
        "2026-02-02T02:40:10.500000Z,2026-02-02T02:40:11.500000Z,live,tent,air,air_temp,degC,"
        "24.0,24.0,ok,1,24.0,24.0",
        "2026-02-02T02:40:20Z,2026-02-02T02:40:20Z,live,tent,air,air_temp,degC,,,missing,1,,",
    ]
    with out.open("w") as file:
        assert export_readings(store, file, "jsonl", from_s=T0 + 20.0) == 1
    (line,) = [json.loads(each) for each in out.read_text().splitlines()]
    assert tuple(line) == READING_KEYS
    assert (line["value"], line["quality"]) == (None, "missing")


@pytest.mark.parametrize("fmt", ["csv", "jsonl"])
def test_an_export_reads_back_as_it_stands_in_the_log(store: Store, fmt: str) -> None:
    """The checks are the standard library's readers and datetime, and SQLite's own rows."""
    rng = random.Random(20)
    given = {}
    point = 'bow, "port" 50 %s'
    for number in range(1, 400):
        time_us = round(T0 * 1e6) - 10**15 + number * rng.choice((1, 10**6, 61 * 10**6, 10**11))
        raw = rng.choice((None, 0.0, -0.0, 1e-7, -12.5, 3.0e17, rng.gauss(15.0, 9.0)))
        meant = rng.choice((None, raw, -0.0, 20.25)) if raw is not None else None
        late_us = rng.choice((None, time_us, time_us + rng.randrange(10**8)))
        given[time_us] = (time_us, late_us, raw, meant, rng.choice((0, 2, 5)))
    rows = [given[time_us] for time_us in sorted(given)]
    store.add_reading_rows("tent", point, Quantity.AIR_TEMP, rows)
    store.flush()
    file = StringIO()
    assert export_readings(store, file, fmt) == len(rows)
    file.seek(0)
    read = csv.DictReader(file) if fmt == "csv" else map(json.loads, file)
    for row, line in zip(rows, read, strict=True):
        time_us, late_us, raw, meant, code = row
        meant = raw if meant is None else meant
        moment = datetime.fromisoformat("1970-01-01T00:00:00Z")
        for key, instant_us in (("time", time_us), ("received", late_us or time_us)):
            assert datetime.fromisoformat(line[key]) == moment + timedelta(microseconds=instant_us)
        assert line["point"] == point
        assert line["quality"] == str(QUALITY_OF_CODE[code])
        for key in ("value", "calibrated", "low", "high"):
            value = raw if key == "value" else meant
            # SQLite keeps -0.0 as 0.
            assert line[key] in ((None, "") if value is None else (value + 0.0, repr(value + 0.0)))


def test_calls_are_exported_as_csv_and_json_lines(store: Store, tmp_path: Path) -> None:
    play(store)
    store.add_call(call(60.0, "STOP"))
    out = tmp_path / "out"
    with out.open("w", newline="") as file:
        assert export_calls(store, file, "csv", source=LIVE) == 1
    assert out.read_text().splitlines() == [
        ",".join(CALL_KEYS),
        "3,2026-02-02T02:41:00Z,2026-02-02T02:40:00Z,live,tent,all,STOP,prep,start,margin 3.1 K",
    ]
    with out.open("w") as file:
        assert export_calls(store, file, "jsonl") == 3
    first = json.loads(out.read_text().splitlines()[0])
    assert first["source"] == "replay 2"
    assert first["reasons"] == [{"state": "near", "text": "margin 3.1 K"}]
    assert first["section"] == "all"  # the log's column, not the body's
    with pytest.raises(FilmcallError, match="export format 'xml' is none of csv, jsonl"):
        export_calls(store, out.open("w"), "xml")


def test_a_text_that_a_spreadsheet_would_run_is_guarded_in_csv_and_exact_in_json_lines(
    store: Store, tmp_path: Path
) -> None:
    """Which signs begin a formula: the open web security project's page on CSV injection."""
    names = ["=cmd|'/c calc'!A0", "+1", "-1", "@SUM(1)", "\tx", "\rx", "hull"]
    for name in names:
        store.add_call(replace(call(0.0), enclosure=name))
    store.add_readings([reading(0.0, -3.5)])
    store.flush()
    out = tmp_path / "out"
    with out.open("w", newline="") as file:
        export_calls(store, file, "csv")
    with out.open(newline="") as file:
        told = [row["enclosure"] for row in csv.DictReader(file)]
    assert told == ["'" + name.replace("\r", "\n") for name in names[:-1]] + ["hull"]
    with out.open("w") as file:
        export_calls(store, file, "jsonl")
    assert [json.loads(line)["enclosure"] for line in out.read_text().splitlines()] == names
    with out.open("w", newline="") as file:
        export_readings(store, file, "csv")
    assert ",-3.5," in out.read_text()  # a figure is none


@pytest.mark.parametrize(("letters", "kept"), [(4000, True), (4001, False)])
def test_a_note_is_kept_up_to_4000_letters(store: Store, letters: int, kept: bool) -> None:
    event = Event(EventKind.NOTE, T0, "tent", note="x" * letters)
    if kept:
        assert store.add_event(event).note == event.note
        return
    with pytest.raises(FilmcallError) as caught:
        store.add_event(event)
    assert str(caught.value) == (
        "event note: note has 4,001 letters, over the 4,000 that are kept, so the event was not "
        "recorded. Shorten it, or keep the text as a file."
    )
    assert store.events() == ()
