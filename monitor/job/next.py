"""What is next on a job, planned by list order in a process of its own, for the live screen.

So that neither the plan's memory nor its time reach the watch: see `monitor.job.beside`.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from monitor.config.load import Config, load_config_file
from monitor.job.make import JobAtHand, Made, job_at_hand, made_from
from monitor.outlook.forecast import beside, forecast_zone, kept, read_file
from rules.batch.plan import BatchFault, plan_batches
from rules.errors import FilmcallError
from rules.job.model import CoatToLay, JobSection
from rules.job.plan import PlannedStep
from rules.job.shopping import mix_job
from sensors.forecast import ForecastHours, laid_over

_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
_WITH_ITS_COAT = ("mix", "wipe", "tape")


def next_steps(config: Config, log: Path, at: str) -> dict[str, dict[str, object]]:
    """Return the next step in each enclosure of a config's job.

    Args:
        config: that names a job.
        log: what is done, by its events.
        at: now, ISO 8601.

    Returns:
        By enclosure the keys of `monitor.snapshot.NextStep`.

    Raises:
        FilmcallError: there is no plan; the text says why.
    """
    if config.job.file is None:
        return {}
    hand = job_at_hand(
        config.job.file,
        forecast=_hours(config, log),
        weather_year=config.job.weather_year,
        db=log,
        at=at,
    )
    found: dict[str, dict[str, object]] = {}
    made = made_from(hand, 0.0, drawn=False)
    for step in made.plan.steps:
        section = next(each for each in hand.job.sections if each.name == step.section)
        if step.step not in _WITH_ITS_COAT and section.enclosure not in found:
            found[section.enclosure] = _step(hand, made, section, step)
    return found


def _hours(config: Config, log: Path) -> ForecastHours | None:
    """The config's hours of weather: its file's, laid over what its topic told of."""
    own = config.forecast
    told = None if own.topic is None else kept(beside(log), own.topic)
    if own.file is None:
        return told
    read = read_file(own.file, own, forecast_zone(own, config.enclosures))
    return read if told is None else laid_over(told, read)


def _step(hand: JobAtHand, made: Made, section: JobSection, step: PlannedStep) -> dict[str, object]:
    coat = section.coats[(step.coat or 1) - 1]
    is_coat = step.step == "coat"
    film = hand.followed.laid.get(section.name)
    is_mixed = section.name in made.poured and step.coat == (film.coat.number if film else 0) + 1
    return {
        "section": section.name,
        "what": _which(section, coat) if is_coat else f"{step.step} {step.what}".strip(),
        "from_s": max(step.earliest_s, hand.from_s),
        "until_s": step.latest_s,
        "best_s": step.start_s,
        "mix_ml": _mixed_ml(made, section, coat) if is_coat and not is_mixed else None,
    }


def _which(section: JobSection, coat: CoatToLay) -> str:
    """A coat by its place among its kind: `second topcoat`."""
    alike = [each.number for each in section.coats if each.spec.name == coat.spec.name]
    noun = coat.spec.name.rsplit("-", 1)[-1]
    place = alike.index(coat.number)
    if len(alike) == 1:
        return noun
    return f"{_ORDINALS[place]} {noun}" if place < len(_ORDINALS) else f"{noun} {place + 1}"


def _mixed_ml(made: Made, section: JobSection, coat: CoatToLay) -> float | None:
    mix = mix_job(section, coat)
    if mix is None:
        return None
    try:
        temp_c = made.mix_temps_c()[section.name, coat.number]
        batches = plan_batches(mix, temp_c).present.batches
    except BatchFault:
        return None
    return round(sum(batch.parts.total_ml for batch in batches))


def main() -> None:
    """Write the next steps as JSON, or why there are none."""
    config_file, log, at = sys.argv[1:]
    try:
        told: dict[str, object] = {
            "steps": next_steps(load_config_file(Path(config_file)), Path(log), at)
        }
    except FilmcallError as why:
        told = {"why": " ".join(str(why).split())}
    print(json.dumps(told))


if __name__ == "__main__":
    main()
