"""Writes a job file beside the config: what is coated, how large, by which day, in which hours."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import date, timedelta

from monitor.setup.ask import Asker
from monitor.setup.write import ConfigDraft, quoted
from rules.numbers import number
from rules.text import printable
from rules.units import BadAmount, amount, tenths
from rules.vocabulary import ALL_SECTIONS
from sensors.recording.sights import Question

# Our own choices to be typed over, no source.
USUAL_AREA, USUAL_FILM, USUAL_COATS, USUAL_HOURS = "6.5 m2", "50 um", "2", "17:00-21:00"
DAYS_AHEAD = 28
MOST_COATS = 20
_HOURS = re.compile(r"([01]?[0-9]|2[0-3]):[0-5][0-9]-([01]?[0-9]|2[0-4]):[0-5][0-9]")


def job_text(draft: ConfigDraft, asker: Asker, today: date) -> str:
    """Ask for the job and return the text of its file, in the form that `plan` reads.

    Args:
        draft: of the config: its sections, spec and zone are the job's.
        asker: asks, or takes guesses.
        today: the day on which the work may begin.
    """
    boat = asker.ask(Question("boat", "what is coated", "the boat", "a name, for the paper"))
    last = str(today + timedelta(days=DAYS_AHEAD))
    why = "every film cured by the end of that day, as 2026-11-20; four weeks are a guess"
    what = "day by which all must be done"
    done = asker.ask(Question("done", what, last, why, _day_fault(today)))
    why = "when somebody can work, every day the same; the file may give each day its own"
    hours = asker.ask(Question("hours", "working hours", USUAL_HOURS, why, _hours_fault))
    lines = [
        f"# Written by filmcall setup for the work in {printable(draft.enclosure)};",
        "# change here what was only a guess.",
        "",
        "[job]",
        f"boat = {quoted(boat)}",
        f"must_be_done = {quoted(done)}",
        f'start = "{today}"',
        f"timezone = {quoted(draft.timezone)}",
        f"hours = {quoted(hours)}    # or each day its own: {{ mon-fri = "
        '"17:00-21:00", sat = "08:00-12:00, 13:00-18:00" }',
        "people = 1",
    ]
    names = list(dict.fromkeys(p.section for p in draft.points if p.section)) or [ALL_SECTIONS]
    for name in names:
        lines += ["", *_section(name, names, draft, asker)]
    return "\n".join(lines) + "\n"


def _section(name: str, names: Sequence[str], draft: ConfigDraft, asker: Asker) -> list[str]:
    why = "as 6.5 m2 or 70 sqft; a bare number is square metres"
    key = f"area {name}"
    typed = asker.ask(Question(key, f"area of {name}", USUAL_AREA, why, _fault_of("m**2")))
    why = f"coats of {draft.spec}, one after the other"
    what = f"coats on {name}"
    times = asker.ask(Question(f"coats {name}", what, USUAL_COATS, why, _coats_fault))
    why = "dry film of each coat, by the data sheet, as 50 um or 2 mil; a bare number is µm"
    what = f"film on {name}"
    film = asker.ask(Question(f"film {name}", what, USUAL_FILM, why, _fault_of("um")))
    beside = [quoted(other) for other in names if other != name]
    return [
        "[[section]]",
        f"name = {quoted(name)}",
        f"enclosure = {quoted(draft.enclosure)}",
        f'area = "{tenths(_figure(typed, "m**2"))} m2"',
        *([f"beside = [{', '.join(beside)}]"] if beside else []),
        "system = [",
        f"  {{ coat = {quoted(draft.spec)}, times = {int(times)}, "
        f'dry = "{tenths(_figure(film, "um"))} um", takes = "1 h" }},',
        "]",
    ]


def _figure(text: str, to: str) -> float:
    bare = number(text)
    return amount(text, to) if bare is None else bare


def _fault_of(to: str) -> Callable[[str], str | None]:
    def fault(text: str) -> str | None:
        try:
            found = _figure(text, to)
        except BadAmount as bad:
            return str(bad)
        return None if found > 0.0 else f"{printable(text, 40)!r} is not over 0; enter it again"

    return fault


def _coats_fault(text: str) -> str | None:
    if re.fullmatch(r"[0-9]{1,2}", text) and 1 <= int(text) <= MOST_COATS:
        return None
    return f"{printable(text, 40)!r} is no number from 1 to {MOST_COATS}; enter it again"


def _hours_fault(text: str) -> str | None:
    if all(_HOURS.fullmatch(part.strip()) for part in text.split(",")):
        return None
    return f"{printable(text, 60)!r} are no hours; write them like 08:00-12:00, 13:00-18:00"


def _day_fault(today: date) -> Callable[[str], str | None]:
    def fault(text: str) -> str | None:
        try:
            day = date.fromisoformat(text)
        except ValueError:
            return f"{printable(text, 40)!r} is no day; write it like {today}"
        return None if day >= today else f"{text} is past; today is {today}"

    return fault
