"""The one door by which the trial asks for outlooks; if the way to make one changes, only here.

Stateful as the program is: a model fitted for one outlook begins the next one's fit.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from issued_forecasts import Issue

from rules.outlook.by_model import modelled_outlook
from rules.outlook.damped_trend import damped_trend
from rules.outlook.draws import Outlook
from rules.outlook.enclosure_model import EnclosureModel, ModelRefused
from rules.outlook.track import Track
from rules.outlook.weather import ForecastUnfit, Outside

Floats = np.ndarray[Any, np.dtype[np.float64]]


class Door:
    """Makes the outlooks of one log, in the order of time."""

    def __init__(self) -> None:
        """Begin without anything learned."""
        self.fitted: EnclosureModel | None = None

    def by_log(self, track: Track) -> Outlook:
        """Return the outlook from the log alone."""
        return damped_trend(track)

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
        del issues  # not kept as issued today
        try:
            outlook, self.fitted, _ = modelled_outlook(
                track, outside, heat, 0.0 * heat, start=self.fitted
            )
        except (ModelRefused, ForecastUnfit):
            return damped_trend(track), False
        return outlook, True
