"""How setup reads 64 of the fresh set of invented logger files, each judged by itself.

`python -m benchmarks.layouts --set fresh` tries all of them. The measure is that of
`tests/support/layout_score.py`: never wrong in silence, and right with at most one question.
"""

from __future__ import annotations

import pytest

from tests.support.layout_score import CRASHED, WRONG, is_right, try_setup
from tests.support.logger_files import Layout
from tests.support.logger_layouts import TUNING
from tests.support.logger_layouts_fresh import FRESH
from tests.support.logger_layouts_held import HELD

NUMBERED = {int(layout.name.split("_")[1]): layout for layout in FRESH}
# Every failure, every language, and of the rest one of a kind.
TRIED = (
    *(1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 13, 14, 15, 17), *(20, 21, 22, 24, 25, 27, 29, 32),
    *(33, 34, 36, 39, 40, 42, 44), *(48, 49, 52, 53, 54, 55, 58, 59, 60), *(61, 62, 64, 66, 68, 69),
    *(72, 74, 77), *(79, 80, 82, 83, 87, 88, 97, 102, 103, 104, 108, 109, 113, 114, 115, 126, 127),
)  # fmt: skip
AMISS: dict[int, str] = {
    79: "a header that comes again with its columns exchanged ends the reading (said)",
    80: "a header that comes again in another unit ends the reading (said)",
    87: "two sides of a hull are asked as two questions, though one answer may name both",
    97: "year, month, day, hour and minute in columns of their own are not put together",
    126: "the units of T and Ts and which of them lies on the hull are two questions",
}


@pytest.mark.parametrize(
    "layout",
    [
        pytest.param(
            NUMBERED[number],
            id=NUMBERED[number].name,
            marks=[pytest.mark.xfail(strict=True, reason=AMISS[number])] if number in AMISS else [],
        )
        for number in TRIED
    ],
)
def test_a_fresh_file_is_read_rightly_with_at_most_one_question(layout: Layout) -> None:
    found = try_setup(layout)
    assert found.category not in (WRONG, CRASHED), found.why
    assert is_right(layout, found, 1), f"{found.category}: {found.why} {found.asked}"


def test_the_fresh_files_are_many_and_none_is_another_sets() -> None:
    assert len(FRESH) == len(NUMBERED) >= 64
    assert len(set(TRIED)) >= 64
    assert set(AMISS) <= set(TRIED)
    others = {content for layout in (*TUNING, *HELD) for _, content in layout.files}
    assert others.isdisjoint(content for layout in FRESH for _, content in layout.files)
