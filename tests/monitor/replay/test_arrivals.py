"""When a row came, by the order of the recording: rows made up by hand, times worked out by eye."""

from __future__ import annotations

import math

import pytest

from monitor.replay.arrivals import Arrivals, Placed
from sensors.reading import Quality, Quantity, Reading


def row(time_s: float, *bodies: str, quality: Quality = Quality.OK) -> list[Reading]:
    value = 20.0 if quality is Quality.OK else math.nan
    return [
        Reading("tent", body, Quantity.AIR_TEMP, time_s, value, quality, time_s) for body in bodies
    ]


def placed(rows: list[list[Reading]]) -> list[Placed]:
    return list(Arrivals(rows))


@pytest.mark.parametrize("ahead_s", [600.0, -600.0, 1e9])
def test_a_body_with_a_clock_of_its_own_comes_when_the_others_do(ahead_s: float) -> None:
    rows = []
    for minute in range(30):
        rows += [row(60.0 * minute, "bow"), row(60.0 * minute + 10.0, "plank")]
        rows.append(row(60.0 * minute + 20.0 + ahead_s, "stern"))
    found = placed(rows)
    assert not any(each.clock_set for each in found)
    for place, each in enumerate(found):
        came_s = 60.0 * (place // 3) + 10.0 * (place % 3)
        assert each.now_s == pytest.approx(came_s, abs=60.0)
        assert each.time_s == pytest.approx(came_s, abs=60.0)
        assert all(reading.time_s == each.time_s for reading in each.readings)


def test_a_body_behind_whose_row_comes_first_makes_no_gap_of_the_difference() -> None:
    rows = []
    for minute in range(30):
        rows += [row(60.0 * minute - 600.0, "bow"), row(60.0 * minute + 10.0, "plank")]
        rows.append(row(60.0 * minute + 20.0, "stern"))
    assert [each.now_s for each in placed(rows)] == pytest.approx(
        [60.0 * (place // 3) + 10.0 * max(place % 3, 1) for place in range(90)]
    )


def test_a_body_that_is_heard_alone_at_first_was_alone() -> None:
    alone = [row(60.0 * minute, "bow") for minute in range(11)]
    rows = [[row(60.0 * m, "bow"), row(60.0 * m + 10.0, "plank")] for m in range(11, 30)]
    both = alone + [each for pair in rows for each in pair]
    assert [each.now_s for each in placed(both)] == [each[0].time_s for each in both]
    # Nor is what was measured before a gap of the whole recording.
    broken = [row(0.0, "bow"), row(600.0, "plank"), row(600.0, "bow"), row(660.0, "plank")]
    assert [each.now_s for each in placed(broken)] == [each[0].time_s for each in broken]


def test_a_body_whose_clock_is_set_later_moves_nobody_elses() -> None:
    rows = []
    for minute in range(60):
        ahead_s = 3600.0 if minute >= 30 else 0.0
        rows += [row(60.0 * minute, "bow"), row(60.0 * minute + 10.0, "plank")]
        rows.append(row(60.0 * minute + 20.0 + ahead_s, "stern"))
    assert [each.now_s for each in placed(rows)][-2] == pytest.approx(59 * 60.0, abs=70.0)


def test_what_a_body_had_kept_and_sends_at_once_is_old_and_drives_no_clock() -> None:
    rows = [row(60.0 * minute, "bow") for minute in range(120)]
    kept = [row(60.0 * minute + 5.0, "stern") for minute in range(10, 60)]
    before = [row(60.0 * minute + 5.0, "stern") for minute in range(10)]
    mixed = [each for pair in zip(rows[:10], before, strict=True) for each in pair]
    found = placed([*mixed, *rows[10:61], *kept, *rows[61:]])
    for each in found[71:121]:  # the kept ones
        assert each.now_s == 3600.0
        assert each.time_s <= 3600.0 - 55.0
    assert found[-1].now_s == 119 * 60.0


def test_a_gap_of_the_whole_recording_is_a_gap() -> None:
    rows = []
    for minute in [*range(10), *range(70, 80)]:
        rows += [row(60.0 * minute, "bow"), row(60.0 * minute + 10.0, "plank")]
    assert [each.now_s for each in placed(rows)] == [each[0].time_s for each in rows]


def test_a_clock_set_back_is_the_recordings_where_it_stamps_every_row() -> None:
    rows = [row(60.0 * minute, "bow", "plank") for minute in range(100, 120)]
    rows += [row(60.0 * minute, "bow", "plank") for minute in range(20, 40)]
    found = placed(rows)
    assert [each.clock_set for each in found].count(True) == 1
    assert found[-1].now_s == 39 * 60.0


def test_rows_that_come_back_by_a_jump_were_late() -> None:
    rows = [row(60.0 * minute, "bow", "plank") for minute in range(60)]
    rows[50:50] = rows[10:30]
    found = placed(rows)
    assert not any(each.clock_set for each in found)
    assert [each.now_s for each in found[50:70]] == [49 * 60.0] * 20


def test_a_row_of_empty_cells_lets_time_pass_and_says_nothing() -> None:
    found = placed([row(0.0, "bow"), row(600.0, "bow", quality=Quality.STALE)])
    assert [(len(each.readings), each.now_s) for each in found] == [(1, 0.0), (0, 600.0)]
