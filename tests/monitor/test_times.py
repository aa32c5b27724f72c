"""Times as people type them, where the clocks change (tz database, Europe/Brussels in 2026)."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from monitor.times import moment_s
from rules.errors import FilmcallError

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
