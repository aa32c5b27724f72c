"""Hours of outdoor weather from a CSV or JSON file: a forecast that somebody made or fetched.

Columns are found by a mapping or by their names, as in a recording; age, gaps and rows that could
not be used are kept for showing.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import reduce
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from rules.numbers import number
from rules.text import counted
from rules.units import known_unit, to_celsius
from sensors.mqtt.json_strict import parse_gaps
from sensors.reading import FIRST_S, LAST_S
from sensors.recording.columns import header_unit
from sensors.recording.layout import HEAD_BYTES, RecordingFault, sniffed, split_rows
from sensors.whole_file import Unreadable, whole_bytes
from sensors.wire import PayloadFault
from sensors.zones import UTC_NAME, UnknownZone, zone_named

KINDS = ("time", "temp", "dew_point", "rh", "sun", "made")

_WORD = re.compile(r"[^\W_\d]+|\d+")
_SUN = frozenset(["sun", "solar", "radiation", "irradiance", "shortwave", "ghi"])
_TIME = frozenset(["time", "date", "datetime", "timestamp", "valid", "hour", "when", "epoch"])
_MADE = frozenset(["made", "issued", "run", "reference", "created"])
_TEMP = frozenset(["temperature", "temp", "t", "air"])
_DEW = frozenset(["dew", "dewpoint", "dewp"])
_HUMIDITY = frozenset(["rh", "humidity", "hum", "humid", "relhum"])
_NOT = frozenset(
    [
        "min",
        "max",
        "apparent",
        "feels",
        "soil",
        "wind",
        "gust",
        "chance",
        "probability",
        "ground",
        "sea",
        "water",
        "wet",
        "bulb",
        "ratio",
        "surface",
        "absolute",
        "specific",
        "inside",
        "indoor",
    ]
)


class ForecastFault(RecordingFault):
    """A forecast file that cannot be used at all; the text is one sentence for the user."""


def choose(
    table: Mapping[str, Sequence[object]],
    source: str,
    wanted: Mapping[str, str],
    notices: list[str],
) -> dict[str, str]:
    """Return which column holds what: by the mapping first, then by the names.

    Args:
        table: columns by name.
        source: where they are from, for errors.
        wanted: column by kind, see `KINDS`.
        notices: told of each column that was guessed.

    Raises:
        ForecastFault: a mapped column is not there, or what is needed is not found.
    """
    for kind, name in wanted.items():
        if kind not in KINDS:
            raise ForecastFault(
                f"{source}: {kind!r} is nothing that a forecast is read for, so it is not used; "
                f"map {', '.join(KINDS)}"
            )
        if name not in table and kind != "made":
            raise ForecastFault(
                f"{source}: column {name!r} is not there, so the forecast is not used; "
                f"it has {', '.join(table)}"
            )
    chosen = {kind: name for kind, name in wanted.items() if name in table}
    for name in table:
        guess = kind_of(name)
        if guess is not None and guess not in chosen and name not in chosen.values():
            chosen[guess] = name
            notices.append(f"Column {name!r} is taken for {guess.replace('_', ' ')}.")
    if "time" not in chosen or "temp" not in chosen or not {"dew_point", "rh"} & set(chosen):
        have = ", ".join(str(name) for name in table)
        raise ForecastFault(
            f"{source}: time, outdoor temperature and dew point or humidity are not all found "
            f"among {have}, so the forecast is not used; name them in a mapping"
        )
    return chosen


def kind_of(name: str) -> str | None:
    """Return what a column is by its name, or None.

    >>> kind_of("dewPoint"), kind_of("Temperature (°F)"), kind_of("apparent temperature")
    ('dew_point', 'temp', None)
    """
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", str(name))
    words = {word.casefold() for word in _WORD.findall(spaced)}
    for kind, signs in (("made", _MADE), ("sun", _SUN)):
        if words & signs:
            return kind
    if words & _NOT:
        return None
    for kind, signs in (
        ("dew_point", _DEW),
        ("rh", _HUMIDITY),
        ("temp", _TEMP),
        ("time", _TIME),
    ):
        if words & signs:
            return kind
    return None


def unit_of(name: str, given: str | None, source: str) -> str:
    """Return a temperature column's unit: the one given, the one in its name, or degC."""
    unit = known_unit(given) if given is not None else header_unit(name) or "degC"
    if unit is None or unit not in ("degC", "degF", "K"):
        raise ForecastFault(
            f"{source}: unit {given!r} is no temperature's, so the forecast is not used; "
            "give degC, degF or K"
        )
    return unit


def temp_c(value: float, unit: str) -> float:
    """Return a temperature in °C; NaN stays NaN."""
    temp_c = to_celsius(value, unit)
    return temp_c if math.isfinite(temp_c) else math.nan


def number_of(cell: object) -> float:
    """Return the number in a cell, or NaN."""
    if isinstance(cell, bool) or cell is None:
        return math.nan
    try:
        value = float(cell) if isinstance(cell, int | float) else number(str(cell))
    except OverflowError:
        return math.nan
    return value if value is not None and math.isfinite(value) else math.nan


def zone_of(timezone: str | None, source: str) -> ZoneInfo:
    """Return a zone by name, UTC for None, or raise ForecastFault."""
    try:
        return zone_named(timezone or UTC_NAME)
    except UnknownZone:
        raise ForecastFault(
            f"{source}: timezone {timezone!r} is not known, so its times cannot be read; "
            'give a name like "Europe/Brussels"'
        ) from None


def is_unzoned(cell: object) -> bool:
    """Return whether a time carries no zone."""
    text = str(cell)
    return not (
        re.fullmatch(r"[\d.]+", text) or re.search(r"(Z|UTC|GMT|[+-]\d{2}:?\d{2})$", text, re.I)
    )


def time_of(cell: object, zone: ZoneInfo) -> float | None:
    """Return seconds since 1970 of a cell, or None where it is no time."""
    text = str(cell).strip()
    number = number_of(cell)
    if math.isfinite(number):
        for least, per_second in ((1e17, 1e9), (1e14, 1e6), (1e11, 1e3), (1e8, 1.0)):
            if number >= least:
                return _dated(number / per_second)
        return None
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        from sensors.recording.times import (  # pandas: only for odd forms
            looks_like_time,
            parse_time,
        )

        if not looks_like_time(text):
            return None
        try:
            when, _ = parse_time(text, "day first")
        except ValueError:
            return None
    if when.tzinfo is None:
        when = when.replace(tzinfo=zone)
    try:
        return _dated(when.astimezone(UTC).timestamp())
    except OverflowError:  # the first or last day that a calendar has, in another zone
        return None


def _dated(time_s: float) -> float | None:
    return time_s if FIRST_S <= time_s < LAST_S else None


Floats = npt.NDArray[np.float64]

MOST_BYTES = 8_000_000
MOST_HOURS = 20_000
MOST_COLUMNS = 200
SHOWN_SKIPPED = 5
_LOW_C, _HIGH_C = -80.0, 60.0
_GAP_S = 3.0 * 3600.0 + 1.0


@dataclass(frozen=True, slots=True, eq=False)
class ForecastHours:
    """What a forecast file says.

    Attributes:
        time_s: ascending, seconds since 1970-01-01 UTC [s].
        temp_c: air outside [°C].
        dew_point_c: outside, NaN where the file gives humidity in its place [°C].
        rh_pct: over liquid water, NaN where the file gives the dew point [%].
        sun_w_m2: on the flat, or None where the file has none [W/m²].
        made_s: when the forecast was made, or None where the file does not tell [s].
        notices: what was taken for what, and what was left out.
        skipped: rows that could not be used.
    """

    time_s: Floats
    temp_c: Floats
    dew_point_c: Floats
    rh_pct: Floats
    sun_w_m2: Floats | None
    made_s: float | None
    notices: tuple[str, ...]
    skipped: int

    def age_s(self, now_s: float) -> float | None:
        """Return how old the forecast is, or None where the file does not tell [s]."""
        return None if self.made_s is None else now_s - self.made_s

    def temp_at_c(self, time_s: float) -> float | None:
        """Return the air outside at a time, or None where no hour is near [°C]."""
        if not self.time_s.size or not self.time_s[0] <= time_s <= self.time_s[-1]:
            return None
        k = int(np.searchsorted(self.time_s, time_s))
        if k and self.time_s[k] - self.time_s[k - 1] > _GAP_S:
            return None
        return float(np.interp(time_s, self.time_s, self.temp_c))

    def gaps_s(self) -> tuple[tuple[float, float], ...]:
        """Return the spans of over three hours in which no hour is given [s]."""
        wide = np.flatnonzero(np.diff(self.time_s) > _GAP_S)
        return tuple((float(self.time_s[k]), float(self.time_s[k + 1])) for k in wide)


@dataclass(slots=True)
class _Rows:
    """Rows of a file under way: cells by kind, and what was wrong with others."""

    notices: list[str] = field(default_factory=list)
    skipped: int = 0

    def skip(self, where: str, why: str) -> None:
        self.skipped += 1
        if self.skipped <= SHOWN_SKIPPED:
            self.notices.append(f"{where}: {why}; left out.")


def read_forecast(
    path: Path | str,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    timezone: str | None = None,
    made_s: float | None = None,
) -> ForecastHours:
    """Read hours of outdoor weather from a CSV or JSON file.

    Args:
        path: the file; one that begins with a brace or a bracket is JSON: a list of objects, one
            an hour, or an object of equally long lists, either of them perhaps one level down.
        columns: which column or key holds what: `time`, `temp`, `dew_point` or `rh`, and perhaps
            `sun` and `made`; those not named are looked for.
        units: of `temp` and `dew_point` where they are not °C: `degF` or `K`.
        timezone: zone of times that carry none; None is UTC, and said.
        made_s: when the forecast was made, where it is known from elsewhere [s].

    Returns:
        The hours by time; of two for one time, the later in the file.

    Raises:
        ForecastFault: the file cannot be used at all.
    """
    path = Path(path)
    try:
        content = whole_bytes(path, MOST_BYTES)
    except Unreadable as why:
        raise ForecastFault(
            f"{path}: {why}, so there is no forecast; check the file's name, and give the days "
            "that matter"
        ) from None
    if content[:4096].lstrip(b"\xef\xbb\xbf \t\r\n")[:1] in (b"{", b"["):
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError:
            raise ForecastFault(f"{path}: it is not UTF-8 text, so it is not used") from None
        return forecast_of_json(
            text, str(path), columns=columns, units=units, timezone=timezone, made_s=made_s
        )
    try:
        layout = sniffed(path, content[:HEAD_BYTES])
    except RecordingFault as fault:
        raise ForecastFault(str(fault).replace("nothing is replayed", "it is not used")) from None
    lines = content.decode(layout.encoding, "replace").splitlines()[layout.header_line :]
    rows = [
        cells
        for at, _, cells, _ in split_rows(lines, layout.separator, layout.fields)
        if lines[at].strip() and not lines[at].startswith("#")
    ]
    if layout.decimal == ",":
        rows = [[cell.replace(",", ".") for cell in row] for row in rows]
    table = {
        name: [row[at].strip() if at < len(row) else "" for row in rows if row]
        for at, name in enumerate(layout.header)
        if name
    }
    return _forecast_of(table, str(path), columns, units, timezone, made_s)


def forecast_of_json(
    text: str,
    source: str,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    timezone: str | None = None,
    made_s: float | None = None,
) -> ForecastHours:
    """Read hours of outdoor weather from JSON text, as a file or a retained message holds it.

    Args:
        text: JSON.
        source: where it is from, for errors.
        columns: as for `read_forecast`.
        units: likewise.
        timezone: likewise.
        made_s: likewise.

    Returns:
        The hours.

    Raises:
        ForecastFault: it cannot be used at all.
    """
    try:
        found = parse_gaps(text)
    except PayloadFault as fault:
        why = str(fault).rstrip(".").removesuffix("; refused")
        raise ForecastFault(f"{source}: it is no JSON ({why}), so it is not used") from None
    table, about = _json_table(found, source)
    made_name = (columns or {}).get("made")
    for name, value in about.items():
        if made_s is None and (name == made_name or (not made_name and kind_of(name) == "made")):
            made_s = time_of(value, zone_of(timezone, source))
    return _forecast_of(table, source, columns, units, timezone, made_s)


def _json_table(found: object, source: str) -> tuple[dict[str, list[object]], dict[str, object]]:
    """Columns, and the single values beside them."""
    about: dict[str, object] = {}
    for _ in range(2):
        if isinstance(found, list) and found and all(isinstance(row, dict) for row in found):
            # Rows that each have keys of their own would fill the memory with empty cells.
            names = {name: None for row in found[: MOST_HOURS + 1] for name in row}
            if len(names) > MOST_COLUMNS or len(found) > MOST_HOURS:
                raise ForecastFault(
                    f"{source}: {len(found)} hours of {len(names)} different keys are over the "
                    f"{MOST_HOURS} and {MOST_COLUMNS} that a forecast may have, so it is not used; "
                    "give the days and the quantities that matter"
                )
            return {name: [row.get(name) for row in found] for name in names}, about
        if not isinstance(found, dict):
            break
        about |= {k: v for k, v in found.items() if isinstance(v, str | int | float)}
        lists = {k: v for k, v in found.items() if isinstance(v, list)}
        plain = {k: v for k, v in lists.items() if v and not isinstance(v[0], dict | list)}
        if len(plain) > 1 and len({len(v) for v in plain.values()}) == 1:
            return plain, about
        inner = [v for v in found.values() if isinstance(v, dict | list) and v]
        tables = [v for v in inner if isinstance(v, dict) or isinstance(v[0], dict)]
        if not tables:
            break
        found = max(tables, key=lambda v: len(json.dumps(v)))
    raise ForecastFault(
        f"{source}: it holds neither a list of hours nor equally long lists, so it is not used; "
        'write [{"time": "2026-04-25T14:00Z", "temp": 11.5, "dew_point": 7.0}, ...]'
    )


def _forecast_of(
    table: Mapping[str, Sequence[object]],
    source: str,
    columns: Mapping[str, str] | None,
    units: Mapping[str, str] | None,
    timezone: str | None,
    made_s: float | None,
) -> ForecastHours:
    rows = _Rows()
    chosen = choose(table, source, columns or {}, rows.notices)
    zone = zone_of(timezone, source)
    count = len(table[chosen["time"]])
    if count > MOST_HOURS:
        raise ForecastFault(
            f"{source}: {count} hours are over the {MOST_HOURS} that a forecast may have, so it is "
            "not used; give the days that matter"
        )
    unit = {
        kind: unit_of(chosen[kind], (units or {}).get(kind), source)
        for kind in ("temp", "dew_point")
        if kind in chosen
    }
    hours: dict[float, tuple[float, float, float, float]] = {}
    unzoned = False
    for at in range(count):
        where = f"row {at + 1}"
        stamp = table[chosen["time"]][at]
        time_s = time_of(stamp, zone)
        if time_s is None:
            rows.skip(where, f"time {str(stamp)[:40]!r} is not understood")
            continue
        unzoned = unzoned or is_unzoned(stamp)
        value = {
            kind: number_of(table[name][at]) for kind, name in chosen.items() if kind != "time"
        }
        temp = temp_c(value.get("temp", math.nan), unit["temp"])
        dew = temp_c(value.get("dew_point", math.nan), unit.get("dew_point", "degC"))
        rh = value.get("rh", math.nan)
        if not _LOW_C <= temp <= _HIGH_C:
            rows.skip(where, f"outdoor temperature {temp:g} °C is missing or not possible")
        elif math.isnan(dew) and not 1.0 < rh <= 103.0:
            rows.skip(where, f"humidity {rh:g} % is missing, a fraction or not possible")
        elif not math.isnan(dew) and not _LOW_C <= dew <= temp + 0.5:
            rows.skip(where, f"dew point {dew:g} °C is above the air or not possible")
        else:
            sun = value.get("sun", math.nan)
            hours[time_s] = (temp, dew, rh, sun if 0.0 <= sun <= 1500.0 else math.nan)
            if made_s is None and "made" in chosen:
                made_s = time_of(table[chosen["made"]][at], zone)
    if len(hours) < 2:
        raise ForecastFault(
            f"{source}: {len(hours)} of {counted(count, 'hour')} can be used, so there is no "
            "forecast; "
            + (rows.notices[-1] if rows.skipped else "give time, temp and dew_point or rh")
        )
    if unzoned and timezone is None:
        rows.notices.append("Its times carry no zone and none is given: they are read as UTC.")
    if rows.skipped > SHOWN_SKIPPED:
        rows.notices.append(f"{counted(rows.skipped, 'row')} in all left out.")
    times = np.array(sorted(hours))
    values = np.array([hours[time_s] for time_s in times.tolist()])
    sun_column = values[:, 3]
    has_sun = "sun" in chosen and bool(np.isfinite(sun_column).all())
    if "sun" in chosen and not has_sun:
        rows.notices.append(f"Column {chosen['sun']!r} has hours without sun: it is not used.")
    return ForecastHours(
        time_s=times,
        temp_c=values[:, 0],
        dew_point_c=np.minimum(values[:, 1], values[:, 0]),
        rh_pct=np.minimum(values[:, 2], 100.0),
        sun_w_m2=sun_column if has_sun else None,
        made_s=made_s,
        notices=tuple(rows.notices),
        skipped=rows.skipped,
    )


def joined(parts: Iterable[ForecastHours]) -> ForecastHours:
    """Return forecasts laid over each other: for each hour the word of the one made last.

    Args:
        parts: at least one; those that do not say when they were made count as the oldest.

    Returns:
        All hours, with the age of the newest part.
    """
    ordered = sorted(parts, key=lambda part: -math.inf if part.made_s is None else part.made_s)
    return reduce(laid_over, ordered)


def laid_over(older: ForecastHours, newer: ForecastHours) -> ForecastHours:
    """Return two forecasts in one: for an hour that both tell of, the newer one's word.

    Args:
        older: whose hours fill what the newer one does not tell of.
        newer: whose age counts.

    Returns:
        All hours; sun only where both have it.
    """
    hours: dict[float, tuple[float, float, float, float]] = {}
    for part in (older, newer):
        sun = np.full(part.time_s.size, np.nan) if part.sun_w_m2 is None else part.sun_w_m2
        columns = (part.time_s, part.temp_c, part.dew_point_c, part.rh_pct, sun)
        for time_s, *values in zip(*(column.tolist() for column in columns), strict=True):
            hours[time_s] = (values[0], values[1], values[2], values[3])
    times = np.array(sorted(hours))
    table = np.array([hours[time_s] for time_s in times.tolist()])
    return ForecastHours(
        times,
        table[:, 0],
        table[:, 1],
        table[:, 2],
        table[:, 3] if bool(np.isfinite(table[:, 3]).all()) else None,
        newer.made_s,
        tuple(dict.fromkeys((*older.notices, *newer.notices))),
        older.skipped + newer.skipped,
    )


def within_time(hours: ForecastHours, from_s: float, until_s: float) -> ForecastHours | None:
    """Return the hours of a span of time, or None where fewer than two are in it.

    Args:
        hours: a forecast.
        from_s: first time that counts [s].
        until_s: last time that counts [s].
    """
    kept = (hours.time_s >= from_s) & (hours.time_s <= until_s)
    if int(kept.sum()) < 2:
        return None
    return replace(
        hours,
        time_s=hours.time_s[kept],
        temp_c=hours.temp_c[kept],
        dew_point_c=hours.dew_point_c[kept],
        rh_pct=hours.rh_pct[kept],
        sun_w_m2=None if hours.sun_w_m2 is None else hours.sun_w_m2[kept],
    )
