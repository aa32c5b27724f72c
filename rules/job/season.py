"""How often a coat begun at each hour of each week would hold, counted over a typical year."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

import numpy as np

from rules.air.arrays import Floats
from rules.job.air import held
from rules.job.draws import YEAR_HOURS, WeatherYear
from rules.job.model import CoatToLay
from rules.job.tent import Tent
from rules.units import HOUR_S

WARMER_K, DRIER_PCT = 5.0, 10.0
"""What the count is made with as well: a tent so much warmer, or so much less humid."""

_BEHIND_H = 24 * 60  # a harm time that begins on the last day goes on into the year's first weeks


@dataclass(frozen=True, slots=True)
class SeasonCell:
    """One hour of the day in one week of the year.

    Attributes:
        week: ISO week.
        hour: of the day, local, at which the coat is begun.
        starts: how many were counted.
        share: of them that hold their whole harm time [1].
        share_warmer: in a tent 5 K warmer [1].
        share_drier: at 10 % less humidity, with the water taken out [1].
    """

    week: int
    hour: int
    starts: int
    share: float
    share_warmer: float
    share_drier: float


def season_of(
    year: WeatherYear, coat: CoatToLay, tent: Tent, first_year: int, zone: tzinfo
) -> tuple[SeasonCell, ...]:
    """Count a typical year's good starts by week and hour.

    Args:
        year: outside.
        coat: that is begun.
        tent: that it is laid in.
        first_year: calendar year that the weeks are counted in.
        zone: of the hours of day.

    Returns:
        One cell for each hour of each ISO week, in order. A harm time that runs past the year's
        end goes on in its first weeks.
    """
    begin = datetime(first_year, 1, 1, tzinfo=zone)
    start_s = begin.timestamp()
    count = round((datetime(first_year + 1, 1, 1, tzinfo=zone).timestamp() - start_s) / HOUR_S)
    air = year.from_hour(start_s, max(count, YEAR_HOURS) + _BEHIND_H)
    air = air.in_tent(tent)
    starts_s: Floats = start_s + HOUR_S * np.arange(count, dtype=np.float64)
    good = [
        held(each, coat, starts_s)[0][0]
        for each in (air, air.warmer(WARMER_K), air.drier(DRIER_PCT))
    ]
    local = [datetime.fromtimestamp(s, zone) for s in starts_s.tolist()]
    keys = np.array([each.isocalendar().week * 24 + each.hour for each in local])
    cells = []
    for key in np.unique(keys):
        own = keys == key
        share, warm, dry = (float(each[own].mean()) for each in good)
        cells.append(SeasonCell(int(key) // 24, int(key) % 24, int(own.sum()), share, warm, dry))
    return tuple(cells)


def by_week(cells: Sequence[SeasonCell]) -> dict[int, Floats]:
    """Return by ISO week the shares of its 24 hours of day, NaN where none was counted [1]."""
    found: dict[int, Floats] = {}
    for cell in cells:
        found.setdefault(cell.week, np.full(24, np.nan))[cell.hour] = cell.share
    return found
