"""Forecast files as people write them: columns, units, zones, gaps, age, and every refusal."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from sensors.forecast import (
    ForecastFault,
    ForecastHours,
    forecast_of_json,
    joined,
    laid_over,
    read_forecast,
    within_time,
)

NOON_S = datetime(2026, 4, 25, 12, tzinfo=UTC).timestamp()

CSV = """time,temperature,dew_point,sun,wind
2026-04-25T12:00Z,11.5,7.0,420,3
2026-04-25T13:00Z,12.0,7.2,390,3
2026-04-25T14:00Z,12.2,7.1,300,4
"""


def written(folder: Path, text: str, name: str = "forecast.csv") -> Path:
    path = folder / name
    path.write_text(text, "utf-8")
    return path


def test_columns_are_found_by_their_names(tmp_path: Path) -> None:
    hours = read_forecast(written(tmp_path, CSV))
    assert hours.time_s.tolist() == [NOON_S, NOON_S + 3600.0, NOON_S + 7200.0]
    assert hours.temp_c.tolist() == [11.5, 12.0, 12.2]
    assert hours.dew_point_c.tolist() == [7.0, 7.2, 7.1]
    assert hours.sun_w_m2 is not None
    assert hours.sun_w_m2.tolist() == [420.0, 390.0, 300.0]
    assert hours.made_s is None
    assert "Column 'dew_point' is taken for dew point." in hours.notices


def test_a_mapping_names_columns_and_units(tmp_path: Path) -> None:
    # 53.6 and 44.6 degF are 12 and 7 degC exactly (NIST SP 811, B.8).
    text = "wann;T2;feucht\n2026-04-25T12:00Z;53,6;71\n2026-04-25T13:00Z;44,6;80\n"
    hours = read_forecast(
        written(tmp_path, text),
        columns={"time": "wann", "temp": "T2", "rh": "feucht"},
        units={"temp": "degF"},
    )
    assert hours.temp_c == pytest.approx([12.0, 7.0])
    assert hours.rh_pct.tolist() == [71.0, 80.0]
    assert np.isnan(hours.dew_point_c).all()


def test_local_times_take_their_zone_and_without_one_it_is_said(tmp_path: Path) -> None:
    text = CSV.replace("Z,", ",")
    path = written(tmp_path, text)
    plain = read_forecast(path)
    assert plain.time_s[0] == NOON_S
    assert any("read as UTC" in notice for notice in plain.notices)
    local = read_forecast(path, timezone="Europe/Brussels")  # two hours ahead in April
    assert local.time_s[0] == NOON_S - 7200.0
    assert not any("read as UTC" in notice for notice in local.notices)


@pytest.mark.parametrize(
    "text",
    [
        json.dumps(
            [
                {"time": "2026-04-25T12:00:00+00:00", "temp": 11.5, "dewPoint": 7.0},
                {"time": "2026-04-25T13:00:00+00:00", "temp": 12.0, "dewPoint": 7.2},
            ]
        ),
        json.dumps(
            {
                "made": "2026-04-25T06:00Z",
                "hours": {"time": [NOON_S, NOON_S + 3600], "temp": [11.5, 12.0],
                          "dew_point": [7.0, 7.2]},
            }
        ),
        json.dumps(
            {"made": NOON_S - 21600, "hours": [
                {"time": NOON_S * 1000, "temp": 11.5, "dew_point": 7.0},
                {"time": (NOON_S + 3600) * 1000, "temp": 12.0, "dew_point": 7.2}]}
        ),
    ],
)  # fmt: skip
def test_json_comes_as_a_list_of_hours_or_as_lists(tmp_path: Path, text: str) -> None:
    hours = read_forecast(written(tmp_path, text, "forecast.json"))
    assert hours.time_s.tolist() == [NOON_S, NOON_S + 3600.0]
    assert hours.temp_c.tolist() == [11.5, 12.0]
    assert hours.dew_point_c.tolist() == [7.0, 7.2]
    if "made" in text:
        assert hours.made_s == NOON_S - 6 * 3600.0
        assert hours.age_s(NOON_S) == 6 * 3600.0


def test_gaps_are_shown(tmp_path: Path) -> None:
    text = CSV + "2026-04-25T20:00Z,9.0,7.0,0,2\n"
    assert read_forecast(written(tmp_path, text)).gaps_s() == ((NOON_S + 7200.0, NOON_S + 28800.0),)


def test_bad_rows_are_left_out_counted_and_named(tmp_path: Path) -> None:
    text = CSV + (
        "tomorrow,9.0,7.0,0,2\n"
        "2026-04-25T15:00Z,,7.0,0,2\n"
        "2026-04-25T16:00Z,9.0,14.0,0,2\n"
        "2026-04-25T17:00Z,285,7.0,0,2\n"
    )
    hours = read_forecast(written(tmp_path, text))
    assert len(hours.time_s) == 3
    assert hours.skipped == 4
    said = " ".join(hours.notices)
    assert "time 'tomorrow' is not understood" in said
    assert "dew point 14 °C is above the air" in said
    assert "outdoor temperature 285 °C" in said


def test_a_humidity_fraction_is_no_per_cent(tmp_path: Path) -> None:
    text = "time,temp,rh\n2026-04-25T12:00Z,11,0.7\n2026-04-25T13:00Z,11,0.7\n"
    with pytest.raises(ForecastFault, match="0 of 2 hours can be used"):
        read_forecast(written(tmp_path, text))


def test_of_two_words_for_one_hour_the_later_counts(tmp_path: Path) -> None:
    hours = read_forecast(written(tmp_path, CSV + "2026-04-25T12:00Z,10.5,7.0,420,3\n"))
    assert hours.temp_c[0] == 10.5


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "the file is empty"),
        ("{nonsense", "it is no JSON"),
        ("[" * 3000, "it is no JSON|neither a list"),
        ('{"a": 1}', "neither a list of hours nor equally long lists"),
        ("time,temp\n2026-04-25T12:00Z,11\n", "dew point or humidity are not all found"),
        ("time,temp,rh\nx,1,50\ny,2,50\n", "0 of 2 hours can be used"),
    ],
)
def test_what_cannot_be_used_is_one_sentence(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(ForecastFault, match=says) as fault:
        read_forecast(written(tmp_path, text))
    assert "\n" not in str(fault.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ForecastFault, match="no such file or directory, so there is no forecast"):
        read_forecast(tmp_path / "none.csv")


def test_a_wrong_mapping_is_named(tmp_path: Path) -> None:
    path = written(tmp_path, CSV)
    with pytest.raises(ForecastFault, match="column 'T' is not there"):
        read_forecast(path, columns={"temp": "T"})
    with pytest.raises(ForecastFault, match="'gusts' is nothing that a forecast is read for"):
        read_forecast(path, columns={"gusts": "wind"})
    with pytest.raises(ForecastFault, match="timezone 'Nowhere/At_All' is not known"):
        read_forecast(path, timezone="Nowhere/At_All")


def test_newer_hours_lie_over_older_ones() -> None:
    def made(made_s: float | None, temp: float, first: float) -> ForecastHours:
        rows = [{"time": first + 3600.0 * k, "temp": temp, "dew_point": 1.0} for k in range(3)]
        return forecast_of_json(json.dumps(rows), "message", made_s=made_s)

    whole = joined([made(200.0, 8.0, NOON_S + 3600.0), made(100.0, 5.0, NOON_S)])
    assert whole.temp_c.tolist() == [5.0, 8.0, 8.0, 8.0]
    assert whole.made_s == 200.0


def test_rows_of_many_different_keys_do_not_fill_the_memory() -> None:
    text = json.dumps([{f"k{n}": 0} for n in range(5_000)])
    with pytest.raises(ForecastFault, match="5000 hours of 5000 different keys are over"):
        forecast_of_json(text, "weather/hours")


@pytest.mark.parametrize("stamp", ["0001-01-01T00:00:00+14:00", 1e300, 9e12, [1] * 50, {"a": 1}])
def test_a_time_that_no_calendar_has_is_left_out(stamp: object) -> None:
    good = [
        {"time": NOON_S + 3600.0 * h, "temp": 11.0, "dew_point": 7.0, "made": "x"} for h in range(2)
    ]
    bad = {"time": stamp, "temp": 11.0, "dew_point": 7.0, "made": "0001-01-01T00:00:00+14:00"}
    hours = forecast_of_json(json.dumps([*good, bad]), "weather/hours")
    assert hours.skipped == 1
    assert hours.made_s is None


def test_what_came_later_counts_and_what_it_lacks_is_kept() -> None:
    rows = [{"time": NOON_S + 3600.0 * h, "temp": 10.0 + h, "dew_point": 5.0} for h in range(4)]
    older, newer = (forecast_of_json(json.dumps(part), "x") for part in (rows[:3], rows[2:]))
    newer.temp_c[:] = 20.0
    both = laid_over(older, newer)
    assert both.temp_c.tolist() == [10.0, 11.0, 20.0, 20.0]
    cut = within_time(both, NOON_S + 3600.0, NOON_S + 7200.0)
    assert cut is not None
    assert cut.temp_c.tolist() == [11.0, 20.0]
    assert within_time(both, NOON_S, NOON_S) is None


GOOD = [{"time": f"2026-04-25T{hour}:00Z", "temp": 11.5, "dew_point": 7.0} for hour in (12, 13)]


def test_a_key_given_twice_is_refused_since_nobody_knows_which_is_meant() -> None:
    text = json.dumps(GOOD).replace('"temp": 11.5', '"temp": 11.5, "temp": 35', 1)
    with pytest.raises(ForecastFault) as caught:
        forecast_of_json(text, "hours.json")
    assert str(caught.value) == (
        "hours.json: it is no JSON (message holds the same key twice in an object), so it is not "
        "used"
    )


@pytest.mark.parametrize(
    "time",
    ["0001-01-01T00:00", "9999-12-31T23:30", "0001-01-01T00:00Z", "1969-12-31T23:00Z",
     "9999-12-31T23:30-05:00", "2100-01-01T00:00Z", 9e18],
)  # fmt: skip
def test_an_hour_that_no_forecast_is_of_is_left_out_and_said(time: object) -> None:
    hours = forecast_of_json(json.dumps([*GOOD, {**GOOD[0], "time": time}]), "x")
    assert (hours.time_s.size, hours.skipped) == (2, 1)
    assert any("row 3: time" in notice for notice in hours.notices)
