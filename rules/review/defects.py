"""What can be wrong with a film: the defects, what they look like, and what may be behind them.

The entries stand in `defects_of_air` (a log of the air can show causes) and `defects_of_hand`
(it cannot, or times alone can); `causes` ranks what a log supports.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from functools import cache

from rules.errors import FilmcallError
from rules.vocabulary import Stage, Step

NO_SOURCE = "common practice, no source"


class UnknownDefect(FilmcallError, ValueError):
    """A defect was named that is not in the list."""


class Sign(StrEnum):
    """What in a log can point to a cause."""

    LOW_MARGIN = "dew on the film, or close to it"
    HIGH_HUMIDITY = "damp air"
    LOW_SURFACE = "a cold surface"
    HIGH_SURFACE = "a hot surface"
    HIGH_AIR = "hot air"
    HIGH_CO2 = "carbon dioxide in the air"
    SURFACE_RISE = "a young film warmed fast"
    WET_BEFORE = "a wet surface under the coat"
    BLOOM_BELOW = "a layer on the coat below"
    RECOAT_EARLY = "coated over too soon"
    RECOAT_LATE = "coated over too late"
    POT_OVER = "a pot used beyond its life"
    INDUCTION_SHORT = "a mix used before it had stood"
    TAPE_EARLY = "tape taken off too early"
    TAPE_LATE = "tape taken off too late"


@dataclass(frozen=True, slots=True)
class Cause:
    """A condition that favours a defect, and how a log would show it.

    Attributes:
        sign: what to look for.
        bound: beyond which it favours the defect, where the film's own spec gives no limit for
            it [K, %, °C, ppm]; 0 for times, which the spec alone gives.
        scale: so far beyond the bound for an hour counts as one; only orders causes [same unit],
            or the share of a time's own length by which it must be missed [1]. For dew and damp
            air the bound in force says it: one is dew itself, and saturated air.
        stages: in which the film is open to it.
        until: the step after which it no longer does harm, at the latest; None where the
            spec's own limit says (handle where that is silent too).
        why: the mechanism in one sentence.
        source: of bound and mechanism; scales are this program's own.
        families: coating families that it can happen to, "" for any that has the defect.
    """

    sign: Sign
    bound: float
    scale: float
    stages: tuple[Stage, ...]
    until: Step | None
    why: str
    source: str
    families: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Defect:
    """One way in which a film can be spoiled.

    Attributes:
        name: short name for `--defect`.
        title: what a painter calls it.
        other_names: further trade words for it.
        looks: what is seen and felt.
        mechanism: how it comes about.
        families: coating families that can have it, "" for any; matched as part of the name.
        causes: what a log can show; empty where it can show none.
        unseen: what else causes it that no sensor sees.
        tell_apart: how to tell it from others.
        first_aid: in general terms.
        ask: what to ask of who saw it.
        words: own words for what is seen, as stems; matched on `--seen`.
        source: of mechanism and of telling apart.
    """

    name: str
    title: str
    other_names: tuple[str, ...]
    looks: str
    mechanism: str
    families: tuple[str, ...]
    causes: tuple[Cause, ...]
    unseen: tuple[str, ...]
    tell_apart: str
    first_aid: str
    ask: str
    words: tuple[str, ...]
    source: str

    def fits(self, family: str) -> bool:
        """Return whether a coating of a family can have it."""
        return not self.families or any(part in family for part in self.families)


@dataclass(frozen=True, slots=True)
class DefectMatch:
    """How well a description fits a defect: the words of it that did."""

    defect: Defect
    words: tuple[str, ...]


@cache
def all_defects() -> tuple[Defect, ...]:
    """Return every defect, those first that a log of the air can say something about."""
    from rules.review.defects_of_air import DEFECTS as OF_AIR
    from rules.review.defects_of_hand import DEFECTS as OF_HAND

    return (*OF_AIR, *OF_HAND)


def find_defect(name: str) -> Defect:
    """Return a defect by its short name, its title or another trade word for it.

    Args:
        name: as a person writes it.

    Raises:
        UnknownDefect: no entry, or more than one, goes by that name.

    >>> find_defect("Blushing").name
    'moisture-blush'
    >>> find_defect("amine blush").name
    'amine-bloom'
    """
    wanted = _plain(name)
    known = ", ".join(defect.name for defect in all_defects())
    for defect in all_defects():
        if wanted in {_plain(each) for each in (defect.name, defect.title, *defect.other_names)}:
            return defect
    near = [d for d in all_defects() if wanted and wanted in _plain(d.name)]
    if len(near) == 1:
        return near[0]
    raise UnknownDefect(
        f"defect {name!r} is not in the list, so no cause can be looked for. Known: {known}; or "
        'say what you saw with --seen "milky, greasy in the morning".'
    )


def match_seen(seen: str) -> tuple[DefectMatch, ...]:
    """Return the defects that a description fits, best first.

    Trade words differ, and one source's blush is another's bloom, so what was seen counts.

    Args:
        seen: free words: how it looks and feels.

    Returns:
        Matches with at least one word; those with as many as the best come first, in the order
        of the list.

    Source:
        Common practice, no source: own word lists.

    >>> [m.defect.name for m in match_seen("greasy, a bit milky in the morning")][:2]
    ['amine-bloom', 'moisture-blush']
    """
    text = f" {_plain(seen)} "
    found = []
    for defect in all_defects():
        words = tuple(word for word in defect.words if f" {word}" in text)
        if words:
            found.append(DefectMatch(defect, words))
    return tuple(sorted(found, key=lambda match: -len(match.words)))


# When and where a thing was seen: stems, and what they say.
WHEN_WORDS = {
    "morning": "in the morning",
    "overnight": "overnight",
    "night": "overnight",
    "evening": "in the evening",
    "straight away": "while it was put on",
    "at once": "while it was put on",
    "while": "while it was put on",
    "days later": "days later",
    "next day": "the next day",
    "week": "days later",
}
WHERE_WORDS = {
    "low": "low down, where the hull is coldest",
    "bottom": "low down, where the hull is coldest",
    "keel": "at the keel, where the hull is coldest",
    "garboard": "at the keel, where the hull is coldest",
    "bilge": "low down, where the hull is coldest",
    "fitting": "at metal fittings, which are coldest",
    "edge": "at an edge",
    "everywhere": "all over",
    "all over": "all over",
    "patch": "in patches",
    "run": "in runs",
    "top": "high up, where the air is warmest",
    "sheer": "high up, where the air is warmest",
}


def when_and_where(seen: str) -> tuple[str, ...]:
    """Return what a description says of when and where.

    >>> when_and_where("greasy in the morning, lower planks")
    ('in the morning', 'low down, where the hull is coldest')
    """
    text = f" {_plain(seen)} "
    said = [what for table in (WHEN_WORDS, WHERE_WORDS) for w, what in table.items() if w in text]
    return tuple(dict.fromkeys(said))


def names(defects: Iterable[Defect] | None = None) -> tuple[str, ...]:
    """Return the short names of defects."""
    return tuple(defect.name for defect in (all_defects() if defects is None else defects))


def _plain(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", " ", text.lower()).strip()
