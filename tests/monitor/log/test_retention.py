"""Old readings become minute means: what is kept, what never goes, and what room a log will want.

Means are checked against pandas' resampling and against sums written out by hand. The log of schema
version 1 was written by the program of that time, and is kept as a dump.
"""

from __future__ import annotations

import json
import random
import sqlite3
from collections.abc import Iterator
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from live import ONE_PLANK, Live, Machine

from monitor.log import thin as store_thin
from monitor.log.export import READING_KEYS, export_readings
from monitor.log.log import Store
from monitor.log.retention import (
    KEEP_RAW_DAYS,
    LOOK_EVERY_S,
    MINUTE_BYTES,
    READING_BYTES,
    REFUSED_S,
    STEP_EVERY_S,
    Retention,
    forecast,
)
from monitor.log.rows import QUALITY_CODES, CallRow, LogRefused
from monitor.log.schema import SCHEMA_VERSION, version_of
from monitor.log.thin import ThinningStep
from rules.errors import FilmcallError
from rules.events import Event
from rules.vocabulary import EventKind
from sensors.reading import Quality, Quantity, Reading

# A midnight: `date -u -d @1769990400` by GNU date gives Mon Feb 2 00:00:00 2026.
T0 = 1_769_990_400.0
DAY_S = 86_400.0


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
    offset_s: float, value: float = 20.0, quality: Quality = Quality.OK, point: str = "air"
) -> Reading:
    at = T0 + offset_s
    return Reading("tent", point, Quantity.AIR_TEMP, at, value, quality, at)


def thin_all(store: Store, before_s: float = T0 + DAY_S) -> ThinningStep:
    readings = minutes = 0
    while (done := store.thin_step(before_s, 1)) is not None:
        readings += done.readings
        minutes += done.minutes
    return ThinningStep(readings, minutes)


def whole(store: Store) -> int:
    return int(store.file.connection.execute("SELECT count(*) FROM readings").fetchone()[0])


def test_means_over_cells_are_those_of_pandas_thinned_or_not(store: Store) -> None:
    chance = random.Random(3)
    times = sorted(chance.sample(range(3 * 86_400), 2_000))
    qualities = chance.choices([Quality.OK, Quality.SPIKE, Quality.DOUBTED], (8, 1, 1), k=2_000)
    given = [
        reading(t + 0.25, 20.0 + chance.gauss(0.0, 9.0), quality)
        for t, quality in zip(times, qualities, strict=True)
    ]
    end_s, cells = T0 + 2.5 * DAY_S + 0.25, 800

    def compare() -> None:
        found = store.cell_means(
            "tent", "air", Quantity.AIR_TEMP, end_s, 300.0, cells, least=5.0, most=35.0
        )
        at, value, quality = store.readings("tent", "air", Quantity.AIR_TEMP, to_s=end_s)
        kept = (quality == 0) & (value >= 5.0) & (value <= 35.0)
        back = ((end_s - at[kept]) // 300.0).astype(int)
        means = pd.Series(value[kept]).groupby(back).mean()
        wanted = means.reindex(range(cells - 1, -1, -1)).to_numpy()
        np.testing.assert_allclose(found, wanted, rtol=1e-12)

    store.add_readings(given, [each.value + 0.5 for each in given])
    store.flush()
    compare()
    for each in given[::7]:
        store.note_quality(each, Quality.OK if each.quality is Quality.SPIKE else Quality.SPIKE)
    store.flush()
    compare()
    assert thin_all(store, T0 + 2 * DAY_S).minutes > 10
    compare()
    nowhere = store.cell_means(
        "tent", "bow", Quantity.AIR_TEMP, end_s, 300.0, 3, least=5.0, most=35.0
    )
    assert np.isnan(nowhere).all()


# What a minute becomes -----------------------------------------------------------------------


def test_means_extremes_and_counts_are_those_of_pandas(store: Store) -> None:
    chance = random.Random(7)
    times = sorted(chance.sample(range(0, 7200, 2), 1200))
    values = [20.0 + chance.gauss(0.0, 0.5) for _ in times]
    store.add_readings([reading(t, v) for t, v in zip(times, values, strict=True)])
    store.flush()
    done = thin_all(store)
    minutes = pd.Series(values, index=pd.to_datetime(times, unit="s")).resample("60s")
    expected = pd.DataFrame(
        {"n": minutes.count(), "mean": minutes.mean(), "low": minutes.min(), "high": minutes.max()}
    )
    expected = expected[expected.n > 1]
    found = store.readings("tent", "air", Quantity.AIR_TEMP)
    at, value, quality = found
    means = found.thinned
    assert done == (int(expected.n.sum()), len(expected))
    assert found.counts[means].tolist() == expected.n.tolist()
    # Two ways of adding up the same 64-bit numbers.
    np.testing.assert_allclose(value[means], expected["mean"], rtol=0, atol=1e-12)
    assert found.low[means].tolist() == expected.low.tolist()
    assert found.high[means].tolist() == expected.high.tolist()
    assert int(found.counts.sum()) == 1200
    assert set(quality.tolist()) == {0}
    assert (np.diff(at) > 0).all()
    assert ((at[means] - T0) // 60).tolist() == [t.timestamp() // 60 for t in expected.index]


def test_a_mean_stands_at_the_mean_time_of_its_readings(store: Store) -> None:
    store.add_readings([reading(60.0, 10.0), reading(70.0, 11.0), reading(110.0, 15.0)])
    store.flush()
    assert thin_all(store) == (3, 1)
    found = store.readings("tent", "air", Quantity.AIR_TEMP)
    assert [array.tolist() for array in found] == [[T0 + 80.0], [12.0], [0]]
    assert (found.low.tolist(), found.high.tolist()) == ([10.0], [15.0])


def test_each_quality_of_a_minute_keeps_a_mean_of_its_own(store: Store) -> None:
    given = [
        reading(0.0, 20.0),
        reading(10.0, 22.0),
        reading(20.0, 90.0, Quality.IMPLAUSIBLE),
        reading(30.0, 94.0, Quality.IMPLAUSIBLE),
        reading(40.0, np.nan, Quality.MISSING),
        reading(50.0, np.nan, Quality.MISSING),
        reading(55.0, 40.0, Quality.SPIKE),
    ]
    store.add_readings(given)
    store.flush()
    assert thin_all(store) == (6, 3)
    found = store.readings("tent", "air", Quantity.AIR_TEMP)
    rows = dict(zip(found[2].tolist(), zip(found[1], found.counts, strict=True), strict=True))
    assert rows[QUALITY_CODES[Quality.OK]] == (21.0, 2)
    assert rows[QUALITY_CODES[Quality.IMPLAUSIBLE]] == (92.0, 2)
    assert np.isnan(rows[QUALITY_CODES[Quality.MISSING]][0])
    # Alone in its minute with its quality: it stays as it came.
    assert rows[QUALITY_CODES[Quality.SPIKE]] == (40.0, 1)
    assert found.thinned.sum() == 3


def test_a_quality_found_out_later_counts_and_its_note_goes_with_its_reading(store: Store) -> None:
    spike = reading(10.0, 24.0, Quality.SPIKE)
    store.add_readings([reading(0.0, 20.0), spike])
    store.note_quality(spike, Quality.OK)
    store.flush()
    assert thin_all(store) == (2, 1)
    found = store.readings("tent", "air", Quantity.AIR_TEMP)
    assert (found[1].tolist(), found[2].tolist()) == ([22.0], [0])
    assert store.file.connection.execute("SELECT count(*) FROM reading_notes").fetchone() == (0,)


def test_calibrated_and_raw_means_are_both_kept(store: Store) -> None:
    store.add_readings([reading(0.0, 20.0), reading(10.0, 22.0)], calibrated=[20.5, 22.5])
    store.flush()
    thin_all(store)
    assert store.readings("tent", "air", Quantity.AIR_TEMP)[1].tolist() == [21.5]
    assert store.readings("tent", "air", Quantity.AIR_TEMP, raw=True)[1].tolist() == [21.0]


def test_the_mean_of_equal_values_is_that_value(store: Store) -> None:
    # 0.1 three times adds up to 0.30000000000000004 in 64-bit numbers.
    store.add_readings([reading(t, 0.1) for t in (0.0, 10.0, 20.0)])
    store.flush()
    thin_all(store)
    assert store.readings("tent", "air", Quantity.AIR_TEMP)[1].tolist() == [0.1]


def test_what_was_known_then_leaves_out_a_minute_known_later(store: Store) -> None:
    late = Reading("tent", "air", Quantity.AIR_TEMP, T0 + 10.0, 22.0, Quality.OK, T0 + 500.0)
    store.add_readings([reading(0.0), late, reading(60.0), reading(70.0)])
    store.flush()
    thin_all(store)
    then = store.readings("tent", "air", Quantity.AIR_TEMP, known_s=T0 + 100.0)
    assert then[0].tolist() == [T0 + 65.0]
    now = store.readings("tent", "air", Quantity.AIR_TEMP, known_s=T0 + 500.0)
    assert now[0].tolist() == [T0 + 5.0, T0 + 65.0]


def test_times_before_1970_fall_into_their_own_minute(store: Store) -> None:
    store.add_readings([reading(-T0 + t, t) for t in (-70.0, -65.0, -50.0, -10.0, 5.0, 15.0)])
    store.flush()
    assert thin_all(store) == (6, 3)
    found = store.readings("tent", "air", Quantity.AIR_TEMP)
    assert found[0].tolist() == [-67.5, -30.0, 10.0]
    assert found[1].tolist() == [-67.5, -30.0, 10.0]


# What stays ----------------------------------------------------------------------------------


def test_young_readings_and_slow_channels_stay_whole(store: Store) -> None:
    store.add_readings([reading(t) for t in range(0, 600, 10)])
    store.add_readings([reading(t, point="slow") for t in range(0, 600, 60)])
    store.flush()
    assert thin_all(store, T0 + 300.0) == (30, 5)
    air = store.readings("tent", "air", Quantity.AIR_TEMP)
    assert air.thinned.tolist() == [True] * 5 + [False] * 30
    assert air[0][5] == T0 + 300.0
    assert not store.readings("tent", "slow", Quantity.AIR_TEMP).thinned.any()


def test_what_comes_late_for_a_thinned_time_stays_as_it_came(store: Store) -> None:
    store.add_readings([reading(t) for t in range(0, 120, 10)])
    store.flush()
    thin_all(store)
    for _ in range(3):  # as a broker repeats a retained message
        store.add_readings([reading(5.0, 30.0), reading(7.0, 30.0)])
        store.flush()
        assert thin_all(store) == (0, 0)
    found = store.readings("tent", "air", Quantity.AIR_TEMP)
    assert int(found.counts.sum()) == 14


def test_recordings_calls_and_events_are_never_thinned(store: Store) -> None:
    source, _ = store.begin_source("replay", "digest", "night.csv")
    store.add_readings([reading(t) for t in range(0, 600, 10)], source=source)
    store.end_source(source, complete=True)
    for t in (0.0, 10.0):
        store.add_event(Event(EventKind.NOTE, T0 + t, "tent"))
        store.add_call(CallRow("tent", "all", T0 + t, "HOLD", "prep", "start", "{}"))
    assert store.thin_step(T0 + DAY_S, 1) is None
    assert (whole(store), len(store.events()), len(list(store.calls()))) == (60, 2, 2)


def test_a_step_is_small_and_the_next_goes_on_where_it_ended(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store_thin, "STEP_ROWS", 100)
    store.add_readings([reading(t) for t in range(0, 3600, 2)])
    store.flush()
    steps = []
    while (done := store.thin_step(T0 + DAY_S, 1)) is not None:
        steps.append(done.readings)
    assert sum(steps) == 1800
    assert max(steps) <= 100
    assert whole(store) == 0


def test_a_minute_with_more_than_a_step_is_thinned_whole(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store_thin, "STEP_ROWS", 10)
    store.add_readings([reading(t) for t in range(120)])
    store.flush()
    assert thin_all(store) == (120, 2)


# That it is seen, and the one way ------------------------------------------------------------


def test_a_thinning_has_its_place_in_the_chain(store: Store, tmp_path: Path) -> None:
    store.add_readings([reading(t) for t in range(0, 600, 10)])
    store.flush()
    before = store.head()[0]
    thin_all(store)
    row = store.file.connection.execute("SELECT * FROM thinnings").fetchall()
    assert row == [(1, 1, T0 * 1e6, (T0 + DAY_S) * 1e6, 60, 10, 1, T0 * 1e6)]
    assert store.head()[0] == before + 2  # the thinning, and the means that it left
    assert store.verify() == []
    other = sqlite3.connect(tmp_path / "log.db")
    other.execute("DROP TRIGGER thinnings_no_update")
    other.execute("UPDATE thinnings SET readings = 59")
    other.commit()
    other.close()
    guard, problem = store.verify()
    assert str(guard) == "The log's trigger thinnings_no_update was taken off."
    assert (problem.kind, problem.row) == ("thinning", 1)


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("DELETE FROM readings WHERE time_us >= 1769991000000000", "goes only by thinning"),
        ("DELETE FROM readings", "goes only by thinning"),
        ("DELETE FROM reading_notes", "goes only with its reading"),
        ("UPDATE reading_notes SET quality = 0", "never rewritten"),
        ("UPDATE minutes SET mean = 0", "never rewritten"),
        ("DELETE FROM minutes", "never rewritten"),
        ("UPDATE thinnings SET to_us = 0", "never rewritten"),
        ("DELETE FROM thinnings", "never rewritten"),
    ],
)
def test_nothing_but_thinning_takes_a_reading_away(store: Store, statement: str, told: str) -> None:
    store.add_readings([reading(t) for t in range(0, 1200, 10)])
    store.note_quality(reading(900.0), Quality.STUCK)
    store.flush()
    with pytest.raises(sqlite3.IntegrityError, match="goes only by thinning"):
        store.file.connection.execute("DELETE FROM readings")
    thin_all(store, T0 + 600.0)
    with pytest.raises(sqlite3.IntegrityError, match=told):
        store.file.connection.execute(statement)
    assert whole(store) == 60


def test_a_thinning_that_fails_takes_nothing_away(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.add_readings([reading(t) for t in range(0, 600, 10)])
    store.flush()

    def fail(*_: object) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    with monkeypatch.context() as patched:
        patched.setattr("monitor.log.chain.append", fail)
        with pytest.raises(LogRefused, match="this thinning was not written"):
            store.thin_step(T0 + DAY_S, 1)
    assert whole(store) == 60
    assert not store.readings("tent", "air", Quantity.AIR_TEMP).thinned.any()
    assert thin_all(store) == (60, 10)


def test_the_last_reading_is_found_whole_thinned_and_up_to_a_time(store: Store) -> None:
    channel = ("tent", "air", Quantity.AIR_TEMP)
    assert store.last_reading_s(*channel) is None
    store.add_readings([reading(0.0), reading(10.0), reading(60.0)])
    store.flush()
    assert store.last_reading_s(*channel) == T0 + 60.0
    assert store.last_reading_s(*channel, T0 + 59.0) == T0 + 10.0
    assert store.last_reading_s(*channel, T0 - 1.0) is None
    thin_all(store)
    assert store.last_reading_s(*channel) == T0 + 60.0
    assert store.last_reading_s(*channel, T0 + 59.0) == T0 + 5.0


def test_an_export_tells_means_from_readings(store: Store) -> None:
    store.add_readings(
        [reading(0.0, 20.0), reading(10.0, 22.0), reading(60.0, 21.0)],
        calibrated=[20.5, 22.5, 21.0],
    )
    store.flush()
    thin_all(store)
    file = StringIO()
    assert export_readings(store, file, "csv") == 2
    assert file.getvalue().splitlines() == [
        ",".join(READING_KEYS),
        "2026-02-02T00:00:05Z,2026-02-02T00:00:10Z,live,tent,air,air_temp,degC,"
        "21.0,21.5,ok,2,20.5,22.5",
        "2026-02-02T00:01:00Z,2026-02-02T00:01:00Z,live,tent,air,air_temp,degC,"
        "21.0,21.0,ok,1,21.0,21.0",
    ]


# When ----------------------------------------------------------------------------------------


def fill_days(store: Store, days: range) -> None:
    store.add_readings([reading(day * DAY_S + t) for day in days for t in (0.0, 10.0, 20.0)])
    store.flush()


def run(retention: Retention, from_s: float, looks: int = 200) -> None:
    for number in range(looks):
        retention.look(from_s + number * STEP_EVERY_S)


def test_whole_days_are_kept_and_today_is_not_counted(store: Store) -> None:
    fill_days(store, range(10))
    retention = Retention(store, 3)
    run(retention, T0 + 9 * DAY_S + 3600.0)
    assert (retention.readings, retention.minutes) == (18, 6)
    found = store.readings("tent", "air", Quantity.AIR_TEMP)
    assert found[0][~found.thinned][0] == T0 + 6 * DAY_S


def test_a_winter_without_readings_ages_nothing(store: Store) -> None:
    fill_days(store, range(3))
    run(retention := Retention(store, 3), T0 + 200 * DAY_S)
    assert retention.readings == 0


def test_a_clock_that_jumps_years_ahead_ages_nothing(store: Store) -> None:
    fill_days(store, range(3))
    fill_days(store, range(9000, 9001))
    run(retention := Retention(store, 3), T0 + 9000 * DAY_S)
    assert retention.readings == 0
    # And set right again, what is stamped ahead is not looked at.
    run(retention, T0 + 2 * DAY_S + 60.0)
    assert retention.readings == 0


def test_for_ever_means_for_ever(store: Store) -> None:
    fill_days(store, range(10))
    run(retention := Retention(store, None), T0 + 9 * DAY_S)
    assert retention.readings == 0
    assert whole(store) == 30


@pytest.mark.parametrize("days", [0.0, -3.0, 1.5, float("nan")])
def test_a_time_to_keep_that_is_none_is_told(store: Store, days: float) -> None:
    with pytest.raises(FilmcallError) as caught:
        Retention(store, days)
    assert str(caught.value) == (
        f"keep_raw {days:g} days is not a whole number of days of 1 or more, so no reading is "
        f'thinned. Write it like keep_raw = "400 days".'
    )


class Steps:
    """A log that counts how often it is asked."""

    def __init__(self, answers: list[ThinningStep | LogRefused | None]) -> None:
        self.answers = answers
        self.asked = 0

    def days_kept_s(self, now_s: float, days: int) -> float | None:
        assert days == KEEP_RAW_DAYS
        return now_s - days * DAY_S

    def thin_step(self, before_s: float, keep_days: int) -> ThinningStep | None:
        assert before_s <= T0 + DAY_S - keep_days * DAY_S
        self.asked += 1
        answer = self.answers.pop(0)
        if isinstance(answer, LogRefused):
            raise answer
        return answer


def test_steps_leave_time_between_them_and_a_refusal_leaves_more(store: Store) -> None:
    steps = Steps([ThinningStep(5, 1), ThinningStep(5, 1), LogRefused("log x: full"), None, None])
    retention = Retention(steps)
    now = T0
    assert retention.look(now)
    assert not retention.look(now + 1.0)
    assert steps.asked == 1
    assert retention.look(now + STEP_EVERY_S)
    now += 2 * STEP_EVERY_S
    assert not retention.look(now)
    assert retention.fault == "log x: full"
    assert not retention.look(now + REFUSED_S - 1.0)
    assert steps.asked == 3
    now += REFUSED_S
    retention.look(now)
    assert (steps.asked, retention.fault) == (4, "")
    retention.look(now + LOOK_EVERY_S - 1.0)
    assert steps.asked == 4
    # A clock set back by a year does not put the next look off by a year.
    retention.look(now - 365 * DAY_S)
    assert steps.asked == 5


def test_a_watch_thins_beside_its_work_but_not_by_a_clock_that_cannot_be_right(
    tmp_path: Path,
) -> None:
    class Looks:
        def __init__(self) -> None:
            self.at_s: list[float] = []

        def look(self, now_s: float) -> bool:
            self.at_s.append(now_s)
            return False

    for number, machine in enumerate((Machine(), Machine(wall_ahead_s=0.0))):
        folder = tmp_path / str(number)
        folder.mkdir()
        live = Live(folder, ONE_PLANK, machine)
        looks = Looks()
        live.watch.retention = looks  # type: ignore[assignment]
        live.run(60.0, live.climate())
        assert bool(live.watch.clock_fault) == (number == 1)
        assert bool(looks.at_s) == (number == 0)
        live.kill()


# Versions ------------------------------------------------------------------------------------

# A dump of a log that the first version of the program wrote.
VERSION_1 = (Path(__file__).parents[2] / "data" / "log_version_1.sql").read_text()


def make_version_1(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.executescript(VERSION_1)
    connection.close()


def test_a_log_of_version_1_is_brought_up_to_date_with_all_its_rows(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    make_version_1(path)
    before = sqlite3.connect(path)
    assert before.execute("PRAGMA user_version").fetchone() == (1,)
    tables = ("readings", "reading_notes", "calls", "events", "calibrations", "chain", "specs")
    rows = {name: before.execute(f"SELECT * FROM {name}").fetchall() for name in tables}
    assert all(rows.values())
    before.close()
    with Store.open(path, now_s=lambda: T0) as store:
        assert store.notices == ()
        assert version_of(store.file.connection, "log") == SCHEMA_VERSION
        for name, held in rows.items():
            found = store.file.connection.execute(f"SELECT * FROM {name}").fetchall()
            assert found[: len(held)] == held, name
            assert (len(found) == len(held)) == (name != "chain"), name
        assert store.verify() == []
        found = store.readings("tent", "air", Quantity.AIR_TEMP)
        assert len(found[0]) == 60
        assert thin_all(store, T0 + 300.0) == (30, 5)
        assert store.verify() == []
    with Store.open(path, now_s=lambda: T0, read_only=True) as store:
        assert int(store.readings("tent", "air", Quantity.AIR_TEMP).counts.sum()) == 60


def test_a_new_log_and_one_brought_up_to_date_have_the_same_shape(tmp_path: Path) -> None:
    make_version_1(tmp_path / "old.db")
    shapes = []
    for name in ("old.db", "new.db"):
        with Store.open(tmp_path / name, now_s=lambda: T0) as store:
            shapes.append(
                store.file.connection.execute(
                    "SELECT type, name, sql FROM sqlite_master ORDER BY type, name"
                ).fetchall()
            )
    assert shapes[0] == shapes[1]


def test_an_older_log_on_a_disk_that_can_only_be_read_is_read_from_a_copy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from monitor.log import open as store_open

    path = tmp_path / "log.db"
    make_version_1(path)
    content = path.read_bytes()
    writer = store_open._writer

    def only_elsewhere(file: Path, busy_s: float) -> sqlite3.Connection:
        if file == path:
            error = sqlite3.OperationalError("attempt to write a readonly database")
            error.sqlite_errorcode = sqlite3.SQLITE_READONLY
            raise error
        return writer(file, busy_s)

    monkeypatch.setattr("monitor.log.open._writer", only_elsewhere)
    with Store.open(path, now_s=lambda: T0, read_only=True) as store:
        assert len(store.events()) == 2
        assert len(store.readings("tent", "air", Quantity.AIR_TEMP)[0]) == 60
        with pytest.raises(LogRefused, match="readonly database"):
            store.add_event(Event(EventKind.NOTE, T0, "tent"))
    assert path.read_bytes() == content


# What room it wants --------------------------------------------------------------------------


def test_a_log_that_has_said_too_little_promises_nothing(store: Store) -> None:
    found = forecast(store, free_bytes=1e9)
    assert (found.bytes_a_day, found.days_until_full) == (0.0, float("inf"))
    store.add_readings([reading(t) for t in range(0, 300, 10)])
    store.flush()
    assert forecast(store, free_bytes=1e9).bytes_a_day == 0.0


def test_a_forecast_goes_by_the_last_day_and_by_when_thinning_begins(store: Store) -> None:
    # One day at 10 s: 8,640 readings; as means 1,440 rows.
    store.add_readings([reading(t) for t in range(0, 86_400, 10)])
    store.flush()
    free = store.file.connection.execute("PRAGMA freelist_count").fetchone()[0] * 4096
    for_ever = forecast(store, None, free_bytes=86.4e6 - free)
    # Half a reading's interval of a day is not seen.
    a_day = 8640 * READING_BYTES
    assert for_ever.bytes_a_day == pytest.approx(a_day, rel=2e-4)
    assert for_ever.days_until_full == pytest.approx(86.4e6 / a_day, rel=2e-4)
    thinned = forecast(store, 101, free_bytes=86.4e6 - free)
    means = 1440 * MINUTE_BYTES
    assert thinned.bytes_a_day_thinned == pytest.approx(means, rel=2e-3)
    assert thinned.full_bytes == pytest.approx(101 * a_day, rel=2e-4)
    by_hand = 100 + (86.4e6 - 100 * a_day) / means
    assert thinned.days_until_full == pytest.approx(by_hand, rel=2e-3)
    assert forecast(store, 300, free_bytes=86.4e6 - free).days_until_full == pytest.approx(
        86.4e6 / a_day, rel=2e-4
    )


def test_a_reading_stamped_ahead_does_not_hide_the_growth(store: Store) -> None:
    store.add_readings([reading(t) for t in range(0, 86_400, 10)])
    store.add_readings([reading(9000 * DAY_S)])
    store.flush()
    assert forecast(store, now_s=T0 + DAY_S, free_bytes=1e9).bytes_a_day > 8600 * READING_BYTES


def test_the_disk_is_asked_where_no_room_is_given(store: Store) -> None:
    fill_days(store, range(1))
    assert forecast(store).free_bytes > 0
    assert KEEP_RAW_DAYS == 400
    assert json.dumps(forecast(store).bytes_a_day)
