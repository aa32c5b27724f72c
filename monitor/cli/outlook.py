"""`filmcall outlook`: finds the enclosure's config and hands on to `outlook_run`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.options import DbOption, JsonOption, SpecOption, config_option, figure
from monitor.config.load import load_config_file
from monitor.config.model import Config, EnclosureConfig
from monitor.outlook import make as outlook_run
from monitor.outlook.forecast import forecast_zone, read_file
from rules.errors import FilmcallError
from sensors.forecast import ForecastFault, ForecastHours


def run(
    *,
    enclosure: Annotated[str | None, typer.Option(help="Whose; the only one if left out.")] = None,
    section: Annotated[str | None, typer.Option(help="Whose surface.")] = None,
    hours: Annotated[float, figure("--hours", "How far, up to 24 [h].", "h")] = 24.0,
    forecast: Annotated[
        Path | None, typer.Option(help="CSV or JSON of outdoor hours, past days too.")
    ] = None,
    config_file: Annotated[Path | None, config_option("The enclosure's points and spec.")] = None,
    spec: SpecOption = None,
    as_json: JsonOption = False,
    db: DbOption = None,
) -> str:
    """Return the outlook as text or JSON; without a forecast given, by the config's own file.

    Raises:
        FilmcallError: no log, too little of it, or a file that cannot be used.
    """
    config = None if config_file is None else load_config_file(config_file)
    return outlook_run.run(
        db,
        enclosure=enclosure,
        section=section,
        hours=hours,
        json_wanted=as_json,
        forecast=forecast if forecast is not None or config is None else own_forecast(config),
        config=None if config is None else _chosen(config, config_file, enclosure),
        spec=spec,
        beside=None if config_file is None or spec is not None else config_file.parent,
    )


def own_forecast(config: Config) -> ForecastHours | None:
    """Return the hours of the config's forecast file, or None where it names none.

    Raises:
        ForecastRefused: the file cannot be used.
    """
    if config.forecast.file is None:
        return None
    zone = forecast_zone(config.forecast, config.enclosures)
    try:
        return read_file(config.forecast.file, config.forecast, zone)
    except ForecastFault as fault:
        raise outlook_run.ForecastRefused(str(fault)) from None


def _chosen(config: Config, config_file: Path | None, enclosure: str | None) -> EnclosureConfig:
    found = config.enclosures
    names = ", ".join(each.name for each in found)
    if enclosure is None and len(found) == 1:
        return found[0]
    for each in found:
        if each.name == enclosure:
            return each
    raise FilmcallError(
        f"config {config_file} has the enclosures {names}, so none was looked at; say which with "
        "--enclosure"
    )
