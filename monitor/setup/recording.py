"""Sets up from a recording: what its columns are, asked where the file does not say it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from monitor.setup.ask import Asker, measures_fahrenheit, own_zone, zone_fault
from monitor.setup.write import ConfigDraft, PointDraft, SetupFault
from rules.text import counted, printable
from sensors.recording.judge import judge
from sensors.recording.layout import RecordingFault
from sensors.recording.sights import Judgement
from sensors.recording.survey import Survey, look


def draft_of(path: Path, asker: Asker, say: Callable[[str], None]) -> ConfigDraft:
    """Look at a recording, ask, and return the config that it needs; spec and name are open.

    Args:
        path: a file, or a folder with one file a sensor.
        asker: asks.
        say: prints one line.

    Raises:
        SetupFault: it cannot be used.
    """
    try:
        survey = look(path)
    except RecordingFault as fault:
        raise SetupFault(str(fault).replace("nothing is replayed", "nothing was set up")) from None
    zone = own_zone()
    survey.hints = replace(survey.hints, fahrenheit=measures_fahrenheit(zone))
    _show(survey, say)
    answers: dict[str, str] = {}
    for question in survey.time_questions({}, zone):
        if question.key == "zone":
            question = replace(question, fault_of=zone_fault)
        answers[question.key] = asker.ask(question)
        if question.key == "zone":
            hints = replace(survey.hints, fahrenheit=measures_fahrenheit(answers["zone"]))
            survey.hints = hints
    judgement = ask_all(survey, answers, asker)
    if not judgement.columns:
        names = ", ".join(survey.names)
        raise SetupFault(
            f"{path}: none of the columns {names} is known as a temperature or a humidity, so "
            'nothing was set up; write a config that gives each point its column = "NAME"'
        )
    for notice in judgement.notices:
        say(notice)
    for verdict in judgement.verdicts:
        say(str(verdict))
    points = [
        PointDraft(
            name=each.use.point,
            quantity=each.use.quantity,
            unit=each.use.unit,
            column=each.name,
            confirmed=each.confirmed,
            comment=each.why,
            worked_out_from=each.use.worked_out_from,
        )
        for each in judgement.verdicts
        if each.use is not None
    ]
    return ConfigDraft(
        source=path.name or str(path),
        enclosure="tent",
        spec="",
        timezone=answers.get("zone", zone),
        points=points,
        replay=_replay(survey, answers, asker),
        left_out=[str(each) for each in judgement.verdicts if each.use is None],
    )


def ask_all(survey: Survey, answers: dict[str, str], asker: Asker) -> Judgement:
    """Judge the columns, asking one question after another until nothing is open."""
    while True:
        judgement = judge(survey.sights, survey.hints, answers, frozenset(asker.guessed))
        if not judgement.questions:
            return judgement
        question = judgement.questions[0]
        answers[question.key] = asker.ask(question)


def _show(survey: Survey, say: Callable[[str], None]) -> None:
    rows = sum(len(part.rows) for part in survey.parts)
    what = counted(rows, "row")
    files = f" of {counted(len(survey.parts), 'file')}" if len(survey.parts) > 1 else ""
    say(f"{printable(survey.path.name, 120)}: {what}{files} looked at")
    for notice in survey.notices:
        say(notice)
    for part in survey.parts:
        zone = f", {part.zone} as the file says" if part.zone is not None else ""
        label = f"{part.path.name}: " if len(survey.parts) > 1 else ""
        say(
            f"{label}The time is taken from {part.place.name}{zone}: "
            f"{printable(part.cells()[0], 60)} to {printable(part.cells()[-1], 60)}."
        )
    for sight in survey.sights:
        if np.isfinite(sight.values).any():
            low, high = np.nanmin(sight.values), np.nanmax(sight.values)
            say(f"  {printable(sight.name, 80)}: {low:g} to {high:g}")
        else:
            say(f"  {printable(sight.name, 80)}: no figures")


def _replay(survey: Survey, answers: dict[str, str], asker: Asker) -> dict[str, str]:
    found: dict[str, str] = {}
    first = survey.parts[0]
    if len(survey.parts) == 1 and len(first.place.cells) >= 1:
        name = first.layout.header[first.place.cells[0]]
        if name and first.layout.named:
            found["time"] = name
    if "zone" in answers:
        found["timezone"] = answers["zone"]
    if "order" in answers and "order" not in asker.guessed:  # a replay takes the same guess
        open_part = next(part for part in survey.parts if part.order is None)
        found["date_order"] = survey.order_of(open_part, answers)
    return found
