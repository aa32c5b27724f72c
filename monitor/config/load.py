"""The config file: enclosures, points, broker and what is published, for live work and replay."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from monitor.config.model import (
    DEFAULT_ACCURACY,
    PASSWORD_VARIABLE,
    USERNAME_VARIABLE,
    BrokerConfig,
    Config,
    ConfigFault,
    EnclosureConfig,
    ForecastConfig,
    LogConfig,
    PointConfig,
    PublishConfig,
    ReplayConfig,
    told_accuracies,
)
from monitor.config.read import read
from monitor.display import prefer
from rules.spec.model import GENERAL_GUIDANCE
from rules.text import counted, duration_text, shown
from rules.toml_table import Fault
from sensors.faults import DEFAULT_RULES
from sensors.reading import Quantity
from sensors.recording.columns import Column
from sensors.whole_file import Unreadable, whole_text

__all__ = [
    "PASSWORD_VARIABLE",
    "USERNAME_VARIABLE",
    "BrokerConfig",
    "Config",
    "ConfigFault",
    "EnclosureConfig",
    "Fault",
    "ForecastConfig",
    "PointConfig",
    "PublishConfig",
    "ReplayConfig",
    "check_config",
    "config_defaults",
    "default_config",
    "load_config",
    "load_config_file",
]


def load_config(text: str, base_dir: Path, name: str = "config", *, points: bool = True) -> Config:
    """Read a config.

    Args:
        text: the file's text.
        base_dir: the folder that files named in it count from.
        name: what to call it in messages.
        points: whether an enclosure must have any.

    Returns:
        The config, in the program's units.

    Raises:
        ConfigFault: anything is wrong with it; the text lists every fault.
    """
    config, faults = read(text, base_dir, points=points)
    if config is None:
        count = counted(len(faults), "fault")
        listed = "\n".join(f"  {fault}" for fault in faults)
        raise ConfigFault(f"config {shown(name)} has {count} and is not used:\n{listed}")
    return config


def load_config_file(path: Path, *, points: bool = True) -> Config:
    """Read a config file; files that it names count from its own folder.

    Args:
        path: the file.
        points: whether an enclosure must have any; who only listens to calls needs none.

    Returns:
        The config.

    Raises:
        ConfigFault: it cannot be read, or anything is wrong with it.
    """
    try:
        text = whole_text(path)
    except Unreadable as why:
        raise ConfigFault(
            f"config {shown(str(path))} cannot be read ({why}), so no point is known; nothing was "
            f"started. Give the file with --config."
        ) from None
    config = load_config(text, path.parent, str(path), points=points)
    prefer(config.enclosures[0].units)
    return config


def check_config(text: str) -> tuple[Fault, ...]:
    """Say everything that is wrong with a config, at once.

    Args:
        text: the file's text.

    Returns:
        Every fault by line; empty where the config can be used.

    >>> for fault in check_config('[[enclosure]]\\nname = "tent"\\nspek = "x"\\n'):
    ...     print(fault)
    line 1, enclosure[1].point: is missing; add [[enclosure.point]] for each quantity at a point.
    line 3, enclosure[1].spek: is no key that belongs here; did you mean spec.
    """
    return read(text, Path())[1]


def default_config(
    columns: Sequence[Column],
    *,
    name: str = "recording",
    spec: str = GENERAL_GUIDANCE.name,
    timezone: str = "Etc/UTC",
    unconfirmed: Sequence[Column] = (),
) -> Config:
    """Return the config of a recording that comes without one.

    Args:
        columns: what its columns were taken for.
        unconfirmed: columns whose meaning or unit is a guess: points that are waited for.
        name: of the enclosure.
        spec: of the next coat.
        timezone: for showing times, and of times that carry no zone.

    Returns:
        One enclosure with every column as a required point, all else by default.
    """
    points = tuple(
        PointConfig(
            name=column.point,
            quantity=column.quantity,
            unit=column.unit,
            rules=DEFAULT_RULES[column.quantity],
            column=column.column,
            confirmed=column not in unconfirmed,
            **_told(column),
        )
        for column in (*columns, *unconfirmed)
    )
    enclosure = EnclosureConfig(name=name, points=points, spec=spec, timezone=timezone)
    return Config(enclosures=(enclosure,), replay=ReplayConfig(timezone=timezone))


def _told(column: Column) -> dict[str, Any]:
    """How well a column is known, and what its humidity is worked out from."""
    if column.quantity is not Quantity.HUMIDITY:
        return {"accuracy": DEFAULT_ACCURACY[column.quantity]}
    told_k, accuracy = told_accuracies(column.worked_out_from, None)
    source = column.worked_out_from
    return {"accuracy": accuracy, "worked_out_from": source, "told_accuracy_k": told_k}


def config_defaults() -> dict[str, str]:
    """Return what counts where a config says nothing, as `filmcall doctor` prints it.

    >>> config_defaults()["broker.port"], config_defaults()["enclosure.point.accuracy (humidity)"]
    ('1883', '3 %')
    """
    found: dict[str, str] = {}
    broker, publish = BrokerConfig(), PublishConfig()
    for field in dataclasses.fields(BrokerConfig):
        found[f"broker.{field.name.removesuffix('_s')}"] = _plain(getattr(broker, field.name))
    found["broker.client_id"] = "filmcall-<station>"
    found["broker.keepalive"] += " s"
    found["publish.base"] = publish.base
    found["publish.station"] = publish.station
    found["alarm.urls_file"] = "none: alarms go to the bell and the broker"
    found["log.keep_raw"] = f"{LogConfig().keep_raw_days:g} days, then minute means"
    found["forecast.file"] = "none: the outlook rests on the log alone"
    found["forecast.topic"] = "none"
    found["forecast.timezone"] = "Etc/UTC, and said"
    found["forecast.columns"] = "looked for"
    found["forecast.units"] = "degC, or as the column's name says"
    found["job.file"] = "none: the screen has no line NEXT"
    found["job.weather_year"] = "none: nothing is planned after the forecast's hours"
    found["replay.time"] = "looked for"
    found["replay.timezone"] = "Etc/UTC, and said"
    found["replay.date_order"] = "found out, and said"
    plain = EnclosureConfig("", ())
    found["enclosure.spec"] = plain.spec
    found["enclosure.timezone"] = plain.timezone
    found["display.units"] = "metric, unless FILMCALL_UNITS says us"
    found["enclosure.assumed_surface_offset"] = "none: without a surface probe there is no GO"
    found["enclosure.assumed_surface_accuracy"] = f"{plain.assumed_surface_accuracy_k:g} K"
    found["enclosure.altitude"] = f"{plain.altitude_m:g} m"
    found["enclosure.break_probability"] = f"{plain.break_probability:g}"
    found["enclosure.coating_time"] = "the spec's, or the rate in the log"
    found["enclosure.point.required"] = "true"
    found["enclosure.point.confirmed"] = "true"
    found["enclosure.point.inside"] = "true"
    found["enclosure.point.shared_element"] = "false: errors of one body's probes are apart"
    found["enclosure.point.worked_out_from"] = "none: a humidity's values are humidities"
    found["enclosure.point.payload"] = "auto"
    found["enclosure.point.max_age"] = "three usual intervals, 90 s to 35 min"
    for quantity in Quantity:
        found |= _point_defaults(quantity)
    return found


def _point_defaults(quantity: Quantity) -> dict[str, str]:
    rules, unit = DEFAULT_RULES[quantity], quantity.unit
    # As `rules.us_units` reads them.
    unit, step = ("°C", "K") if unit == "degC" else (unit, unit)
    return {
        f"enclosure.point.{key} ({quantity.value})": text
        for key, text in (
            ("accuracy", f"{DEFAULT_ACCURACY[quantity]:g} {step}"),
            ("range_low", f"{rules.low:g} {unit}"),
            ("range_high", f"{rules.high:g} {unit}"),
            ("rate_floor", f"{rules.rate_floor:g} {step}"),
            ("rate_per_minute", f"{rules.rate_per_min:g} {step}"),
            ("stuck_after", duration_text(rules.stuck_after_s)),
            ("stuck_moved", f"{rules.stuck_moved:g} {step}"),
        )
    }


def _plain(value: object) -> str:
    if value is None:
        return "none"
    return str(value).lower() if isinstance(value, bool) else str(value)
