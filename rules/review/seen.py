"""What a painter's own words say of a film: which defect they fit, what they deny, when and where.

Words are heard whole, and "not", "no" and "without" are heard too; `defects` has the word lists.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from rules.review.defects import FEATURES, Defect
from rules.units import DAY_S, HOUR_S


@dataclass(frozen=True, slots=True)
class DefectMatch:
    """How well a description fits a defect.

    Attributes:
        defect: of the list.
        words: of its words, those that were said.
        denied: those that were said not to be so.
    """

    defect: Defect
    words: tuple[str, ...]
    denied: tuple[str, ...] = ()


_CLAUSE = re.compile(r"[.,;:!?()\n]+|\bbut\b|\bthough\b|\byet it\b")
_TOKEN = re.compile(r"[a-z0-9]+")
_NOT = re.compile(r"n['’]t\b")
_DENIALS = frozenset(
    ("not", "no", "without", "never", "neither", "nor", "nothing", "free", "hardly")
)
# Between the words of a phrase these change nothing.
_FILLERS = frozenset(
    ("the", "a", "an", "is", "it", "its", "are", "was", "were", "has", "have", "had", "very",
     "quite", "rather", "really", "yet", "all", "bit", "little", "still", "of", "been", "any",
     "does", "do", "did", "will", "that", "there")
)  # fmt: skip

# Words that together name something else than the last of them alone.
_TOGETHER = (("orange", "peel"),)

Clause = tuple[str, ...]


def clauses_of(seen: str) -> tuple[Clause, ...]:
    """Return the words of each clause of a description, those that change nothing left out.

    >>> clauses_of("It isn't greasy, but the gloss is gone")
    (('not', 'greasy'), ('gloss', 'gone'))
    """
    plain = _NOT.sub(" not", seen.lower().replace("cannot", "can not"))
    found = []
    for part in _CLAUSE.split(plain):
        words = tuple(word for word in _TOKEN.findall(part) if word not in _FILLERS)
        if words:
            found.append(words)
    return tuple(found)


def match_seen(seen: str, defects: Iterable[Defect]) -> tuple[DefectMatch, ...]:
    """Return the defects that a description fits, best first.

    Trade words differ, and one source's blush is another's bloom, so what was seen counts. A word
    counts whole, and not at all where its clause denies it.

    Args:
        seen: free words: how it looks and feels.
        defects: of the list.

    Returns:
        Matches with at least one word that was not denied; those with as many as the best come
        first, in the order of the list.

    Source:
        Common practice, no source: own word lists.
    """
    clauses = clauses_of(seen)
    found = []
    for defect in defects:
        said: list[str] = []
        denied: list[str] = []
        for word in defect.words:
            heard = [denial for denial in (_heard(word, clause) for clause in clauses)
                     if denial is not None]  # fmt: skip
            if False in heard:
                said.append(word.replace("*", ""))
            elif heard:
                denied.append(word.replace("*", ""))
        if said:
            found.append(DefectMatch(defect, tuple(said), tuple(denied)))
    return tuple(sorted(found, key=lambda match: len(match.denied) - len(match.words)))


def denied_words(seen: str, defects: Iterable[Defect]) -> tuple[str, ...]:
    """Return what a description says that the film is not, as the lists have the words."""
    clauses = clauses_of(seen)
    found = []
    for defect in defects:
        for word in defect.words:
            heard = [_heard(word, clause) for clause in clauses]
            if True in heard and False not in heard:
                found.append(word.replace("*", ""))
    return tuple(dict.fromkeys(found))


def _heard(phrase: str, clause: Clause) -> bool | None:
    """Whether a clause denies a phrase; None where it does not have it."""
    wanted = tuple(
        w for w in phrase.replace("*", "0").split() if w.replace("0", "*") not in _FILLERS
    )
    size = len(wanted)
    for at in range(len(clause) - size + 1):
        if size == 1 and any(
            clause[max(at - 1, 0)] == first and clause[at].startswith(last)
            for first, last in _TOGETHER
        ):
            continue
        if all(_fits(one, word) for one, word in zip(wanted, clause[at:], strict=False)):
            return wanted[0] not in _DENIALS and bool(_DENIALS & set(clause[:at]))
    return None


def _fits(wanted: str, word: str) -> bool:
    return word.startswith(wanted[:-1]) if wanted.endswith("0") else word == wanted


# What of when, where and how is heard in which words; `defects.FEATURES` says it back.
FEATURE_WORDS: Mapping[str, tuple[str, ...]] = {
    "morning": ("morning", "mornings"),
    "overnight": ("overnight", "night"),
    "evening": ("evening",),
    "at-once": (
        "straight away", "at once", "while brushing", "while rolling", "while spraying",
        "while i was", "while we were", "while it went on",
    ),
    "later": ("days later", "next day", "week", "weeks", "months later"),
    "low": ("low", "lower", "lowest", "bottom", "keel", "garboard*", "bilge*"),
    "cold-parts": ("fitting*", "bolt*", "cold metal", "fastening*"),
    "high": ("high up", "top strake*", "top plank*", "upper", "sheer*"),
    "all-over": ("everywhere", "all over", "over whole", "whole hull"),
    "patches": ("patch", "patches", "patchy", "streak*"),
    "edge": ("edge", "edges"),
    "grain": ("grain", "end grain", "seam*"),
    "sunny-side": ("sunny", "sun", "sunny side", "lamp*"),
    "thick": ("thick", "thickest", "thicker"),
    "last-part": ("last part", "last third", "end of job", "towards end", "last plank*"),
    "spots": ("spots", "water spot*", "drops", "droplets"),
    "greasy": ("greas*", "wax*", "oily", "slimy", "soapy"),
    "washes-off": (
        "washes off", "wash off", "washed off", "wipes off", "wipe off", "wiped off",
        "water takes off", "water removes", "goes with water", "goes with warm water",
    ),
    "stays": ("water changes nothing", "wash* no effect"),
    "shiny": ("shiny underside", "underside shiny"),
    "white-below": ("white underside", "underside white"),
    "strings": ("string*",),
    "glue": ("glue", "adhesive"),
    "fluid": ("fluid", "weep*", "liquid"),
    "dry-inside": ("dry inside",),
}  # fmt: skip
_OPPOSITE = {"greasy": "not-greasy", "washes-off": "stays", "fluid": "dry-inside"}


def features_of(seen: str) -> tuple[str, ...]:
    """Return what a description says of when, where and how, by name.

    >>> features_of("greasy in the morning, lower planks, does not wash off")
    ('morning', 'low', 'greasy', 'stays')
    """
    clauses = clauses_of(seen)
    found: list[str] = []
    for feature, phrases in FEATURE_WORDS.items():
        heard = [_heard(phrase, clause) for phrase in phrases for clause in clauses]
        if False in heard:
            found.append(feature)
        elif True in heard and feature in _OPPOSITE:
            found.append(_OPPOSITE[feature])
    return tuple(dict.fromkeys(found))


def when_and_where(seen: str) -> tuple[str, ...]:
    """Return what a description says of when, where and how, in words.

    >>> when_and_where("milky in the morning, lower planks")
    ('in the morning', 'low down, where the hull is coldest')
    """
    return tuple(FEATURES[feature] for feature in features_of(seen))


# --- when exactly, and on which coat -----------------------------------------------------------

_ORDINALS = {
    "first": 1, "second": 2, "third": 3, "fourth": 4, "fifth": 5, "sixth": 6, "seventh": 7,
    "1st": 1, "2nd": 2, "3rd": 3, "4th": 4, "5th": 5, "6th": 6, "7th": 7,
}  # fmt: skip
_HOURS = {
    "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8,
    "nine": 9, "ten": 10, "eleven": 11, "twelve": 12, "noon": 12, "midday": 12,
}  # fmt: skip
_COAT = re.compile(rf"\b({'|'.join(_ORDINALS)}) coat\b|\bcoat (?:no\.? ?)?(\d{{1,2}})\b")
_LAST_COAT = re.compile(r"\b(last|top|newest) coat\b")
_DATE = re.compile(r"\b(\d{4})-(\d{2})-(\d{2})\b")
_CLOCK = re.compile(r"\b(?:at |by |about )?(\d{1,2}):(\d{2})\b")
_OCLOCK = re.compile(
    rf"\b(?:at|by|about|around) (\d{{1,2}}|{'|'.join(_HOURS)})\b"
    r"(?! (?:days?|hours?|h\b|weeks?|min))"
)
_MERIDIEM = re.compile(r"\b(\d{1,2}) ?(am|pm)\b")
_AFTERNOON = re.compile(r"\bafternoon\b|\bevening\b|\bat night\b|\bpm\b")


@dataclass(frozen=True, slots=True)
class Sighting:
    """When, where and on which coat a defect was seen, as far as the words say.

    Attributes:
        at_s: when, or None [s].
        day_said: whether the day was said; else `at_s` is the first such hour after the coat.
        coats: numbers of the coats that it was seen on; empty where not said.
        features: what else was seen, by name.
        elsewhere: where it was seen instead, where that is not on this section; else "".
    """

    at_s: float | None = None
    day_said: bool = False
    coats: tuple[int, ...] = ()
    features: tuple[str, ...] = ()
    elsewhere: str = ""


def sighting_of(
    seen: str, coats: Sequence[tuple[int, float]], zone: tzinfo, elsewhere: str = ""
) -> Sighting:
    """Return what a description says of time and coat.

    Args:
        seen: free words.
        coats: number of each coat and when it ended, in order [s].
        zone: of the times that it names.
        elsewhere: another section that it names instead of this one, or "".

    Returns:
        The sighting. An hour without a day is the first such hour after the coat that it is
        about, the last one where none is named.
    """
    plain = seen.lower()
    numbers = [int(said) if said else _ORDINALS[word] for word, said in _COAT.findall(plain)]
    if not numbers and coats and _LAST_COAT.search(plain):
        numbers = [coats[-1][0]]
    day = _DATE.search(plain)
    hour = _hour_of(plain)
    at_s: float | None = None
    if day is not None:
        try:
            found = datetime(*(int(part) for part in day.groups()), tzinfo=zone)  # type: ignore[misc, arg-type]
        except ValueError:
            found = None
        if found is not None:
            # Of a day alone, its end: nothing that came on it is left out.
            at_s = found.timestamp() + (DAY_S if hour is None else hour * HOUR_S)
    elif hour is not None and coats:
        ended_s = next((s for number, s in coats if number in numbers), coats[-1][1])
        begin = datetime.fromtimestamp(ended_s, zone).replace(
            hour=0, minute=0, second=0, microsecond=0
        )
        times = (begin.timestamp() + d * DAY_S + hour * HOUR_S for d in range(3))
        at_s = next((s for s in times if s > ended_s), None)
    return Sighting(at_s, day is not None, tuple(numbers), features_of(seen), elsewhere)


def _hour_of(plain: str) -> float | None:
    """The hour of the day that is said, 0 to 24; None where none is [h]."""
    clock = _CLOCK.search(plain)
    if clock is not None:
        hour, minute = int(clock[1]), int(clock[2])
        return hour + minute / 60.0 if hour < 24 and minute < 60 else None
    half = _MERIDIEM.search(plain)
    if half is not None:
        return float(int(half[1]) % 12 + (12 if half[2] == "pm" else 0)) if half[1] else None
    said = _OCLOCK.search(plain)
    if said is None:
        return None
    hour = _HOURS[said[1]] if said[1] in _HOURS else int(said[1])
    if hour < 12 and _AFTERNOON.search(plain):
        hour += 12
    return float(hour) if hour <= 24 else None


def named_sections(seen: str, sections: Iterable[str]) -> tuple[str, ...]:
    """Return which sections a description names: by all words of a name, or by its side.

    >>> named_sections("milky on the starboard side", ["hull-port", "hull-stbd"])
    ('hull-stbd',)
    """
    said = {word for clause in clauses_of(seen) for word in clause}
    said |= {"stbd"} if "starboard" in said else set()
    listed = tuple(sections)
    parts = {name: set(_TOKEN.findall(name.lower())) for name in listed}
    parts = {
        name: words | ({"stbd"} if "starboard" in words else set()) for name, words in parts.items()
    }
    common = set.intersection(*parts.values()) if parts else set()
    return tuple(
        name
        for name in listed
        if parts[name] <= said or (len(listed) > 1 and bool((parts[name] - common) & said))
    )
