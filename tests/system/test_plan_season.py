"""`filmcall plan --season` against a direct count with pandas on a real typical-year file.

The year is 723170TYA.CSV, TMY3 station 723170 (NREL, Users Manual for TMY3 Data Sets,
NREL/TP-581-43156, 2008; a work of the U.S. Department of Energy, free to use), as it lies in
pvlib's own package data; pvlib itself is BSD-3-Clause. TMY3 and EPW stamp an hour at its end: the
row of 01:00 is the hour from midnight, the row of 24:00 the day's last.

What the trial takes for settled beyond the fixed command line: `--season FILE --job JOB --json`
counts the first coat of the job's first section, in the air of that section's enclosure (`warmer`),
by the job's time zone, and gives

    {"season": [{"week", "hour", "starts", "share"}, ...]}

with the ISO week and the hour of day of the start, how many starts were counted, and the share of
them whose whole harm time holds. A row's month and day count in the year of the job's `start`.
The weeks at the year's two ends are left open here, since a harm time may run past its last row.
"""

from __future__ import annotations

import json
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
import pvlib
import pytest
from command import filmcall
from plan_brute import dew_point_c, water_hpa
from plan_jobs import SPECS, job_text, section

TMY3 = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
YEAR = 2026
WEEKS = range(2, 52)
# Coat 1 h, touch dry 3 h and handle 12 h after it, cured 48 h after it (plan_jobs.FLAT).
UNTIL_TOUCH_DRY_H, UNTIL_HANDLE_H, UNTIL_CURED_H = 1 + 3, 1 + 12, 1 + 48


@cache
def typical_year() -> pd.DataFrame:
    """Return temp_c and rh_pct by the beginning of each hour, in the station's standard time."""
    raw = pd.read_csv(TMY3, skiprows=1)
    day = pd.to_datetime(raw["Date (MM/DD/YYYY)"].str[:6] + str(YEAR), format="%m/%d/%Y")
    end_h = raw["Time (HH:MM)"].str[:2].astype(int)
    frame = pd.DataFrame({"temp_c": raw["Dry-bulb (C)"], "rh_pct": raw["RHum (%)"]})
    frame.index = pd.DatetimeIndex(day + pd.to_timedelta(end_h - 1, unit="h"))
    return frame.astype(float)


def counted(year: pd.DataFrame, warmer_k: float) -> pd.DataFrame:
    """Return the share of good starts and their number by ISO week and hour of the start."""
    outside = year.temp_c.map(water_hpa) * year.rh_pct / 100.0
    temp = year.temp_c + warmer_k
    rh = (100.0 * outside / temp.map(water_hpa)).clip(upper=100.0)
    dew = pd.Series([dew_point_c(t, h) for t, h in zip(temp, rh, strict=True)], temp.index)
    good = pd.Series(True, year.index)
    for holds, length in (
        (temp - dew >= 3.0, UNTIL_TOUCH_DRY_H),
        (temp <= 35.0, UNTIL_TOUCH_DRY_H),
        (rh <= 80.0, UNTIL_HANDLE_H),
        (temp >= 5.0, UNTIL_CURED_H),
    ):
        ahead = holds[::-1].rolling(length).min()[::-1]
        good &= ahead.eq(1.0)
    iso = year.index.isocalendar()
    groups = good.groupby([iso.week.to_numpy(), year.index.hour])
    return pd.DataFrame({"starts": groups.size(), "share": groups.mean()})


def season(file: Path, folder: Path, zone: str, warmer_k: float) -> dict[tuple[int, int], Any]:
    """Run the command with a coating on one section; return its cells by week and hour."""
    for name, text in SPECS.items():
        (folder / name).write_text(text, "utf-8")
    job = folder / "job.toml"
    text = job_text(section("hull-port", "primer"), zone=zone, warmer=f"{warmer_k:g} K")
    job.write_text(text, "utf-8")
    ran = filmcall("plan", "--season", str(file), "--job", str(job), "--json")
    assert ran.code == 0, ran.err
    cells = json.loads(ran.out)["season"]
    return {(cell["week"], cell["hour"]): cell for cell in cells}


def agrees(cells: dict[tuple[int, int], Any], expected: pd.DataFrame, apart: int) -> None:
    """Hold each cell's count, and its share but for starts at a limit's very edge.

    `apart` is how many starts of a whole year may fall on the other side: the count's dew point is
    Magnus' form, within 0.1 K of the exact one, and a year's rows are whole per cent.
    """
    differing = 0.0
    for (week, hour), row in expected.iterrows():
        if week in WEEKS:
            cell = cells[int(week), int(hour)]
            assert cell["starts"] == row.starts == 7
            differing += abs(cell["share"] - row.share) * row.starts
    assert differing <= apart


def test_the_count_itself_on_a_year_that_is_known() -> None:
    """Good air but for one saturated hour, stamped 13:00: from noon to one on 10 June 2026.

    That is a Wednesday in ISO week 24. Humidity counts for 13 h from the start, so the starts of
    00:00 to 12:00 on that day fail, one of that hour's seven in the week, and no others.
    """
    index = pd.date_range(f"{YEAR}-01-01", periods=8760, freq="h")
    year = pd.DataFrame({"temp_c": 18.0, "rh_pct": 50.0}, index=index)
    year.loc[datetime(YEAR, 6, 10, 12), "rh_pct"] = 99.0
    share = counted(year, 0.0).share
    assert [share[24, hour] for hour in range(24)] == pytest.approx([6 / 7] * 13 + [1.0] * 11)
    assert share[23, 23] == share[25, 0] == 1.0


def test_the_typical_year_is_whole_and_neither_all_good_nor_all_bad() -> None:
    year = typical_year()
    assert len(year) == 8760
    assert (year.index == pd.date_range(f"{YEAR}-01-01", periods=8760, freq="h")).all()
    share = counted(year, 0.0).share.loc[2:51]
    assert 0.02 < share.mean() < 0.9
    assert counted(year, 5.0).share.loc[2:51].mean() > share.mean()


@pytest.mark.parametrize("warmer_k", [0.0, 5.0])
def test_a_season_is_the_direct_count(warmer_k: float, tmp_path: Path) -> None:
    # The station's standard time is 5 h behind UTC: Etc/GMT+5 in the zone database's own sign.
    cells = season(TMY3, tmp_path, "Etc/GMT+5", warmer_k)
    agrees(cells, counted(typical_year(), warmer_k), apart=40)


def epw_text(year: pd.DataFrame) -> str:
    """Return a year as an EPW file: eight lines of head, 35 columns, hours 1 to 24 (EnergyPlus
    Auxiliary Programs, "EnergyPlus Weather File (EPW) Data Dictionary")."""
    head = [
        "LOCATION,Invented Creek,-,-,invented,000000,50.0,0.0,0.0,5.0",
        "DESIGN CONDITIONS,0",
        "TYPICAL/EXTREME PERIODS,0",
        "GROUND TEMPERATURES,0",
        "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0",
        "COMMENTS 1,an invented year for a test",
        "COMMENTS 2,",
        "DATA PERIODS,1,1,Data,Thursday,1/1,12/31",
    ]
    lines = []
    for at, temp_c, rh_pct in zip(year.index, year.temp_c, year.rh_pct, strict=True):
        dew_c = dew_point_c(temp_c, rh_pct)
        fields = [at.year, at.month, at.day, at.hour + 1, 0, "?9", temp_c, round(dew_c, 1), rh_pct]
        lines.append(",".join(str(each) for each in [*fields, 101300, *["0"] * 25]))
    return "\n".join([*head, *lines, ""])


def test_an_hour_of_an_epw_file_counts_from_its_beginning(tmp_path: Path) -> None:
    """The known year of above, as a file: its bad hour stands in the row of hour 13."""
    index = pd.date_range(f"{YEAR}-01-01", periods=8760, freq="h")
    year = pd.DataFrame({"temp_c": 18.0, "rh_pct": 50.0}, index=index)
    year.loc[datetime(YEAR, 6, 10, 12), "rh_pct"] = 99.0
    file = tmp_path / "creek.epw"
    file.write_text(epw_text(year), "utf-8")
    agrees(season(file, tmp_path, "Etc/UTC", 0.0), counted(year, 0.0), apart=0)


@pytest.mark.parametrize("name", ["creek.epw", "creek.csv"])
def test_a_file_that_is_no_weather_year_is_refused_in_one_sentence(
    name: str, tmp_path: Path
) -> None:
    file = tmp_path / name
    file.write_text("time,temperature\n2026-01-01T00:00Z,4\n", "utf-8")
    ran = filmcall("plan", "--season", str(file), "--json")
    assert ran.code == 2
    assert ran.out == ""
    assert name in ran.err
    assert "No such command" not in ran.err
    assert len(ran.err.strip().splitlines()) == 1
    assert "Traceback" not in ran.err
