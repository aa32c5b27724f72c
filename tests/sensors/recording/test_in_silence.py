"""What a recording can be misread by without a word: each is read rightly, asked, or refused.

The files are invented; what they mean is said beside each. Common practice, no source.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from rules.units import from_celsius
from sensors.recording.layout import RecordingFault
from sensors.recording.open import judged, open_recording
from sensors.recording.sights import Judgement
from sensors.recording.survey import look
from tests.support.logger_files import dew_point_c

START = datetime(2026, 5, 15, 8, tzinfo=UTC)


def figures(row: int) -> dict[str, float]:
    air, rh = 17.0 + row % 7 * 0.3, 60.0 + row % 5
    hull = air - 1.4
    dew = dew_point_c(air, rh)
    return {"air": air, "rh": rh, "hull": hull, "dew": dew, "fraction": rh / 100.0, "wall": 12.0,
            "air_f": from_celsius(air, "degF"), "hull_f": from_celsius(hull, "degF"),
            "raw": air + 5.0}  # fmt: skip


def written(folder: Path, header: str, columns: str, form: str = "%Y-%m-%dT%H:%M:%SZ") -> Path:
    lines = [header]
    for row in range(120):
        at = START + timedelta(minutes=10 * row)
        found = figures(row)
        lines.append(",".join([at.strftime(form), *(f"{found[c]:.2f}" for c in columns.split())]))
    path = folder / "logger.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def judgement(path: Path) -> tuple[Judgement, list[str]]:
    found, asked = judged(look(path), {}, "Europe/Oslo")
    return found, [question.what for question in asked]


def uses(found: Judgement) -> dict[str, str]:
    return {
        each.name: f"{each.use.quantity} {each.use.unit}"
        for each in found.verdicts
        if each.use and each.confirmed
    }


@pytest.mark.parametrize(
    ("header", "columns", "expected"),
    [
        ("Air (°C),RH,Hull F,Hull A", "air rh hull hull", {"Hull F": "surface_temp degC"}),
        ("Temp C,Temp F,RH,Hull C", "air air_f rh hull", {"Temp C": "air_temp degC"}),
        ("Air,RH,Hull", "air rh hull_f", {"Air": "air_temp degC", "Hull": "surface_temp degF"}),
        ("Dry bulb °F,RH,Hull °F", "air_f rh hull_f", {"Dry bulb °F": "air_temp degF"}),
        ("Ta [°C],rh,Td [°C],Ts [°C]", "air rh dew hull", {"Ts [°C]": "surface_temp degC"}),
        ("Tair (°C),RHin,Hull (°C)", "air rh hull", {"RHin": "humidity %"}),
    ],
)
def test_letters_and_signs_are_read_by_what_stands_beside(
    tmp_path: Path, header: str, columns: str, expected: dict[str, str]
) -> None:
    found, asked = judgement(written(tmp_path, f"Time,{header}", columns))
    assert asked == []
    assert expected.items() <= uses(found).items()


@pytest.mark.parametrize(
    ("header", "columns", "name"),
    [
        ("Air °C,RH %,Hull °C,Wall °C", "air rh hull wall", "Wall °C"),
        ("Air °C,RH %,Wall °C", "air rh wall", "Wall °C"),
        ("Air °C,RH %,Hull °C,Air raw °C", "air rh hull raw", "Air raw °C"),
        ("Temp_in °C,Hum_in %,Hull °C,Temp_out °C", "air rh hull wall", "Temp_out °C"),
        ("Air °C,RH %,Hull °C,Frost pt °C", "air rh hull dew", "Frost pt °C"),
        ("Air °C,RH %,Hull °C,Frostpunkt °C", "air rh hull dew", "Frostpunkt °C"),
        ("Ta °C,RH %,Hull °C,Td °C", "air rh hull wall", "Td °C"),
        ("Air °C,RH %,Hull °C", "air fraction hull", "RH %"),
    ],
)
def test_what_is_none_of_the_three_or_may_be_is_never_used_unasked(
    tmp_path: Path, header: str, columns: str, name: str
) -> None:
    found, _ = judgement(written(tmp_path, f"Time,{header}", columns))
    assert name not in uses(found)


def test_a_hull_as_warm_as_the_air_is_not_the_air(tmp_path: Path) -> None:
    path = written(tmp_path, "Time,Air °C,RH %,Dew °C,Bow °C", "air rh dew air")
    found, asked = judgement(path)
    assert "Bow °C" not in uses(found)
    assert asked == ["which probe lies on the hull"]


@pytest.mark.parametrize(
    ("head", "offset"),
    [
        ("Time_UTC+2", "UTC+02:00"), ("Time (Etc/GMT+4)", "Etc/GMT+4"), ("GMT time", "UTC"),
        ("Time UTC plus 2", "None"), ("Local time; UTC is 2 h behind", "None"),
        ("Time (UTC-05:00; DST)", "None"), ("Time; not UTC", "None"),
    ],
)  # fmt: skip
def test_a_zone_is_read_from_words_that_leave_no_doubt(
    tmp_path: Path, head: str, offset: str
) -> None:
    path = written(tmp_path, f"{head},Air °C,RH %,Hull °C", "air rh hull", "%Y-%m-%d %H:%M")
    assert str(look(path).parts[0].zone) == offset


@pytest.mark.parametrize(
    ("line", "offset"),
    [("UTC offset (min): 120", "None"), ("GMT offset: -4.0", "UTC-04:00"),
     ("Timezone offset: -0430", "UTC-04:30"), ("Timezone: CET", "None")],
)  # fmt: skip
def test_a_preamble_says_the_zone_in_hours_or_not_at_all(
    tmp_path: Path, line: str, offset: str
) -> None:
    path = written(tmp_path, "Time,Air °C,RH %,Hull °C", "air rh hull", "%Y-%m-%d %H:%M")
    path.write_text(f"{line}\n{path.read_text('utf-8')}", encoding="utf-8")
    assert str(look(path).parts[0].zone) == offset


@pytest.mark.parametrize(
    ("head", "form"),
    [
        ("Date,Time,AM/PM", "%m/%d/%Y,%I:%M:%S,%p"), ("Time,UTC offset", "%Y-%m-%d %H:%M,+00:00"),
        ("Received,Measured", "2026-05-17 %H:00,%Y-%m-%d %H:%M"),
        ("Time,Zone", "%Y-%m-%d %H:%M,Etc/UTC"),
    ],
)  # fmt: skip
def test_columns_beside_the_time_complete_it(tmp_path: Path, head: str, form: str) -> None:
    path = written(tmp_path, f"{head},Air °C,RH %,Hull °C", "air rh hull", form)
    read = [row[0].time_s for row in open_recording(path, None, enclosure="tent")]
    assert read[0] == START.timestamp()
    assert read[-1] == (START + timedelta(minutes=1190)).timestamp()


def test_twelve_hours_without_morning_or_evening_are_refused(tmp_path: Path) -> None:
    path = written(tmp_path, "Time,Air °C,RH %,Hull °C", "air rh hull", "%m/%d/%Y %I:%M")
    with pytest.raises(RecordingFault, match="nothing says morning or evening"):
        look(path)


def test_a_second_header_ends_the_recording_and_is_said(tmp_path: Path) -> None:
    path = written(tmp_path, "Time,Air (°C),RH (%),Hull (°C)", "air rh hull")
    lines = path.read_text("utf-8").splitlines()
    lines.insert(61, "Time,Hull (°F),RH (%),Air (°F)")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    recording = open_recording(path, None, enclosure="tent")
    assert len(list(recording)) == 60
    assert any("ends at line 62" in notice for notice in recording.notices)
