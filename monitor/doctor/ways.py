"""How `filmcall doctor` looks at what goes out and comes in beside readings: alarms, a forecast."""

from __future__ import annotations

from collections.abc import Mapping

from monitor.alarms.urls import AlarmFault, load_ways, read_urls
from monitor.config.load import Config
from monitor.doctor.checks import Check, CheckResult
from monitor.outlook.forecast import ForecastKeeper, about, forecast_zone, read_file
from rules.outlook.weather import DROPPED_AFTER_S, STALE_AFTER_S
from rules.text import counted, duration_text, printable
from sensors.forecast import ForecastFault, ForecastHours

_NEWER = "Look why no newer one comes."
_LEAST_AHEAD_S = 3.0 * 3600.0  # less is of no use to an outlook, see `rules.outlook.by_model`


def check_alarm(config: Config, environment: Mapping[str, str]) -> list[Check]:
    """Look at the ways that alarms are to go; nothing is sent, and no URL is shown."""
    try:
        urls = read_urls(config.alarm, environment)
    except AlarmFault as fault:
        return [Check("alarm", "ways", CheckResult.BAD, str(fault))]
    if not urls:
        text = "no way named: alarms go to the bell and the broker"
        return [Check("alarm", "ways", CheckResult.OK, text)]
    ways, troubles = load_ways(urls)
    checks = [Check("alarm", "ways", CheckResult.BAD, trouble) for trouble in troubles]
    if ways:
        names = ", ".join(way.name for way in ways)
        text = (
            f"{counted(len(ways), 'way')} can be used ({names}); to see whether one arrives: "
            "filmcall doctor --config FILE --test-alarm"
        )
        checks.append(Check("alarm", "ways", CheckResult.OK, text))
    return checks


def check_forecast_file(config: Config, now_s: float) -> list[Check]:
    """Look at the forecast's file, or say that there is no forecast at all."""
    forecast = config.forecast
    if not forecast.wanted:
        text = "none named: the outlook rests on the log alone"
        return [Check("forecast", "config", CheckResult.OK, text)]
    if forecast.file is None:
        return []
    try:
        hours = read_file(forecast.file, forecast, forecast_zone(forecast, config.enclosures))
    except ForecastFault as fault:
        return [Check("forecast", "file", CheckResult.BAD, str(fault))]
    return [_told("file", hours, now_s)]


def check_forecast_topic(keeper: ForecastKeeper, topic: str, waited_s: float) -> Check:
    """Look at what was heard on the forecast's topic.

    Args:
        keeper: that has listened.
        topic: of the config.
        waited_s: how long it has listened [s].
    """
    heard, now_s = keeper.heard_on_topic()
    if keeper.troubles:
        return Check("forecast", "topic", CheckResult.BAD, keeper.troubles[-1])
    if heard is None:
        text = (
            f"no forecast within {waited_s:.0f} s on {printable(topic, 60)}. Have it sent retained,"
            " so that it is there after a restart, and check that this account may read the topic."
        )
        return Check("forecast", "topic", CheckResult.LOOK, text)
    return _told("topic", heard, now_s)


def _told(name: str, hours: ForecastHours, now_s: float) -> Check:
    said = about(hours, now_s)
    age_s = hours.age_s(now_s)
    if float(hours.time_s[-1]) < now_s + _LEAST_AHEAD_S:
        text = f"{said}: under the 3 h that are of use. {_NEWER}"
        return Check("forecast", name, CheckResult.BAD, text)
    if age_s is None:
        text = f"{said}. Give the time when it was made, so that its age can be judged."
        return Check("forecast", name, CheckResult.LOOK, text)
    if age_s > DROPPED_AFTER_S:
        over = f"over the {duration_text(DROPPED_AFTER_S)} after which it is dropped"
        return Check("forecast", name, CheckResult.BAD, f"{said}: {over}. {_NEWER}")
    if age_s > STALE_AFTER_S:
        return Check(
            "forecast", name, CheckResult.LOOK, f"{said}: the outlook is less sure for it. {_NEWER}"
        )
    if hours.skipped:
        text = f"{said}; {counted(hours.skipped, 'row')} left out. {hours.notices[-1]}"
        return Check("forecast", name, CheckResult.LOOK, text)
    return Check("forecast", name, CheckResult.OK, said)
