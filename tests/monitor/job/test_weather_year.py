"""A weather year is read whatever the letters of its city, and refused in a sentence where short.

The form: EnergyPlus, Auxiliary Programs, "EPW File": eight lines of header, then 8760 hours, where
99.9 stands for no temperature and 999 for no humidity. S. Wilcox, W. Marion, "Users Manual for TMY3
Data Sets", NREL/TP-581-43156 (2008): two lines of header, -9900 for no figure.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from command import filmcall
from plan_jobs import SOLO, SPECS, Trial, hours_from, job_text

from monitor.job.weather import WeatherFault, read_year

EPW = Path(__file__).parents[3] / "examples" / "workboat" / "creek.epw"


@pytest.mark.parametrize("command", ["plan", "today", "season"])
def test_a_year_without_an_hour_is_refused_in_a_sentence(command: str, tmp_path: Path) -> None:
    year = tmp_path / "head.epw"
    year.write_bytes(b"".join(EPW.read_bytes().splitlines(keepends=True)[:8]))
    job, _ = Trial(job_text(SOLO), SPECS, hours_from("2026-10-19")).write(tmp_path)
    words = (command, "--job", str(job), "--weather-year", str(year))
    if command == "season":
        words = ("plan", "--season", str(year))
    ran = filmcall(*words, "--db", str(tmp_path / "none.db"))
    assert ran.code == 2
    assert "holds 0 hours, not the 8760 of a year" in ran.err


@pytest.mark.parametrize("city", ["Münster".encode("latin-1"), "Münster".encode()])
def test_a_citys_letters_do_not_matter(city: bytes, tmp_path: Path) -> None:
    head, _, rest = EPW.read_bytes().partition(b",")
    _, _, rest = rest.partition(b",")
    year = tmp_path / "creek.epw"
    year.write_bytes(b",".join((head, city, rest)))
    found, plain = read_year(year), read_year(EPW)
    assert np.array_equal(found.temp_c, plain.temp_c)
    assert np.array_equal(found.dew_point_c, plain.dew_point_c)


TEMP, HUMIDITY = 6, 8  # columns of an EPW's hour
MIDDLE = 5000  # so the 5001st hour is changed


def epw(folder: Path, column: int, cell: str) -> Path:
    lines = EPW.read_text("ascii").splitlines()
    cells = lines[8 + MIDDLE].split(",")
    cells[column] = cell
    lines[8 + MIDDLE] = ",".join(cells)
    year = folder / "year.epw"
    year.write_text("\n".join([*lines, ""]))
    return year


def tmy3(folder: Path, without: str = "", **cells: str) -> Path:
    """The same year as TMY3; the 5001st hour with other cells."""
    names = {"temp": "Dry-bulb (C)", "rh": "RHum (%)", "sun": "GHI (W/m^2)"}
    used = [key for key, name in names.items() if name != without]
    rows = []
    for at, line in enumerate(EPW.read_text("ascii").splitlines()[8:]):
        hour = line.split(",")
        of = {"temp": hour[TEMP], "rh": hour[HUMIDITY], "sun": hour[13]}
        of |= cells if at == MIDDLE else {}
        date = f"{int(hour[1]):02}/{int(hour[2]):02}/1999,{int(hour[3]):02}:00"
        rows.append(",".join([date, *(of[key] for key in used)]))
    head = ",".join(["Date (MM/DD/YYYY)", "Time (HH:MM)", *(names[key] for key in used)])
    year = folder / "year.csv"
    year.write_text("\n".join(['724915,"CREEK",CA,0.0,50.0,0.0,5', head, *rows, ""]))
    return year


def refused(year: Path) -> str:
    with pytest.raises(WeatherFault) as fault:
        read_year(year)
    return str(fault.value)


def test_both_forms_of_one_year_are_one(tmp_path: Path) -> None:
    found, plain = read_year(tmy3(tmp_path)), read_year(EPW)
    assert np.array_equal(found.temp_c, plain.temp_c)
    assert np.array_equal(found.dew_point_c, plain.dew_point_c)


@pytest.mark.parametrize(
    ("column", "cell", "said"),
    [
        (TEMP, "94.1", "its hour 5001, line 5009, has a temperature of 94.1 °C, not between -60"),
        (HUMIDITY, "150", "its hour 5001, line 5009, has a humidity of 150 %, not between 1 and"),
        (TEMP, "99.9", "its hour 5001, line 5009, has no temperature"),
        (HUMIDITY, "999", "its hour 5001, line 5009, has no humidity"),
        (TEMP, "warm", "its hour 5001, line 5009, has no temperature"),
    ],
)
def test_an_hour_that_cannot_be_is_named_with_what_it_has(
    tmp_path: Path, column: int, cell: str, said: str
) -> None:
    assert said in refused(epw(tmp_path, column, cell))


def test_so_in_the_other_form(tmp_path: Path) -> None:
    assert "hour 5001, line 5003, has a humidity of 150 %" in refused(tmy3(tmp_path, rh="150"))
    assert "hour 5001, line 5003, has no temperature" in refused(tmy3(tmp_path, temp="-9900"))
    for name in ("Dry-bulb (C)", "RHum (%)", "GHI (W/m^2)"):
        assert f"it has no column '{name}'" in refused(tmy3(tmp_path, without=name))


def test_a_leap_years_hours_are_counted(tmp_path: Path) -> None:
    lines = EPW.read_text("ascii").splitlines()
    leap_day = [line.replace(",2,28,", ",2,29,", 1) for line in lines if ",2,28," in line[:12]]
    assert len(leap_day) == 24
    year = tmp_path / "leap.epw"
    year.write_text("\n".join([*lines[:1424], *leap_day, *lines[1424:], ""]))
    assert "it holds 8784 hours, not the 8760 of a year" in refused(year)


def test_a_mark_of_its_code_before_a_file_does_not_matter(tmp_path: Path) -> None:
    year = tmp_path / "marked.epw"
    year.write_bytes(b"\xef\xbb\xbf" + EPW.read_bytes())
    assert np.array_equal(read_year(year).temp_c, read_year(EPW).temp_c)


@pytest.mark.parametrize("command", [("plan",), ("today", "--at", "2026-05-04T16:30Z")])
def test_beside_a_forecast_that_has_ended_the_weather_year_counts_alone_and_it_is_told(
    command: tuple[str, ...], tmp_path: Path
) -> None:
    """The hours end on the 2nd of April, and the work begins in May."""
    text = job_text(SOLO, start="2026-05-04", done_by="2026-05-30", warmer="8 K")
    job, forecast = Trial(text, SPECS, hours_from("2026-04-01", days=3)).write(tmp_path)
    words = (*command, "--job", str(job), "--solve", "0", "--db", str(tmp_path / "none.db"))
    year = ("--weather-year", str(EPW))
    alone, both = (filmcall(*words, *year, *more) for more in ((), ("--forecast", str(forecast))))
    assert (alone.code, both.code) == (0, 0), both.err
    (note,) = (line for line in both.out.splitlines(keepends=True) if "NOTE" in line)
    assert "the forecast's hours end Thu 2026-04-02 00:00, before the plan begins" in note
    assert both.out.replace(note, "") == alone.out
    ran = filmcall(*words, "--forecast", str(forecast))
    assert ran.code == 2
    assert "the forecast's hours end before the plan begins" in ran.err
