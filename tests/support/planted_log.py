"""Turns an invented job into what the rules look back on, without a log between."""

from __future__ import annotations

from functools import cache

import numpy as np
from planted import SECTION, Planted

from monitor.review.defects import shipped_defects
from rules.review.causes import Verdict, verdict_of, verdicts_of
from rules.review.climate_arrays import PointColumn, climate_series, temperature_history
from rules.review.coats import CoatRecord, coats_of
from rules.review.defects import find_defect
from rules.review.exposure import ClimateSeries
from rules.spec.model import Spec
from rules.spec.read import load_spec


@cache
def shipped() -> dict[str, Spec]:
    """The specs that the invented jobs use, as they ship."""
    from importlib.resources import files

    names = ("two-pack-epoxy-primer", "polyurethane-topcoat", "varnish")
    folder = files("rules.specs")
    return {n: load_spec((folder / f"{n}.toml").read_text("utf-8"), n) for n in names}


def looked_back(job: Planted) -> tuple[tuple[CoatRecord, ...], ClimateSeries]:
    """The job's coats and its climate; sensors as accurate as the defaults."""
    airs = [PointColumn(f"air-{i}", v, 0.3) for i, v in enumerate(job.air_c)]
    rhs = [PointColumn(f"air-{i}", v, 3.0) for i, v in enumerate(job.rh_pct)]
    co2 = [] if job.co2_ppm is None else [PointColumn("air-0", job.co2_ppm, 50.0)]
    surfaces = [PointColumn("plank-port", job.surface_c, 0.5)]
    series = climate_series(job.time_s, 60.0, airs, rhs, surfaces, co2)
    history = temperature_history(series, 0.5, 0.3, 600.0)
    end_s = float(np.max(job.time_s))
    specs = shipped()
    coats, said = coats_of(SECTION, job.events, specs, specs[job.spec], history, end_s, series)
    if [each for each in said if "wash" not in each]:
        raise AssertionError(said)
    return coats, series


def asked(job: Planted, defect: str) -> Verdict:
    """The verdict on a defect of a job."""
    coats, series = looked_back(job)
    return verdict_of(find_defect(defect, shipped_defects()), coats, series)


def asked_blind(job: Planted) -> tuple[Verdict, ...]:
    """The verdicts on every defect, heaviest first."""
    coats, series = looked_back(job)
    return verdicts_of(shipped_defects(), coats, series)
