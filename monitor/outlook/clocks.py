"""An outlook as clocks and screen need it, without its windows and advice."""

from __future__ import annotations

import numpy as np

from monitor.config.model import EnclosureConfig
from monitor.log.log import Store
from monitor.outlook.forecast import about
from monitor.outlook.make import outlook_of
from monitor.outlook.read import choose_source, read_track
from monitor.snapshot import Band, OutlookBands
from rules.air.arrays import Floats
from rules.clocks.history import TemperatureOutlook
from rules.errors import FilmcallError
from rules.outlook.draws import Outlook
from rules.trend import AHEAD_COUNTS_S
from sensors.forecast import ForecastHours


def surface_ahead(
    store: Store,
    enclosure: str,
    section: str | None,
    now_s: float,
    *,
    config: EnclosureConfig | None = None,
    forecast: ForecastHours | None = None,
) -> TemperatureOutlook | None:
    """Return what a section's surface will probably do, for its clocks.

    Args:
        store: the log.
        enclosure: which.
        section: whose surface, or None for the coldest of all.
        now_s: [s].
        config: of the enclosure, or None.
        forecast: outdoor hours, or None.

    Returns:
        The surface's band, or None where the log does not determine one for now.
    """
    try:
        source, name = choose_source(store, enclosure)
        told = read_track(store, name, section, source=source, config=config, now_s=now_s)
        if now_s - told.track.end_s > AHEAD_COUNTS_S:
            return None
        return temperature_outlook(outlook_of(told, forecast, store, [])[0])
    except FilmcallError:
        return None  # the clocks go on at the present temperature, as they say


def temperature_outlook(outlook: Outlook) -> TemperatureOutlook:
    """Return the surface's band as the clocks read it: median and the edges that hold 80 %."""
    courses = outlook.surface_temp_c if outlook.surface_temp_c is not None else outlook.air_temp_c
    low, middle, high = np.quantile(courses, (0.1, 0.5, 0.9), axis=0)
    return TemperatureOutlook(outlook.made_s + outlook.horizons_s, middle, low, high)


def bands_of(outlook: Outlook, forecast: ForecastHours | None, now_s: float) -> OutlookBands:
    """Return the quantiles of an outlook as the screen draws them.

    Args:
        outlook: of one section.
        forecast: outdoor hours that it may rest on, or None.
        now_s: for the forecast's age [s].
    """
    bands = outlook.bands()

    def plain(rows: Floats) -> Band:
        low, middle, high = (tuple(row) for row in np.round(rows, 2).tolist())
        return low, middle, high

    margin, surface = bands.dew_margin_k, bands.surface_temp_c
    return OutlookBands(
        made_s=outlook.made_s,
        time_s=tuple((outlook.made_s + bands.horizons_s).tolist()),
        dew_margin_k=None if margin is None else plain(margin),
        rh_pct=plain(bands.rh_pct),
        air_temp_c=plain(bands.air_temp_c),
        surface_temp_c=None if surface is None else plain(surface),
        source=outlook.source,
        forecast="" if forecast is None else about(forecast, now_s),
    )
