"""Quotes, units rows, cells with units, packed files: each layout has its truth beside it."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from sensors.recording import times
from sensors.recording.layout import RecordingFault, sniff, split_rows
from sensors.recording.open import open_recording
from sensors.recording.words import meaning, month_number


def written(folder: Path, text: str, name: str = "logger.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_quoted_note_over_lines_is_one_row_and_a_lost_quote_costs_no_row() -> None:
    lines = ['1,2,"a', 'b"', '3,4,"open', "5,6,c"]
    assert [(row[0], row[2]) for row in split_rows(lines, ",", 3)] == [
        (0, ["1", "2", "a\nb"]),
        (2, ["3", "4", '"open']),
        (3, ["5", "6", "c"]),
    ]


def test_figures_with_their_unit_beside_them(tmp_path: Path) -> None:
    rows = "".join(f"2026-04-25T14:{m:02d}:00Z,50 °F,61 %,50 °F\n" for m in range(9))
    recording = open_recording(
        written(tmp_path, "Time,Air,RH,Hull\n" + rows), None, enclosure="tent"
    )
    # 50 °F is 10 °C: NIST SP 811, B.8, from memory.
    assert [reading.value for reading in next(iter(recording))] == [10.0, 61.0, 10.0]


def test_a_packed_file_is_refused_by_its_name(tmp_path: Path) -> None:
    path = tmp_path / "logger.csv.gz"
    path.write_bytes(gzip.compress(b"time,temp\n"))
    with pytest.raises(RecordingFault, match="compressed by gzip"):
        sniff(path)


# 14:00 UTC on 25 April 2026 is 1777125600 s after 1970 (20,568 days and 50,400 s), and day 46,137
# and 14/24 of a spreadsheet that counts from 30 December 1899.
@pytest.mark.parametrize(
    "cell",
    ["20260425140000", "202604251400", "20260425T140000Z", "1777125600", "1777125600000",
     "46137.583333", "25-Apr-2026 02:00 PM", "25. April 2026 14:00", "25 avr. 2026 14h00",
     "25.4.2026 klo 14.00", "25 kwietnia 2026 14:00", "Sat 25 Apr 2026 14:00:00"],
)  # fmt: skip
def test_every_way_to_write_a_time(tmp_path: Path, cell: str) -> None:
    path = written(tmp_path, f"Time UTC;Air °C;RH %\n{cell};21;60\n")
    recording = open_recording(path, None, enclosure="tent")
    assert [row[0].time_s for row in recording] == [1777125600.0]


def test_a_header_in_winter_time_over_rows_of_the_summer_is_no_offset() -> None:
    assert times.is_out_of_season("Time (CET)", ["2026-07-01 12:00"], times.DAY)
    assert not times.is_out_of_season("Time (CET)", ["2026-01-01 12:00"], times.DAY)


@pytest.mark.parametrize(
    ("name", "kinds"),
    [
        ("Oberflächentemperatur", {"surface", "temperature"}),
        ("Skrovtemperatur", {"surface", "temperature"}),
        ("Ilmankosteus", {"humidity"}),
        ("Température coque", {"surface", "temperature"}),
        ("Wilgotność", {"humidity"}),
        ("Board temp", {"device", "temperature"}),
        ("Taupunkt", {"dew"}),
    ],
)
def test_words_of_many_languages(name: str, kinds: set[str]) -> None:
    assert meaning(name).kinds == kinds


def test_every_month_of_every_language_is_known_by_three_letters_or_more() -> None:
    for name, number in (("maj", 5), ("mrt", 3), ("paź", 10), ("out", 10), ("marraskuuta", 11)):
        assert month_number(name) == number
