"""What a painter's own words say of a film: which defect they fit, what they deny, when and where.

Words are heard whole, and "not", "no" and "without" are heard too; `defects` has the word lists.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from rules.review.defects import Defect


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
        if all(_fits(one, word) for one, word in zip(wanted, clause[at:], strict=False)):
            return wanted[0] not in _DENIALS and bool(_DENIALS & set(clause[:at]))
    return None


def _fits(wanted: str, word: str) -> bool:
    return word.startswith(wanted[:-1]) if wanted.endswith("0") else word == wanted


# When and where a thing was seen: words, and what they say.
WHEN_WORDS = {
    "morning": "in the morning",
    "overnight": "overnight",
    "night": "overnight",
    "evening": "in the evening",
    "straight away": "while it was put on",
    "at once": "while it was put on",
    "while brushing": "while it was put on",
    "while rolling": "while it was put on",
    "while spraying": "while it was put on",
    "days later": "days later",
    "next day": "the next day",
    "week": "days later",
    "weeks": "days later",
}
WHERE_WORDS = {
    "low": "low down, where the hull is coldest",
    "lower": "low down, where the hull is coldest",
    "lowest": "low down, where the hull is coldest",
    "bottom": "low down, where the hull is coldest",
    "keel": "at the keel, where the hull is coldest",
    "garboard*": "at the keel, where the hull is coldest",
    "bilge*": "low down, where the hull is coldest",
    "fitting*": "at metal fittings, which are coldest",
    "edge": "at an edge",
    "edges": "at an edge",
    "everywhere": "all over",
    "all over": "all over",
    "patch": "in patches",
    "patches": "in patches",
    "patchy": "in patches",
    "runs": "in runs",
    "high up": "high up, where the air is warmest",
    "top strake*": "high up, where the air is warmest",
    "top plank*": "high up, where the air is warmest",
    "upper": "high up, where the air is warmest",
    "sheer*": "high up, where the air is warmest",
}


def when_and_where(seen: str) -> tuple[str, ...]:
    """Return what a description says of when and where.

    >>> when_and_where("greasy in the morning, lower planks")
    ('in the morning', 'low down, where the hull is coldest')
    """
    clauses = clauses_of(seen)
    said = [
        what
        for table in (WHEN_WORDS, WHERE_WORDS)
        for words, what in table.items()
        if any(_heard(words, clause) is False for clause in clauses)
    ]
    return tuple(dict.fromkeys(said))
