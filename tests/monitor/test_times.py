"""Times as people type them, where the clocks change (tz database, Europe/Brussels in 2026)."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.times import moment_s
from rules.errors import FilmcallError
from rules.text import hour_text, with_zone_text

NOW_S = datetime(2026, 11, 28, tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("2026-10-25 02:30", "came twice.*2026-10-25T00:30:00Z or 2026-10-25T01:30:00Z"),
        ("2026-03-29T02:30", "was skipped.*2026-03-29T01:30:00Z or 2026-03-29T00:30:00Z"),
    ],
)
def test_a_time_that_came_twice_or_never_is_asked_about(text: str, said: str) -> None:
    with pytest.raises(FilmcallError, match=said):
        moment_s(text, NOW_S, "Europe/Brussels")


def test_with_an_offset_or_an_hour_later_it_is_taken() -> None:
    second = moment_s("2026-10-25 02:30+01:00", NOW_S, "Europe/Brussels")
    assert second - moment_s("2026-10-25 02:30+02:00", NOW_S, "Europe/Brussels") == 3600.0
    assert moment_s("2026-10-25 03:30", NOW_S, "Europe/Brussels") == second + 3600.0
    assert moment_s("2026-10-25 02:30", NOW_S, "Etc/UTC") == second + 3600.0


def test_a_time_that_a_clock_shows_twice_is_shown_with_its_zone() -> None:
    """Summer time ends at 1:00 UTC of October's last Sunday: Directive 2000/84/EC, article 3."""
    zone = ZoneInfo("Europe/Brussels")
    change_s = datetime(2026, 10, 25, 1, tzinfo=UTC).timestamp()
    hours = [change_s + 60.0 * minutes for minutes in (-61, -30, 30, 60)]
    assert [hour_text(each, zone) for each in hours] == [
        "01:59", "02:30 CEST", "02:30 CET", "03:00",
    ]  # fmt: skip
    assert hour_text(hours[2], zone, twelve_hours=True) == "2:30 am CET"
    assert with_zone_text(hours[1], zone, hours[1]) == "02:30 CEST"
    spring_s = datetime(2026, 3, 29, 1, tzinfo=UTC).timestamp()
    assert [hour_text(spring_s + s, zone) for s in (-60.0, 0.0)] == ["01:59", "03:00"]
