"""A record's minutes taken together are those taken one by one."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from sensors.believe.record import MINUTES, MinuteRecord


def _record(gaps: list[int], anew_at: int) -> MinuteRecord:
    record, minute = MinuteRecord(), 29_000_000
    for number, gap in enumerate(gaps):
        if number == anew_at:
            record.begin_anew()
        minute += gap
        record.close(minute, math.sin(number) * 3.0, 0.1, 6)
    return record


@given(
    gaps=st.lists(st.sampled_from([1, 1, 1, 2, 5, 9, 11, 40, 719, 720, 721, 2000]), max_size=60),
    anew_at=st.integers(0, 80),
    offset=st.integers(-MINUTES - 30, 30),
    fours=st.integers(1, 30),
)
def test_minutes_together_are_those_one_by_one(
    gaps: list[int], anew_at: int, offset: int, fours: int
) -> None:
    record = _record(gaps, anew_at)
    first = max(record.head, 29_000_000) + offset
    last = first + 4 * fours - 1
    alone = [record.at(minute) for minute in range(first, last + 1)]
    together = record.minutes(first, last)
    assert [repr(each) for each in together] == [repr(each) for each in alone]
    means = [math.fsum(alone[at : at + 4]) / 4.0 for at in range(0, len(alone), 4)]
    for found, expected in zip(record.means_of_four(first, last), means, strict=True):
        assert math.isclose(found, expected, abs_tol=1e-12) or (found != found) is (
            expected != expected
        )
    three = record.mean_of_three(first)
    expected = math.fsum(alone[:3]) / 3.0
    assert math.isclose(three, expected, abs_tol=1e-12) or (three != three and expected != expected)
