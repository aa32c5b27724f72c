"""Opens a recording: finds out how it is written, and says what it took for granted.

This module imports pandas, so import it only where a recording is really opened; `columns` does
without.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from sensors.recording import times
from sensors.recording.columns import Column
from sensors.recording.figures import can_be
from sensors.recording.judge import judge
from sensors.recording.layout import MISSING, RecordingFault
from sensors.recording.rows import Recording, Source, WorkOut
from sensors.recording.sights import Judgement, Question
from sensors.recording.survey import Part, Survey, look, present
from sensors.recording.words import temperature_unit
from sensors.zones import UTC_NAME, UnknownZone, zone_named

# Below this share of figures in a column a file's rows carry one sensor's values each, and a mark
# stands for the others'; judgement, no source.
_FULL_SHARE = 0.75

__all__ = [
    "Column",
    "Recording",
    "RecordingFault",
    "judged",
    "open_recording",
    "open_survey",
]


def open_recording(
    path: Path | str,
    columns: Sequence[Column] | None,
    *,
    enclosure: str,
    time_column: str | None = None,
    timezone: str | None = None,
    else_zone: str | None = None,
    order: str | None = None,
    work_out: WorkOut | None = None,
) -> Recording:
    """Open a recording and find out how it is written; rows are read when it is iterated.

    Args:
        path: a file, or a folder with one file a sensor.
        columns: what to read, or None to find out; then what is not sure is not read.
        enclosure: name that the readings carry.
        time_column: the column with the time, or None to look for it.
        timezone: zone of times that carry none, like `Europe/Brussels`; None is UTC, and said.
        else_zone: zone of times of which neither the file nor `timezone` says it.
        order: `day first`, `month first` or `year first`, or None to find out.
        work_out: works a humidity out from a dew point or a wet bulb; without it such a humidity
            is missing.

    Returns:
        The recording, with `notices` saying what was found and assumed.

    Raises:
        RecordingFault: the file cannot be used at all.
    """
    survey = look(Path(path), time_column)
    return open_survey(
        survey,
        columns,
        enclosure=enclosure,
        time_column=time_column,
        timezone=timezone,
        else_zone=else_zone,
        order=order,
        work_out=work_out,
    )


def open_survey(
    survey: Survey,
    columns: Sequence[Column] | None,
    *,
    enclosure: str,
    time_column: str | None = None,
    timezone: str | None = None,
    else_zone: str | None = None,
    order: str | None = None,
    work_out: WorkOut | None = None,
) -> Recording:
    """Open a recording that was looked at already; arguments as of `open_recording`."""
    notices = list(survey.notices)
    unsure: list[Column] = []
    asked: list[Question] = []
    if columns is None:
        judgement, asked = judged(survey, {})
        notices += [str(each) for each in judgement.verdicts if each.use or each.why]
        notices += judgement.notices
        notices += [told(each) for each in asked]
        chosen = [each.use for each in judgement.verdicts if each.use and each.confirmed]
        unsure = [each.use for each in judgement.verdicts if each.use and not each.confirmed]
        if not judgement.columns:
            raise RecordingFault(
                f"{survey.path}: none of the columns {', '.join(survey.names)} is named after a "
                "temperature, a humidity or a surface, so nothing is replayed; "
                "run filmcall setup with this file, which asks"
            )
    else:
        chosen = _chosen(survey, columns, notices)
        used = {column.column for column in chosen}
        unused = [name for name in survey.names if name not in used]
        if unused:
            notices.append(
                "The config uses no value of " + ", ".join(repr(name) for name in unused) + "."
            )
    if time_column is None:
        notices.append(f"The time is taken from {survey.parts[0].place.name}.")
    answers = {"order": order} if order else {}
    if unsure and not chosen:
        raise RecordingFault(
            f"{survey.path}: {'; '.join(each.what for each in asked)} is not known, so no column "
            "can be used and nothing is replayed; run filmcall setup with this file, which asks"
        )
    sources = [
        _source(survey, part, chosen, answers, timezone, else_zone, notices)
        for part in survey.parts
    ]
    sources = [source for source in sources if source.columns] or sources[:1]
    return Recording(
        survey.path,
        sources,
        enclosure=enclosure,
        notices=notices,
        unconfirmed=unsure,
        work_out=work_out,
    )


def told(question: Question) -> str:
    """Return how a question is told of where nobody is asked."""
    return f"? {question.what}: took {question.guess} ({question.why})"


def judged(
    survey: Survey, answers: Mapping[str, str], zone_guess: str | None = None
) -> tuple[Judgement, list[Question]]:
    """Judge the columns, with a guess in place of each answer that is lacking.

    Args:
        survey: the recording.
        answers: by key.
        zone_guess: zone to be taken where the file names none; None does not ask for it.

    Returns:
        The judgement, and the questions whose guess was taken.
    """
    given = dict(answers)
    asked: list[Question] = []
    while True:
        guessed = frozenset(question.key for question in asked)
        judgement = judge(survey.sights, survey.hints, given, guessed)
        if not judgement.questions:
            break
        question = judgement.questions[0]
        asked.append(question)
        given[question.key] = question.guess
    for question in survey.time_questions(answers, zone_guess or ""):
        if question.key != "zone" or zone_guess is not None:
            asked.append(question)
    return judgement, asked


def _chosen(survey: Survey, columns: Sequence[Column], notices: list[str]) -> list[Column]:
    names = survey.names
    path = survey.path
    if not columns:
        raise RecordingFault(
            f"{path}: no point of the config that is confirmed names a column, so nothing is "
            f'replayed; give each point its column = "NAME", out of {", ".join(names)}'
        )
    chosen: list[Column] = []
    figures = {sight.name: sight.values for sight in survey.sights}
    for column in columns:
        name = present(path, names, column.column)
        unit = column.unit
        stated = temperature_unit(name)
        if stated is not None and not can_be(figures[name], stated):
            stated = None  # as when setup asked, since the header's unit cannot be
        if stated is not None and stated != unit and unit in ("degC", "degF", "K"):
            if re.search(r"[°º˚℃℉]|\bdeg|[(\[][CFK][)\]]|fahrenheit|celsius|kelvin", name, re.I):
                notices.append(
                    f"Column {name!r} says {stated} in the header and the config says {unit}: "
                    f"it is read as {stated}."
                )
                unit = stated
            else:
                notices.append(
                    f"Column {name!r} is read as {unit}, as the config says, "
                    f"though its name could mean {stated}."
                )
        chosen.append(replace(column, column=name, unit=unit))
    return chosen


def _source(
    survey: Survey,
    part: Part,
    chosen: Sequence[Column],
    answers: Mapping[str, str],
    timezone: str | None,
    else_zone: str | None,
    notices: list[str],
) -> Source:
    own = f"{part.prefix}: "
    columns = tuple(
        replace(column, column=column.column.removeprefix(own)) if part.prefix else column
        for column in chosen
        if not part.prefix or column.column.startswith(own)
    )
    if part.order is None:
        questions = [q for q in survey.time_questions({}, "") if q.key == "order"]
        order = survey.order_of(part, answers or {"order": questions[0].guess})
        why = (
            "as it was said"
            if answers
            else (
                "as is usual where temperatures are in degF, and no date tells"
                if order == times.MONTH
                else "and no date in the file tells whether that is right"
            )
            + "; if it is not, write them like 2026-04-25"
        )
    else:
        order, why = part.order, part.order_why
    form = part.form(order)
    cells = part.cells()
    if times.needs_order(cells):
        notices.append(f"Dates like {cells[0]!r} are read with the {order}, {why}.")
    if form.kind == "excel":
        notices.append(f"Times like {cells[0]!r} are read as a spreadsheet's days since 1899.")
    if form.kind == "compact":
        notices.append(f"Times like {cells[0]!r} are read as year, month, day and time of day.")
    backwards = times.is_backwards(cells[:2000], form)
    if backwards:
        notices.append("The newest row stands first; the rows are read from the end.")
    zone = _zone(part, form, cells, timezone, else_zone, notices)
    label = part.path.name if len(survey.parts) > 1 else ""
    figures = {sight.name: np.isfinite(sight.values).mean() for sight in survey.sights}
    is_full = all(
        figures[f"{own}{column.column}" if part.prefix else column.column] >= _FULL_SHARE
        for column in columns
    )
    return Source(
        part.path,
        part.layout,
        columns,
        part.place,
        form,
        zone,
        part.long,
        backwards,
        label,
        frozenset(("",)) if is_full else MISSING,
    )


def zone_of(name: str, path: Path) -> ZoneInfo:
    """Return a zone by its name.

    Raises:
        RecordingFault: it is not known.
    """
    try:
        return zone_named(name)
    except UnknownZone:
        raise RecordingFault(
            f"{path}: timezone {name!r} is not known, so its times cannot be read; "
            'give a name like "Europe/Brussels" or "Etc/UTC"'
        ) from None


def _zone(
    part: Part,
    form: times.TimeForm,
    cells: Sequence[str],
    timezone: str | None,
    else_zone: str | None,
    notices: list[str],
) -> tzinfo:
    utc = zone_named(UTC_NAME)
    given = zone_of(timezone, part.path) if timezone is not None else None
    place = part.place.name
    if form.zoned:
        return part.zone or given or utc
    if part.zone is not None:
        if given is not None and not _same_clock(part.zone, given, cells, form):
            raise RecordingFault(
                f"{part.path}: the file says {part.zone} for {place} and timezone {timezone} "
                "says another time, so nothing is replayed; leave the timezone out, or correct the "
                "header where it is wrong"
            )
        notices.append(f"The file says {part.zone} for {place}.")
        return part.zone
    if given is None and else_zone is not None:
        given, timezone = zone_of(else_zone, part.path), else_zone
    if given is None:
        notices.append(
            "The times carry no zone and none is given: they are read as UTC. "
            "If they are local, give --timezone AREA/TOWN, or set it in the config."
        )
        return utc
    if given.key not in ("UTC", UTC_NAME):
        notices.append(f"The times carry no zone and are read as local times of {timezone}.")
    return given


def _same_clock(said: tzinfo, given: ZoneInfo, cells: Sequence[str], form: times.TimeForm) -> bool:
    """Whether two zones show the same time where the recording begins and ends."""
    for cell in (cells[0], cells[-1]):
        try:
            when, _ = times.parse_time(cell, form.order)
        except ValueError:
            when = datetime(2026, 7, 1)
        if not 1970 < when.year < 2100:  # at its first and last day a calendar has no other zone
            when = datetime(2026, 7, 1)
        moment = when.replace(tzinfo=said).astimezone(UTC)
        if moment.astimezone(given).utcoffset() != moment.astimezone(said).utcoffset():
            return False
    return True
