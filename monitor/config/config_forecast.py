"""The config's [forecast]: where hours of outdoor weather come from, and what holds what."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from monitor.config.config_values import file_at, text_at, zone_at
from monitor.config.model import EnclosureConfig, ForecastConfig
from rules.toml_table import Table
from rules.units import shown
from sensors import units
from sensors.mqtt.topics import matches

FORECAST = ("file", "topic", "timezone", "columns", "units")
# The config says humidity, as for its points; `sensors.forecast` calls it rh.
_COLUMNS = {
    "time": "time",
    "temp": "temp",
    "dew_point": "dew_point",
    "humidity": "rh",
    "sun": "sun",
    "made": "made",
}
_UNITS = ("temp", "dew_point")
_TEMP_UNITS = ("degC", "degF", "K")


def forecast_of(table: Table, base_dir: Path) -> ForecastConfig:
    """Return what the table says; faults are kept in it.

    Args:
        table: [forecast], empty where the file has none.
        base_dir: the folder that its file counts from.
    """
    file, topic = file_at(table, "file", base_dir), text_at(table, "topic")
    if topic is not None and (set(topic) & set("+#") or topic.startswith("$")):
        mend = 'one message holds all hours: write one topic such as "weather/hours"'
        table.fault("topic", f"{shown(topic)} is no single topic", mend)
    if table.values and not {"file", "topic"} & set(table.values):
        mend = 'add file = "hours.csv", or topic = "weather/hours", or remove [forecast]'
        table.fault("file", "is missing, and so is topic: no forecast would ever be read", mend)
    return ForecastConfig(
        file=file,
        topic=topic,
        timezone=zone_at(table),
        columns=_columns(table.table("columns", _COLUMNS)),
        units=_units(table.table("units", _UNITS)),
    )


def _columns(table: Table) -> tuple[tuple[str, str], ...]:
    found: dict[str, str] = {}
    for key, kind in _COLUMNS.items():
        name = text_at(table, key)
        if name is None:
            continue
        if name in found.values():
            problem = f"{shown(name)} is named for another quantity already"
            table.fault(key, problem, "name each column once")
        found[kind] = name
    if {"dew_point", "rh"} <= found.keys():
        mend = "keep dew_point, which needs no temperature to be read by, and remove humidity"
        table.fault("humidity", "stands beside dew_point, and one would do", mend)
    return tuple(found.items())


def _units(table: Table) -> tuple[tuple[str, str], ...]:
    found: dict[str, str] = {}
    for key in _UNITS:
        written = text_at(table, key)
        if written is None:
            continue
        unit = units.known_unit(written)
        if unit not in _TEMP_UNITS:
            mend = f"write one of {', '.join(_TEMP_UNITS)}"
            table.fault(key, f"{shown(written)} is no unit for a temperature", mend)
        else:
            found[key] = unit
    return tuple(found.items())


def check_topic(top: Table, topic: str, enclosures: Iterable[EnclosureConfig]) -> None:
    """Refuse a forecast's topic that a point is heard on as well.

    Args:
        top: the whole file.
        topic: of the forecast.
        enclosures: with their points.
    """
    for enclosure in enclosures:
        for point in enclosure.points:
            if point.topic is None:
                continue
            if matches(tuple(point.topic.split("/")), tuple(topic.split("/")), point.name):
                top.fault(
                    "forecast",
                    f"topic {shown(topic)} is one that point {shown(point.name)} is heard on, so "
                    "its hours would pass for readings",
                    "give the forecast a topic of its own",
                )
                return
