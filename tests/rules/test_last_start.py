"""Until when a coat may be begun, and what the air's dust says beside a call.

Times of day are counted by hand from noon UTC of a Monday; dust's threshold is common practice.
"""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from rules.notices import DUST_TOLD_UG_M3, dust_notice
from rules.reasons import last_start_left, last_start_reason
from rules.trend import EarlierOutlook
from rules.vocabulary import LimitName, LimitState, Stage

NOON_S = datetime(2026, 10, 19, 12, 0, tzinfo=UTC).timestamp()
H = 3600.0


def ahead(last_h: float | None, limit: LimitName | None = LimitName.HUMIDITY_MAX) -> EarlierOutlook:
    last_s = None if last_h is None else NOON_S + last_h * H
    return EarlierOutlook(NOON_S, Stage.PREP, 24 * H, (), "trend", last_s, limit)


@pytest.mark.parametrize(
    ("last_h", "left"), [(3.0, True), (0.0, True), (-0.1, False), (None, False)]
)
def test_a_last_start_that_is_past_is_none(last_h: float | None, left: bool) -> None:
    found = ahead(last_h)
    assert last_start_left(found, NOON_S) == (found.last_start_s if left else None)
    assert bool(last_start_reason(found, NOON_S, UTC)) is left


@pytest.mark.parametrize(
    ("last_h", "zone", "when"),
    [
        (3.5, UTC, "by 15:30"),
        (3.5, ZoneInfo("Etc/GMT-2"), "by 17:30"),  # two hours east of Greenwich
        (14.0, UTC, "by Tue 02:00"),
        (3.5, None, "within 3 h 30 min"),
    ],
)
def test_the_last_brush_has_its_time_of_day_and_what_ends_it(
    last_h: float, zone: ZoneInfo | None, when: str
) -> None:
    (reason,) = last_start_reason(ahead(last_h), NOON_S, zone)
    ends = "air probably too damp before the film is safe"
    assert reason.text == f"Last brush down {when}, then: {ends}"
    assert (reason.state, reason.value, reason.unit) == (LimitState.OK, last_h * H, "s")


def test_nothing_is_said_where_nobody_knows_what_ends_it() -> None:
    assert last_start_reason(ahead(3.0, None), NOON_S, UTC) == []


def test_dust_is_told_of_and_changes_no_call() -> None:
    told = dust_notice(140.4)
    assert (told.name, told.state, told.value) == ("dust", LimitState.OK, 140.4)
    assert told.bound == DUST_TOLD_UG_M3
    assert told.text == ("Dust 140 µg/m³: it lies down in wet paint. Let it settle before you coat")
