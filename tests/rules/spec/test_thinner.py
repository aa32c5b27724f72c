"""The sheet's range of thinner by method and temperature: the generic topcoat's own figures.

It asks for up to 8 % by brush or roller at 10 to 20 °C, 5 to 12 % at 20 to 35 °C, and 15 to 25 %
by gun (rules/specs/polyurethane-topcoat.toml); what too much and too little do stands in its batch
sheet, common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.specs import find_spec
from rules.spec.thinner import thinner_range
from rules.vocabulary import Method

BRUSH, GUN = Method.BRUSH, Method.GUN
MIX = find_spec("polyurethane-topcoat")[0].mix
assert MIX is not None


@pytest.mark.parametrize(
    ("method", "temp_c", "asked"),
    [
        (BRUSH, 15.0, (0.0, 8.0)),
        (BRUSH, 25.0, (5.0, 12.0)),
        (BRUSH, 19.6, (0.0, 12.0)),  # within a kelvin of the next band either may hold
        (BRUSH, None, (0.0, 12.0)),
        (GUN, 15.0, (15.0, 25.0)),
        (GUN, None, (15.0, 25.0)),
        (None, 25.0, (5.0, 25.0)),
        (None, None, (0.0, 25.0)),
        (BRUSH, 5.0, (0.0, 25.0)),  # colder than any band: only the sheet's most is known
        (BRUSH, 10.3, (0.0, 8.0)),
    ],
)
def test_the_range_goes_by_method_and_temperature(
    method: Method | None, temp_c: float | None, asked: tuple[float, float]
) -> None:
    assert MIX is not None
    assert thinner_range(MIX, method, temp_c)[:2] == asked


@pytest.mark.parametrize(
    ("method", "temp_c", "thinner_pct", "said"),
    [
        (BRUSH, 25.0, 20.0, "20 % of thinner is above the sheet's 5 to 12 % by brush at 20 to "
         "35 °C: it sags, dries thin and may not cure"),
        (BRUSH, 25.0, 2.0, "2 % of thinner is below the sheet's 5 to 12 % by brush at 20 to 35 °C: "
         "it sets before it levels"),
        (BRUSH, 25.0, 12.0, ""),
        (None, None, 30.0, "30 % of thinner is above the sheet's 25 %: it sags, dries thin and may "
         "not cure"),
        (BRUSH, None, 20.0, "20 % of thinner is above the sheet's 12 % by brush: it sags, dries "
         "thin and may not cure"),
    ],
)  # fmt: skip
def test_what_lies_outside_is_said_with_what_it_does(
    method: Method | None, temp_c: float | None, thinner_pct: float, said: str
) -> None:
    assert MIX is not None
    assert thinner_range(MIX, method, temp_c).against(thinner_pct) == said


def test_a_sheet_without_bands_has_its_most_alone() -> None:
    assert MIX is not None
    assert thinner_range(replace(MIX, thinner_bands=()), BRUSH, 20.0) == (0.0, 25.0, "")
