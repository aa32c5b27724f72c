"""Whether a heater heats and a cover drips, against courses made by hand.

Cooling after Newton's law with invented constants; no outside source tells when to ring.
"""

from __future__ import annotations

import numpy as np
import pytest

from rules.air.arrays import dew_points_c
from rules.events import Event
from rules.heat import (
    DEHUMIDIFIER,
    HEATER,
    drip_notices,
    dry_doubts,
    heat_doubts,
    heater_shares,
    on_since_s,
    sun_notices,
)
from rules.vocabulary import EventKind, LimitState

HOUR = 3600.0
TIMES = np.arange(0.0, 6 * HOUR, 300.0)
NOW = 5 * HOUR


def cooling(from_h: float, outside_c: float, tau_h: float = 8.0) -> np.ndarray:
    gone_h = np.maximum(0.0, TIMES / HOUR - from_h)
    return outside_c + (18.0 - outside_c) * np.exp(-gone_h / tau_h)


@pytest.mark.parametrize(
    ("air_c", "on_s", "outside_c", "says"),
    [
        (cooling(3.0, 5.0), 0.0, 5.0, True),  # 2.9 K in two hours, towards 5
        (cooling(4.9, 5.0), 0.0, 5.0, False),  # six minutes: 0.2 K
        (cooling(9.0, 5.0), 0.0, 5.0, False),  # it heats
        (cooling(3.0, 5.0), None, 5.0, False),  # it is off
        (cooling(3.0, 5.0), NOW - 600.0, 5.0, False),  # lit ten minutes ago
        (cooling(3.0, 5.0), 0.0, None, False),  # nobody knows what it is outside
        (cooling(3.0, 5.0), 0.0, 20.0, False),  # warmer outside: it is no loss of heat
        (np.minimum(18.0, cooling(3.0, 5.0, 1.0) + 11.0), 0.0, 5.0, False),  # set lower, and held
    ],
)
def test_a_heater_has_failed_where_the_air_falls_towards_outside(
    air_c: np.ndarray, on_s: float | None, outside_c: float | None, says: bool
) -> None:
    found = heat_doubts(TIMES, air_c, on_s, outside_c, NOW)
    assert bool(found) is says
    assert all(each.state is LimitState.NEAR for each in found)


def test_a_heater_is_on_from_its_last_switch() -> None:
    switched = [
        Event(EventKind.HEATER_ON, 1.0, "tent"),
        Event(EventKind.HEATER_OFF, 2.0, "tent"),
        Event(EventKind.HEATER_ON, 3.0, "tent"),
    ]
    assert [on_since_s(switched, HEATER, at) for at in (0.5, 1.5, 2.5, 3.5)] == [
        None, 1.0, None, 3.0,
    ]  # fmt: skip
    assert on_since_s(switched, DEHUMIDIFIER, 3.5) is None


def test_a_heaters_share_of_a_cell_is_the_time_that_it_was_on() -> None:
    cells = np.array([600.0, 1200.0, 1800.0])
    switched = [
        Event(EventKind.HEATER_ON, 300.0, "tent", value=1.0, unit="kW"),
        Event(EventKind.HEATER_OFF, 900.0, "tent"),
        Event(EventKind.HEATER_ON, 1500.0, "tent", value=2000.0, unit="W"),
    ]
    assert heater_shares(switched, cells) == pytest.approx([0.25, 0.25, 0.5])
    assert heater_shares([], cells).tolist() == [0.0, 0.0, 0.0]


WATER = 6.0 + np.clip((TIMES / HOUR - 3.0) * 0.9, 0.0, None)  # dew point, rising from hour 3 [degC]


@pytest.mark.parametrize(
    ("air_c", "dew_c", "on_s", "says"),
    [
        (np.full(TIMES.size, 15.0), WATER, 0.0, True),  # + 1.8 K of dew point, 55 to 62 %
        (np.full(TIMES.size, 15.0), WATER, None, False),  # it is off
        (np.full(TIMES.size, 15.0), WATER, NOW - 600.0, False),  # switched on ten minutes ago
        (cooling(3.0, 5.0), np.full(TIMES.size, 5.0), 0.0, False),  # only colder, no more water
        (15.0 + 2.0 * (WATER - 6.0), WATER, 0.0, False),  # the sun dries the timber: no damper air
        (np.full(TIMES.size, 15.0), 6.0 + 0.4 * np.sin(TIMES / 600.0), 0.0, False),  # its own swing
        (np.full(TIMES.size, 15.0), np.where(TIMES > 4.9 * HOUR, np.nan, WATER), 0.0, True),
        (np.full(TIMES.size, 15.0), np.where(TIMES > 4.2 * HOUR, np.nan, WATER), 0.0, False),
    ],
)
def test_a_dehumidifier_no_longer_dries_where_the_air_takes_up_water_and_grows_damper(
    air_c: np.ndarray, dew_c: np.ndarray, on_s: float | None, says: bool
) -> None:
    wet = dew_points_c(air_c, np.full(TIMES.size, 100.0))
    # Magnus form with the coefficients of Alduchov and Eskridge (1996), from memory.
    ratio = np.exp(17.625 * dew_c / (243.04 + dew_c) - 17.625 * wet / (243.04 + wet))
    found = dry_doubts(TIMES, dew_c, 100.0 * ratio, on_s, NOW)
    assert bool(found) is says
    assert all("no longer dries" in each.text for each in found)


@pytest.mark.parametrize(
    ("coldest_c", "warmest_c", "air_c", "says"),
    [
        (19.0, 20.0, 18.0, ""),
        (18.0, 25.0, 20.0, "One side of the hull is 7 K warmer"),
        (27.0, 28.0, 20.0, "8 K warmer than the air"),
        (float("nan"), 28.0, 20.0, "8 K warmer than the air"),
        (19.0, float("nan"), 20.0, ""),
        (19.0, 24.0, float("nan"), ""),
    ],
)
def test_the_sun_is_on_a_hull_that_is_warmer_than_the_air_or_on_one_side(
    coldest_c: float, warmest_c: float, air_c: float, says: str
) -> None:
    found = sun_notices(coldest_c, warmest_c, air_c)
    assert bool(found) is bool(says)
    assert all(says in each.text and each.state is LimitState.OK for each in found)


def test_a_cover_drips_only_under_the_airs_dew_point() -> None:
    assert [bool(drip_notices(11.0, outside_c)) for outside_c in (5.0, 11.0, 15.0, None)] == [
        True, False, False, False,
    ]  # fmt: skip
    assert drip_notices(float("nan"), 5.0) == ()
