"""Dew points and humidity ratios against what others recorded: typical years, and a real room."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pvlib
import pytest

from rules.air.arrays import dew_points_c
from rules.air.state import humidity_ratio_g_per_kg

# Typical-year files that come with pvlib (BSD-3): TMY3 of Sand Point, Alaska, and Greensboro,
# North Carolina; TMY2 of Miami, Florida. All from the US National Renewable Energy Laboratory.
YEARS = Path(pvlib.__file__).parent / "data"
RECORDINGS = Path(__file__).parents[3] / "examples" / "recordings"


def year(name: str) -> tuple[Any, Any, Any, Any]:
    """Return dry bulb, dew point, humidity and month of each hour."""
    if name.endswith(".tm2"):
        table, _ = pvlib.iotools.read_tmy2(str(YEARS / name))
        air, dew, rh = table["DryBulb"] / 10, table["DewPoint"] / 10, table["RHum"]
    else:
        table, _ = pvlib.iotools.read_tmy3(str(YEARS / name), map_variables=True)
        air, dew, rh = table["temp_air"], table["temp_dew"], table["relative_humidity"]
    columns = (np.asarray(column, dtype=float) for column in (air, dew, rh))
    return *columns, np.asarray(table.index.month)


@pytest.mark.parametrize(
    ("name", "bound_k", "at_least"),
    [
        # Humidity is rounded to 1 %, which is up to 0.26 K here, temperatures to 0.1 K.
        ("703165TY.csv", 0.35, 5000),
        ("12839.tm2", 0.35, 8500),
        # Drier air: 0.5 % of 20 % is 0.35 K, and 0.05 K of rounding besides.
        ("723170TYA.CSV", 0.40, 6500),
    ],
)
def test_dew_points_of_a_typical_year(name: str, bound_k: float, at_least: int) -> None:
    air, dew, rh, month = year(name)
    # Left out: hours below freezing, where files mix water and ice; and the six hours either side
    # of a month's end, where months of different years are joined and temperatures, but not
    # humidity, were smoothed across.
    joins = [0, *(np.flatnonzero(np.diff(month)) + 1), len(month)]
    near_a_join = np.zeros(len(month), dtype=bool)
    for join in joins:
        near_a_join[max(0, join - 6) : join + 6] = True
    kept = (dew >= 0.0) & ~near_a_join
    assert kept.sum() >= at_least
    off = dew_points_c(air[kept], rh[kept]) - dew[kept]
    assert np.abs(off).max() <= bound_k
    assert abs(off.mean()) <= 0.03


def test_humidity_ratio_of_a_real_room_is_its_own_column() -> None:
    # L. M. Candanedo, V. Feldheim, Energy and Buildings 112 (2016) 28-39, CC BY 4.0.
    table = pd.read_csv(RECORDINGS / "office-occupancy-2015-02.csv")
    assert len(table) == 8143
    for air, rh, ratio in zip(
        table["Temperature"], table["Humidity"], table["HumidityRatio"], strict=True
    ):
        # One constant share of 4e-5 apart: the authors' ratio of mole masses, or their pressure.
        assert humidity_ratio_g_per_kg(air, rh) == pytest.approx(1000.0 * ratio, rel=1e-4)
