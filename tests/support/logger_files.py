"""Writes invented logger files whose truth is known: the parts of which layouts are put together.

`logger_layouts` and `logger_layouts_held` hold the layouts; `layout_score` tries the program on
them. Every layout is invented; none copies a maker's. What a file shows is rounded first and the
truth is taken back from what is shown, so that a right reader has no error at all.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

Moment = dict[str, float]
Stamp = Callable[[datetime], list[str]]

_MAGNUS_A = 17.625  # Alduchov and Eskridge (1996), over water; from memory
_MAGNUS_B_C = 243.04
QUANTITY = {"air": "air_temp", "rh": "humidity", "hull": "surface_temp"}


@dataclass(frozen=True, slots=True)
class Series:
    """The truth of one column or channel: every value at its time.

    Attributes:
        quantity: air_temp, humidity or surface_temp.
        body: which sensor body, so that humidity pairs with its own air.
        column: the name by which the file calls it; "" where it calls it nothing.
        values: time in UTC and value in degC or %.
        required: whether a reader that leaves it out, and says so, is incomplete.
    """

    quantity: str
    body: str
    column: str
    values: tuple[tuple[datetime, float], ...]
    required: bool = True


@dataclass(frozen=True, slots=True)
class Ask:
    """What the file does not say, with what a person would answer.

    Attributes:
        kind: zone, unit, role (what a column measures, or where) or order (of a date).
        about: the columns that it is about; empty where it is about the times.
        answers: words that a person would type, the likeliest first.
    """

    kind: str
    about: tuple[str, ...]
    answers: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Layout:
    """One invented recording: its files, its truth, and what may not be known from it.

    Attributes:
        name: begins with `tuning_` or `held_`.
        files: path within the folder and content of each.
        entry: the path that is given to the program: a file, or the folder of several.
        zone: where the clock ran; the painter's computer stands there too where the file is silent.
        series: the truth.
        asks: what cannot be known from the file.
        left_out: columns that measure nothing of the enclosure and must not be used.
        trouble: words of which a refusal must have one; empty where the file can be read.
        about: what makes this layout hard, for people.
    """

    name: str
    files: tuple[tuple[str, bytes], ...]
    entry: str
    zone: str
    series: tuple[Series, ...]
    asks: tuple[Ask, ...] = ()
    left_out: tuple[str, ...] = ()
    trouble: tuple[str, ...] = ()
    about: str = ""

    @property
    def zone_is_silent(self) -> bool:
        """Whether the file says nothing of the zone in which its clock ran."""
        return any(ask.kind == "zone" for ask in self.asks)

    def write(self, folder: Path) -> Path:
        """Write the files into a folder and return the path to give to the program."""
        for path, content in self.files:
            target = folder / path
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
        return folder / self.entry


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a wide file.

    Attributes:
        header: as the file has it.
        key: which figure of the tent it shows, or `=text` for the same text in each row.
        unit: C, F, K, %, 1 (fraction), dC, dF (differences), or "" for a bare figure.
        role: air, rh or hull; "" for what must not be used.
        body: which sensor body.
        digits: decimals shown.
        required: see `Series`.
    """

    header: str
    key: str
    unit: str = "C"
    role: str = ""
    body: str = "main"
    digits: int = 1
    required: bool = True


def dew_point_c(air_c: float, rh_pct: float) -> float:
    """Return the dew point by the Magnus form of Alduchov and Eskridge (1996) [°C]."""
    gamma = math.log(rh_pct / 100.0) + _MAGNUS_A * air_c / (_MAGNUS_B_C + air_c)
    return _MAGNUS_B_C * gamma / (_MAGNUS_A - gamma)


# air, swing over a day, humidity, hull under air: what a misreading would make of each is why it
# is there. "cold" is 0 to 2 °C, which in °F is 32 to 35: GO, if it is taken for °C; "cool" has a
# hull near the dew point, which with hull and air confused reads as dry; "damp" is over 80 %.
_KINDS: dict[str, tuple[float, float, float, float]] = {
    "good": (20.5, 1.6, 54.0, 1.3),
    "warm": (24.0, 2.2, 47.0, 0.8),
    "cold": (0.9, 0.5, 62.0, 0.4),
    "cool": (18.0, 1.2, 71.0, 4.2),
    "damp": (16.0, 1.5, 87.0, 1.1),
}


def tent(kind: str, rows: int, step_s: float, seed: int) -> list[Moment]:
    """Return what an invented tent would have shown, row by row, every figure in °C or %."""
    base, swing, rh, under = _KINDS[kind]
    rng = Random(f"{kind}-{seed}")
    found: list[Moment] = []
    for row in range(rows):
        turn = 2.0 * math.pi * row * step_s / 86_400.0
        air = base + swing * math.sin(turn + 0.8) + rng.uniform(-0.15, 0.15)
        humidity = rh - 4.0 * math.sin(turn + 0.8) + rng.uniform(-0.6, 0.6)
        hull = air - under + 0.4 * math.sin(turn + 0.1) + rng.uniform(-0.1, 0.1)
        dew = dew_point_c(air, humidity)
        stern = air - 0.8 + rng.uniform(-0.15, 0.15)
        found.append({
            "air": air,
            "rh": humidity,
            "hull": hull,
            "air2": stern,
            "rh2": humidity + 2.4 + rng.uniform(-0.5, 0.5),
            "hull2": hull - 0.9 + rng.uniform(-0.1, 0.1),
            "dew": dew,
            "delta": hull - dew,
            "out": air - 3.0 + math.sin(turn),
            "rhout": humidity - 20.0,
            "board": air + 8.5 + rng.uniform(-0.2, 0.2),
            "batt": 3.61 - 0.0002 * row,
            "row": row + 1.0,
        })  # fmt: skip
    return found


def shown(value: float, unit: str) -> float:
    """Return a figure of the tent in the unit in which a file shows it."""
    return {
        "F": value * 1.8 + 32.0, "K": value + 273.15, "1": value / 100.0, "dF": value * 1.8,
    }.get(unit, value)  # fmt: skip


def meant(value: float, unit: str) -> float:
    """Return a shown figure in degC or %: the truth."""
    return {
        "F": (value - 32.0) / 1.8, "K": value - 273.15, "1": value * 100.0, "dF": value / 1.8,
    }.get(unit, value)  # fmt: skip


def figure(column: Column, moment: Moment) -> float:
    """Return what a cell shows, rounded as the file rounds it."""
    return round(shown(moment[column.key], column.unit), column.digits)


def cell(column: Column, moment: Moment, decimal: str = ".") -> str:
    """Return a cell's text."""
    if column.key.startswith("="):
        return column.key[1:]
    return f"{figure(column, moment):.{column.digits}f}".replace(".", decimal)


def clock(start: str, zone: str, step_s: float, rows: int) -> list[datetime]:
    """Return the rows' times, aware and in their zone; the step is kept in real time over DST."""
    first = datetime.fromisoformat(start).replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
    return [
        (first + timedelta(seconds=row * step_s)).astimezone(ZoneInfo(zone)) for row in range(rows)
    ]


def pattern(*patterns: str) -> Stamp:
    """Return a stamp of strftime patterns, one a cell; `%-d` drops the leading nought."""
    return lambda at: [at.strftime(one) for one in patterns]


MONTHS = {
    "en": "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec",
    "de": "Jan Feb Mär Apr Mai Jun Jul Aug Sep Okt Nov Dez",
    "fr": "janv. févr. mars avr. mai juin juil. août sept. oct. nov. déc.",
    "nl": "jan feb mrt apr mei jun jul aug sep okt nov dec",
    "es": "ene feb mar abr may jun jul ago sep oct nov dic",
    "it": "gen feb mar apr mag giu lug ago set ott nov dic",
    "sv": "jan feb mars apr maj juni juli aug sep okt nov dec",
    "da": "jan feb mar apr maj jun jul aug sep okt nov dec",
    "pl": "sty lut mar kwi maj cze lip sie wrz paź lis gru",
    "pt": "jan fev mar abr mai jun jul ago set out nov dez",
    "fi": "tammi helmi maalis huhti touko kesä heinä elo syys loka marras joulu",
}


def months(language: str, form: str, *rest: str) -> Stamp:
    """Return a stamp whose first cell names the month: `{month}` in a strftime pattern."""
    names = MONTHS[language].split()
    return lambda at: [
        at.strftime(form.replace("{month}", names[at.month - 1])),
        *(at.strftime(one) for one in rest),
    ]


def excel(digits: int = 6, decimal: str = ".") -> Stamp:
    """Return a stamp in days since 30 December 1899, as spreadsheets count local time."""

    def serial(at: datetime) -> list[str]:
        since = at.replace(tzinfo=None) - datetime(1899, 12, 30)
        return [f"{since.total_seconds() / 86_400.0:.{digits}f}".replace(".", decimal)]

    return serial


def epoch(per_s: int = 1, digits: int = 0) -> Stamp:
    """Return a stamp in seconds, or thousandths, since 1970 in UTC."""
    return lambda at: [f"{at.timestamp() * per_s:.{digits}f}"]


def line(cells: Iterable[str], sep: str, quote_all: bool = False) -> str:
    """Return one line, quoted where it must be."""
    out = io.StringIO()
    if quote_all:
        writer = csv.writer(out, delimiter=sep, quoting=csv.QUOTE_ALL, lineterminator="")
    else:
        writer = csv.writer(out, delimiter=sep, lineterminator="")
    writer.writerow(list(cells))
    return out.getvalue()


def truth(
    columns: Sequence[Column],
    times: Sequence[datetime],
    moments: Sequence[Moment],
    lost: frozenset[tuple[int, str]] = frozenset(),
) -> tuple[Series, ...]:
    """Return the series that these columns show; `lost` names cells (row, header) without one."""
    return tuple(
        Series(
            QUANTITY[column.role],
            column.body,
            column.header,
            tuple(
                (at.astimezone(UTC), meant(figure(column, moment), column.unit))
                for row, (at, moment) in enumerate(zip(times, moments, strict=True))
                if (row, column.header) not in lost
            ),
            column.required,
        )
        for column in columns
        if column.role
    )


def silent(zone: str) -> Ask:
    """Return the question that a file without a zone asks."""
    return Ask("zone", (), (zone,))


@dataclass(frozen=True, slots=True)
class Wide:
    """A file with a row a time: what `wide` writes, with every habit that a logger may have.

    Attributes:
        name: of the layout; the file is `NAME.csv` unless `suffix` says otherwise.
        columns: in order.
        stamp: the cells of the time.
        heads: the headers of the time's cells.
        kind, start, step_s, rows: the tent and its clock.
        zone: where the clock ran.
        zone_said: whether the file says it.
        time_at: how many columns stand before the time.
        sep, decimal, encoding, eol, quote_all: how it is written.
        preamble, footer: text before the header and after the last row, ends of line included.
        units: a row of units under the header, time's cells included.
        header: whether there is one.
        edit: changes a row's cells: for notes, faults, short rows.
        raw: changes a row's line: for what no tidy writer would write.
        extra: headers of cells that `edit` adds.
        lost: cells (row, header) that hold no value.
        asks, trouble, about: see `Layout`.
        backwards: newest row first.
    """

    name: str
    columns: tuple[Column, ...]
    stamp: Stamp
    heads: tuple[str, ...] = ("Time",)
    kind: str = "good"
    start: str = "2026-04-25 14:00"
    step_s: float = 600.0
    rows: int = 120
    zone: str = "UTC"
    zone_said: bool = True
    time_at: int = 0
    sep: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    eol: str = "\n"
    quote_all: bool = False
    preamble: str = ""
    footer: str = ""
    units: tuple[str, ...] = ()
    header: bool = True
    edit: Callable[[int, list[str]], list[str]] | None = None
    raw: Callable[[int, str], str] | None = None
    extra: tuple[str, ...] = ()
    lost: frozenset[tuple[int, str]] = field(default_factory=frozenset)
    asks: tuple[Ask, ...] = ()
    trouble: tuple[str, ...] = ()
    about: str = ""
    suffix: str = ".csv"
    backwards: bool = False

    def layout(self) -> Layout:
        """Return the layout with its bytes and its truth."""
        seed = sum(map(ord, self.name))
        times = clock(self.start, self.zone, self.step_s, self.rows)
        moments = tent(self.kind, self.rows, self.step_s, seed)
        heads = [column.header for column in self.columns]
        at = self.time_at
        top = [*heads[:at], *self.heads, *heads[at:], *self.extra]
        lines = [line(top, self.sep, self.quote_all)] if self.header else []
        if self.units:
            lines.append(line(self.units, self.sep, self.quote_all))
        body: list[str] = []
        for row, (when, moment) in enumerate(zip(times, moments, strict=True)):
            figures = [cell(column, moment, self.decimal) for column in self.columns]
            cells = [*figures[:at], *self.stamp(when), *figures[at:]]
            if self.edit is not None:
                cells = self.edit(row, cells)
            text = line(cells, self.sep, self.quote_all)
            body.append(text if self.raw is None else self.raw(row, text))
        if self.backwards:
            body.reverse()
        text = self.preamble + "\n".join([*lines, *body]) + "\n" + self.footer
        content = text.replace("\n", self.eol).encode(self.encoding)
        return Layout(
            self.name,
            ((self.name + self.suffix, content),),
            self.name + self.suffix,
            self.zone,
            truth(self.columns, times, moments, self.lost),
            self.asks if self.zone_said else (silent(self.zone), *self.asks),
            tuple(column.header for column in self.columns if not column.role),
            self.trouble,
            self.about,
        )


@dataclass(frozen=True, slots=True)
class Long:
    """A file with a row a value: time, sensor, value and perhaps unit, in any order.

    Attributes:
        order: the fields of a row: time, sensor, value, unit, quantity, site, or `=text`.
        heads: their headers; empty where there is none.
        columns: the channels; `header` is the sensor's name in the file.
        units: how the file writes each unit.
        quantities: how the file writes each channel's quantity, by header.
        The rest as in `Wide`.
    """

    name: str
    columns: tuple[Column, ...]
    stamp: Stamp
    order: tuple[str, ...] = ("time", "sensor", "value")
    heads: tuple[str, ...] = ("time", "sensor", "value")
    units: tuple[tuple[str, str], ...] = ()
    quantities: tuple[tuple[str, str], ...] = ()
    kind: str = "good"
    start: str = "2026-04-25 14:00"
    step_s: float = 600.0
    rows: int = 100
    zone: str = "UTC"
    zone_said: bool = True
    sep: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    by_sensor: bool = False
    asks: tuple[Ask, ...] = ()
    about: str = ""

    def layout(self) -> Layout:
        """Return the layout with its bytes and its truth."""
        seed = sum(map(ord, self.name))
        times = clock(self.start, self.zone, self.step_s, self.rows)
        moments = tent(self.kind, self.rows, self.step_s, seed)
        units, quantities = dict(self.units), dict(self.quantities)
        lines = [line(self.heads, self.sep)] if self.heads else []
        pairs = [(row, column) for row in range(self.rows) for column in self.columns]
        if self.by_sensor:
            pairs.sort(key=lambda pair: self.columns.index(pair[1]))
        for row, column in pairs:
            filled = {
                "sensor": column.header.strip(),
                "value": cell(column, moments[row], self.decimal),
                "unit": units.get(column.unit, ""),
                "quantity": quantities.get(column.header, ""),
            }
            cells: list[str] = []
            for part in self.order:
                if part == "time":
                    cells += self.stamp(times[row])
                else:
                    cells.append(part[1:] if part.startswith("=") else filled[part])
            lines.append(line(cells, self.sep))
        content = ("\n".join(lines) + "\n").encode(self.encoding)
        return Layout(
            self.name,
            ((self.name + ".csv", content),),
            self.name + ".csv",
            self.zone,
            truth(self.columns, times, moments),
            self.asks if self.zone_said else (silent(self.zone), *self.asks),
            tuple(column.header for column in self.columns if not column.role),
            (),
            self.about,
        )


def folder(name: str, parts: dict[str, Wide], *, about: str, asks: tuple[Ask, ...] = ()) -> Layout:
    """Return a folder of files, one a sensor; each part's own name matters to its figures only."""
    made = {path: part.layout() for path, part in parts.items()}
    first = next(iter(made.values()))
    return Layout(
        name,
        tuple((f"{name}/{path}", one.files[0][1]) for path, one in made.items()),
        name,
        first.zone,
        tuple(series for one in made.values() for series in one.series),
        (*(ask for ask in first.asks if ask.kind == "zone"), *asks),
        tuple(header for one in made.values() for header in one.left_out),
        (),
        about,
    )
