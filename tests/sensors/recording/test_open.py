"""Recordings as people's loggers write them: what is read, what is said, what is counted.

Expected moments are worked out by hand or by the standard library's zoneinfo (IANA rules), never
by the code under test. Sources of single facts stand beside them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from rules.vocabulary import WorkedOutFrom
from sensors.reading import Quality, Quantity, Reading
from sensors.recording import layout
from sensors.recording.judge import judge
from sensors.recording.open import Column, Recording, RecordingFault, open_recording
from sensors.recording.sights import Hints, Sight

AIR = Column("temp", "air-bow", Quantity.AIR_TEMP, "degC")
HUMIDITY = Column("rh", "air-bow", Quantity.HUMIDITY, "%")
Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def _write(text: str, encoding: str = "utf-8") -> Path:
        path = tmp_path / "recording.csv"
        path.write_bytes(text.encode(encoding))
        return path

    return _write


def opened(path: Path, **options: str) -> Recording:
    return open_recording(path, [AIR, HUMIDITY], enclosure="polytunnel", **options)


def utc_s(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def moments(recording: Recording) -> list[str]:
    return [datetime.fromtimestamp(row[0].time_s, UTC).strftime("%d %H:%M:%S") for row in recording]


def values(recording: Recording) -> list[list[float]]:
    return [[reading.value for reading in row] for row in recording]


def said(recording: Recording, *words: str) -> bool:
    return any(all(word in notice for word in words) for notice in recording.notices)


def test_a_row_is_one_list_of_readings_with_the_rows_time(write: Write) -> None:
    recording = opened(write("time,temp,rh\n2026-04-25T14:30:00Z,21.5,60.25\n"))
    time_s = utc_s("2026-04-25T14:30:00")
    assert list(recording) == [
        [
            Reading("polytunnel", "air-bow", Quantity.AIR_TEMP, time_s, 21.5, Quality.OK, time_s),
            Reading("polytunnel", "air-bow", Quantity.HUMIDITY, time_s, 60.25, Quality.OK, time_s),
        ]
    ]
    assert (recording.row_count, recording.skipped_count) == (1, 0)


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_any_separator_gives_the_same_readings(write: Write, separator: str) -> None:
    text = "time,temp,rh\n2026-04-25 14:30,21.5,60.2\n2026-04-25 14:31,21.6,60.1\n"
    recording = opened(write(text.replace(",", separator)))
    assert values(recording) == [[21.5, 60.2], [21.6, 60.1]]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
def test_any_encoding_gives_the_same_readings(write: Write, encoding: str) -> None:
    path = write("time;Luft °C;rh\r\n2026-04-25 14:30;21,5;60,2\r\n", encoding)
    columns = [Column("Luft °C", "air-bow", Quantity.AIR_TEMP, "degC"), HUMIDITY]
    recording = open_recording(path, columns, enclosure="polytunnel")
    assert values(recording) == [[21.5, 60.2]]
    assert said(recording, "decimal comma")


def test_decimal_comma_between_quotes_with_comma_as_separator(write: Write) -> None:
    recording = opened(write('time,temp,rh\n2026-04-25 14:30,"21,5","60,2"\n'))
    assert values(recording) == [[21.5, 60.2]]


def test_decimal_comma_that_shows_only_after_the_head_of_the_file(write: Write) -> None:
    rows = [
        f"2026-04-{1 + i // 1440:02d} {i // 60 % 24:02d}:{i % 60:02d};21;60" for i in range(20_000)
    ]
    recording = opened(write("\n".join(["time;temp;rh", *rows, "2026-04-25 14:30;21,5;60"])))
    assert not said(recording, "decimal comma")
    assert values(recording)[-1] == [21.5, 60.0]
    assert said(recording, "decimal comma")
    assert recording.row_count == 20_001


def test_comment_lines_before_the_header_are_left_out_and_said(write: Write) -> None:
    text = "# logger 7, serial 12\nShed on the creek\n\ntime,temp,rh\n2026-04-25 14:30,21.5,60\n"
    recording = opened(write(text))
    assert values(recording) == [[21.5, 60.0]]
    assert said(recording, "line 4")


def test_a_header_written_as_a_comment(write: Write) -> None:
    recording = opened(write("# time,temp,rh\n2026-04-25 14:30,21.5,60\n"))
    assert values(recording) == [[21.5, 60.0]]


def test_a_row_number_without_a_name_in_the_header(write: Write) -> None:
    recording = opened(
        write("time,temp,rh\n1,2026-04-25 14:30,21.5,60\n2,2026-04-25 14:31,22,61\n")
    )
    assert values(recording) == [[21.5, 60.0], [22.0, 61.0]]
    assert said(recording, "row number")


def test_a_nameless_last_cell_moves_no_value_aside(write: Write) -> None:
    recording = opened(write("time,temp,rh\n2026-04-25 14:30,21.5,60,a note\n"))
    assert values(recording) == [[21.5, 60.0]]
    assert said(recording, "the last cell", "left out")
    recording = opened(write("time,temp,rh\n1423072260,21.5,60,a note\n"))
    assert values(recording) == [[21.5, 60.0]]


def test_a_name_that_stands_twice_is_two_columns(write: Write) -> None:
    path = write("time,temp,temp,rh\n2026-04-25 14:30,21.5,19.5,60\n")
    second = Column("temp 2", "hull", Quantity.SURFACE_TEMP, "degC")
    recording = open_recording(path, [AIR, second, HUMIDITY], enclosure="polytunnel")
    assert values(recording) == [[21.5, 19.5, 60.0]]
    assert said(recording, "'temp' stands twice")


def test_a_line_of_units_under_the_header_is_taken_at_its_word(write: Write) -> None:
    path = write("time,temp,rh\nUTC,degF,%\n2026-04-25 14:30,50,60\n")
    recording = open_recording(path, None, enclosure="polytunnel")
    assert values(recording) == [[10.0, 60.0]]  # 50 °F is 10 °C: NIST SP 811, B.8, from memory
    assert recording.skipped_count == 0
    assert said(recording, "Line 2", "units")


def test_a_run_of_zero_bytes_after_a_power_cut_costs_only_its_row(write: Write) -> None:
    zeros = "\x00" * 5000
    text = f"time,temp,rh\n2026-04-25 14:30,21.5,60\n{zeros}\n2026-04-25 14:31,21.6,60\n"
    recording = opened(write(text))
    assert values(recording) == [[21.5, 60.0], [21.6, 60.0]]
    assert recording.skipped_count == 1


def test_a_separator_at_the_end_of_every_row(write: Write) -> None:
    recording = opened(write("time;temp;rh\n2026-04-25 14:30;21.5;60;\n"))
    assert values(recording) == [[21.5, 60.0]]


# 32 °F is 0 °C and 212 °F is 100 °C, 273.15 K is 0 °C: by definition (SI Brochure, 9th edition).
def test_degrees_fahrenheit_and_kelvin_become_degrees_celsius(write: Write) -> None:
    path = write("time,hull (°F),keel,wall\n2026-04-25 14:30,32,212,273.15\n")
    columns = [
        Column("hull (°F)", "hull", Quantity.SURFACE_TEMP, "degC"),
        Column("keel", "keel", Quantity.SURFACE_TEMP, "degF"),
        Column("wall", "wall", Quantity.SURFACE_TEMP, "K"),
    ]
    recording = open_recording(path, columns, enclosure="polytunnel")
    assert values(recording) == [pytest.approx([0.0, 100.0, 0.0], abs=1e-12)]
    assert said(recording, "hull (°F)", "degF in the header", "config says degC")


def test_a_name_that_could_mean_another_unit_yields_to_the_config_and_is_said(write: Write) -> None:
    path = write("time,temp_f\n2026-04-25 14:30,21.5\n")
    column = Column("temp_f", "air-bow", Quantity.AIR_TEMP, "degC")
    recording = open_recording(path, [column], enclosure="polytunnel")
    assert values(recording) == [[21.5]]
    assert said(recording, "temp_f", "degC", "degF")


# 2015-02-04 17:51:00 UTC is 1423072260 s after 1970-01-01 (POSIX.1-2017, 4.16, reckoned by hand:
# 16,470 days and 64,260 s).
@pytest.mark.parametrize(
    "cell",
    [
        "2015-02-04 17:51:00",
        "2015-02-04T17:51:00Z",
        "2015-02-04T17:51:00.000Z",
        "2015-02-04T18:51:00+01:00",
        "2015-02-04 12:21:00-0530",
        "2015-02-04 17:51:00 UTC",
        "2015/02/04 17:51",
        "2015-2-4 17:51",
        "1423072260",
        "1423072260.0",
        "1423072260000",
        "04/02/2015 17:51",
        "4.2.2015 17:51:00",
        "04-02-2015 05:51 PM",
        "04/02/15 17:51",
    ],
)
def test_every_way_to_write_a_time_gives_the_same_moment(write: Write, cell: str) -> None:
    recording = opened(write(f"time;temp;rh\n{cell};21.5;60\n"))
    assert [row[0].time_s for row in recording] == [1423072260.0]


def test_fractions_of_a_second_are_kept(write: Write) -> None:
    recording = opened(write("time,temp,rh\n2015-02-04 17:51:00.25,21.5,60\n"))
    assert next(iter(recording))[0].time_s == 1423072260.25


def test_rows_with_a_time_in_another_form_are_read_as_well(write: Write) -> None:
    text = "time,temp,rh\n2015-02-04 17:51:00,1,1\n2015-02-04 17:52,2,2\n2015-02-04 17:53:00Z,3,3\n"
    recording = opened(write(text), timezone="Europe/Brussels")
    assert moments(recording) == ["04 16:51:00", "04 16:52:00", "04 17:53:00"]


def test_month_first_is_told_by_a_number_over_twelve(write: Write) -> None:
    recording = opened(write("time,temp,rh\n02/04/2015 17:51,1,1\n02/13/2015 17:51,2,2\n"))
    assert moments(recording) == ["04 17:51:00", "13 17:51:00"]
    assert said(recording, "month first", "month over 12")


def test_day_first_is_assumed_and_said_where_nothing_tells(write: Write) -> None:
    recording = opened(write("time,temp,rh\n02/04/2015 17:51,1,1\n"))
    assert moments(recording) == ["02 17:51:00"]
    assert said(recording, "day first", "no date in the file tells")


def test_month_first_is_told_by_a_row_far_down_the_file(write: Write) -> None:
    rows = [
        f"02/04/2015 {i // 3600 % 24:02d}:{i // 60 % 60:02d}:{i % 60:02d},21.5,60"
        for i in range(12_000)
    ]
    recording = opened(write("\n".join(["time,temp,rh", *rows, "02/13/2015 00:00:00,21.5,60"])))
    assert said(recording, "month first")
    assert moments(recording)[-1] == "13 00:00:00"


def test_day_or_month_first_is_told_by_dates_that_follow_each_other(write: Write) -> None:
    rows = "time,temp,rh\n{} 23:50,1,1\n{} 00:00,2,2\n"
    recording = opened(write(rows.format("09/11/2026", "09/12/2026")))
    assert moments(recording) == ["11 23:50:00", "12 00:00:00"]
    assert said(recording, "month first", "follow each other more closely")
    recording = opened(write(rows.format("03.10.2026", "04.10.2026")))
    assert moments(recording) == ["03 23:50:00", "04 00:00:00"]
    assert said(recording, "day first", "follow each other more closely")


def test_one_date_beside_degrees_fahrenheit_is_read_with_the_month_first(write: Write) -> None:
    # Common practice, no source: who measures in degF writes the month first.
    path = write("time;temp (°F);rh\n09/12/2026 07:00:00 AM;58,0;60\n")
    recording = open_recording(path, None, enclosure="tent")
    assert moments(recording) == ["12 07:00:00"]
    assert said(recording, "month first", "degF", "2026-04-25")
    # A date with points has the day first wherever it is written.
    path = write("time;temp (°F);rh\n09.12.2026 07:00:00;58,0;60\n")
    recording = open_recording(path, None, enclosure="tent")
    assert moments(recording) == ["09 07:00:00"]


def test_date_and_time_in_two_columns(write: Write) -> None:
    text = "Date,Time,temp,rh\n25/04/2026,14:30:00,21.5,60\n25/04/2026,14:31:00,21.6,60\n"
    for options in ({}, {"time_column": "Date"}, {"time_column": "Time"}):
        recording = opened(write(text), **options)
        assert moments(recording) == ["25 14:30:00", "25 14:31:00"]
        assert recording.time_column == "'Date' and 'Time'"


def test_times_without_a_zone_are_utc_and_that_is_said(write: Write) -> None:
    recording = opened(write("time,temp,rh\n2026-07-01 12:00,21.5,60\n"))
    assert moments(recording) == ["01 12:00:00"]
    assert said(recording, "no zone", "UTC")


def test_times_with_a_zone_given_are_local(write: Write) -> None:
    recording = opened(
        write("time,temp,rh\n2026-07-01 12:00,21.5,60\n"), timezone="Europe/Brussels"
    )
    assert moments(recording) == ["01 10:00:00"]
    assert said(recording, "local times of Europe/Brussels")


@pytest.mark.parametrize(
    ("header", "utc"),
    [
        ("time (UTC)", "01 12:00:00"),
        ("Date Time, GMT-04:00", "01 16:00:00"),
        ("time (GMT-4)", "01 16:00:00"),
        ("time UTC+2", "01 10:00:00"),
        ("time [UTC-04:00]", "01 16:00:00"),
        ("time (Europe/Brussels)", "01 10:00:00"),
        ("time EDT", "01 16:00:00"),
    ],
)
def test_a_header_says_the_zone(write: Write, header: str, utc: str) -> None:
    path = write(f'"{header}",temp,rh\n2026-07-01 12:00,21.5,60\n')
    assert moments(opened(path)) == [utc]
    # A zone that shows the same time is no contradiction; another one is asked back.
    agrees = {"01 12:00:00": "Etc/UTC", "01 16:00:00": "America/New_York"}.get(utc, "Europe/Oslo")
    assert moments(opened(path, timezone=agrees)) == [utc]
    with pytest.raises(RecordingFault, match=r"the file says .* and timezone Asia/Tokyo"):
        opened(path, timezone="Asia/Tokyo")


# Clocks in Brussels went back on 25 October 2015 at 01:00 UTC and forward on 29 March 2015 at
# 01:00 UTC (Directive 2000/84/EC, articles 2 and 3).
@pytest.mark.parametrize("interval_min", [1, 10, 30, 60])
def test_local_times_that_occur_twice_are_told_apart_by_order(
    write: Write, interval_min: int
) -> None:
    zone = ZoneInfo("Europe/Brussels")
    start_s = utc_s("2015-10-24T22:00:00")
    truth = [start_s + 60.0 * interval_min * i for i in range(6 * 60 // interval_min)]
    rows = [f"{datetime.fromtimestamp(t, zone):%Y-%m-%d %H:%M},21.5,60" for t in truth]
    assert len(set(rows)) < len(rows)
    recording = opened(write("\n".join(["time,temp,rh", *rows])), timezone="Europe/Brussels")
    assert [row[0].time_s for row in recording] == truth
    assert said(recording, "2015-10-25", "twice", "order of the rows")


def test_a_repeated_row_and_rows_out_of_order_stay_in_their_hour(write: Write) -> None:
    clock = [
        "02:00",
        "02:10",
        "02:10",
        "02:30",
        "02:20",
        "02:40",
        "02:50",
        "02:00",
        "02:10",
        "03:00",
    ]
    rows = [f"2015-10-25 {time},21.5,60" for time in clock]
    recording = opened(write("\n".join(["time,temp,rh", *rows])), timezone="Europe/Brussels")
    assert moments(recording) == [
        *("25 00:00:00", "25 00:10:00", "25 00:10:00", "25 00:30:00", "25 00:20:00"),
        *("25 00:40:00", "25 00:50:00", "25 01:00:00", "25 01:10:00", "25 02:00:00"),
    ]
    assert said(recording, "begins in it")


def test_local_times_that_do_not_exist_are_counted_and_skipped(write: Write) -> None:
    text = "time,temp,rh\n2015-03-29 01:59,1,1\n2015-03-29 02:30,2,2\n2015-03-29 03:00,3,3\n"
    recording = opened(write(text), timezone="Europe/Brussels")
    assert moments(recording) == ["29 00:59:00", "29 01:00:00"]
    assert [(s.line, s.why) for s in recording.skipped] == [
        (3, "time 2015-03-29 02:30:00 does not exist in Europe/Brussels")
    ]


def test_bad_rows_are_counted_shown_by_line_and_skipped(write: Write) -> None:
    text = (
        "time,temp,rh\n"
        "2026-04-25 14:30,21.5,60\n"
        "yesterday,21.5,60\n"
        "2026-04-25 14:32,21.5\n"
        "2026-04-25 14:33,21.5,60,7\n"
        "\n"
        "2026-04-25 14:34,ERR,ERR\n"
        '2026-04-25 14:35,"21.5,60\n'
        "2026-04-25 14:36,21\x00.5,60\n"
        "2026-02-30 14:37,21.5,60\n"
        "time,temp,rh\n"
        "2026-04-25 14:38,21.7,61\n"
    )
    recording = opened(write(text))
    assert values(recording) == [[21.5, 60.0], [21.7, 61.0]]
    assert recording.skipped_count == 8
    assert [(s.line, s.why) for s in recording.skipped] == [
        (3, "time 'yesterday' is not understood"),
        (4, "2 cells where the other rows have 3"),
        (5, "4 cells where the other rows have 3"),
        (7, "temp 'ERR' is no number; rh 'ERR' is no number"),
        (8, "a quote is not closed"),
        (9, "the row holds zero bytes, as after a power cut"),
        (10, "time '2026-02-30 14:37' is not understood"),
        (11, "time 'time' is not understood"),
    ]
    assert recording.unreadable_count == 0
    list(recording)
    assert recording.skipped_count == 8, "a second reading counts anew"


def test_one_unreadable_cell_makes_only_its_value_missing(write: Write) -> None:
    text = "time,temp,rh\n2026-04-25 14:30,21.5,wet\n2026-04-25 14:31,21.6,inf\n"
    recording = opened(write(text))
    rows = list(recording)
    assert [row[0].value for row in rows] == [21.5, 21.6]
    assert all(math.isnan(row[1].value) and row[1].quality is Quality.MISSING for row in rows)
    assert recording.skipped_count == 0
    assert [(s.line, s.why) for s in recording.unreadable] == [
        (2, "rh 'wet' is no number"),
        (3, "rh 'inf' is no number"),
    ]


def test_empty_cells_say_nothing_new_and_are_no_fault(write: Write) -> None:
    recording = opened(write("time,temp,rh\n2026-04-25 14:30,,---\n2026-04-25 14:31,NaN,60\n"))
    rows = list(recording)
    assert [[r.quality for r in row] for row in rows] == [
        [Quality.STALE, Quality.STALE],
        [Quality.STALE, Quality.OK],
    ]
    assert recording.unreadable_count == recording.skipped_count == 0


@pytest.mark.parametrize("mark", ["---", "NaN", "nan", "NA", "null", '"NaN"', " NaN "])
def test_a_mark_in_place_of_a_figure_is_missing_at_once_as_live(write: Write, mark: str) -> None:
    # The design: what says nothing usable is missing at once; an empty cell is nothing new.
    cells = ["60", "60", mark, "", "60", "60", "60", "60"]
    text = "".join(f"2026-04-25 14:3{at},21.5,{cell}\n" for at, cell in enumerate(cells))
    recording = opened(write("time,temp,rh\n" + text))
    found = [row[1].quality for row in recording]
    assert found == [
        *[Quality.OK] * 2, Quality.MISSING, Quality.STALE, *[Quality.OK] * 4,
    ]  # fmt: skip
    assert recording.unreadable_count == recording.skipped_count == 0


def test_a_mark_is_nothing_new_where_each_row_carries_the_values_of_one_sensor(
    write: Write,
) -> None:
    text = "".join(
        f"2026-04-25 14:{at:02d}," + ("21.5,60,NA\n" if at % 5 else "NA,NA,19.5\n")
        for at in range(40)
    )
    hull = Column("hull", "plank", Quantity.SURFACE_TEMP, "degC")
    path = write("time,temp,rh,hull\n" + text)
    recording = open_recording(path, [AIR, HUMIDITY, hull], enclosure="polytunnel")
    assert {each.quality for row in recording for each in row} == {Quality.OK, Quality.STALE}


def test_humidity_is_handed_on_as_it_stands(write: Write) -> None:
    recording = opened(
        write("time,temp,rh\n2026-04-25 14:30,21.5,103.7\n2026-04-25 14:31,21,0.6\n")
    )
    assert [row[1].value for row in recording] == [103.7, 0.6]


def test_rows_keep_the_files_order_and_repeats(write: Write) -> None:
    clock = ["14:30", "14:32", "14:31", "14:31"]
    recording = opened(write("\n".join(["time,temp,rh", *(f"2026-04-25 {t},1,1" for t in clock)])))
    assert [moment[3:8] for moment in moments(recording)] == clock


def test_only_the_first_twenty_skipped_rows_are_kept_but_all_are_counted(write: Write) -> None:
    rows = ["2026-04-25 14:30,1,1"] * 40 + ["nonsense,1,1"] * 30
    recording = opened(write("\n".join(["time,temp,rh", *rows])))
    assert len(list(recording)) == 40
    assert (len(recording.skipped), recording.skipped_count) == (20, 30)


def test_line_numbers_hold_beyond_the_first_chunk(write: Write) -> None:
    rows = ["2026-04-25 14:30,1,1"] * 45_000
    rows[44_000] = "2026-04-25 14:30,1"
    recording = opened(write("\n".join(["time,temp,rh", *rows])))
    assert sum(1 for _ in recording) == 44_999
    assert recording.skipped[0].line == 44_002


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "the file is empty"),
        ("\n\n", "the file is empty"),
        ("time,temp,rh\n", "a header and no rows"),
        ("2026-04-25 14:30,21.5,60\n2026-04-25 14:31,21.5,60\n", "the header has column 2"),
        ("nothing here\nis a table\n", "no header line"),
        ("time,temp,rh_bow\n2026-04-25 14:30,21.5,60\n", "the nearest is 'rh_bow'"),
        ("clock,temp,rh\nnoon,21.5,60\n", "holds a date with a time of day"),
    ],
)
def test_a_file_of_no_use_is_one_sentence(write: Write, text: str, words: str) -> None:
    with pytest.raises(RecordingFault) as fault:
        opened(write(text))
    assert words in str(fault.value)
    assert "nothing is replayed" in str(fault.value)
    assert "\n" not in str(fault.value)


def test_a_missing_file_a_binary_file_and_an_unknown_zone(write: Write, tmp_path: Path) -> None:
    with pytest.raises(RecordingFault, match="no such file"):
        opened(tmp_path / "none.csv")
    with pytest.raises(RecordingFault, match="the folder holds no file"):
        opened(tmp_path)
    binary = tmp_path / "logger.db"
    binary.write_bytes(bytes(range(256)) * 40)
    with pytest.raises(RecordingFault, match="no text file"):
        opened(binary)
    with pytest.raises(RecordingFault, match="'Europe/Creek' is not known"):
        opened(write("time,temp,rh\n2026-04-25 14:30,1,1\n"), timezone="Europe/Creek")


def test_the_wrong_time_column_is_refused(write: Write) -> None:
    path = write("time,temp,rh,note\n2026-04-25 14:30,1,1,fine\n")
    with pytest.raises(RecordingFault, match="'note' holds 'fine', which is no time"):
        opened(path, time_column="note")


# Names as loggers commonly write them: common practice, no source.
@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("Temperature", ("air", Quantity.AIR_TEMP, "degC")),
        ("T1 (°F)", ("air-1", Quantity.AIR_TEMP, "degF")),
        ("AirTemp_Stern", ("air-stern", Quantity.AIR_TEMP, "degC")),
        ("plank_port", ("plank-port", Quantity.SURFACE_TEMP, "degC")),
        ("Hull Temp 2 [F]", ("hull-2", Quantity.SURFACE_TEMP, "degF")),
        ("CO2", ("air", Quantity.CO2, "ppm")),
        ("PM2.5 (µg/m³)", ("air", Quantity.DUST, "ug/m3")),
        ("HumidityRatio", None),
        ("Dew Point (°C)", None),
        ("Tdew", None),
        ("wet bulb", None),
        ("outside temp", None),
        ("Kitchen temp", None),
        ("Küche Temperatur", None),
        ("absolute humidity g/m3", None),
        ("plank moisture", None),
        ("Light", None),
        ("battery %", None),
        ("Board temp (°C)", None),
        ("Temp max (°C)", None),
    ],
)
def test_columns_are_taken_by_name(name: str, expected: tuple[str, Quantity, str] | None) -> None:
    # A humidity beside it, and the unit told by the preamble, so that nothing has to be asked.
    sights = [sight(name, 20.0, 21.0), sight("RH, %", 60.0, 61.0)]
    found = judge(sights, Hints(unit="degC"), {})
    use = found.verdicts[0].use
    assert (use and (use.point, use.quantity, use.unit)) == expected
    assert not found.questions
    assert use is not None or found.verdicts[0].why


DEW, WET = WorkedOutFrom.DEW_POINT, WorkedOutFrom.WET_BULB


@pytest.mark.parametrize(
    ("name", "source"),
    [
        ("dew point C", DEW),
        ("Taupunkt [°C]", DEW),
        ("wet bulb C", WET),
        ("WB (°C)", WET),
        ("Feuchtkugel [°C]", WET),
        ("HumidityRatio", None),
        ("outside dew point C", None),
        ("stern dew point C", None),
    ],
)
def test_what_stands_in_for_a_humidity_counts_only_where_none_is_recorded(
    name: str, source: WorkedOutFrom | None
) -> None:
    beside = [sight("air temp C", 17.2, 17.3), sight("hull temp C", 16.3, 16.4)]
    damp = [sight(name, 9.0, 9.1)]
    alone = judge([*beside, *damp], Hints(), {}).verdicts[2]
    if source is None:
        assert alone.use is None
        assert "there is no GO until it is recorded" in alone.why
        assert "anew" not in alone.why
    else:
        assert alone.use == Column(name, "air", Quantity.HUMIDITY, "degC", source)
        assert alone.confirmed
        assert "humidity is worked out from this" in str(alone)
    with_rh = judge([*beside, *damp, sight("RH, %", 60.0, 61.0)], Hints(), {}).verdicts[2]
    assert with_rh.use is None
    assert "no column" not in with_rh.why


@pytest.mark.parametrize(
    ("names", "dews", "used"),
    [
        # The one temperature beside a dew point is the air, as it is beside a humidity.
        (("Bow temp C",), ("Bow dew C",), [DEW]),
        # Of two bodies each has its own; of one body the dew point goes before the wet bulb.
        (("Bow temp C", "Stern temp C"), ("Bow dew C", "Stern dew C"), [DEW, DEW]),
        (("Air temp C",), ("Wet bulb C", "Dew point C"), [None, DEW]),
        # Which of two bodies it is of, nobody says.
        (("Bow air C", "Stern air C"), ("Dew point C",), [None]),
    ],
)
def test_a_dew_point_is_paired_with_the_air_of_its_own_body(
    names: tuple[str, ...], dews: tuple[str, ...], used: list[WorkedOutFrom | None]
) -> None:
    airs = [sight(name, 17.2, 17.3) for name in names]
    found = judge(
        [*airs, sight("hull C", 16.0, 16.1), *(sight(n, 9.0, 9.1) for n in dews)],
        Hints(),
        {},
    )
    assert not found.questions
    got = [each.use and each.use.worked_out_from for each in found.verdicts[-len(dews) :]]
    assert got == used


def test_a_dew_point_over_the_air_is_none_and_td_alone_is_asked_for() -> None:
    """Td may be a dew point, a dry bulb or a deck: no call rests on it before somebody says so."""
    air = sight("air temp C", 17.2, 17.3)
    over = judge([air, sight("dew point C", 19.0, 19.1)], Hints(), {}).verdicts[1]
    assert over.use is None
    sign = judge([air, sight("Td C", 9.0, 9.1)], Hints(), {}).verdicts[1]
    assert sign.use is not None
    assert not sign.confirmed


def sight(name: str, *values: float) -> Sight:
    return Sight(name, name, "", np.array(values))


def points(*names: str) -> list[str]:
    found = judge([sight(name, 20.0, 21.0) for name in names], Hints(unit="degC"), {})
    return [each.use.point if each.use else "" for each in found.verdicts]


def test_two_columns_of_one_kind_become_two_points_but_a_second_unit_does_not() -> None:
    hulls = [sight("hull", 20.0), sight("Hull temp", 19.0)]
    airs = [sight("temp (°C)", 20.0), sight("temp (°F)", 68.0)]
    found = judge([*hulls, *airs], Hints(unit="degC"), {})
    assert [each.use.point if each.use else "" for each in found.verdicts] == [
        "hull", "hull-2", "air", "",
    ]  # fmt: skip
    assert "in another unit" in found.verdicts[3].why


def test_humidity_shares_the_point_of_its_own_air() -> None:
    assert points("temp_bow", "rh_bow", "temp_stern", "rh_stern") == [
        "air-bow", "air-bow", "air-stern", "air-stern",
    ]  # fmt: skip
    assert points("RelativeHumidity", "Temperature") == ["air", "air"]


@pytest.mark.parametrize("timezone", [None, "America/New_York", "Asia/Tokyo"])
@pytest.mark.parametrize("odd", ["9999-12-31 23:30", "0001-01-01 00:00", "1961-04-12 06:07"])
@pytest.mark.parametrize("first", [True, False])
def test_a_row_of_no_time_that_a_recording_can_be_of_is_left_out(
    write: Write, timezone: str | None, odd: str, first: bool
) -> None:
    rows = ["2026-04-25 14:30,21.5,60", "2026-04-25 14:31,21.6,60", "2026-04-25 14:32,21.7,60"]
    rows.insert(0 if first else 2, f"{odd},21.9,60")
    recording = opened(write("time,temp,rh\n" + "\n".join(rows) + "\n"), timezone=timezone)
    assert [row[0] for row in values(recording)] == [21.5, 21.6, 21.7]
    assert [each.why for each in recording.skipped] == [
        f"time '{odd}' is not between 1970 and 2100"
    ]


def test_rows_that_are_shorter_than_the_header_are_named(write: Write) -> None:
    rows = ["2026-04-25 14:30,21.5,60", "2026-04-25 14:31,21.6"] * 4
    recording = opened(write("time,temp,rh\n" + "\n".join(rows) + "\n"))
    assert len(list(recording)) == 8
    assert (
        "Rows of 2 cells, where the header has 3, are read with their last cells empty."
        in recording.notices
    )


def test_a_file_of_lost_quotes_is_looked_through_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """60,000 lines that each open a quote took 44 s: each was followed over the next 39."""
    looked = 0
    plain = layout._cells

    def counting(text: str, separator: str) -> tuple[list[str], bool]:
        nonlocal looked
        looked += len(text)
        return plain(text, separator)

    monkeypatch.setattr(layout, "_cells", counting)
    lines = ['"a'] * 20_000
    rows = layout.split_rows(lines, ",", 3)
    assert [lost for _, _, _, lost in rows] == [True] * 20_000
    assert looked < 20 * sum(map(len, lines))
