"""What `filmcall plan` and `filmcall today` do with their options."""

from __future__ import annotations

import math
import time
from datetime import date
from pathlib import Path

from monitor.job.helps import what_helps
from monitor.job.json import plan_json
from monitor.job.make import JobAtHand, Made, job_at_hand, made_from, too_late
from monitor.job.page import plan_page
from monitor.job.progress import progress
from monitor.job.text import plan_text
from monitor.job.today import today_text
from monitor.log.files import write_page
from rules.job.model import JobFault
from rules.job.shopping import Shopping, shopping_of
from rules.text import iso_utc


def planned(
    job: Path,
    *,
    forecast: Path | None,
    weather_year: Path | None,
    start: date | None,
    limit_s: float,
    html: Path | None,
    as_json: bool,
    db: Path | None,
) -> str:
    """Return a job's plan as text or JSON, and write its page where a file is named.

    Raises:
        FilmcallError: the job, the weather or the plan cannot be used; nothing is written then.
    """
    with progress() as told:
        hand = job_at_hand(job, forecast=forecast, weather_year=weather_year, start=start, db=db)
        made = made_from(hand, limit_s, told)
        if late := too_late(made.plan):
            raise JobFault(late)
        if as_json and html is None:
            return plan_json(made.plan)
        told("planning anew with what might help")
        helps = what_helps(made, hand)
    shopping = shopping_for(hand, made)
    if html is not None:
        write_page(html, plan_page(made, helps, shopping, hand.notes))
    if as_json:
        return plan_json(made.plan)
    return plan_text(made.plan, made.solved, helps, shopping, hand.job.hours.zone, hand.notes)


def shopping_for(hand: JobAtHand, made: Made) -> Shopping:
    """Return what is left of the job takes, mixed when planned, with missed windows' sandings."""
    extra = [step.section for step in made.plan.steps if step.is_extra]
    laid = {name: each.coat.number for name, each in hand.followed.laid.items()}
    mixed_ml = {
        name: sum(math.inf if pot.amount_ml is None else pot.amount_ml for pot in pots)
        for name, pots in hand.followed.pots.items()
        if name in made.poured
    }
    return shopping_of(hand.job, made.mix_temps_c(), extra, laid, mixed_ml)


def today_of(
    job: Path,
    *,
    forecast: Path | None,
    weather_year: Path | None,
    at: str | None,
    limit_s: float,
    db: Path | None,
) -> str:
    """Return the page of today.

    Raises:
        FilmcallError: the job, the weather or the plan cannot be used.
    """
    when = at if at is not None else iso_utc(time.time(), 0)
    hand = job_at_hand(job, forecast=forecast, weather_year=weather_year, db=db, at=when)
    with progress() as told:
        return today_text(hand, made_from(hand, limit_s, told))
