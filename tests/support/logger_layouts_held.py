"""The invented layouts on which a reader is judged: whoever builds the reader does not look here.

Same parts as `logger_layouts`, other habits. Nothing here is a maker's format.
"""

from __future__ import annotations

import gzip
import io
import zipfile
from dataclasses import replace
from datetime import datetime

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
from tests.support.logger_layouts import (
    ISO_Z,
    MUTE_C,
    MUTE_F,
    OF_AIR,
    ON_HULL,
    note,
    trio,
    with_offset,
)


def spanish_clock(at: datetime) -> list[str]:
    """Return 25/04/2026 02:00:00 p. m."""
    return [at.strftime("%d/%m/%Y %I:%M:%S ") + ("a. m." if at.hour < 12 else "p. m.")]


def zoned_cell(at: datetime) -> list[str]:
    """Return 2026-04-25 14:00:00 GMT+02:00."""
    offset = at.strftime("%z")
    return [at.strftime(f"%Y-%m-%d %H:%M:%S GMT{offset[:3]}:{offset[3:]}")]


def workbook() -> bytes:
    """Return a zip with a workbook's parts, enough to be what its ending says."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as book:
        for path in ("[Content_Types].xml", "xl/workbook.xml", "xl/worksheets/sheet1.xml"):
            book.writestr(zipfile.ZipInfo(path, (2026, 4, 25, 14, 0, 0)), '<?xml version="1.0"?>')
    return out.getvalue()


def inches(row: int, text: str) -> str:
    """Add a note with a loose inch mark to one row in nine."""
    return text + (f';plank {row % 7}", wet' if row % 9 == 2 else ";")


def trailing(row: int, text: str) -> str:
    """End each row with a separator, and put an empty line after one in ten."""
    return text + ";" + ("\n" if row % 10 == 9 else "")


def remarks(row: int, text: str) -> str:
    """Put a comment line after one row in forty."""
    return text + ("\n# battery changed; clock 2.5 s fast" if row % 40 == 13 else "")


def spoilt(row: int, cells: list[str]) -> list[str]:
    """Spoil some figures so that only a careless reader takes them for numbers."""
    if row % 31 == 9:
        cells[1] = "1_9.5"
    if row % 31 == 17:
        cells[3] = "0x12"
    return cells


def half(row: int, cells: list[str]) -> list[str]:
    """Cut some rows in their middle, as a full card or a pulled plug does."""
    return cells[:2] if row in (30, 31, 77) else cells


def languages() -> list[Layout]:
    """Return files in many languages."""
    return [
        Wide(
            "held_01_german",
            trio("Temperatur Luft °C", "Feuchtigkeit % r.F.", "Bordwand °C"),
            pattern("%d.%m.%y %H:%M"), heads=("Zeitpunkt (UTC+01:00)",), zone="Etc/GMT-1", sep=";",
            decimal=",", encoding="cp1252", kind="cool", about="two-digit years, a hull word",
        ).layout(),
        Wide(
            "held_02_norwegian",
            trio("Lufttemperatur °C", "Rel. fuktighet %", "Skrogtemperatur °C"),
            pattern("%d.%m.%Y", "%H:%M:%S"), heads=("Dato", "Klokkeslett"), zone="Europe/Oslo",
            zone_said=False, sep=";", decimal=",", encoding="utf-8-sig", eol="\r\n",
            about="Norwegian, two time columns, BOM",
        ).layout(),
        Wide(
            "held_03_swedish", trio("Luft temp (°C)", "Luft fukt (%)", "Yttemp skrov (°C)"),
            pattern("%Y-%m-%d %H:%M:%S"), heads=("Datum och tid (UTC+2)",), zone="Etc/GMT-2",
            decimal=",", quote_all=True, about="decimal commas in quotes, comma between",
        ).layout(),
        Wide(
            "held_04_finnish", trio("Lämpötila ilma", "Suhteellinen kosteus", "Lämpötila pinta"),
            pattern("%-d.%-m.%Y", "%H.%M"), heads=("Päiväys", "Kello"), zone="Europe/Helsinki",
            zone_said=False, sep="\t", decimal=",", encoding="latin-1", kind="cool",
            about="Finnish, no units, clock times with dots",
        ).layout(),
        Wide(
            "held_05_danish", trio("Luft [°C]", "Fugt [%]", "Skrog [°C]"),
            pattern("%d-%m-%Y %H:%M"), heads=("Tidspunkt",), zone="Europe/Copenhagen",
            zone_said=False, sep=";", decimal=",", encoding="latin-1", about="Danish",
        ).layout(),
        Wide(
            "held_06_dutch_month", trio("Lucht °C", "Vocht %", "Romp °C"),
            months("nl", "%d {month} %Y %H:%M"), heads=("Tijdstip (UTC)",),
            start="2026-03-31 15:00", sep=";", decimal=",", about="mrt to apr",
        ).layout(),
        Wide(
            "held_07_french_month", trio("T air (°C)", "HR (%)", "T coque (°C)"),
            months("fr", "%-d {month} %Y %H:%M:%S"), heads=("Horodatage UTC",),
            start="2026-07-31 16:00", sep=";", decimal=",", kind="warm",
            about="juil. to août, HR",
        ).layout(),
        Wide(
            "held_08_spanish", trio("Temp. aire °C", "Humedad %", "Temp. superficie °C"),
            spanish_clock, heads=("Fecha (UTC-06:00)",), zone="Etc/GMT+6", encoding="cp1252",
            about="a. m. and p. m., point and comma the American way",
        ).layout(),
        Wide(
            "held_09_italian", trio("Aria [°C]", "UR [%]", "Scafo [°C]"),
            months("it", "%d/{month}/%Y %H.%M"), heads=("Data e ora",), zone="Europe/Rome",
            zone_said=False, sep=";", decimal=",", start="2026-04-30 12:00",
            about="25/apr/2026 14.00, UR",
        ).layout(),
        Wide(
            "held_10_polish", trio("Temp. powietrza", "Wilgotność wzgl.", "Temp. powierzchni"),
            months("pl", "%-d {month} %Y %H:%M"), heads=("Czas",), zone="Europe/Warsaw",
            zone_said=False, sep=";", decimal=",", units=("", "°C", "%", "°C"),
            about="kwi, a row of units",
        ).layout(),
        Wide(
            "held_11_portuguese", trio("Ar (ºC)", "Humidade (%)", "Superfície (ºC)"),
            pattern("%d/%m/%Y %H:%M:%S"), heads=("Carimbo de data/hora",), zone="Europe/Lisbon",
            zone_said=False, sep=";", decimal=",", encoding="cp1252",
            about="ordinal sign in place of the degree",
        ).layout(),
    ]  # fmt: skip


def clocks() -> list[Layout]:
    """Return files whose trouble is the time."""
    c = trio("Air temperature [°C]", "Humidity [%]", "Surface temperature [°C]")
    f = trio("Tent temp °F", "Tent RH %", "Wood surface °F", "F")
    return [
        Wide(
            "held_12_american", f, pattern("%-m/%-d/%Y %-I:%M %p"),
            heads=("Reading time (GMT-07:00)",), zone="Etc/GMT+7", kind="cold",
            about="4/25/2026 2:00 PM; a shed at 1 °C",
        ).layout(),
        Wide("held_13_zone_cells", c, zoned_cell, heads=("When",), zone="Europe/Berlin",
             about="offset in words in each cell").layout(),
        Wide(
            "held_14_zone_preamble", c, pattern("%Y-%m-%d %H:%M"), heads=("Time",),
            zone="Etc/GMT-2", preamble="Name: north shed\nTime zone: UTC+2\nInterval: 10 min\n\n",
            about="the zone stands in the preamble",
        ).layout(),
        Wide(
            "held_15_year_first_short", c, pattern("%y-%m-%d %H:%M"), heads=("Time (UTC)",),
            about="26-04-25, then 26-04-26: year first, as only that runs on",
        ).layout(),
        Wide("held_16_short_slashes", c, pattern("%d/%m/%y", "%H:%M"),
             heads=("Date", "Time (UTC)"), start="2026-04-25 15:00",
             about="25/04/26: day first").layout(),
        Wide("held_17_small_pm", f, pattern("%m/%d/%Y %I:%M:%S%p"), heads=("Time, UTC-05:00",),
             zone="Etc/GMT+5", quote_all=True, about="PM without a space").layout(),
        Wide("held_18_excel_comma", trio("Luft °C", "Feuchte %", "Holz Oberfläche °C"),
             excel(8, ","), heads=("Zeit",), zone="Europe/Berlin", zone_said=False, sep=";",
             decimal=",", about="spreadsheet days with a decimal comma").layout(),
        Wide("held_19_epoch_float", c, epoch(1, 3), heads=("unix_time",),
             about="1777125600.000").layout(),
        Wide("held_20_basic_iso", c, pattern("%Y%m%dT%H%M%SZ"), heads=("t",),
             about="20260425T140000Z").layout(),
        Wide("held_21_two_numbers", c, pattern("%Y%m%d", "%H%M%S"), heads=("date_utc", "time_utc"),
             sep=";", start="2026-04-25 01:00", about="20260425;010000").layout(),
        Wide(
            "held_22_dst_europe", trio("Luft °C", "rel. Feuchte %", "Rumpf °C"),
            pattern("%d.%m.%Y %H:%M"), heads=("Ortszeit",), zone="Europe/Berlin", zone_said=False,
            start="2026-10-24 20:00", sep=";", decimal=",", about="an hour comes twice",
        ).layout(),
        Wide("held_23_newest_first", c, ISO_Z, backwards=True, about="newest row first").layout(),
        Wide(
            "held_24_month_ambiguous", trio("Temp °F", "RH %", "Hull °F", "F"),
            pattern("%m/%d/%Y %H:%M"), heads=("Time (UTC)",), start="2026-06-05 06:00", rows=60,
            asks=(Ask("order", (), ("month first", "month", "m", "mdy", "MM/DD/YYYY")),),
            about="06/05/2026 in every row",
        ).layout(),
        Wide("held_25_offset_rows", c, with_offset(), heads=("datetime",), zone="Europe/Berlin",
             start="2026-10-24 20:00", about="offsets in rows, end of summer").layout(),
    ]  # fmt: skip


def meanings() -> list[Layout]:
    """Return files whose trouble is what a column measures, or its unit."""
    twice = Column("Temp (°C)", "air", "C", "air")
    return [
        Wide(
            "held_26_words_for_units", trio("Air", "Humidity", "Plank", "F"), ISO_Z,
            units=("UTC", "degrees F", "percent", "degrees F"), kind="cold",
            about="a row of units in words",
        ).layout(),
        Wide(
            "held_27_mute_short", trio("ta", "rh", "ts", "F"), ISO_Z, kind="cold",
            asks=(Ask("unit", ("ta", "ts"), MUTE_F), Ask("role", ("ts",), ON_HULL)),
            about="ta, rh, ts without units, 32 to 35",
        ).layout(),
        Wide(
            "held_28_mute_warm", trio("air", "humidity", "hull"), ISO_Z, kind="cool",
            asks=(Ask("unit", ("air", "hull"), MUTE_C),), about="no unit, 9 to 15",
        ).layout(),
        Wide(
            "held_29_internal",
            (Column("Internal temp (°C)", "air", "C", "air"),
             Column("Internal RH (%)", "rh", "%", "rh"),
             Column("External temp (°C)", "hull", "C", "hull")),
            ISO_Z, kind="cool", asks=(Ask("role", ("External temp (°C)",), ON_HULL),),
            about="external: on a lead, and where it lies is not said",
        ).layout(),
        Wide(
            "held_30_cpu",
            (Column("CPU temp (°C)", "board"), Column("Battery (V)", "batt", "", digits=3),
             *trio("Air temp (°C)", "Humidity (%)", "Hull temp (°C)")),
            ISO_Z, kind="damp", about="the computer's own temperature stands first",
        ).layout(),
        Wide(
            "held_31_own_sensor",
            (Column("Air temp (°F)", "air", "F", "air"), Column("RH (%)", "rh", "%", "rh"),
             Column("Logger temp (°F)", "board", "F")),
            ISO_Z, about="the logger's own temperature, no hull",
        ).layout(),
        Wide(
            "held_32_fraction_words",
            trio("Air temp °C", "Humidity (fraction)", "Hull °C", "C", "1"),
            ISO_Z, kind="damp", about="humidity as a fraction, in words",
        ).layout(),
        Wide(
            "held_33_fraction_mute", trio("Air °C", "RH", "Hull °C", "C", "1"), ISO_Z, kind="damp",
            about="0.83 to 0.91 under RH: only a fraction makes sense",
        ).layout(),
        Wide(
            "held_34_same_names",
            (twice, Column("RH (%)", "rh", "%", "rh"), Column("Temp (°C)", "hull", "C", "hull")),
            ISO_Z, kind="cool",
            asks=(Ask("role", ("Temp (°C)",), ON_HULL), Ask("role", ("Temp (°C)",), OF_AIR)),
            about="two columns of one name",
        ).layout(),
        Wide(
            "held_35_two_heads",
            (Column("Temp °C", "air", "C", "air"), Column("RH %", "rh", "%", "rh"),
             Column("Temp °C", "hull", "C", "hull", "hull")),
            ISO_Z, preamble=",Tent air,Tent air,Hull port\n", kind="cool",
            about="sensors in a row over the header",
        ).layout(),
        Wide(
            "held_36_dew_f_first",
            (Column("Dew Point (°F)", "dew", "F"), Column("Temp (°F)", "air", "F", "air"),
             Column("Hum (%)", "rh", "%", "rh"), Column("Surface (°F)", "hull", "F", "hull"),
             Column("Surface - Dew (°F)", "delta", "dF")),
            pattern("%m/%d/%Y %I:%M %p"), heads=("Date (GMT-5)",), zone="Etc/GMT+5", kind="cool",
            about="dew point first, and a difference called Surface",
        ).layout(),
        Wide(
            "held_55_three_bodies",
            (Column("fore air C", "air", "C", "air", "fore"),
             Column("fore hum %", "rh", "%", "rh", "fore"),
             Column("aft air C", "air2", "C", "air", "aft"),
             Column("aft hum %", "rh2", "%", "rh", "aft"),
             Column("deck surface C", "hull", "C", "hull", "deck"),
             Column("keel surface C", "hull2", "C", "hull", "keel")),
            ISO_Z, kind="cool", about="two bodies of air, two of surface",
        ).layout(),
        Wide(
            "held_37_weather_beside",
            (Column("Weather station T (°C)", "out"), Column("Shed T (°C)", "air", "C", "air"),
             Column("Shed RH (%)", "rh", "%", "rh"),
             Column("Deck surface (°C)", "hull", "C", "hull")),
            ISO_Z, kind="cool", about="a weather station beside",
        ).layout(),
        Wide(
            "held_38_kelvin", trio("air_temp_K", "rel_hum_pct", "surface_temp_K", "K", digits=2),
            ISO_Z, heads=("time",), kind="cool", about="kelvin",
        ).layout(),
        Wide(
            "held_39_delta_check",
            (*trio("T", "RH", "Tsurf", "F"), Column("Tsurf-Td", "delta", "dF")), ISO_Z,
            kind="cold", about="no unit, but its own difference agrees in °F only",
        ).layout(),
    ]  # fmt: skip


def shapes() -> list[Layout]:
    """Return long files, folders, and files that cannot or can hardly be read."""
    c = trio("Air temperature [°C]", "Humidity [%]", "Surface temperature [°C]")
    packed = Wide("held_44_packed", c, ISO_Z, trouble=("gzip", "compress")).layout()
    book = Wide("held_45_workbook", c, ISO_Z,
                trouble=("xlsx", "workbook", "spreadsheet", "zip")).layout()  # fmt: skip
    return [
        Long(
            "held_40_long_quantities",
            (Column("tent", "air", "C", "air"), Column("tent ", "rh", "%", "rh"),
             Column("hull port", "hull", "C", "hull", "hull")),
            pattern("%Y-%m-%d %H:%M:%S+00:00"),
            order=("sensor", "quantity", "unit", "time", "value"),
            heads=("site", "quantity", "unit", "time", "value"), sep=";", decimal=",",
            units=(("C", "°C"), ("%", "%")),
            quantities=(("tent", "temperature"), ("tent ", "humidity"),
                        ("hull port", "temperature")),
            kind="cool", about="long: site, quantity, unit, time, value",
        ).layout(),
        Long(
            "held_41_long_ids",
            (Column("H1", "rh", "%", "rh"), Column("T1", "air", "C", "air"),
             Column("T2", "hull", "C", "hull")),
            epoch(), order=("time", "sensor", "value", "unit"),
            heads=("epoch", "channel", "value", "unit"), units=(("C", "degC"), ("%", "%RH")),
            by_sensor=True, kind="cool",
            asks=(Ask("role", ("T2",), ON_HULL), Ask("role", ("T1",), OF_AIR)),
            about="long, channel after channel; T1 and T2 are not explained",
        ).layout(),
        folder(
            "held_42_folder_german",
            {
                "luft.csv": Wide(
                    "held_42_luft", (Column("Temperatur °C", "air", "C", "air"),
                                     Column("Feuchte %", "rh", "%", "rh")),
                    pattern("%d.%m.%Y %H:%M"), heads=("Zeit (UTC+1)",), zone="Etc/GMT-1", sep=";",
                    decimal=",", kind="cool"),
                "rumpf.csv": Wide(
                    "held_42_rumpf", (Column("Temperatur °C", "hull", "C", "hull", "hull"),),
                    pattern("%d.%m.%Y %H:%M"), heads=("Zeit (UTC+1)",), zone="Etc/GMT-1", sep=";",
                    decimal=",", kind="cool", step_s=900.0, rows=80, start="2026-04-25 14:03"),
            },
            about="one file a sensor, German, at different times",
        ),
        folder(
            "held_43_folder_values",
            {
                "tent_humidity_pct.csv": Wide(
                    "held_43_rh", (Column("value", "rh", "%", "rh"),), epoch(), heads=("ts",)),
                "tent_air_degF.csv": Wide(
                    "held_43_air", (Column("value", "air", "F", "air"),), epoch(), heads=("ts",)),
                "hull_stbd_degF.csv": Wide(
                    "held_43_hull", (Column("value", "hull", "F", "hull", "hull"),), epoch(),
                    heads=("ts",)),
            },
            about="one file a quantity, all said in the files' names",
        ),
        replace(
            packed, files=(("held_44_packed.csv", gzip.compress(packed.files[0][1], mtime=0)),),
            about="gzip under the name of a CSV: refused by name",
        ),
        replace(book, files=(("held_45_workbook.xlsx", workbook()),),
                entry="held_45_workbook.xlsx", about="a workbook: refused by name"),
        Wide("held_46_no_header", trio("column 2", "column 3", "column 4", "F"), epoch(),
             header=False, kind="cold",
             asks=(Ask("unit", (), MUTE_F), Ask("role", ("column 4",), ON_HULL)),
             about="no header, seconds since 1970, 32 to 35").layout(),
    ]  # fmt: skip


def untidy() -> list[Layout]:
    """Return files with loose quotes, notes, cut rows and odd ends."""
    c = trio("Air temperature [°C]", "Humidity [%]", "Surface temperature [°C]")
    return [
        Wide("held_47_inches", c, ISO_Z, sep=";", decimal=",", extra=("Bemerkung",),
             raw=inches, about='plank 3", wet in many rows').layout(),
        Wide("held_48_notes", c, ISO_Z, extra=("Remarks",), rows=150,
             edit=note(10, "rain, wind\r\nthen sun; 5 °C"),
             about="quoted notes over two lines with figures in them").layout(),
        Wide("held_49_open_quote_late", c, ISO_Z, extra=("Remarks",),
             raw=lambda row, text: text + (',"went home' if row == 90 else ","),
             about="one open quote after three quarters").layout(),
        Wide("held_50_trailing", c, ISO_Z, sep=";", raw=trailing,
             about="a separator at each row's end, empty lines between").layout(),
        Wide("held_53_remarks_between", c, ISO_Z, sep=";", raw=remarks,
             about="comment lines between the rows").layout(),
        Wide("held_54_spoilt_figures", c, ISO_Z, edit=spoilt,
             lost=frozenset([*((row, "Air temperature [°C]") for row in range(120)
                               if row % 31 == 9),
                             *((row, "Surface temperature [°C]") for row in range(120)
                               if row % 31 == 17)]),
             about="1_9.5 and 0x12 where a figure should be").layout(),
        Wide("held_51_cut_rows", c, ISO_Z, edit=half,
             lost=frozenset((row, header) for row in (30, 31, 77)
                            for header in ("Humidity [%]", "Surface temperature [°C]")),
             about="three rows cut in the middle").layout(),
        Wide("held_52_long_preamble", trio("Luft [°C]", "Feuchte [% r.F.]", "Rumpf [°C]"),
             pattern("%d.%m.%Y %H:%M:%S"), heads=("Datum Zeit",), zone="Etc/GMT-1", sep=";",
             decimal=",", encoding="utf-16", eol="\r\n",
             preamble="Bericht;\nGerät;Schuppen 1;;\nZeitzone;UTC+01:00\nGrenzen;10,0;35,0\n"
                      "Werte;120\n\n",
             about="UTF-16; zone and figures in the preamble").layout(),
    ]  # fmt: skip


HELD: tuple[Layout, ...] = (
    *languages(), *clocks(), *meanings(), *shapes(), *untidy(),
)  # fmt: skip
