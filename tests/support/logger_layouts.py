"""The invented layouts that a builder may look at and tune on; `logger_layouts_held` has the rest.

Nothing here is a maker's format. Each layout says in `about` what makes it hard.
"""

from __future__ import annotations

import gzip
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

from tests.support.logger_files import (
    Ask,
    Column,
    Layout,
    Long,
    Stamp,
    Wide,
    epoch,
    excel,
    folder,
    months,
    pattern,
)

ISO = pattern("%Y-%m-%d %H:%M:%S")
ISO_Z = pattern("%Y-%m-%dT%H:%M:%SZ")
MUTE_F = ("F", "degF", "°F")
MUTE_C = ("C", "degC", "°C")
ON_HULL = ("hull", "surface", "surface_temp", "yes", "y")
OF_AIR = ("air", "air_temp", "no", "n")


def trio(
    air: str, rh: str, hull: str, unit: str = "C", rh_unit: str = "%", digits: int = 1
) -> tuple[Column, ...]:
    """Return the three columns of one logger: air, humidity, hull."""
    return (
        Column(air, "air", unit, "air", digits=digits),
        Column(rh, "rh", rh_unit, "rh", digits=3 if rh_unit == "1" else 1),
        Column(hull, "hull", unit, "hull", digits=digits),
    )


def with_offset() -> Stamp:
    """Return a stamp in ISO 8601 with the offset of the row, as +02:00."""
    return lambda at: [at.isoformat(timespec="seconds")]


def two_clocks(at: datetime) -> list[str]:
    """Return the time twice: on the wall, and in UTC."""
    return [at.strftime("%m/%d/%Y %I:%M %p"), at.astimezone(UTC).strftime("%m/%d/%Y %I:%M %p")]


def blanks(row: int, cells: list[str]) -> list[str]:
    """Put a mark in place of some figures, as a logger does whose sensor gave nothing."""
    if row % 17 == 5:
        cells[2] = "---"
    if row % 17 == 11:
        cells[3] = "ERR"
    return cells


def odd_digits(row: int, cells: list[str]) -> list[str]:
    """Spoil some figures so that only a careless reader takes them for numbers."""
    if row % 29 == 7:
        cells[2] = "6_5"
    if row % 29 == 20:
        cells[1] = "２１"
    return cells


def short(row: int, cells: list[str]) -> list[str]:
    """End a row before its last, empty, cell."""
    return cells[:3] if row % 13 == 4 else cells


def note(every: int, text: str) -> Callable[[int, list[str]], list[str]]:
    """Return an edit that adds a note to one row in so many, and an empty cell to the others."""
    return lambda row, cells: [*cells, text if row % every == every - 1 else ""]


def languages() -> list[Layout]:
    """Return files of loggers sold in many countries, most of them silent on the zone."""
    return [
        Wide(
            "tuning_01_plain", trio("Air temp (°C)", "RH (%)", "Hull temp (°C)"), ISO_Z,
            about="English, units and zone said",
        ).layout(),
        Wide(
            "tuning_02_german",
            trio("Lufttemperatur [°C]", "Rel. Feuchte [%]", "Oberflächentemperatur [°C]"),
            pattern("%d.%m.%Y", "%H:%M"), heads=("Datum", "Uhrzeit"), zone="Europe/Berlin",
            zone_said=False, sep=";", decimal=",", encoding="cp1252", eol="\r\n",
            about="German, cp1252, two time columns",
        ).layout(),
        Wide(
            "tuning_03_german_offset", trio("T Luft (°C)", "r.F. (%)", "T Rumpf (°C)"),
            pattern("%d.%m.%Y %H:%M:%S"), heads=("Zeit (UTC+2)",), zone="Etc/GMT-2", sep=";",
            decimal=",", encoding="utf-8-sig", kind="cool",
            about="German abbreviations, BOM, offset in the header; hull near the dew point",
        ).layout(),
        Wide(
            "tuning_04_norwegian", trio("T luft", "RF luft", "T skrov"), ISO, heads=("Tid",),
            zone="Europe/Oslo", zone_said=False, sep=";", decimal=",", kind="cool",
            about="Norwegian; no units, but the language writes °C; hull and air easily confused",
        ).layout(),
        Wide(
            "tuning_05_french",
            trio("Température air (°C)", "Humidité relative (%)", "Température coque (°C)"),
            pattern("%d/%m/%Y", "%H:%M:%S"), heads=("Date", "Heure"), zone="Europe/Paris",
            zone_said=False, sep=";", decimal=",", encoding="latin-1", eol="\r\n",
            about="French, latin-1, day first with slashes",
        ).layout(),
        Wide(
            "tuning_06_dutch",
            trio("Luchttemperatuur (°C)", "Luchtvochtigheid (%)", "Romptemperatuur (°C)"),
            pattern("%d-%m-%Y %H:%M"), heads=("Datum/tijd",), zone="Europe/Amsterdam",
            zone_said=False, sep=";", decimal=",", about="Dutch, day first with dashes",
        ).layout(),
        Wide(
            "tuning_07_danish", trio("Lufttemp. °C", "Luftfugtighed %", "Skrogtemp. °C"),
            pattern("%d.%m.%Y", "%H.%M.%S"), heads=("Dato", "Klokkeslæt"),
            zone="Europe/Copenhagen", zone_said=False, sep=";", decimal=",", encoding="cp1252",
            about="Danish, clock times with dots",
        ).layout(),
        Wide(
            "tuning_08_swedish", trio("Lufttemperatur", "Luftfuktighet", "Skrovtemperatur"),
            pattern("%Y-%m-%d %H:%M"), heads=("Tidpunkt",), zone="Europe/Stockholm",
            zone_said=False, sep="\t", decimal=",", about="Swedish, tabs, no units",
        ).layout(),
        Wide(
            "tuning_09_finnish",
            trio("Ilman lämpötila (°C)", "Ilmankosteus (%)", "Rungon lämpötila (°C)"),
            pattern("%-d.%-m.%Y %H.%M"), heads=("Aika",), zone="Europe/Helsinki",
            zone_said=False, sep=";", decimal=",", about="Finnish, 25.4.2026 14.00",
        ).layout(),
        Wide(
            "tuning_10_spanish",
            trio("Temperatura del aire (°C)", "Humedad relativa (%)", "Temperatura del casco (°C)"),
            pattern("%d/%m/%Y %H:%M"), heads=("Fecha y hora",), zone="Europe/Madrid",
            zone_said=False, sep=";", decimal=",", about="Spanish",
        ).layout(),
        Wide(
            "tuning_11_italian", trio("Temperatura aria", "Umidità relativa", "Temperatura scafo"),
            pattern("%d/%m/%Y", "%H:%M:%S"), heads=("Data", "Ora"), zone="Europe/Rome",
            zone_said=False, sep=";", decimal=",", units=("", "", "°C", "%", "°C"),
            encoding="cp1252", about="Italian with a row of units",
        ).layout(),
        Wide(
            "tuning_12_polish",
            trio("Temperatura powietrza [°C]", "Wilgotność [%]", "Temperatura kadłuba [°C]"),
            pattern("%Y-%m-%d %H:%M"), heads=("Data i godzina (UTC+01:00)",), zone="Etc/GMT-1",
            sep=";", decimal=",", encoding="utf-16", eol="\r\n",
            about="Polish, UTF-16 with BOM, offset in the header",
        ).layout(),
        Wide(
            "tuning_13_portuguese",
            trio("Temperatura do ar (°C)", "Umidade relativa (%)", "Temperatura do casco (°C)"),
            pattern("%d/%m/%Y %H:%M:%S"), heads=("Data/Hora",), zone="America/Sao_Paulo",
            zone_said=False, sep=";", decimal=",", kind="warm", about="Portuguese",
        ).layout(),
        Wide(
            "tuning_14_month_german", trio("Luft °C", "Feuchte %", "Rumpf °C"),
            months("de", "%d. {month} %Y %H:%M"), heads=("Zeitpunkt [UTC]",),
            start="2026-04-30 20:00", sep=";", decimal=",", about="German month names",
        ).layout(),
    ]  # fmt: skip


def american() -> list[Layout]:
    """Return files in °F, with AM and PM, month first, and with zones in the header."""
    f = trio("Air, inside (°F)", "Humidity, inside (%)", "Hull, port (°F)", "F", digits=2)
    return [
        Wide(
            "tuning_15_header_zone", f, pattern("%m/%d/%y %I:%M:%S %p"),
            heads=("Date Time, GMT-04:00",), zone="Etc/GMT+4", quote_all=True, eol="\r\n",
            about="quoted header with commas, offset in the header, AM and PM",
        ).layout(),
        Wide(
            "tuning_16_gmt_brackets", trio("Temp (°F)", "Humidity (%)", "Hull (°F)", "F"),
            pattern("%m/%d/%Y %H:%M"), heads=("Time (GMT-4)",), zone="Etc/GMT+4", kind="cold",
            about="(GMT-4); a shed at 1 °C",
        ).layout(),
        Wide(
            "tuning_17_utc_square", trio("Air_F", "RH_pct", "Hull_F", "F"),
            pattern("%Y-%m-%d %H:%M:%S"), heads=("Timestamp [UTC-04:00]",), zone="Etc/GMT+4",
            about="[UTC-04:00]",
        ).layout(),
        Wide(
            "tuning_18_units_row", trio("Temp", "Humidity", "Hull", "F"), ISO_Z,
            units=("", "°F", "%", "°F"), kind="cold", about="a row of units; a shed at 1 °C",
        ).layout(),
        Wide(
            "tuning_19_mute_cold", trio("Temp", "Humidity", "Hull", "F"), ISO_Z, kind="cold",
            asks=(Ask("unit", ("Temp", "Hull"), MUTE_F),),
            about="no unit at all, 32 to 35: °F in a cold shed or °C in a hot one",
        ).layout(),
        Wide(
            "tuning_20_mute_only_f", trio("Temp", "Humidity", "Hull", "F"), ISO_Z,
            about="no unit, but 66 to 72 is no °C of a shed",
        ).layout(),
        Wide(
            "tuning_21_mute_celsius", trio("temp", "rh", "surface"), ISO_Z,
            asks=(Ask("unit", ("temp", "surface"), MUTE_C),),
            about="no unit, about 20: °C in a heated tent or °F in a frozen one",
        ).layout(),
        Wide(
            "tuning_22_month_name", trio("Air °F", "RH %", "Hull °F", "F"),
            months("en", "%d-{month}-%Y %I:%M %p"), heads=("Date/Time (UTC)",),
            about="25-Apr-2026 02:00 PM",
        ).layout(),
        Wide(
            "tuning_23_ambiguous_order", trio("Air temp (°C)", "RH (%)", "Hull (°C)"),
            pattern("%d/%m/%Y %H:%M"), heads=("Time (UTC)",), start="2026-05-04 08:00", rows=48,
            asks=(Ask("order", (), ("day first", "day", "d", "dmy", "DD/MM/YYYY")),),
            about="04/05/2026 in every row: May or April",
        ).layout(),
        Wide(
            "tuning_24_order_by_rows", trio("Air temp (°C)", "RH (%)", "Hull (°C)"),
            pattern("%d/%m/%Y %H:%M"), heads=("Time (UTC)",), start="2026-05-04 08:00",
            about="04/05/2026, but midnight leads to 05/05/2026: only day first runs on",
        ).layout(),
        Wide(
            "tuning_25_dst_end", trio("Temp (°F)", "RH (%)", "Hull (°F)", "F"),
            pattern("%m/%d/%Y %I:%M:%S %p"), heads=("Local time",), zone="America/New_York",
            zone_said=False, start="2026-10-31 18:00",
            about="the hour from 1 to 2 comes twice; the rows' order tells which is which",
        ).layout(),
        Wide(
            "tuning_26_two_clocks", trio("Temp (°F)", "RH (%)", "Hull (°F)", "F"),
            two_clocks, heads=("Local time", "UTC time"), zone="America/New_York",
            about="the same time twice, local and UTC",
        ).layout(),
    ]  # fmt: skip


def meanings() -> list[Layout]:
    """Return files whose trouble is what a column measures."""
    return [
        Wide(
            "tuning_27_board_temp",
            (Column("Temp (°C)", "air", "C", "air"), Column("RH (%)", "rh", "%", "rh"),
             Column("Board temp (°C)", "board"), Column("Batt (V)", "batt", "", digits=3)),
            ISO_Z, about="the logger's own temperature; no hull probe at all",
        ).layout(),
        Wide(
            "tuning_28_fraction", trio("Air temp (°C)", "RH (0-1)", "Hull (°C)", "C", "1"), ISO_Z,
            kind="damp", about="humidity from 0 to 1, said so",
        ).layout(),
        Wide(
            "tuning_29_dew_check",
            (*trio("temp", "rh", "hull", "F"), Column("dewpoint", "dew", "F")), ISO_Z,
            kind="cold", about="no unit, but its own dew point agrees in °F only",
        ).layout(),
        Wide(
            "tuning_30_delta_check",
            (Column("Luft", "air", "C", "air"), Column("rF", "rh", "%", "rh"),
             Column("Taupunkt", "dew"), Column("Oberfläche", "hull", "C", "hull"),
             Column("ΔT", "delta", "dC")),
            pattern("%d.%m.%Y %H:%M:%S"), heads=("Datum",), zone="Europe/Berlin", zone_said=False,
            sep=";", decimal=",", kind="cool", about="dew point and ΔT beside; German",
        ).layout(),
        Wide(
            "tuning_31_ext_temp",
            trio("Temp, °F", "RH, %", "Ext Temp, °F", "F"), pattern("%m/%d/%Y %H:%M"),
            heads=("Time, GMT-05:00",), zone="Etc/GMT+5", kind="cool",
            asks=(Ask("role", ("Ext Temp, °F",), ON_HULL),),
            about="a second temperature; whether it lies on the hull is not said",
        ).layout(),
        Wide(
            "tuning_32_two_probes",
            (Column("Probe 1 (°C)", "hull", "C", "hull"), Column("Probe 2 (°C)", "air", "C", "air"),
             Column("RH (%)", "rh", "%", "rh")),
            ISO_Z, kind="cool",
            asks=(Ask("role", ("Probe 1 (°C)",), ON_HULL), Ask("role", ("Probe 2 (°C)",), OF_AIR)),
            about="two probes, nothing says which is which",
        ).layout(),
        Wide(
            "tuning_33_outside",
            (Column("Outside temp (°C)", "out"), Column("Outside RH (%)", "rhout", "%"),
             Column("Tent temp (°C)", "air", "C", "air"), Column("Tent RH (%)", "rh", "%", "rh"),
             Column("Plank (°C)", "hull", "C", "hull")),
            ISO_Z, kind="cool", about="the weather outside stands first",
        ).layout(),
        Wide(
            "tuning_34_two_bodies",
            (Column("Bow temp (°C)", "air", "C", "air", "bow"),
             Column("Bow RH (%)", "rh", "%", "rh", "bow"),
             Column("Stern temp (°C)", "air2", "C", "air", "stern"),
             Column("Stern RH (%)", "rh2", "%", "rh", "stern"),
             Column("Hull temp (°C)", "hull", "C", "hull", "hull")),
            ISO_Z, about="two bodies of air and humidity",
        ).layout(),
        Wide(
            "tuning_35_bare_names",
            (Column("Air (°C)", "air", "C", "air"), Column("Humidity (%)", "rh", "%", "rh"),
             Column("Hull port (°C)", "hull", "C", "hull", "port"),
             Column("Hull starboard (°C)", "hull2", "C", "hull", "starboard")),
            ISO_Z, kind="cool", about="two hull probes; `Air` alone names the air",
        ).layout(),
        Wide(
            "tuning_36_dew_first",
            (Column("Dew point (°C)", "dew"), Column("Temperature (°C)", "air", "C", "air"),
             Column("Relative humidity (%)", "rh", "%", "rh"),
             Column("Surface temperature (°C)", "hull", "C", "hull")),
            ISO_Z, kind="cool", about="a dew point before the air",
        ).layout(),
    ]  # fmt: skip


def shapes() -> list[Layout]:
    """Return long files, folders, and times that are numbers."""
    dates = (
        Column("Serial", "=0042"), Column("Installed", "=2019-03-02"), *trio("Air temp (°C)",
        "RH (%)", "Hull temp (°C)"), Column("Last calibrated", "=2025-11-30"),
    )  # fmt: skip
    plain = trio("Air temp (°C)", "RH (%)", "Hull temp (°C)")
    zipped = Wide("tuning_39_gzip", plain, ISO_Z, trouble=("gzip", ".gz", "compress"))
    content = zipped.layout()
    return [
        Long(
            "tuning_37_long_units",
            (Column("bow-air", "air", "F", "air", "bow"), Column("bow-rh", "rh", "%", "rh", "bow"),
             Column("hull-port", "hull", "F", "hull", "hull")),
            ISO_Z, order=("time", "sensor", "value", "unit"),
            heads=("time", "sensor", "value", "unit"), units=(("F", "°F"), ("%", "%")),
            kind="cold", about="long: time, sensor, value, unit, in °F",
        ).layout(),
        Long(
            "tuning_38_long",
            (Column("air_temp_c", "air", "C", "air"), Column("humidity_pct", "rh", "%", "rh"),
             Column("hull_temp_c", "hull", "C", "hull")),
            ISO_Z, sep=";", heads=("timestamp", "sensor", "value"),
            about="long: time, sensor, value; units in the sensors' names",
        ).layout(),
        replace(
            content,
            files=(("tuning_39_gzip.csv.gz", gzip.compress(content.files[0][1], mtime=0)),),
            entry="tuning_39_gzip.csv.gz", about="gzip: refused by name",
        ),
        Wide("tuning_40_epoch_s", trio("air_temp_c", "rh_pct", "hull_c"), epoch(),
             heads=("epoch",), about="seconds since 1970").layout(),
        Wide("tuning_41_epoch_ms", trio("air_temp_c", "rh_pct", "hull_c"), epoch(1000),
             heads=("ts",), about="thousandths since 1970").layout(),
        Wide("tuning_42_excel_serial", plain, excel(), heads=("Date",), zone="America/New_York",
             zone_said=False, about="days since 1899, local").layout(),
        Wide("tuning_43_compact", plain, pattern("%Y%m%d%H%M%S"), heads=("time_utc",),
             about="20260425140000").layout(),
        Wide("tuning_44_compact_min", plain, pattern("%Y%m%d%H%M"), heads=("time_utc",),
             about="202604251400").layout(),
        folder(
            "tuning_45_folder",
            {
                "air.csv": Wide("tuning_45_air", (Column("Temperature (°C)", "air", "C", "air"),
                                Column("Humidity (%)", "rh", "%", "rh")), ISO_Z, kind="cool"),
                "hull.csv": Wide("tuning_45_hull", (Column("Temperature (°C)", "hull", "C", "hull",
                                 "hull"),), ISO_Z, kind="cool"),
            },
            about="one file a sensor; only the file's name says which lies on the hull",
        ),
        Wide(
            "tuning_46_no_header", trio("column 2", "column 3", "column 4"), ISO_Z, header=False,
            asks=(Ask("unit", (), MUTE_C), Ask("role", ("column 4",), ON_HULL)),
            about="no header: two temperatures and a humidity, nothing named",
        ).layout(),
        Wide(
            "tuning_47_many_dates", dates, pattern("%Y-%m-%d", "%H:%M:%S"),
            heads=("Date (UTC)", "Time (UTC)"), time_at=2, about="several date columns",
        ).layout(),
        Wide("tuning_48_offset_rows", plain, with_offset(), heads=("time",), zone="Europe/Berlin",
             about="ISO with its offset in every row").layout(),
    ]  # fmt: skip


def untidy() -> list[Layout]:
    """Return files with preambles, comments, notes, faults and loose quotes."""
    plain = trio("Air temp (°C)", "RH (%)", "Hull temp (°C)")
    preamble = (
        "Shed logger export\nSerial number;4711\nLocation;Creek tunnel, bay 2\n"
        "Interval;10 min\nStarted;2026-04-20 08:00\n\nData\n"
    )
    comments = "# made by the shed logger\n# clock: UTC\n# temperatures: degF\n# alarm > 80, < 40\n"
    pipes = pattern(" %Y-%m-%dT%H:%M:%SZ ")
    return [
        Wide("tuning_49_preamble", plain, ISO_Z, sep=";", preamble=preamble,
             footer="End of data;120 records\n", about="preamble, footer").layout(),
        Wide("tuning_50_comments", trio("air", "rh", "hull", "F"), ISO, heads=("time",),
             preamble=comments, kind="cold", about="units and clock said in comments").layout(),
        Wide("tuning_51_inch_note", plain, ISO_Z, rows=200, extra=("Note",),
             raw=lambda row, text: text + (',gap 5", "soft"' if row == 99 else ","),
             about='a note gap 5", "soft" in row 100 of 200').layout(),
        Wide("tuning_52_quoted_notes", plain, ISO_Z, extra=("Note",),
             edit=note(25, 'door open, heater on\nsaid "warm"'),
             about="quoted notes with separators, quotes and ends of line").layout(),
        Wide("tuning_53_lost_quote", plain, ISO_Z, extra=("Note",),
             raw=lambda row, text: text + (',"taped the sheer' if row == 4 else ","),
             about="one open quote near the start").layout(),
        Wide("tuning_54_short_rows", (*plain, Column("Door", "=")), ISO_Z, edit=short,
             lost=frozenset((row, "Hull temp (°C)") for row in range(120) if row % 13 == 4),
             about="rows shorter than the header").layout(),
        Wide("tuning_55_faults", plain, ISO_Z, edit=blanks,
             lost=frozenset([*((row, "RH (%)") for row in range(120) if row % 17 == 5),
                             *((row, "Hull temp (°C)") for row in range(120) if row % 17 == 11)]),
             about="--- and ERR where a sensor gave nothing").layout(),
        Wide("tuning_60_odd_digits", plain, ISO_Z, edit=odd_digits,
             lost=frozenset([*((row, "RH (%)") for row in range(120) if row % 29 == 7),
                             *((row, "Air temp (°C)") for row in range(120) if row % 29 == 20)]),
             about="an underscore in a figure, full-width digits: not numbers").layout(),
        Wide("tuning_56_pipes", trio(" Air temp (°C) ", " RH (%) ", " Hull temp (°C) "), pipes,
             sep="|", heads=(" Time ",), about="pipes and spaces").layout(),
        Wide("tuning_57_comma_comma", trio("Luft °C", "Feuchte %", "Rumpf °C"),
             pattern("%d.%m.%Y %H:%M"), heads=("Zeit (UTC)",), decimal=",",
             about="comma for separator and decimal sign, quoted").layout(),
        Wide("tuning_58_sep_line", plain, ISO_Z, sep=";", decimal=",", preamble="sep=;\n",
             eol="\r\n", encoding="utf-8-sig", about="a first line for the separator").layout(),
        Wide("tuning_59_board_and_hull", (*plain, Column("Board temp (°C)", "board"),
             Column("Batt (V)", "batt", "", digits=2)), ISO_Z, kind="damp", sep="\t",
             encoding="utf-16", about="UTF-16, tabs, the logger's own temperature beside").layout(),
    ]  # fmt: skip


TUNING: tuple[Layout, ...] = (
    *languages(), *american(), *meanings(), *shapes(), *untidy(),
)  # fmt: skip
