"""What a log says of a tent, against the closed form of a first-order enclosure.

The response of T' = (u - T) / tau to u = m + a sin(w t) is, once its start has died away,
m + a / sqrt(1 + (w tau)^2) sin(w t - atan(w tau)): any textbook on linear systems.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from rules.air.arrays import Floats, dew_points_of_ln, ln_vapour_pressures
from rules.job.air import Air
from rules.job.tent import KINDS, Tent, TentUnknown, fit_tent
from rules.outlook.track import CELL_S

DAY_S = 86_400.0
OFFSET_K, MOISTER_PA, SUN_K, HEATER_K = 3.5, 140.0, 8.0, 6.0
Courses = tuple[Floats, Floats, Floats, Floats, Floats]


def swing(time_s: Floats, mean: float, size: float, lag_s: float) -> Floats:
    """The closed form, with a second swing of three days."""
    found = np.full(time_s.shape, mean)
    for part, period_s in ((1.0, DAY_S), (0.6, 3.1 * DAY_S)):
        w = 2.0 * math.pi / period_s
        found += (
            part * size * np.sin(w * time_s - math.atan(w * lag_s)) / math.hypot(1.0, w * lag_s)
        )
    return found


def planted(lag_s: float, days: float, size_k: float = 4.0) -> Courses:
    """Times, then outside and inside: temperature [°C] and dew point [°C] by cells."""
    time_s = CELL_S * np.arange(int(days * DAY_S / CELL_S))
    # What the tent was before the log began dies away: with the closed form on top.
    started = 2.0 * np.exp(-time_s / lag_s)
    inside = swing(time_s, 9.0, size_k, lag_s) + OFFSET_K + started
    water = swing(time_s, 800.0, 60.0, 3600.0) + MOISTER_PA
    outside_dew = dew_points_of_ln(np.log(swing(time_s, 800.0, 60.0, 0.0)))
    return (
        time_s,
        swing(time_s, 9.0, size_k, 0.0),
        outside_dew,
        inside,
        dew_points_of_ln(np.log(water)),
    )


@pytest.mark.parametrize("lag_h", [0.5, 2.0, 7.0])
def test_a_planted_lag_offset_and_moisture_are_recovered(lag_h: float) -> None:
    tent = fit_tent(*planted(3600.0 * lag_h, 6.0)[1:])
    # Straight lines between cells of five minutes: a part in ten thousand of the swing.
    assert tent.lag_s == pytest.approx(3600.0 * lag_h, rel=0.01)
    assert tent.warmer_k == pytest.approx(OFFSET_K, abs=0.01)
    assert tent.moister_pa == pytest.approx(MOISTER_PA, abs=0.5)
    assert tent.vapour_lag_s == pytest.approx(3600.0, rel=0.02)
    assert tent.sun_k == 0.0
    assert "6 d of the log" in tent.basis


def test_noise_and_holes_do_not_hide_it() -> None:
    out_c, out_dew, in_c, in_dew = planted(7200.0, 9.0)[1:]
    chance = np.random.default_rng(3)
    in_c = in_c + chance.normal(0.0, 0.3, in_c.size)
    in_c[500:700] = np.nan
    tent = fit_tent(out_c, out_dew, in_c, in_dew)
    assert tent.lag_s == pytest.approx(7200.0, rel=0.1)
    assert tent.warmer_k == pytest.approx(OFFSET_K, abs=0.1)


def test_sun_that_shows_and_a_heater_are_told_apart_from_the_offset() -> None:
    # Linear: what sun and heater add is their own course through the same lag.
    lag_s = 7200.0
    time_s, out_c, out_dew, in_c, in_dew = planted(lag_s, 8.0)
    w = 2.0 * math.pi / DAY_S
    sun = 400.0 * (1.0 + np.sin(w * time_s))
    lagged = 400.0 * (1.0 + np.sin(w * time_s - math.atan(w * lag_s)) / math.hypot(1.0, w * lag_s))
    on = time_s > 5.0 * DAY_S
    heat = np.where(on, 1.0 - np.exp(-(time_s - 5.0 * DAY_S) / lag_s), 0.0)
    warm = in_c + SUN_K * lagged / 1000.0 + HEATER_K * heat
    tent = fit_tent(out_c, out_dew, warm, in_dew, sun=sun, heater=on.astype(float))
    assert tent.lag_s == pytest.approx(lag_s, rel=0.02)
    assert tent.sun_k == pytest.approx(SUN_K, abs=0.3)
    assert tent.warmer_k == pytest.approx(OFFSET_K, abs=0.2)
    assert "heater off" in tent.basis


def test_a_log_that_is_too_short_or_says_nothing_is_refused() -> None:
    with pytest.raises(TentUnknown, match="under the 2 d"):
        fit_tent(*planted(7200.0, 1.5)[1:])
    with pytest.raises(TentUnknown, match="moved only"):
        fit_tent(*planted(7200.0, 6.0, size_k=0.4)[1:])
    out_c, out_dew, in_c, in_dew = planted(7200.0, 6.0)[1:]
    apart = 12.0 + np.random.default_rng(1).normal(0.0, 2.0, in_c.size)
    with pytest.raises(TentUnknown, match="explains"):
        fit_tent(out_c, out_dew, apart, in_dew)


def test_air_ahead_in_a_tent_is_the_closed_form() -> None:
    lag_s, hours = 4.0 * 3600.0, 24 * 8
    time_s = 3600.0 * np.arange(hours)
    out = swing(time_s, 9.0, 4.0, 0.0)[None, :]
    dew = dew_points_of_ln(np.log(np.full((1, hours), 700.0)))
    air = Air(0.0, out, dew, 0.0).in_tent(Tent(lag_s, 3.0, 100.0, 0.0, 0.0, ""))
    expected = swing(time_s, 12.0, 4.0, lag_s)
    # After two days the start has died away; straight lines by the hour cost a part in hundred.
    assert air.temp_c[0, 48:] == pytest.approx(expected[48:], abs=0.05)
    assert np.exp(ln_vapour_pressures(air.dew_point_c)) == pytest.approx(800.0, rel=1e-3)


def test_water_over_saturation_does_not_stay_in_the_air() -> None:
    air = Air(0.0, np.full((1, 30), 8.0), np.full((1, 30), 7.9), 0.0)
    inside = air.in_tent(Tent(0.0, 0.0, 500.0, 0.0, 0.0, ""))
    assert (inside.dew_point_c == inside.temp_c).all()


def test_the_stated_kinds_stand_in_order() -> None:
    # Judgement, no source: a shed follows more slowly than a sheet, and the open air at once.
    assert KINDS["open"].lag_s == 0.0 < KINDS["sheet"].lag_s < KINDS["shed"].lag_s
    assert KINDS["open"].warmer_k == KINDS["open"].moister_pa == 0.0
