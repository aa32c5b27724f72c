"""The command line of a whole job: plan, its season, a new job file, and today's sheet."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.options import DbOption, JsonOption, figure, say
from rules.errors import FilmcallError

plan_app = typer.Typer(rich_markup_mode=None)
_SOLVE = figure(
    "--solve", "How long a solver may look; 0 for none [s].", "s", least=0.0, most=3600.0
)
_Forecast = Annotated[
    Path | None, typer.Option(help="Hours of weather ahead, CSV or JSON.", dir_okay=False)
]
_WeatherYear = Annotated[
    Path | None, typer.Option(help="A typical year: EPW or TMY3.", dir_okay=False)
]


def _day(text: str | None) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError:
        raise FilmcallError(
            f"--start {text!r} is no day, so nothing is planned; write it as 2026-10-19"
        ) from None


@plan_app.callback(invoke_without_command=True)
def plan(
    context: typer.Context,
    job: Annotated[Path | None, typer.Option(help="The job's file.", dir_okay=False)] = None,
    forecast: _Forecast = None,
    weather_year: _WeatherYear = None,
    start: Annotated[str | None, typer.Option(help="First day, in place of the job's.")] = None,
    solve: Annotated[float, _SOLVE] = 10.0,
    season: Annotated[
        Path | None, typer.Option(help="Count a typical year's good starts.", dir_okay=False)
    ] = None,
    html: Annotated[Path | None, typer.Option(help="Write a page for the wall.")] = None,
    json_: JsonOption = False,
    db: DbOption = None,
) -> None:
    """Print a job's plan, or the season of a typical year."""
    if context.invoked_subcommand is not None:
        return
    if season is not None:
        from monitor.job.season import season_file, season_json, season_text

        counted = season_file(season, job, db)
        if html is not None:
            from monitor.job.page import season_page
            from monitor.log.files import write_page

            write_page(html, season_page(counted))
        say(season_json(counted) if json_ else season_text(counted))
        return
    if job is None:
        raise FilmcallError(
            "no job is given, so nothing is planned; give --job FILE.toml, or write one with "
            "'filmcall plan new'"
        )
    from monitor.job.command import planned

    say(
        planned(
            job,
            forecast=forecast,
            weather_year=weather_year,
            start=_day(start),
            limit_s=solve,
            html=html,
            as_json=json_,
            db=db,
        )
    )


@plan_app.command(
    "new", epilog="Example: filmcall plan new --config polytunnel.toml --out my-boat.toml"
)
def new(
    out: Annotated[Path, typer.Option(help="The job file to write; - is standard output.")],
    config: Annotated[
        Path | None, typer.Option(help="Whose enclosures and sections.", dir_okay=False)
    ] = None,
) -> None:
    """Write a job file to fill in, from the config's enclosures and sections."""
    from monitor.job.new import write_new

    typer.echo(write_new(out, config), err=str(out) == "-")


def today(
    job: Annotated[Path, typer.Option(help="The job's file.", dir_okay=False)],
    forecast: _Forecast = None,
    weather_year: _WeatherYear = None,
    at: Annotated[str | None, typer.Option(help="Instead of now: 14:30 or ISO 8601.")] = None,
    solve: Annotated[float, _SOLVE] = 0.0,
    db: DbOption = None,
) -> None:
    """Print today's sheet."""
    from monitor.job.command import today_of

    say(today_of(job, forecast=forecast, weather_year=weather_year, at=at, limit_s=solve, db=db))
