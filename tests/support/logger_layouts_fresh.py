"""A third set of invented layouts, written without sight of the other two nor of the reader.

Every header, preamble and habit here is invented from the language's ordinary words; none copies a
maker's format. Each file is short, so that all of them are tried in the tests.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC
from typing import Any

from tests.support.logger_files import (
    Ask,
    Column,
    Layout,
    Long,
    Wide,
    epoch,
    excel,
    folder,
    months,
    pattern,
)

ROWS = 24
BERLIN, PARIS, NEW_YORK, LONDON = (
    "Europe/Berlin", "Europe/Paris", "America/New_York", "Europe/London",
)  # fmt: skip
DMY, ISO = pattern("%d.%m.%Y %H:%M"), pattern("%Y-%m-%d %H:%M:%S")
CELSIUS, FAHRENHEIT = ("degC", "°C", "C"), ("degF", "°F", "F")


def air(header: str, unit: str = "C", key: str = "air", body: str = "main") -> Column:
    """Return a column of the enclosure's air."""
    return Column(header, key, unit, "air", body)


def rh(header: str, unit: str = "%", key: str = "rh", body: str = "main") -> Column:
    """Return a column of the enclosure's humidity."""
    return Column(header, key, unit, "rh", body, digits=3 if unit == "1" else 1)


def hull(header: str, unit: str = "C", key: str = "hull", body: str = "hull") -> Column:
    """Return a column of a hull's surface."""
    return Column(header, key, unit, "hull", body)


def other(header: str, key: str, unit: str = "", digits: int = 1) -> Column:
    """Return a column that must not be used."""
    return Column(header, key, unit, digits=digits)


def three(air_name: str, rh_name: str, hull_name: str, unit: str = "C") -> tuple[Column, ...]:
    """Return air, humidity and hull."""
    return air(air_name, unit), rh(rh_name), hull(hull_name, unit)


def wide(name: str, columns: tuple[Column, ...], stamp: Any = ISO, **more: Any) -> Layout:
    """Return a short wide file; of a zone that it does not say unless told otherwise."""
    more.setdefault("zone_said", False)
    more.setdefault("rows", ROWS)
    return Wide(f"fresh_{name}", columns, stamp, **more).layout()


def long(name: str, columns: tuple[Column, ...], stamp: Any = ISO, **more: Any) -> Layout:
    """Return a short long file."""
    more.setdefault("zone_said", False)
    return Long(f"fresh_{name}", columns, stamp, rows=ROWS, **more).layout()


def semicolon(zone: str = BERLIN, **more: Any) -> dict[str, Any]:
    """Return how a spreadsheet of the continent writes."""
    return {"sep": ";", "decimal": ",", "zone": zone, **more}


def every(rows: int, text: str) -> Callable[[int, str], str]:
    """Return an edit of lines that puts a line of its own after each so many rows."""
    return lambda row, line: line + (f"\n{text}" if row % rows == rows - 1 else "")


def blanks(header: str, *rows: int) -> frozenset[tuple[int, str]]:
    """Return the cells of a column that hold nothing."""
    return frozenset((row, header) for row in rows)


def put(at: int, text: str, *rows: int) -> Callable[[int, list[str]], list[str]]:
    """Return an edit that writes a text into a cell of some rows."""
    return lambda row, cells: [*cells[:at], text, *cells[at + 1 :]] if row in rows else cells


def with_units(*units: str) -> Callable[[int, list[str]], list[str]]:
    """Return an edit that writes each figure's unit behind it, the time's cell first."""
    return lambda _row, cells: [
        f"{cell}{unit}" for cell, unit in zip(cells, ("", *units), strict=True)
    ]


def colonless(at: Any) -> list[str]:
    """Return the time with the afternoon as `p.m.`."""
    return [at.strftime("%m/%d/%Y %-I:%M ") + ("a.m." if at.hour < 12 else "p.m.")]


LANGUAGES = (
    wide("01_de", three("Lufttemperatur [°C]", "rel. Feuchte [%]", "Rumpftemperatur [°C]"),
         pattern("%d.%m.%Y", "%H:%M:%S"), heads=("Datum", "Uhrzeit"), encoding="cp1252",
         preamble="Messung im Zelt\nIntervall;10 min\n\n", **semicolon()),
    wide("02_fr", three("Temp. de l'air (°C)", "Humidité relative (%)", "Temp. de la coque (°C)"),
         pattern("%d/%m/%Y", "%H:%M"), heads=("Date", "Heure"), encoding="utf-8-sig",
         **semicolon(PARIS)),
    wide("03_es", (*three("Temperatura ambiente (°C)", "Humedad relativa (%)",
                          "Temperatura del casco (°C)"), other("Punto de rocío (°C)", "dew", "C")),
         pattern("%d/%m/%Y %H:%M:%S"), heads=("Fecha y hora",), encoding="latin-1",
         **semicolon("Europe/Madrid")),
    wide("04_it", three("Temperatura aria (°C)", "Umidità relativa (%)", "Temperatura scafo (°C)"),
         pattern("%d/%m/%Y %H.%M.%S"), heads=("Data e ora",), **semicolon("Europe/Rome")),
    wide("05_nl", three("Luchttemperatuur (°C)", "Rel. vochtigheid (%)", "Romptemperatuur (°C)"),
         pattern("%d-%m-%Y %H:%M"), heads=("Tijdstip",), **semicolon("Europe/Amsterdam", sep="\t")),
    wide("06_sv", three("Lufttemperatur °C", "Luftfuktighet %", "Skrovtemperatur °C"),
         pattern("%Y-%m-%d %H:%M"), heads=("Tidpunkt",), **semicolon("Europe/Stockholm")),
    wide("07_no", three("Lufttemperatur (°C)", "Luftfuktighet (%)", "Skrogtemperatur (°C)"),
         pattern("%d.%m.%Y", "%H.%M"), heads=("Dato", "Kl."), **semicolon("Europe/Oslo")),
    wide("08_da", three("Lufttemperatur (°C)", "Luftfugtighed (% RF)", "Skrogtemperatur (°C)"),
         pattern("%d-%m-%Y %H:%M:%S"), heads=("Tidspunkt",), encoding="cp1252",
         **semicolon("Europe/Copenhagen")),
    wide("09_fi", three("Ilman lämpötila (°C)", "Suhteellinen kosteus (%)",
                        "Rungon lämpötila (°C)"),
         pattern("%-d.%-m.%Y klo %-H.%M"), heads=("Aika",), **semicolon("Europe/Helsinki")),
    wide("10_pl", three("Temperatura powietrza [°C]", "Wilgotność względna [%]",
                        "Temperatura kadłuba [°C]"),
         pattern("%d.%m.%Y", "%H:%M"), heads=("Data", "Godzina"), **semicolon("Europe/Warsaw")),
    wide("11_pt", three("Temperatura do ar (°C)", "Humidade relativa (%)",
                        "Temperatura do casco (°C)"),
         pattern("%d/%m/%Y %H:%M"), heads=("Data/Hora",), encoding="cp1252",
         **semicolon("Europe/Lisbon")),
    wide("12_pt_br", three("Temp. do ar (°C)", "Umidade do ar (%)", "Temp. do casco (°C)"),
         pattern("%d/%m/%Y %H:%M"), heads=("Data e hora",), **semicolon("America/Sao_Paulo")),
    wide("13_cs", three("Teplota vzduchu (°C)", "Relativní vlhkost (%)", "Teplota trupu (°C)"),
         pattern("%-d.%-m.%Y %H:%M"), heads=("Datum a čas",), **semicolon("Europe/Prague")),
    wide("14_tr", three("Hava sıcaklığı (°C)", "Bağıl nem (%)", "Gövde sıcaklığı (°C)"),
         pattern("%d.%m.%Y", "%H:%M"), heads=("Tarih", "Saat"), encoding="utf-8-sig",
         **semicolon("Europe/Istanbul")),
    wide("15_pl_cp1250", three("Temp. powietrza (°C)", "Wilgotność (%)", "Temp. kadłuba (°C)"),
         pattern("%Y-%m-%d %H:%M"), heads=("Czas",), encoding="cp1250",
         **semicolon("Europe/Warsaw")),
    wide("16_de_units_row", three("Luft", "Feuchte", "Bordwand"), DMY, heads=("Zeit",),
         units=("", "°C", "%", "°C"), **semicolon("Europe/Vienna")),
    wide("17_fr_short", three("T air (°C)", "HR (%)", "T surface (°C)"),
         pattern("%d/%m/%Y %Hh%M"), heads=("Horodatage",), **semicolon(PARIS)),
    wide("18_nl_hull", three("Lucht °C", "RV %", "Huid °C"), pattern("%d-%m-%y %H:%M"),
         heads=("Datum/tijd",), **semicolon("Europe/Amsterdam")),
)  # fmt: skip

UNITS = (
    wide("19_us", three("Air Temp (°F)", "RH (%)", "Hull Surface (°F)", "F"),
         pattern("%m/%d/%Y", "%I:%M:%S %p"), heads=("Date", "Time"), zone=NEW_YORK),
    wide("20_us_cold_row", three("Air", "Humidity", "Hull", "F"),
         pattern("%m/%d/%Y %I:%M %p"), heads=("Date/Time",), units=("", "deg F", "%RH", "deg F"),
         kind="cold", zone=NEW_YORK),
    wide("21_mute_good", three("Air", "RH", "Hull"), kind="good", zone=LONDON,
         asks=(Ask("unit", ("Air", "Hull"), CELSIUS),)),
    wide("22_mute_cold_f", three("Air", "RH", "Hull", "F"), kind="cold", zone=NEW_YORK,
         asks=(Ask("unit", ("Air", "Hull"), FAHRENHEIT),)),
    wide("23_mute_seventy", three("Air temp", "Humidity", "Hull temp", "F"), kind="good",
         zone=NEW_YORK, about="68 °C is no tent; °F or a question are both right"),
    wide("24_fraction_said", (air("Air (°C)"), rh("Relative humidity (fraction 0..1)", "1"),
                              hull("Hull (°C)")), zone=LONDON),
    wide("25_fraction_mute", (air("Air (°C)"), rh("rh", "1"), hull("Hull (°C)")), zone=LONDON),
    wide("26_kelvin", three("Air [K]", "RH [%]", "Hull [K]", "K"), zone=LONDON),
    wide("27_mixed", (air("Air (F)", "F"), rh("RH (%)"), hull("Hull (C)")), zone=LONDON),
    wide("28_in_cells", three("Air", "Humidity", "Hull"), zone=LONDON,
         edit=with_units(" °C", " %", " °C")),
    wide("29_in_cells_f", three("Air", "Humidity", "Hull", "F"), zone=NEW_YORK, kind="cold",
         edit=with_units("°F", "%", "°F")),
    wide("30_words", three("Air temperature in degrees Celsius", "Relative humidity in percent",
                           "Hull temperature in degrees Celsius"), zone=LONDON),
    wide("31_snake_f", three("air_temperature_degf", "relative_humidity_pct",
                             "hull_temperature_degf", "F"), heads=("datetime",), kind="cold",
         zone=NEW_YORK),
    wide("32_units_in_preamble", three("Air", "RH", "Hull", "F"), kind="cold", zone=NEW_YORK,
         preamble="Temperature unit: Fahrenheit\n\n",
         about="said once for the file; °F or a question are both right"),
)  # fmt: skip

BESIDE = (
    wide("33_dew_and_delta", (other("ΔT (K)", "delta", "dC"), other("Dew point (°C)", "dew", "C"),
                              *three("Air (°C)", "RH (%)", "Steel (°C)")), kind="cool",
         zone=LONDON),
    wide("34_logger_inside", (other("Logger temp (°C)", "board", "C"),
                              *three("Air (°C)", "RH (%)", "Hull (°C)")), zone=LONDON),
    wide("35_cpu", (air("Air (°C)"), rh("RH (%)"), other("CPU (°C)", "board", "C")), zone=LONDON),
    wide("36_outdoors", (other("Outdoor temp (°C)", "out", "C"),
                         other("Outdoor RH (%)", "rhout", "%"),
                         *three("Indoor temp (°C)", "Indoor RH (%)", "Hull temp (°C)")),
         zone=LONDON),
    wide("37_draussen", (*three("Luft innen (°C)", "Feuchte innen (%)", "Rumpf (°C)"),
                         other("Luft außen (°C)", "out", "C"),
                         other("Feuchte außen (%)", "rhout", "%")), DMY, heads=("Zeit",),
         **semicolon()),
    wide("38_exterieur", (other("Temp. extérieure (°C)", "out", "C"),
                          *three("Temp. intérieure (°C)", "Humidité (%)", "Temp. coque (°C)")),
         pattern("%d/%m/%Y %H:%M"), heads=("Date et heure",), **semicolon(PARIS)),
    wide("39_wet_bulb_setpoint", (*three("Dry bulb (°C)", "RH (%)", "Plank (°C)"),
                                  other("Wet bulb (°C)", "dew", "C"),
                                  other("Setpoint (°C)", "=21.0", "C")), zone=LONDON),
    wide("40_pressure_battery", (*three("Luft (°C)", "rF (%)", "Oberfläche (°C)"),
                                 other("Luftdruck (hPa)", "=1.013,2"),
                                 other("Batterie (V)", "batt", "", 2)), DMY, heads=("Zeit",),
         **semicolon()),
    wide("41_twice_status", (*three("Air (°C)", "RH (%)", "Hull (°C)"), other("Status", "=ok"),
                             other("Status", "=ok")), zone=LONDON),
    wide("42_two_temps", (air("Temp 1 (°C)"), rh("RH 1 (%)"), hull("Temp 2 (°C)")), zone=LONDON,
         asks=(Ask("role", ("Temp 2 (°C)",), ("hull", "surface")),)),
    wide("43_probe", (air("Internal (°C)"), rh("RH (%)"), hull("Probe (°C)")), zone=LONDON,
         asks=(Ask("role", ("Probe (°C)",), ("hull", "surface")),)),
    wide("44_bow_and_stern", (air("Bow air (°C)", body="bow"), rh("Bow RH (%)", body="bow"),
                              air("Stern air (°C)", key="air2", body="stern"),
                              rh("Stern RH (%)", key="rh2", body="stern"),
                              hull("Hull port (°C)"),
                              hull("Hull starboard (°C)", key="hull2", body="hull2")),
         zone=LONDON),
    wide("45_min_max", (*three("Air avg (°C)", "RH avg (%)", "Hull avg (°C)"),
                        other("Air max (°C)", "board", "C"), other("Air min (°C)", "dew", "C")),
         zone=LONDON),
    wide("46_floor_heater", (*three("Air (°C)", "RH (%)", "Deck (°C)"),
                             other("Heater outlet (°C)", "board", "C")), zone=LONDON),
)  # fmt: skip

TIMES = (
    wide("47_epoch", three("air_c", "rh_pct", "hull_c"), epoch(), heads=("ts",), zone_said=True),
    wide("48_epoch_ms", three("air_temp_c", "humidity_pct", "surface_temp_c"), epoch(1000),
         heads=("time_ms",), zone_said=True, time_at=3),
    wide("49_serial", three("Luft (°C)", "Feuchte (%)", "Rumpf (°C)"), excel(6, ","),
         heads=("Zeit",), **semicolon()),
    wide("50_offset_cell", three("Air (°C)", "RH (%)", "Hull (°C)"),
         lambda at: [at.isoformat()], zone=BERLIN, zone_said=True),
    wide("51_cest_cell", three("Luft (°C)", "Feuchte (%)", "Rumpf (°C)"),
         pattern("%d.%m.%Y %H:%M:%S %Z"), heads=("Zeit",), zone_said=True, **semicolon()),
    wide("52_offset_header", three("Air (°F)", "RH (%)", "Hull (°F)", "F"),
         pattern("%m/%d/%y %H:%M"), heads=("Date and time (UTC-04:00)",), quote_all=True,
         zone=NEW_YORK, zone_said=True),
    wide("53_offset_preamble", three("Air (°C)", "RH (%)", "Hull (°C)"),
         preamble="Trial recorder\nTime zone: UTC+02:00\n", zone=BERLIN, zone_said=True),
    wide("54_utc_header", three("Air (°C)", "RH (%)", "Hull (°C)"), pattern("%Y%m%dT%H%M%S"),
         heads=("time_utc",), zone_said=True),
    wide("55_months_de", three("Luft (°C)", "Feuchte (%)", "Rumpf (°C)"),
         months("de", "%-d. {month} %Y %H:%M"), heads=("Zeit",), start="2026-05-09 14:00",
         **semicolon()),
    wide("56_months_fr", three("Air (°C)", "Humidité (%)", "Coque (°C)"),
         months("fr", "%-d {month} %Y %H:%M"), heads=("Date",), **semicolon(PARIS)),
    wide("57_months_es", three("Aire (°C)", "Humedad (%)", "Casco (°C)"),
         months("es", "%d-{month}-%Y", "%H:%M"), heads=("Fecha", "Hora"), start="2026-08-03 09:00",
         **semicolon("Europe/Madrid")),
    wide("58_either_order", three("Air (°C)", "RH (%)", "Hull (°C)"), pattern("%d/%m/%Y %H:%M"),
         start="2026-05-04 09:00", zone=LONDON,
         asks=(Ask("order", (), ("day first", "day", "dmy")),)),
    wide("59_order_by_midnight", three("Air (°C)", "RH (%)", "Hull (°C)"),
         pattern("%d/%m/%Y %H:%M"), start="2026-04-12 22:00", zone=LONDON),
    wide("60_pm_dots", three("Air (°F)", "RH (%)", "Hull (°F)", "F"), colonless, kind="warm",
         heads=("Date",), zone=NEW_YORK),
)  # fmt: skip

SHAPES = (
    wide("61_utf16", three("Air (°C)", "RH (%)", "Hull (°C)"), sep="\t", encoding="utf-16",
         zone=LONDON),
    wide("62_returns_only", three("Air (°C)", "RH (%)", "Hull (°C)"), eol="\r", zone=LONDON),
    wide("63_pipes", three("Air (°C)", "RH (%)", "Hull (°C)"), sep="|", zone=LONDON,
         backwards=True),
    wide("64_spaced", three("Air (°C)", "RH (%)", "Hull (°C)"), zone=LONDON,
         raw=lambda _row, text: text.replace(",", " , ")),
    wide("65_decimal_comma_quoted", three("Luft (°C)", "Feuchte (%)", "Rumpf (°C)"), DMY,
         heads=("Zeit",), zone=BERLIN, decimal=","),
    wide("66_empty_cells", three("Air (°C)", "RH (%)", "Hull (°C)"), zone=LONDON,
         edit=put(3, "", 4, 5, 20), lost=blanks("Hull (°C)", 4, 5, 20)),
    wide("67_dashes", three("Luft (°C)", "Feuchte (%)", "Rumpf (°C)"), DMY, heads=("Zeit",),
         edit=put(1, "---", 7, 8), lost=blanks("Luft (°C)", 7, 8), **semicolon()),
    wide("68_comments", three("Air (°C)", "RH (%)", "Hull (°C)"), zone=LONDON,
         raw=every(8, "# battery looked at"), preamble="# trial recorder\n# tent by the slip\n"),
    wide("69_footer", three("Luft (°C)", "Feuchte (%)", "Rumpf (°C)"), DMY, heads=("Zeit",),
         footer="\nMittelwert;20,4;54,0;19,1\nMaximum;22,3;58,9;21,1\n", **semicolon()),
    wide("70_totals_row", three("Air (°C)", "RH (%)", "Hull (°C)"), zone=LONDON,
         footer="Total rows,24,,\nEnd of data,,,\n"),
    wide("71_numbered", (other("Nr.", "row", "", 0), *three("Luft (°C)", "rF (%)", "Rumpf (°C)")),
         DMY, heads=("Zeit",), time_at=1, **semicolon()),
    wide("72_header_again", three("Air (°C)", "RH (%)", "Hull (°C)"), zone=LONDON,
         raw=every(10, "Time,Air (°C),RH (%),Hull (°C)")),
    long("73_long", (air("tent air"), rh("tent humidity", body="main"), hull("plank port")),
         heads=("when", "channel", "reading", "unit"), order=("time", "sensor", "value", "unit"),
         units=(("C", "°C"), ("%", "%")), zone=LONDON),
    long("74_long_de", (air("Zelt"), rh("Zelt "), hull("Bordwand")), DMY,
         heads=("Zeitstempel", "Messstelle", "Messgröße", "Wert", "Einheit"),
         order=("time", "sensor", "quantity", "value", "unit"),
         units=(("C", "°C"), ("%", "%")),
         quantities=(("Zelt", "Lufttemperatur"), ("Zelt ", "Luftfeuchte"),
                     ("Bordwand", "Oberflächentemperatur")), by_sensor=True, **semicolon()),
    long("75_long_epoch_f", (air("air_temp", "F"), rh("humidity"), hull("hull_temp", "F")),
         epoch(), heads=("ts", "name", "value", "unit"), order=("time", "sensor", "value", "unit"),
         units=(("F", "degF"), ("%", "pct")), zone_said=True, kind="cold"),
)  # fmt: skip


def swapped(row: int, text: str) -> str:
    """Return a line; from row 12 on the logger was set up anew, with air and hull exchanged."""
    if row < 12:
        return text
    cells = text.split(",")
    line = ",".join([cells[0], cells[3], cells[2], cells[1]])
    return ("Time,Hull (°C),RH (%),Air (°C)\n" if row == 12 else "") + line


def to_fahrenheit(row: int, text: str) -> str:
    """Return a line; from row 12 on the logger was set up anew, in °F."""
    if row < 12:
        return text
    at, warm, damp, cold = text.split(",")
    line = f"{at},{float(warm) * 1.8 + 32:.2f},{damp},{float(cold) * 1.8 + 32:.2f}"
    return ("Time,Air (°F),RH (%),Hull (°F)\n" if row == 12 else "") + line


def elapsed(at: Any) -> list[str]:
    """Return seconds since 14:00 UTC on 25 April 2026."""
    return [f"{at.timestamp() - 1777125600:.0f}"]


EN = three("Air (°C)", "RH (%)", "Hull (°C)")
HARD = (
    wide("79_set_up_anew", EN, zone=LONDON, raw=swapped),
    wide("80_unit_anew", EN, zone=LONDON, kind="cold", raw=to_fahrenheit),
    wide("81_both_units", (air("Air (°C)"), other("Air (°F)", "air", "F"), rh("RH (%)"),
                          hull("Hull (°C)"), other("Hull (°F)", "hull", "F")), zone=LONDON),
    wide("82_wood_moisture", (other("Holzfeuchte (%)", "=13.2"), air("Luft (°C)"),
                             rh("Luftfeuchte (%)"), hull("Holz (°C)")), DMY, heads=("Zeit",),
         **semicolon()),
    wide("83_other_percents", (other("Battery (%)", "=87"), other("Signal (%)", "=64"),
                              other("Wood moisture (%)", "=14.1"), *EN), zone=LONDON),
    wide("84_absolute", (*EN, other("Absolute humidity (g/m³)", "=9.6"),
                        other("Humidity ratio (g/kg)", "=8.1")), zone=LONDON),
    wide("85_cover", (air("Air (°C)"), rh("RH (%)"), other("Cover (°C)", "out", "C"),
                     hull("Hull (°C)")), zone=LONDON),
    wide("86_water", (other("Water (°C)", "out", "C"), other("Resin (°C)", "board", "C"), *EN),
         zone=LONDON),
    wide("87_port_starboard", (air("Tent (°C)"), rh("Tent (%)"), hull("Port side (°C)"),
                              hull("Stbd side (°C)", key="hull2", body="hull2")), zone=LONDON,
         asks=(Ask("role", ("Port side (°C)", "Stbd side (°C)"), ("hull",)),)),
    wide("88_sentinels", EN, zone=LONDON, edit=put(3, "-999.0", 4, 5),
         lost=blanks("Hull (°C)", 4, 5)),
    wide("89_minus127", EN, zone=LONDON, edit=put(3, "-127.0", 9, 10),
         lost=blanks("Hull (°C)", 9, 10)),
    wide("90_two_level", (air("Temperature (°C)"), rh("Humidity (%)"),
                                 hull("Temperature (°C) ")), zone=LONDON,
         preamble=",Tent,Tent,Hull\n"),
    wide("91_sep_line", three("Luft (°C)", "Feuchte (%)", "Rumpf (°C)"), DMY, heads=("Zeit",),
         preamble="sep=;\n", **semicolon()),
    wide("92_mojibake", three("Air (Â°C)", "RH (%)", "Hull (Â°C)"), zone=LONDON),
    wide("93_signs", three("Air (℃)", "RH (％)", "Hull (ºC)"), zone=LONDON),
    wide("94_trailing", EN, zone=LONDON, raw=lambda _r, t: t + ","),
    wide("95_nuls", EN, zone=LONDON, footer="\0" * 64),
    wide("96_torn_end", EN, zone=LONDON, footer="2026-04-25 2"),
    wide("97_parts", EN, pattern("%Y", "%-m", "%-d", "%-H", "%-M"),
         heads=("Year", "Month", "Day", "Hour", "Minute"), zone=LONDON),
    wide("98_compact_two", EN, pattern("%Y%m%d", "%H%M"), heads=("Date", "Time"), zone=LONDON),
    wide("99_date_above", EN, pattern("%H:%M:%S"), preamble="Date: 2026-04-25\n\n", zone=LONDON,
         start="2026-04-25 09:00", trouble=("date",)),
    wide("100_elapsed", EN, elapsed, heads=("Elapsed (s)",),
         preamble="Start: 2026-04-25 14:00:00 UTC\n",
         zone_said=True, trouble=("date", "time")),
    wide("101_weekday", EN, pattern("%a %d %b %Y %H:%M"), zone=LONDON),
    wide("102_yymmdd", EN, pattern("%y-%m-%d %H:%M"), zone=LONDON,
         asks=(Ask("order", (), ("year first", "ymd")),), about="the year is first"),
    wide("103_local_and_utc", EN, lambda at: [at.strftime("%Y-%m-%d %H:%M"),
         at.astimezone(UTC).strftime("%Y-%m-%d %H:%M")], heads=("Local time", "UTC time"),
         zone=BERLIN, zone_said=True),
    wide("104_autumn", three("Luft (°C)", "Feuchte (%)", "Rumpf (°C)"), DMY, heads=("Zeit",),
         start="2026-10-25 00:00", **semicolon()),
    wide("105_hu", three("Levegő hőmérséklet (°C)", "Relatív páratartalom (%)",
                        "Hajótest hőmérséklet (°C)"), pattern("%Y.%m.%d. %H:%M"),
         heads=("Időpont",), **semicolon("Europe/Budapest")),
    wide("106_ro", three("Temperatura aerului (°C)", "Umiditate relativă (%)",
                        "Temperatura carenei (°C)"), DMY, heads=("Data și ora",),
         **semicolon("Europe/Bucharest")),
    wide("107_el", three("Θερμοκρασία αέρα (°C)", "Σχετική υγρασία (%)",
                        "Θερμοκρασία γάστρας (°C)"), pattern("%d/%m/%Y %H:%M"),
         heads=("Ημερομηνία",), **semicolon("Europe/Athens")),
    wide("108_tr_cp1254", three("Hava sıcaklığı (°C)", "Bağıl nem (%)", "Yüzey sıcaklığı (°C)"),
         DMY, heads=("Zaman",), encoding="cp1254", **semicolon("Europe/Istanbul")),
    wide("109_percent_that_is_none", (air("Air (°C)"), rh("RH (%)", "1"), hull("Hull (°C)")),
         zone=LONDON, asks=(Ask("unit", ("RH (%)",), ("1", "fraction")),)),
    wide("110_blank_unit", three("Air", "RH", "Hull", "F"), kind="cold", units=("", "°F", "%", ""),
         zone=NEW_YORK),
    wide("111_flags", (air("Air (°C)"), other("Air flag", "=0"), rh("RH (%)"),
                      other("RH flag", "=0"), hull("Hull (°C)"), other("Hull flag", "=0")),
         zone=LONDON),
    wide("112_notes", EN, zone=LONDON, extra=("Note",),
         edit=lambda r, c: [*c, 'gap 5", "soft", left' if r == 12 else ""]),
    wide("113_open_quote", EN, zone=LONDON, extra=("Note",),
         edit=lambda _r, c: [*c, ""], raw=lambda r, t: t + ('"gap 5' if r == 12 else "")),
    wide("114_unicode_minus", EN, kind="cold", zone=LONDON, raw=lambda _r, t:
         t[:19] + t[19:].replace("-", "\u2212")),
    wide("115_split_comma", three("Luft (°C)", "Feuchte (%)", "Rumpf (°C)"), DMY, heads=("Zeit",),
         zone=BERLIN, raw=lambda _r, t: t.replace(".", ",").replace(",", ".", 2),
         trouble=("decimal", "comma", "columns", "column", "separator")),
    wide("116_ambient", (air("Ambient (°C)"), rh("Ambient RH (%)"),
                          other("Outside (°C)", "out", "C"), hull("Substrate (°C)")), zone=LONDON),
    wide("117_swedish_ute", (air("Inne °C"), rh("RF inne %"), other("Ute °C", "out", "C"),
                            hull("Skrov °C")), heads=("Tid",), **semicolon("Europe/Stockholm")),
    wide("118_spanish_ext", (air("Temp. interior (°C)"), rh("HR interior (%)"),
                            other("Temp. exterior (°C)", "out", "C"), hull("Casco (°C)")),
         pattern("%d/%m/%Y %H:%M"), heads=("Fecha/Hora",), **semicolon("Europe/Madrid")),
    wide("119_nl_buiten", (air("Binnen (°C)"), rh("RV binnen (%)"),
                            other("Buiten (°C)", "out", "C"),
                          hull("Romp (°C)")), pattern("%d-%m-%Y %H:%M"), heads=("Tijd",),
         **semicolon("Europe/Amsterdam")),
    wide("120_pl_zewn", (other("Temp. zewnętrzna (°C)", "out", "C"), air("Temp. wewnętrzna (°C)"),
                        rh("Wilgotność (%)"), hull("Kadłub (°C)")), heads=("Czas",),
         **semicolon("Europe/Warsaw")),
    wide("121_fi_ulko", (other("Ulkolämpötila (°C)", "out", "C"), air("Sisälämpötila (°C)"),
                        rh("Kosteus (%)"), hull("Pinta (°C)")), pattern("%d.%m.%Y %H:%M"),
         heads=("Aika",), **semicolon("Europe/Helsinki")),
    wide("122_elektronik", (other("Elektroniktemp. (°C)", "board", "C"), air("Luft (°C)"),
                           rh("rF (%)"), hull("Rumpf (°C)")), DMY, heads=("Zeit",), **semicolon()),
    wide("123_device_temp", (other("Device temperature (°C)", "board", "C"), rh("Humidity (%)"),
                            air("Temperature (°C)"), hull("Surface temperature (°C)")),
         zone=LONDON),
    wide("124_case_only", (other("Case temp (°C)", "board", "C"), air("Temp (°C)"), rh("RH (%)")),
         zone=LONDON),
    wide("125_sensor_no", (air("S1 T (°C)", body="s1"), rh("S1 H (%)", body="s1"),
                          hull("S2 T (°C)", body="s2")), zone=LONDON,
         asks=(Ask("role", ("S2 T (°C)",), ("hull", "surface")),)),
    wide("126_mute_t_h", three("T", "H", "Ts"), zone=LONDON, kind="cold",
         asks=(Ask("unit", ("T", "Ts"), CELSIUS),)),
    long("127_long_mixed", (air("air", "F"), rh("rh"), hull("hull", "C")), heads=("time", "id",
         "value", "unit"), order=("time", "sensor", "value", "unit"),
         units=(("F", "F"), ("C", "C"), ("%", "%")), kind="cold", zone=NEW_YORK),
    long("128_long_no_head", (air("air"), rh("humidity"), hull("hull")), heads=(),
         order=("time", "sensor", "value", "unit"), units=(("C", "°C"), ("%", "%")), zone=LONDON),
    long("129_long_comma", (air("Luft"), rh("Feuchte"), hull("Rumpf")), DMY,
         heads=("Zeit", "Sensor", "Wert", "Einheit"), order=("time", "sensor", "value", "unit"),
         units=(("C", "°C"), ("%", "%")), **semicolon()),
    long("130_long_mute", (air("air"), rh("humidity"), hull("hull")), kind="cold", zone=LONDON,
         asks=(Ask("unit", ("air", "hull"), CELSIUS),)),
)  # fmt: skip


def part(name: str, columns: tuple[Column, ...], zone: str, stamp: Any = ISO, **more: Any) -> Wide:
    """Return one sensor's file of a folder."""
    return Wide(name, columns, stamp, rows=ROWS, zone=zone, zone_said=False, **more)


FOLDERS = (
    folder("fresh_76_folder", {
        "tent-air.csv": part("fresh_76a", (air("Temperature (°C)"), rh("Humidity (%)")), LONDON),
        "hull-port.csv": part("fresh_76b", (hull("Temperature (°C)"),), LONDON),
    }, about="one file a body, named for where it lies"),
    folder("fresh_77_folder_fr", {
        "air.csv": part("fresh_77a", (air("Température (°C)"), rh("Humidité (%)")), PARIS,
                        pattern("%d/%m/%Y %H:%M"), heads=("Date",), sep=";", decimal=","),
        "coque.csv": part("fresh_77b", (hull("Température (°C)"),), PARIS,
                          pattern("%d/%m/%Y %H:%M"), heads=("Date",), sep=";", decimal=","),
    }, about="one file a body, in French"),
)  # fmt: skip

REFUSALS = (
    wide("78_no_time", three("Air (°C)", "RH (%)", "Hull (°C)"), lambda _at: ["on"],
         heads=("State",), zone_said=True, trouble=("time", "date")),
)  # fmt: skip

FRESH = (*LANGUAGES, *UNITS, *BESIDE, *TIMES, *SHAPES, *FOLDERS, *REFUSALS, *HARD)
