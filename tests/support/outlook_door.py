"""The one door by which the trial asks for outlooks; if the way to make one changes, only here."""

from __future__ import annotations

from typing import Any

import numpy as np
from issued_forecasts import Issue

from monitor.outlook.prior import shipped_priors
from rules.outlook.draws import Outlook
from rules.outlook.members import outlook_of_log
from rules.outlook.track import Track
from rules.outlook.weather import ForecastUnfit, Outside

PRIORS = shipped_priors()
Floats = np.ndarray[Any, np.dtype[np.float64]]


class Door:
    """Makes the outlooks of one log, in the order of time."""

    def by_log(self, track: Track) -> Outlook:
        """Return the outlook from the log alone."""
        return outlook_of_log(track, PRIORS)

    def by_forecast(
        self, track: Track, outside: Outside, heat: Floats, issues: list[Issue]
    ) -> tuple[Outlook, bool]:
        """Return the outlook with a forecast, and whether the forecast was of use.

        Args:
            track: the log up to now.
            outside: the forecast file's hours.
            heat: heater that a person switched, by cell, 0 to 1.
            issues: the forecasts as issued up to now, the newest last.
        """
        del heat
        try:
            return outlook_of_log(
                track,
                PRIORS,
                outside,
                [
                    Outside(each.time_s, each.temp_c, each.dew_c, each.sun_w_m2, each.made_s)
                    for each in issues
                ],
            ), True
        except ForecastUnfit:
            return outlook_of_log(track, PRIORS), False
