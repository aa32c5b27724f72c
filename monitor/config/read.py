"""Reads the tables of a config file; every fault is kept, so that all are told at once."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from pathlib import Path

from monitor.config.model import (
    DATE_ORDERS,
    DEFAULT_ACCURACY,
    PASSWORD_VARIABLE,
    URLS_VARIABLE,
    AlarmConfig,
    BrokerConfig,
    Config,
    EnclosureConfig,
    ForecastConfig,
    JobConfig,
    LogConfig,
    PointConfig,
    PublishConfig,
    ReplayConfig,
    told_accuracies,
)
from monitor.display import Units
from rules.spec.model import COATING_TIMES_S
from rules.text import printable, shown
from rules.toml_table import Fault, Table, TomlFault, parsed
from rules.units import DAY_S, known_unit, units_for
from rules.vocabulary import ALL_SECTIONS, WorkedOutFrom
from sensors.faults import DEFAULT_RULES, FaultRules
from sensors.mqtt.intake import Router, matches
from sensors.mqtt.payload import PayloadFormat, SourceFault
from sensors.reading import Quantity
from sensors.recording import columns
from sensors.zones import UnknownZone, zone_named, zone_names

# What no topic level and no file system takes, and the sign that brokers keep for themselves.
_UNSAFE = frozenset('/\\+#$<>:"|?*')
_MOST_LETTERS = 64
_PLACE = "write the whole path, or one from the config's own folder"


def text_at(table: Table, key: str) -> str | None:
    """Return words as they stand, since a column or topic may hold double blanks."""
    if key not in table.values:
        return None
    value = table.values[key]
    if not isinstance(value, str):
        table.fault(key, f"{shown(value)} is not text", "put it in quotes")
    elif not value.strip():
        table.fault(key, "is empty", "write it, or leave the line out")
    elif not value.isprintable():
        table.fault(key, "holds control characters", "write plain words")
    else:
        return value
    return None


def name_at(table: Table, key: str, example: str, *, required: bool = True) -> str | None:
    """Return a name that topics and files can be called by, or None."""
    if key not in table.values:
        if required:
            table.missing(key, f'"{example}"')
        return None
    name = text_at(table, key)
    if name is None:
        return None
    problem = name_fault(name)
    if problem is None:
        return name
    fix = f'topics and files are named after it: write a plain name such as "{example}"'
    table.fault(key, problem, fix)
    return None


def name_fault(name: str) -> str | None:
    """Say why topics and files cannot be called by a name, or return None."""
    bad = sorted({letter for letter in name if letter in _UNSAFE})
    if bad:
        return f"{shown(name)} holds {' '.join(bad)}"
    if not name.isprintable() or ".." in name or name[:1] in ("", *".- ") or name[-1] in ". ":
        return f"{shown(name)} has a dot, dash or blank where a file name cannot"
    if len(name) > _MOST_LETTERS:
        return f"{shown(name)} is longer than {_MOST_LETTERS} letters"
    return None


def whole_at(table: Table, key: str, default: int, low: int, high: int) -> int:
    """Return a whole number within bounds, or the default."""
    value = table.values.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int):
        table.fault(key, f"{shown(value)} is not a whole number", f"write {default}, no quotes")
    elif not low <= value <= high:
        table.fault(key, f"{shown(value)} cannot be right", f"give a number from {low} to {high}")
    else:
        return value
    return default


def file_at(table: Table, key: str, base_dir: Path) -> Path | None:
    """Return a file, counted from the config's own folder, or None."""
    name = text_at(table, key)
    try:
        return None if name is None else base_dir / Path(name).expanduser()
    except RuntimeError:
        table.fault(key, f"{shown(name)} is in the folder of an account that is not here", _PLACE)
        return None


def zone_at(table: Table) -> str | None:
    """Return the table's `timezone` where it is one that is known, or None."""
    name = text_at(table, "timezone")
    if name is None:
        return None
    try:
        zone_named(name)
    except UnknownZone:
        near = table.faults.near(name, zone_names())
        fix = f"did you mean {near}" if near else 'write "Etc/UTC" or "AREA/TOWN"'
        table.fault("timezone", f"{shown(name)} is no time zone that is known", fix)
        return None
    return name


def figure_at(
    table: Table, key: str, unit: str, low: float, high: float, *, difference: bool = False
) -> float | None:
    """Return a figure with its unit, read into another one, or None."""
    return table.figure(key, unit, low, high, difference=difference)


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
        fix = 'one message holds all hours: write one topic such as "weather/hours"'
        table.fault("topic", f"{shown(topic)} is no single topic", fix)
    if table.values and not {"file", "topic"} & set(table.values):
        fix = 'add file = "hours.csv", or topic = "weather/hours", or remove [forecast]'
        table.fault("file", "is missing, and so is topic: no forecast would ever be read", fix)
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
        fix = "keep dew_point, which needs no temperature to be read by, and remove humidity"
        table.fault("humidity", "stands beside dew_point, and one would do", fix)
    return tuple(found.items())


def _units(table: Table) -> tuple[tuple[str, str], ...]:
    found: dict[str, str] = {}
    for key in _UNITS:
        written = text_at(table, key)
        if written is None:
            continue
        unit = known_unit(written)
        if unit not in _TEMP_UNITS:
            fix = f"write one of {', '.join(_TEMP_UNITS)}"
            table.fault(key, f"{shown(written)} is no unit for a temperature", fix)
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


_TOP = (
    *("broker", "publish", "replay", "alarm", "forecast", "job", "log", "display", "enclosure"),
)
_FOR_EVER = "for ever"
# `password` is known here only to be refused with its reason.
_BROKER = (
    *("host", "port", "username", "password", "password_file", "ca_file", "cert_file"),
    *("key_file", "tls", "protocol", "client_id", "keepalive", "qos"),
)
# Known here only to be refused with their reason.
_OPEN_URLS = ("url", "urls")
_ENCLOSURE = (
    *("name", "spec", "timezone", "assumed_surface_offset", "assumed_surface_accuracy"),
    *("altitude", "break_probability", "coating_time", "point"),
)
_POINT = (
    *("name", "quantity", "unit", "topic", "value", "time", "unit_path", "payload", "column"),
    *(
        "section",
        "required",
        "inside",
        "shared_element",
        "confirmed",
        "worked_out_from",
        "accuracy",
        "max_age",
        "range_low",
        "range_high",
    ),
    *("rate_floor", "rate_per_minute", "stuck_after", "stuck_moved"),
)

# (unit of a value, unit of a difference, smallest and largest accuracy)
_MEASURES: dict[Quantity, tuple[str, str, float, float]] = {
    Quantity.AIR_TEMP: ("degC", "K", 0.01, 10.0),
    Quantity.HUMIDITY: ("%", "%", 0.01, 30.0),
    Quantity.SURFACE_TEMP: ("degC", "K", 0.01, 10.0),
    Quantity.CO2: ("ppm", "ppm", 0.1, 5000.0),
    Quantity.DUST: ("ug/m**3", "ug/m**3", 0.01, 10_000.0),
}


def read(
    text: str, base_dir: Path, *, points: bool = True
) -> tuple[Config | None, tuple[Fault, ...]]:
    """Return the config, or None and everything that is wrong with it; see `load_config_file`."""
    try:
        values, faults = parsed(text)
    except TomlFault as refused:
        return None, (refused.fault,)
    top = Table(values, (), faults, _TOP)
    broker = _broker(top.table("broker", _BROKER), base_dir) if "broker" in values else None
    publish = _publish(top.table("publish", ("base", "station")))
    replay = _replay(top.table("replay", ("time", "timezone", "date_order")))
    alarm = _alarm(top.table("alarm", ("urls_file", *_OPEN_URLS)), base_dir)
    forecast = forecast_of(top.table("forecast", FORECAST), base_dir)
    job = _job(top.table("job", ("file", "weather_year")), base_dir)
    log = _log(top.table("log", ("keep_raw",)))
    named = top.table("display", ("units",)).one_of("units", list(Units), required=False)
    tables = top.tables("enclosure", _ENCLOSURE)
    if "enclosure" not in values:
        top.fault("enclosure", "is missing", 'add [[enclosure]] with its name = "polytunnel"')
    enclosures = [
        dataclasses.replace(_enclosure(table, points=points), units=Units(named) if named else None)
        for table in tables
    ]
    _unlike(tables, "name", "enclosure")
    if forecast.topic is not None:
        check_topic(top, forecast.topic, enclosures)
    found = faults.in_order()
    if found:
        return None, found
    return Config(
        tuple(enclosures), broker, publish, replay, base_dir, alarm, forecast, log, job
    ), ()


def _broker(table: Table, base_dir: Path) -> BrokerConfig:
    if "password" in table.values:
        # Its value must not stand in the message.
        table.fault(
            "password",
            "must not stand in a config, which is copied and shown",
            f'write it to a file of its own and give password_file = "FILE", or set '
            f"{PASSWORD_VARIABLE}",
        )
    plain = BrokerConfig()
    host = text_at(table, "host") or plain.host
    if any(letter in " /" for letter in host):
        table.fault("host", f"{shown(host)} is no host name or address", 'write "127.0.0.1", say')
    if "key_file" in table.values and "cert_file" not in table.values:
        table.fault("key_file", "has no cert_file beside it", "add cert_file, or remove it")
    client_id = text_at(table, "client_id")
    if client_id is not None and len(client_id) > 128:
        table.fault("client_id", "is longer than 128 letters", "write a shorter one")
    return BrokerConfig(
        host=host,
        port=whole_at(table, "port", plain.port, 1, 65_535),
        username=text_at(table, "username"),
        password_file=file_at(table, "password_file", base_dir),
        ca_file=file_at(table, "ca_file", base_dir),
        cert_file=file_at(table, "cert_file", base_dir),
        key_file=file_at(table, "key_file", base_dir),
        tls=table.flag("tls", plain.tls),
        protocol=table.one_of("protocol", ("5", "3.1.1"), required=False) or plain.protocol,
        client_id=client_id,
        keepalive_s=round(figure_at(table, "keepalive", "s", 2.0, 600.0) or plain.keepalive_s),
        qos=whole_at(table, "qos", plain.qos, 0, 1),
    )


def _publish(table: Table) -> PublishConfig:
    plain = PublishConfig()
    base = text_at(table, "base") or plain.base
    levels = base.split("/")
    if any(not level or set(level) & set("+#") for level in levels) or base.startswith("$"):
        fix = 'write plain levels such as "filmcall" or "yard/filmcall"'
        table.fault("base", f"{shown(base)} is no topic that can be published to", fix)
    station = name_at(table, "station", "shed-pi", required=False)
    return PublishConfig(base, station or plain.station)


def _replay(table: Table) -> ReplayConfig:
    order = table.one_of("date_order", DATE_ORDERS, required=False)
    return ReplayConfig(text_at(table, "time"), zone_at(table), order)


def _alarm(table: Table, base_dir: Path) -> AlarmConfig:
    written = table.values.get("urls_file")
    open_keys = [key for key in _OPEN_URLS if key in table.values]
    if isinstance(written, str) and "://" in written:
        open_keys.append("urls_file")
    for key in open_keys:
        # Its value, which may hold a token, must not stand in the message.
        table.fault(
            key,
            "holds where alarms go, which must not stand in a config, since it is copied and shown",
            'write one URL a line to a file of mode 600 and give urls_file = "FILE", or set '
            f"{URLS_VARIABLE}",
        )
    if open_keys:
        return AlarmConfig()
    return AlarmConfig(file_at(table, "urls_file", base_dir))


def _job(table: Table, base_dir: Path) -> JobConfig:
    if table.values and "file" not in table.values:
        table.fault("file", "is missing", 'add file = "workboat.toml", or remove [job]')
    found = JobConfig(*(file_at(table, key, base_dir) for key in ("file", "weather_year")))
    for key, path in (("file", found.file), ("weather_year", found.weather_year)):
        if path is not None and not path.is_file():
            table.fault(key, f"{shown(str(path))} is no file", "name one beside the config")
    return found


def _log(table: Table) -> LogConfig:
    if "keep_raw" not in table.values:
        return LogConfig()
    if table.values["keep_raw"] == _FOR_EVER:
        return LogConfig(None)
    kept_s = table.duration("keep_raw")
    if kept_s is None:
        return LogConfig()
    if kept_s < DAY_S or kept_s % DAY_S:
        table.fault(
            "keep_raw",
            "is not a whole number of days of 1 or more",
            f'write keep_raw = "400 days", or "{_FOR_EVER}"',
        )
    return LogConfig(kept_s / DAY_S)


def _enclosure(table: Table, *, points: bool) -> EnclosureConfig:
    plain = EnclosureConfig("", ())
    name = name_at(table, "name", "polytunnel") or ""
    offset_k = figure_at(table, "assumed_surface_offset", "K", -50.0, 50.0, difference=True)
    if offset_k is not None and offset_k > 0.0:
        table.fault(
            "assumed_surface_offset",
            f"{shown(table.values['assumed_surface_offset'])} takes the surface for warmer than "
            f"the air, which would hide dew",
            'write zero or less, such as "-0.5 K", or fit a surface probe',
        )
    if "assumed_surface_accuracy" in table.values and "assumed_surface_offset" not in table.values:
        fix = "add assumed_surface_offset, or remove it"
        table.fault("assumed_surface_accuracy", "has no assumed_surface_offset beside it", fix)
    probability = table.values.get("break_probability", plain.break_probability)
    if isinstance(probability, bool) or not isinstance(probability, int | float):
        problem = f"{shown(probability)} is not a number"
        table.fault("break_probability", problem, "write 0.2, say, no quotes")
    elif not 0.0 < probability <= 1.0:
        fix = "give a number over 0 and up to 1"
        table.fault("break_probability", f"{probability} is no probability", fix)
    else:
        plain = dataclasses.replace(plain, break_probability=float(probability))
    point_tables = table.tables("point", _POINT)
    if points and not table.values.get("point"):
        table.fault("point", "is missing", "add [[enclosure.point]] for each quantity at a point")
    found = [_point(each, name) for each in point_tables]
    _check_points(point_tables)
    accuracy_k = figure_at(table, "assumed_surface_accuracy", "K", 1.0, 20.0, difference=True)
    altitude_m = figure_at(table, "altitude", "m", -430.0, 5000.0)
    return EnclosureConfig(
        name=name,
        points=tuple(point for point in found if point is not None),
        spec=text_at(table, "spec") or plain.spec,
        timezone=zone_at(table) or plain.timezone,
        assumed_surface_offset_k=offset_k,
        assumed_surface_accuracy_k=(
            plain.assumed_surface_accuracy_k if accuracy_k is None else accuracy_k
        ),
        altitude_m=plain.altitude_m if altitude_m is None else altitude_m,
        break_probability=plain.break_probability,
        coating_time_s=table.duration("coating_time", *COATING_TIMES_S),
    )


def _point(table: Table, enclosure: str) -> PointConfig | None:
    name = name_at(table, "name", "air-bow")
    word = table.one_of("quantity", [each.value for each in Quantity], required=True)
    section = name_at(table, "section", "hull-port", required=False)
    if section == ALL_SECTIONS:
        table.fault("section", '"all" stands for the whole work', "leave the line out")
    topic, column = text_at(table, "topic"), text_at(table, "column")
    if topic is None and column is None and not {"topic", "column"} & set(table.values):
        fix = 'add topic = "shed/bow" for live work, or column = "NAME" for recordings'
        table.fault("topic", "is missing, and so is column: nothing would ever be read", fix)
    for key in ("value", "time", "unit_path", "payload"):
        if key in table.values and "topic" not in table.values:
            table.fault(key, "has no topic beside it", "add topic, or remove it")
    form = table.one_of("payload", [each.value for each in PayloadFormat], required=False)
    value, time, unit_path = (text_at(table, key) for key in ("value", "time", "unit_path"))
    required, inside = table.flag("required", True), table.flag("inside", True)
    shared_element = table.flag("shared_element", False)
    confirmed = table.flag("confirmed", True)
    if shared_element and word not in (None, Quantity.SURFACE_TEMP.value):
        fix = "write it with the surface_temp of that body"
        table.fault("shared_element", f"is about a surface, not {word}", fix)
    if word is None:
        return None
    quantity = Quantity(word)
    source = _worked_out_from(table, quantity)
    unit = _unit(table, quantity if source is None else Quantity.AIR_TEMP)
    rules = _rules(table, quantity)
    _, difference, low, high = _MEASURES[quantity if source is None else Quantity.AIR_TEMP]
    accuracy = figure_at(table, "accuracy", difference, low, high, difference=difference == "K")
    told_k = None
    if source is not None:
        told_k, accuracy = told_accuracies(source, accuracy)
    if name is None or unit is None:
        return None
    point = PointConfig(
        name=name,
        quantity=quantity,
        unit=unit,
        accuracy=DEFAULT_ACCURACY[quantity] if accuracy is None else accuracy,
        rules=rules,
        topic=topic,
        value=value,
        time=time,
        unit_path=unit_path,
        payload=PayloadFormat(form or "auto"),
        column=column,
        section=section,
        required=required,
        inside=inside,
        shared_element=shared_element,
        confirmed=confirmed,
        worked_out_from=source,
        told_accuracy_k=told_k,
    )
    _check_topic(table, point, enclosure)
    return point


def _worked_out_from(table: Table, quantity: Quantity) -> WorkedOutFrom | None:
    """What a recording's column holds in place of the humidity."""
    word = table.one_of("worked_out_from", [each.value for each in WorkedOutFrom], required=False)
    if word is not None and quantity is not Quantity.HUMIDITY:
        fix = "write it with the humidity of that body"
        table.fault("worked_out_from", f"is about a humidity, not {quantity.value}", fix)
    if word is not None and "topic" in table.values:
        table.fault(
            "worked_out_from",
            "stands beside a topic, and only a recording's column is worked out",
            "let the sensor send its humidity, or leave the topic out",
        )
    return None if word is None else WorkedOutFrom(word)


def _unit(table: Table, quantity: Quantity) -> str | None:
    allowed = ", ".join(units_for(quantity.unit))
    written = text_at(table, "unit")
    if written is None:
        if "unit" not in table.values:
            table.missing("unit", f'"{quantity.unit}" (or another of {allowed})')
        return None
    unit = known_unit(written)
    if unit is None or unit not in units_for(quantity.unit):
        # No nearest one: a guess between degC and degF would be taken on trust.
        table.fault(
            "unit", f"{shown(written)} is no unit for {quantity.value}", f"write one of {allowed}"
        )
        return None
    if "column" in table.values and unit not in columns.UNITS[quantity]:
        fix = f"write one of {', '.join(columns.UNITS[quantity])}, and convert the recording"
        table.fault("unit", f"{shown(written)} is not read from a recording's column", fix)
        return None
    return unit


def _rules(table: Table, quantity: Quantity) -> FaultRules:
    plain = DEFAULT_RULES[quantity]
    absolute, difference, _, _ = _MEASURES[quantity]
    step = {"difference": difference == "K"}
    given = {
        # Beyond the range of the program's own nothing can be reckoned with.
        "low": figure_at(table, "range_low", absolute, plain.low, plain.high),
        "high": figure_at(table, "range_high", absolute, plain.low, plain.high),
        "rate_floor": figure_at(table, "rate_floor", difference, 0.0, plain.high, **step),
        "rate_per_min": figure_at(table, "rate_per_minute", difference, 0.0, plain.high, **step),
        "stuck_after_s": table.duration("stuck_after"),
        "stuck_moved": figure_at(table, "stuck_moved", difference, 0.0, plain.high, **step),
        "max_age_s": figure_at(table, "max_age", "s", 1.0, DAY_S),
    }
    rules = dataclasses.replace(
        plain, **{key: value for key, value in given.items() if value is not None}
    )
    if rules.low >= rules.high:
        key = "range_low" if "range_low" in table.values else "range_high"
        fix = "every value would be ignored: put range_low below range_high"
        table.fault(key, f"leaves no range from {rules.low:g} to {rules.high:g}", fix)
    return rules


def _check_topic(table: Table, point: PointConfig, enclosure: str) -> None:
    if point.topic is None:
        return
    try:
        Router(EnclosureConfig(enclosure, (point,)).sources())
    except SourceFault as fault:
        # "point '...': topic '...' WHAT; the point is not read. ..."
        what = str(fault).split("; the point is not read")[0].split("': topic ", 1)[-1]
        table.fault("topic", what, 'write it as MQTT has it, such as "shed/bow"')


def _unlike(tables: Iterable[Table], key: str, what: str) -> None:
    seen: dict[str, object] = {}
    for table in tables:
        value = table.values.get(key)
        if isinstance(value, str):
            if value.casefold() in seen:
                problem = f"{shown(value)} is a second {what} of that name"
                table.fault(key, problem, "give each a name of its own")
            seen.setdefault(value.casefold(), value)


def _check_points(tables: list[Table]) -> None:
    """Check the points of one enclosure against each other."""
    seen: dict[tuple[object, object], int] = {}
    read_from: dict[tuple[object, ...], object] = {}
    # No set, since a name may be a list or a table, which is a fault that is kept elsewhere.
    airs = [t.values.get("name") for t in tables if t.values.get("quantity") == Quantity.AIR_TEMP]
    for number, table in enumerate(tables, 1):
        name, quantity = table.values.get("name"), table.values.get("quantity")
        if not isinstance(name, str) or not isinstance(quantity, str):
            continue
        first = seen.setdefault((name, quantity), number)
        if first != number:
            problem = f"{shown(name)} has {shown(quantity)} already, in point[{first}]"
            table.fault("name", problem, "give this sensor body another name, or remove one")
            continue
        if quantity == Quantity.HUMIDITY and name not in airs:
            table.fault(
                "quantity",
                f"humidity at {shown(name)} has no air_temp at the same point, and pairs with no "
                f"other",
                f'add an air_temp point with name = "{printable(name)}"',
            )
        for key in ("topic", "column"):
            place = table.values.get(key)
            path = table.values.get("value") if key == "topic" else None
            if not isinstance(place, str) or "{point}" in place or isinstance(path, list | dict):
                continue
            other = read_from.setdefault((key, place, path, quantity), name)
            if other != name:
                problem = f"{shown(place)} is read for {shown(other)} already"
                table.fault(key, problem, "two points that share one sensor count it twice")
