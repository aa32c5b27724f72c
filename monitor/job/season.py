"""`filmcall plan --season`: a typical year's good starts, as JSON or as a map of shades."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path

from monitor.job.read import read_job_file
from monitor.job.tent import tents_of
from monitor.job.weather import read_year
from monitor.log.log import log_path
from monitor.specs import find_spec
from rules.job.model import CoatToLay
from rules.job.season import DRIER_PCT, WARMER_K, SeasonCell, by_week, season_of
from rules.job.tent import KINDS
from rules.vocabulary import Method
from sensors.zones import UTC_NAME, zone_named

SHADES = " .:-=+*#%@"
_SPEC = "polyurethane-topcoat"
_YEAR = 2026  # any that is no leap year: only which day falls into which week hangs on it


@dataclasses.dataclass(frozen=True, slots=True)
class Season:
    """A count with what it was made for, in words."""

    cells: tuple[SeasonCell, ...]
    about: str


def season_file(path: Path, job_file: Path | None, db: Path | None = None) -> Season:
    """Count the good starts of a typical year.

    Args:
        path: an EPW or a TMY3 file.
        job_file: whose first section's first coat is counted, in its enclosure; without one the
            generic topcoat in the open air, by universal time.
        db: the log that may tell of the enclosure, or None for the platform's own.

    Raises:
        FilmcallError: a file cannot be used.
    """
    year = read_year(path)
    if job_file is None:
        spec = find_spec(_SPEC)[0]
        coat = CoatToLay(1, spec, spec.coating_time_s, None, Method.ROLLER)
        cells = season_of(year, coat, KINDS["open"], _YEAR, zone_named(UTC_NAME))
        return Season(cells, f"{spec.title} in the open air of {year.name}, hours in UTC")
    job = read_job_file(job_file)
    section = job.sections[0]
    coat = section.coats[0]
    sun_ahead = year.sun_w_m2 is not None
    tent = tents_of(job, log_path(db), None, sun_ahead=sun_ahead)[section.enclosure]
    cells = season_of(year, coat, tent, job.start.year, job.hours.zone)
    return Season(
        cells,
        f"{coat.spec.title} on {section.name} in {section.enclosure}, by the air of {year.name}, "
        f"hours in {job.hours.zone}. {section.enclosure}: {tent.basis}",
    )


def season_json(season: Season) -> str:
    """Return the count as JSON."""
    rows = [dataclasses.asdict(cell) for cell in season.cells]
    return json.dumps({"season": rows, "about": season.about}, indent=1)


def season_text(season: Season) -> str:
    """Return the count as a map: a line a week, a shade an hour of day."""
    lines = [
        f"How often a coat holds: {season.about}.",
        "A typical year counted hour by hour: no forecast. Begun at hour",
        "week 0     3     6     9     12    15    18    21",
    ]
    for week, shares in sorted(by_week(season.cells).items()):
        shades = "".join(2 * _shade(share) for share in shares.tolist())
        lines.append(f"{week:4d} {shades}".rstrip())
    whole = sum(cell.starts for cell in season.cells)

    def mean_pct(name: str) -> float:
        return float(100.0 * sum(getattr(c, name) * c.starts for c in season.cells) / whole)

    lines += [
        f"Shades from {SHADES[1]!r} (seldom) to {SHADES[-1]!r} (always); blank is never.",
        f"Of all hours {mean_pct('share'):.0f} % hold; {mean_pct('share_warmer'):.0f} % in a tent "
        f"{WARMER_K:g} K warmer; {mean_pct('share_drier'):.0f} % at {DRIER_PCT:g} % less humidity, "
        "the water taken out of the air.",
    ]
    return "\n".join(lines)


def _shade(share: float) -> str:
    if math.isnan(share) or share <= 0.0:
        return SHADES[0]
    return SHADES[1 + min(len(SHADES) - 2, int(share * (len(SHADES) - 1)))]
