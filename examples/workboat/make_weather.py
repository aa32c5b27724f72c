"""Make the weather of the invented creek: a typical year as EPW, and a forecast of twelve days.

Run from anywhere; the same seed gives the same files, byte for byte:

    python examples/workboat/make_weather.py examples/workboat/creek.epw examples/workboat/creek.csv
"""

from __future__ import annotations

import math
import random
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

YEAR, SEED = 2026, 19
FORECAST_FROM, FORECAST_DAYS = datetime(2026, 5, 3, tzinfo=UTC), 12


def weather(seed: int) -> list[tuple[datetime, float, float]]:
    """Return hour, temperature [°C] and humidity [%] of a mild, damp and wholly invented year."""
    chance = random.Random(seed)
    rows, spell, damp = [], 0.0, 0.0
    for hour in range(8760):
        at = datetime(YEAR, 1, 1, tzinfo=UTC) + timedelta(hours=hour)
        spell += -spell / 60.0 + chance.gauss(0.0, 0.45)
        damp += -damp / 30.0 + chance.gauss(0.0, 1.6)
        season = -math.cos(2.0 * math.pi * (at.timetuple().tm_yday - 20) / 365.0)
        day = math.sin(2.0 * math.pi * (at.hour - 9) / 24.0)
        temp_c = 10.5 + 6.0 * season + (2.5 + 1.5 * season) * day + spell
        rh_pct = 80.0 - 4.0 * season - (9.0 + 5.0 * season) * day + damp
        rows.append((at, round(temp_c, 1), min(max(round(rh_pct), 35), 100)))
    return rows


def epw(rows: list[tuple[datetime, float, float]]) -> str:
    """Return the year as an EPW file: eight lines of head, hours 1 to 24, no sun and no wind."""
    head = [
        "LOCATION,Invented Creek,-,-,invented,000000,50.0,0.0,0.0,5.0",
        "DESIGN CONDITIONS,0",
        "TYPICAL/EXTREME PERIODS,0",
        "GROUND TEMPERATURES,0",
        "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0",
        "COMMENTS 1,an invented year: nobody measured it",
        "COMMENTS 2,",
        "DATA PERIODS,1,1,Data,Thursday,1/1,12/31",
    ]
    for at, temp_c, rh_pct in rows:
        ln = math.log(rh_pct / 100.0) + 17.62 * temp_c / (243.12 + temp_c)
        dew_c = round(243.12 * ln / (17.62 - ln), 1)
        head.append(
            f"{at.year},{at.month},{at.day},{at.hour + 1},0,?,{temp_c},{dew_c},{rh_pct},101300"
            + 25 * ",0"
        )
    return "\n".join([*head, ""])


def forecast(rows: list[tuple[datetime, float, float]]) -> str:
    """Return the hours of twelve days of May as a forecast file."""
    until = FORECAST_FROM + timedelta(days=FORECAST_DAYS)
    lines = [
        f"{at:%Y-%m-%dT%H:%MZ},{temp_c},{rh_pct}"
        for at, temp_c, rh_pct in rows
        if FORECAST_FROM <= at < until
    ]
    return "\n".join(["time,temperature,humidity", *lines, ""])


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(epw(weather(SEED)), "utf-8")
    # The days that come are another draw of such a year, as they are anywhere.
    Path(sys.argv[2]).write_text(forecast(weather(SEED + 1)), "utf-8")
