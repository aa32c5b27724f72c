"""What a review says of a film that was wet while it was soft; times added by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from clock_material import PRIMER

from monitor.review.text import memory_words
from rules.memory import WET_S, FilmMemory
from rules.review.coats import END_OF_LOG, CoatRecord

NIGHT_S = datetime(2026, 10, 19, 21, 0, tzinfo=UTC).timestamp()
MIN = 60.0
COAT = CoatRecord(1, PRIMER, None, (), NIGHT_S, NIGHT_S, NIGHT_S + 9e4, END_OF_LOG, {}, ())


def stamp(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).strftime("%H:%M")


@pytest.mark.parametrize(
    ("spans_min", "words"),
    [
        ((), ""),
        (((10.0, 10.0 + WET_S / MIN - 1.0),), ""),
        (((10.0, 10.0 + WET_S / MIN),), "Wet 21:10 to {end} while soft, {lasted} in all"),
        # 21:10 to 23:10 and 1:00 to 5:50 are 2 h and 4 h 50 min.
        (((10.0, 130.0), (240.0, 530.0)), "Wet 21:10 to 05:50 while soft, 6 h 50 min in all"),
    ],
)
def test_a_night_of_dew_is_one_line(spans_min: tuple[tuple[float, float], ...], words: str) -> None:
    wet_s = tuple((NIGHT_S + begin * MIN, NIGHT_S + end * MIN) for begin, end in spans_min)
    end = stamp(NIGHT_S + 10.0 * MIN + WET_S)
    expected = words.format(end=end, lasted=f"{WET_S / MIN:.0f} min")
    coat = replace(COAT, memory=FilmMemory({}, wet_s=wet_s))
    assert memory_words(coat, stamp) == expected


def test_a_coat_without_a_climate_has_no_such_line() -> None:
    assert memory_words(COAT, stamp) == ""
