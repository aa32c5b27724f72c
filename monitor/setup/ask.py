"""Asks a person, one line a question, or takes the guess and says so where nobody is there."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from rules.text import printable
from sensors.recording.sights import Question
from sensors.zones import UTC_NAME, UnknownZone, zone_named, zone_names

# Where people measure temperatures in degrees Fahrenheit; only a guess rests on it.
_FAHRENHEIT_ZONES = ("America/New_York", "America/Chicago", "America/Denver", "America/Phoenix",
                     "America/Los_Angeles", "America/Anchorage", "Pacific/Honolulu",
                     "America/Detroit", "America/Boise", "America/Indiana", "America/Kentucky",
                     "America/North_Dakota", "America/Puerto_Rico", "US/")  # fmt: skip


@dataclass(slots=True)
class Asker:
    """Asks, or takes guesses.

    Attributes:
        yes: take every guess without asking.
        say: prints one line.
        guessed: keys of the questions whose guess was taken with nobody to confirm it.
    """

    yes: bool
    say: Callable[[str], None]
    guessed: set[str] = field(default_factory=set)

    @property
    def is_asking(self) -> bool:
        """Whether somebody is there to answer."""
        return not self.yes and sys.stdin is not None and sys.stdin.isatty()

    def ask(self, question: Question) -> str:
        """Return the answer.

        An empty line confirms the guess, unless an answer was not understood before: who did not
        know what to say confirms nothing. A ? takes the guess unconfirmed.
        """
        guess = printable(question.guess, 120)
        what, why = printable(question.what, 300), printable(question.why, 400)
        if not self.is_asking:
            return self._guessed(question, f" ({why})")
        self.say(f"  {why}")
        refused = False
        while True:
            sys.stdout.write(f"? {what} [{guess}]: ")
            sys.stdout.flush()
            line = sys.stdin.readline()
            answer = line.strip()
            if not line or answer == "?" or (refused and not answer):
                return self._guessed(question)
            fault = question.fault_of(answer) if answer else None
            if fault is None:
                return answer or question.guess
            self.say(f"  {fault}")
            self.say(f"  Enter alone takes {guess}, as a guess that nobody confirmed.")
            refused = True

    def _guessed(self, question: Question, why: str = "") -> str:
        self.guessed.add(question.key)
        self.say(f"? {printable(question.what, 300)}: took {printable(question.guess, 120)}{why}")
        return question.guess


def zone_fault(name: str) -> str | None:
    """Say why a text is no time zone, or return None."""
    from difflib import get_close_matches

    try:
        zone_named(name)
    except UnknownZone:
        zones = zone_names()
        towns = {zone.rsplit("/", 1)[-1].casefold(): zone for zone in sorted(zones)}
        near = towns.get(name.casefold().replace(" ", "_"))
        if near is None:
            found = get_close_matches(name, sorted(zones), 1)
            near = found[0] if found else "Europe/Brussels"
        return f"{printable(name, 60)!r} is no zone that is known; write it like {near}"
    return None


def own_zone() -> str:
    """Return the zone that this computer's clock shows, Etc/UTC where it cannot be told."""
    named = os.environ.get("TZ", "").lstrip(":")
    if named and zone_fault(named) is None:
        return named
    with contextlib.suppress(OSError, UnicodeDecodeError):
        written = Path("/etc/timezone").read_text("utf-8").strip()
        if written and zone_fault(written) is None:
            return written
    try:
        linked = str(Path("/etc/localtime").resolve())
    except OSError:
        linked = ""
    _, mark, zone = linked.partition("zoneinfo/")
    return zone if mark and zone_fault(zone) is None else UTC_NAME


def measures_fahrenheit(zone: str) -> bool:
    """Whether people in a zone mostly measure in degrees Fahrenheit.

    >>> measures_fahrenheit("America/Chicago"), measures_fahrenheit("America/Sao_Paulo")
    (True, False)
    """
    return zone.startswith(_FAHRENHEIT_ZONES)
