"""The bundled recordings hold what their README says, and replay reads it as it stands there.

Both are measurements that nobody here made: the room of Candanedo and Feldheim (Energy and
Buildings 112, 2016, CC BY 4.0) and one day of a NOAA SURFRAD station (public domain).
"""

from __future__ import annotations

import csv
import importlib.util
import math
import subprocess
import sys
import tomllib
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType

import pytest
from scipy import constants

from sensors.reading import Quality, Quantity
from sensors.recording.open import Column, open_recording

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
RECORDINGS = EXAMPLES / "recordings"
ROOM = RECORDINGS / "office-occupancy-2015-02.csv"
SNOW = RECORDINGS / "snow-2016-01-01.csv"
INFRARED = RECORDINGS / "surfrad-slv16001.dat"
WORKBOAT = EXAMPLES / "workboat"


@pytest.fixture(scope="module")
def converter() -> ModuleType:
    spec = importlib.util.spec_from_file_location("convert_snow", EXAMPLES / "convert_snow.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["convert_snow"] = module
    spec.loader.exec_module(module)
    return module


def infrared_rows() -> list[list[float]]:
    return [[float(f) for f in line.split()] for line in INFRARED.read_text().splitlines()[2:]]


def test_the_room_is_read_whole_with_its_first_and_last_values() -> None:
    recording = open_recording(ROOM, None, enclosure="room", timezone="Europe/Brussels")
    rows = list(recording)
    assert (len(rows), recording.skipped_count, recording.unreadable_count) == (8143, 0, 0)
    assert [(c.column, c.quantity, c.unit) for c in recording.columns] == [
        ("Temperature", Quantity.AIR_TEMP, "degC"),
        ("Humidity", Quantity.HUMIDITY, "%"),
        ("CO2", Quantity.CO2, "ppm"),
    ]
    assert [r.value for r in rows[0]] == [23.18, 27.272, 721.25]
    # 17:51 of a February day in Brussels is 16:51 UTC.
    assert rows[0][0].time_s == datetime(2015, 2, 4, 16, 51, tzinfo=UTC).timestamp()
    assert rows[-1][0].time_s == datetime(2015, 2, 10, 8, 33, tzinfo=UTC).timestamp()
    assert all(r.quality is Quality.OK for row in rows for r in row)
    assert any("row number" in notice for notice in recording.notices)


def test_every_value_of_the_room_is_the_one_in_the_file() -> None:
    with ROOM.open() as file:
        next(file)
        expected = [(float(row[2]), float(row[3]), float(row[5])) for row in csv.reader(file)]
    recording = open_recording(ROOM, None, enclosure="room")
    assert [tuple(r.value for r in row) for row in recording] == expected


def test_the_rooms_humidity_ratio_bears_out_which_column_is_which() -> None:
    """Its own last column, from temperature and humidity at 101.325 kPa, by the Magnus form.

    Source: WMO-No. 8 for the saturation pressure (within 0.3 % here), ASHRAE Fundamentals 2017
    ch. 1 eq. 20 for the ratio. The data set's authors used another formula: 1 % covers both.
    """
    with ROOM.open() as file:
        next(file)
        ratios = [float(row[6]) for row in csv.reader(file)]
    for row, ratio in zip(open_recording(ROOM, None, enclosure="room"), ratios, strict=True):
        air_temp_c, rh_pct = row[0].value, row[1].value
        vapour_pa = rh_pct / 100 * 611.2 * math.exp(17.62 * air_temp_c / (243.12 + air_temp_c))
        assert 0.621945 * vapour_pa / (101325 - vapour_pa) == pytest.approx(ratio, rel=0.01)


def test_the_snow_is_read_whole_with_its_first_values() -> None:
    recording = open_recording(SNOW, None, enclosure="field")
    rows = list(recording)
    assert (len(rows), recording.skipped_count) == (1440, 0)
    assert [c.point for c in recording.columns] == ["air", "air", "snow-surface"]
    assert [r.value for r in rows[0]] == [-7.6, 52.7, -8.58]
    assert rows[0][0].time_s == datetime(2016, 1, 1, tzinfo=UTC).timestamp()
    assert rows[-1][0].time_s == datetime(2016, 1, 1, 23, 59, tzinfo=UTC).timestamp()
    assert not any("zone" in notice for notice in recording.notices)


def test_the_columns_of_the_infrared_file_bear_each_other_out() -> None:
    """Net solar and net infrared are in the file as well: they fix which column is which."""
    for row in infrared_rows():
        assert row[8] - row[10] == pytest.approx(row[32], abs=0.16)  # solar: down less up
        assert row[16] - row[22] == pytest.approx(row[34], abs=0.16)  # infrared: down less up
        assert row[32] + row[34] == pytest.approx(row[36], abs=0.16)  # both together
        # Two thermometers on the instruments stand in the same air as the thermometer.
        assert row[18] == pytest.approx(row[38], abs=6.0)
        assert 0 < row[40] <= 100
        # Standard atmosphere at the height of its header, 2317 m: 764 hPa (ICAO Doc 7488).
        assert row[46] == pytest.approx(764, abs=25)


def test_the_converted_file_is_what_the_converter_makes(
    converter: ModuleType, tmp_path: Path
) -> None:
    made = tmp_path / "snow.csv"
    assert converter.main([str(INFRARED), str(made)]) == 0
    assert made.read_bytes() == SNOW.read_bytes()


def test_the_surface_sends_up_what_was_measured(converter: ModuleType) -> None:
    """Forward, by another way than the converter's: emission plus reflection at each row.

    Source: scipy.constants' Stefan-Boltzmann constant (CODATA). The file rounds to 0.01 K, so
    to half of that; at 5 °C it is 0.025 W/m2.
    """
    with SNOW.open() as file:
        surfaces = [float(row["snow_surface_c"]) for row in csv.DictReader(file)]
    for row, surface_c in zip(infrared_rows(), surfaces, strict=True):
        up = 0.98 * constants.sigma * (surface_c + constants.zero_Celsius) ** 4 + 0.02 * row[16]
        assert up == pytest.approx(row[22], abs=0.03)


# A black body at 273.16 K sends 315.70 W/m2; at 300 K 459.3 W/m2 (tables of the black body in
# heat transfer handbooks give 459).
@pytest.mark.parametrize(("up_w_m2", "temp_c"), [(315.70, 0.01), (459.30, 26.85)])
def test_a_black_body(converter: ModuleType, up_w_m2: float, temp_c: float) -> None:
    assert converter.surface_temp_c(up_w_m2, 500.0, 1.0) == pytest.approx(temp_c, abs=0.01)


def test_flagged_and_missing_values_become_empty_cells(converter: ModuleType) -> None:
    line = INFRARED.read_text().splitlines()[2].split()
    flagged = [*line[:39], "1", *line[40:]]
    missing = [*line[:22], "-9999.9", *line[23:]]
    rows = list(converter.rows(iter(["", "", " ".join(flagged), " ".join(missing)])))
    assert rows[0][1:4] == ("", "52.7", "-8.58")
    assert rows[1][1:4] == ("-7.6", "52.7", "")
    assert rows[1][-1] == ""


def test_a_file_in_another_order_is_refused(
    converter: ModuleType, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = INFRARED.read_text().splitlines()[:3]
    fields = lines[2].split()
    fields[16], fields[22] = fields[22], fields[16]
    source = tmp_path / "swapped.dat"
    source.write_text("\n".join([*lines[:2], " ".join(fields)]))
    assert converter.main([str(source), str(tmp_path / "out.csv")]) == 2
    assert "line 3: 276.0 less 186.3 is not the net -89.7 W/m2" in capsys.readouterr().err


def test_the_surface_is_above_freezing_near_noon_as_the_readme_says() -> None:
    with SNOW.open() as file:
        warm = [row["time"] for row in csv.DictReader(file) if float(row["snow_surface_c"]) > 0]
    assert (warm[0], warm[-1], len(warm)) == ("2016-01-01T17:57:00Z", "2016-01-01T22:16:00Z", 260)
    bright = [row for row in infrared_rows() if row[8] > 300]
    assert sum(row[10] for row in bright) / sum(row[8] for row in bright) == pytest.approx(
        0.18, abs=0.005
    )


def workboat_columns() -> list[Column]:
    config = tomllib.loads((WORKBOAT / "polytunnel.toml").read_text())
    return [
        Column(p["column"], p["name"], Quantity(p["quantity"]), p["unit"])
        for p in config["enclosure"][0]["point"]
    ]


def test_the_workboats_night_is_read_by_its_config() -> None:
    recording = open_recording(
        WORKBOAT / "night.csv", workboat_columns(), enclosure="polytunnel", time_column="time"
    )
    rows = list(recording)
    assert (len(rows), recording.skipped_count, recording.unreadable_count) == (1981, 0, 0)
    assert {r.point for r in rows[0]} == {"air-bow", "air-stern", "plank-port", "plank-stbd"}
    assert rows[0][0].time_s == datetime(2026, 10, 13, 16, tzinfo=UTC).timestamp()
    assert rows[-1][0].time_s == datetime(2026, 10, 14, 8, 30, tzinfo=UTC).timestamp()
    silent = [(row[0].time_s, r.point) for row in rows for r in row if r.quality is not Quality.OK]
    # The loose plug: 40 rows from 02:00 on.
    first_s = datetime(2026, 10, 14, 2, tzinfo=UTC).timestamp()
    assert silent == [(first_s + 30.0 * i, "plank-stbd") for i in range(40)]


def test_the_workboats_night_is_guessed_the_same_without_a_config() -> None:
    recording = open_recording(WORKBOAT / "night.csv", None, enclosure="polytunnel")
    assert set(recording.columns) == set(workboat_columns())
    assert not recording.unconfirmed
    assert not any(notice.startswith("?") for notice in recording.notices)


def test_the_workboats_night_is_what_its_script_makes(tmp_path: Path) -> None:
    """Within one step of each sensor's resolution: another machine's exp() may differ by a bit."""
    script = WORKBOAT / "make_recording.py"
    made = tmp_path / "night.csv"
    subprocess.run([sys.executable, str(script), str(made)], check=True, capture_output=True)
    with made.open() as new, (WORKBOAT / "night.csv").open() as old:
        for got, kept in zip(csv.reader(new), csv.reader(old), strict=True):
            assert [cell == "" for cell in got] == [cell == "" for cell in kept]
            assert got[0] == kept[0]
            if got[0] == "time":
                assert got == kept
                continue
            for at, step in enumerate((0.01, 0.1, 0.01, 0.1, 0.0625, 0.0625), start=1):
                if got[at]:
                    assert float(got[at]) == pytest.approx(float(kept[at]), abs=1.01 * step)


@pytest.mark.parametrize(
    ("name", "separator", "steps"),
    [
        # One step of what the file gives, in its own unit; see the workboat's night above.
        ("painter.csv", ";", (0.1, 0.1)),
        ("bloomed-hull.csv", ",", (0.1, 0.1, 0.1)),
    ],
)
def test_the_logs_of_the_walks_are_what_their_script_makes(
    name: str, separator: str, steps: tuple[float, ...], tmp_path: Path
) -> None:
    walks = EXAMPLES / "walks"
    command = [sys.executable, str(walks / "make_logs.py"), str(tmp_path)]
    subprocess.run(command, check=True, capture_output=True)
    with (
        (tmp_path / name).open(encoding="utf-8") as new,
        (walks / name).open(encoding="utf-8") as old,
    ):
        rows = zip(
            csv.reader(new, delimiter=separator), csv.reader(old, delimiter=separator), strict=True
        )
        header, kept_header = next(rows)
        assert header == kept_header
        for got, kept in rows:
            assert got[: -len(steps)] == kept[: -len(steps)]
            for mine, theirs, step in zip(
                got[-len(steps) :], kept[-len(steps) :], steps, strict=True
            ):
                assert float(mine) == pytest.approx(float(theirs), abs=1.01 * step)
