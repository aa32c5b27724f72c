"""Local times over the nights of the change: a clock that follows it, and one that does not.

Truth is the moment by which each row is made; the zone's rules are those of the tz database, by
the standard library's zoneinfo.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from sensors.recording.local_clock import LocalClock

CHANGES = {
    ("Europe/Amsterdam", "forward"): datetime(2026, 3, 29, 1, tzinfo=UTC),
    ("Europe/Amsterdam", "back"): datetime(2026, 10, 25, 1, tzinfo=UTC),
    ("America/New_York", "forward"): datetime(2026, 3, 8, 7, tzinfo=UTC),
    ("America/New_York", "back"): datetime(2026, 11, 1, 6, tzinfo=UTC),
    ("Australia/Sydney", "forward"): datetime(2026, 10, 3, 16, tzinfo=UTC),
    ("Australia/Sydney", "back"): datetime(2026, 4, 4, 16, tzinfo=UTC),
}


def night(zone: str, way: str, every_s: float, *, follows: bool) -> tuple[np.ndarray, np.ndarray]:
    """Moments of 16 h about a change, and what the clock showed, as if it were UTC [s]."""
    change, place = CHANGES[zone, way], ZoneInfo(zone)
    true_s = change.timestamp() + np.arange(-8 * 3600.0, 8 * 3600.0, every_s) + 7.0
    before = (change - timedelta(hours=3)).astimezone(place).utcoffset() or timedelta()
    offsets = [
        datetime.fromtimestamp(s, place).utcoffset() or timedelta() if follows else before
        for s in true_s.tolist()
    ]
    return true_s, true_s + np.array([each.total_seconds() for each in offsets])


@pytest.mark.parametrize("pieces", [1, 2, 5])
@pytest.mark.parametrize("every_s", [10.0, 60.0, 300.0, 900.0, 1800.0])
@pytest.mark.parametrize("follows", [True, False])
@pytest.mark.parametrize(("zone", "way"), CHANGES)
def test_every_row_is_read_at_its_moment(
    zone: str, way: str, every_s: float, pieces: int, *, follows: bool
) -> None:
    true_s, wall_s = night(zone, way, every_s, follows=follows)
    said: list[str] = []
    clock = LocalClock(ZoneInfo(zone), said.append)
    read = np.concatenate([clock.utc_s(piece)[0] for piece in np.array_split(wall_s, pieces)])
    if way == "forward" and not follows:
        # What a piece before the proof held of the hour is left out, never moved.
        left_out = np.isnan(read)
        assert np.abs((read - true_s)[~left_out]).max() < 0.001
        assert left_out.sum() * every_s <= (0.0 if pieces == 1 else 3600.0 / 2)
    else:
        assert np.abs(read - true_s).max() < 0.001
    assert any("did not" in text for text in said) is not follows
    if pieces == 1:
        assert any("twice" in text for text in said) is (follows and way == "back")


def test_a_row_or_two_of_a_late_change_prove_no_clock_that_runs_on() -> None:
    true_s, wall_s = night("Europe/Amsterdam", "forward", 60.0, follows=True)
    change = int(np.searchsorted(true_s, CHANGES["Europe/Amsterdam", "forward"].timestamp()))
    wall_s[change : change + 3] -= 3600.0  # set three minutes late
    said: list[str] = []
    read, why = LocalClock(ZoneInfo("Europe/Amsterdam"), said.append).utc_s(wall_s)
    assert sorted(why) == [change, change + 1, change + 2]
    kept = ~np.isnan(read)
    assert np.abs((read - true_s)[kept]).max() < 0.001
    assert not any("did not" in text for text in said)


def test_a_logger_that_was_off_for_the_second_of_the_hours_is_not_moved_by_a_short_look() -> None:
    """Off from the middle of the first hour until after the second: no row goes on at once."""
    true_s, wall_s = night("Europe/Amsterdam", "back", 60.0, follows=True)
    change_s = CHANGES["Europe/Amsterdam", "back"].timestamp()
    on = (true_s < change_s - 1800.0) | (true_s > change_s + 3600.0)
    read, _ = LocalClock(ZoneInfo("Europe/Amsterdam"), lambda _text: None).utc_s(wall_s[on])
    assert np.abs(read - true_s[on]).max() < 0.001
