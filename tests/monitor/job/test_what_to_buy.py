"""What to buy goes by the hours that the plan chose, as the mixing sheet of the day does."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from plan_jobs import FLAT, PRIMER, SOLO, Trial, hours_from, job_text, spec_text

from monitor.job.command import shopping_for
from monitor.job.make import job_at_hand, made_from
from monitor.job.today import today_text

BAND = '[[mix.thinner]]\nfrom = "25 degC"\nto = "35 degC"\nmin = "5 %"\nmax = "8 %"\n'


def warm_from_tuesday(at: datetime) -> tuple[float, float]:
    return (28.0 if at >= datetime(2026, 10, 20, 12, tzinfo=UTC) else 18.0), 50.0


def test_thinner_is_bought_for_the_coat_that_is_mixed_in_the_warm(tmp_path: Path) -> None:
    """Coat 1 goes on on Monday evening at 18 °C, coat 2 on Tuesday at 28 °C.

    6.5 m2 at 50 µm of 50 % solids are 722.2 ml with 10 % loss, and 5 % of it is thinner.
    """
    specs = {PRIMER: spec_text("quick-primer", times=FLAT) + BAND}
    trial = Trial(job_text(SOLO), specs, hours_from("2026-10-19", warm_from_tuesday))
    job, forecast = trial.write(tmp_path)
    there = {"forecast": forecast, "weather_year": None, "db": tmp_path / "none.db"}
    hand = job_at_hand(job, **there, at="2026-10-19T16:30Z")
    made = made_from(hand, 0.0)
    thinner_ml = 0.05 * 6.5 * 50.0 / 0.5 / 0.9
    pot_ml = 21.0 * thinner_ml
    (paint,) = shopping_for(hand, made).paints
    assert paint.thinner_ml == pytest.approx(thinner_ml * (pot_ml + 40.0) / pot_ml, rel=1e-6)
    pours = [line for line in today_text(hand, made).splitlines() if " in the pot" in line]
    assert ["thinner 36 ml" in line for line in pours] == [False, True]
