"""What can be wrong with a film: the defects, what they look like, and what may be behind them.

The entries are data, in `defects.toml`; this reads their text. `seen` finds the defect that a
description fits, `causes` ranks what a log supports.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import TypeVar

from rules.errors import FilmcallError
from rules.vocabulary import Stage, Step

_Kind = TypeVar("_Kind", bound=StrEnum)


AGES = ("laid", "touch dry", "handled", "cured")
"""Ages of a film between which its openness to a harm falls evenly."""

FEATURES = {
    "morning": "in the morning",
    "overnight": "overnight",
    "evening": "in the evening",
    "at-once": "while it was put on",
    "later": "days later",
    "low": "low down, where the hull is coldest",
    "cold-parts": "at metal fittings, which are coldest",
    "high": "high up, where the air is warmest",
    "all-over": "all over",
    "patches": "in patches",
    "edge": "at an edge",
    "grain": "along the grain",
    "sunny-side": "where the sun or a lamp stood",
    "thick": "where it is thick",
    "last-part": "in the part done last",
    "spots": "in spots, as of drops",
    "greasy": "greasy or waxy to the finger",
    "not-greasy": "not greasy",
    "washes-off": "water takes it off",
    "stays": "water does not take it off",
    "shiny": "shiny underside",
    "white-below": "white underside",
    "strings": "drawn into strings",
    "glue": "glue left",
    "fluid": "fluid inside",
    "dry-inside": "dry inside",
}
"""What can be heard of when, where and how a defect is seen, as sentences say it back."""


class UnknownDefect(FilmcallError, ValueError):
    """A defect was named that is not in the list."""


class DefectsFault(FilmcallError, ValueError):
    """The list of defects cannot be used; the text names the entry and what is wrong with it."""


class Sign(StrEnum):
    """What in a log can point to a cause."""

    LOW_MARGIN = "dew on the film, or close to it"
    HIGH_HUMIDITY = "damp air"
    LOW_HUMIDITY = "dry air"
    LOW_SURFACE = "a cold surface"
    HIGH_SURFACE = "a hot surface"
    HIGH_AIR = "hot air"
    HIGH_CO2 = "carbon dioxide in the air"
    SURFACE_RISE = "a young film warmed fast"
    WET_BEFORE = "a wet surface under the coat"
    WET_BARE = "a wet hull under the first coat"
    BLOOM_BELOW = "a layer on the coat below"
    UNWASHED = "a film wet while soft and coated over unwashed"
    RECOAT_EARLY = "coated over too soon"
    RECOAT_LATE = "coated over too late"
    POT_OVER = "a pot used beyond its life"
    THINNER_OVER = "more thinner than the sheet allows"
    THINNER_UNDER = "less thinner than the sheet asks for"
    INDUCTION_SHORT = "a mix used before it had stood"
    TAPE_EARLY = "tape taken off too early"
    TAPE_LATE = "tape taken off too late"


@dataclass(frozen=True, slots=True)
class Cause:
    """A condition that favours a defect, and how a log would show it.

    Attributes:
        name: of the mechanism, as the list has it.
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
        shows: what in a log speaks for it.
        clears: what in a log speaks against it.
        would_show: what would be seen, if this was it and not another.
        harm: the dose that is still taken as harmless [h], or for times the share missed over
            `scale` [1].
        age: how open the film is to it when laid, touch dry, handled and cured, 0 to 1 [1].
        age_source: of `age`.
        likelihood: how many times likelier a thing is seen with this cause than without it, by
            its name in `seen`.
        source: of bound and mechanism; scales are this program's own.
        families: coating families that it can happen to, "" for any that has the defect.
        below: of a layer on the coat below, what makes that layer; else empty.
        below_families: coating families that such a layer comes on.
        own_bound: whether `bound` counts whatever the film's own spec says.
        by_hardener: whether it harms the more, the more readily the hardener blooms.
    """

    name: str
    sign: Sign
    bound: float
    scale: float
    stages: tuple[Stage, ...]
    until: Step | None
    why: str
    shows: str
    clears: str
    would_show: str
    harm: float
    age: tuple[float, ...]
    age_source: str
    likelihood: Mapping[str, float]
    source: str
    families: tuple[str, ...] = ()
    below: tuple[Cause, ...] = ()
    below_families: tuple[str, ...] = ()
    own_bound: bool = False
    by_hardener: bool = False


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
        words: own words for what is seen; a `*` at a word's end stands for any ending.
        source: of mechanism and of telling apart.
        likelihood: as of a cause, for whatever brought the defect about.
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
    likelihood: Mapping[str, float] = field(default_factory=dict)

    def fits(self, family: str) -> bool:
        """Return whether a coating of a family can have it."""
        return fits_family(self.families, family)


def fits_family(families: tuple[str, ...], family: str) -> bool:
    """Return whether a family is one of those named, or none is."""
    return not families or any(part in family for part in families)


# --- reading ------------------------------------------------------------------------------------

_TEXTS = ("name", "title", "looks", "mechanism", "tell_apart", "first_aid", "ask", "source")
_LISTS = ("other_names", "unseen", "words")
_DEFECT_KEYS = {*_TEXTS, *_LISTS, "families", "causes", "likelihood", "by_hardener"}
_MECHANISM_KEYS = {
    "sign", "bound", "scale", "stages", "until", "why", "shows", "clears", "source", "families",
    "below", "own_bound", "would_show", "harm", "age", "age_source", "likelihood",
}  # fmt: skip


def read_defects(text: str) -> tuple[Defect, ...]:
    """Read the list of defects; those first that a log of the air can say something about.

    Args:
        text: TOML, with a table `mechanism.NAME` for each mechanism and a `[[defect]]` for each
            defect, whose `causes` name mechanisms.

    Returns:
        The defects in the order of the list.

    Raises:
        DefectsFault: an entry lacks something, has a key or a word that does not belong, or names
            a mechanism or a defect that is not there.
    """
    try:
        read = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DefectsFault(f"the list of defects is not TOML ({error}); fix that line") from None
    mechanisms = {
        name: _table(f"mechanism {name}", each, _MECHANISM_KEYS)
        for name, each in _table("mechanism", read.get("mechanism"), None).items()
    }
    listed = read.get("defect")
    if not isinstance(listed, list) or not listed:
        raise DefectsFault("the list of defects has no [[defect]]; add one")
    entries = [_table(f"defect {at}", each, _DEFECT_KEYS) for at, each in enumerate(listed, 1)]
    plain = {name: _cause(name, each) for name, each in mechanisms.items()}
    by_name = {_text(f"defect {at}", each, "name"): each for at, each in enumerate(entries, 1)}
    causes = {
        name: _with_below(cause, mechanisms[name].get("below"), by_name, plain)
        for name, cause in plain.items()
    }
    return tuple(_defect(name, each, causes) for name, each in by_name.items())


def _defect(name: str, each: Mapping[str, object], causes: Mapping[str, Cause]) -> Defect:
    where = f"defect {name}"
    return Defect(
        **{key: _text(where, each, key) for key in _TEXTS},  # type: ignore[arg-type]
        **{key: _words(where, each, key) for key in _LISTS},  # type: ignore[arg-type]
        families=_words(where, each, "families", needed=False),
        causes=_causes(where, each, causes),
        likelihood=_ratios(where, each),
    )


def _causes(
    where: str, each: Mapping[str, object], causes: Mapping[str, Cause]
) -> tuple[Cause, ...]:
    names = _words(where, each, "causes", needed=False)
    for name in names:
        if name not in causes:
            raise DefectsFault(
                f"{where}: cause {name!r} is no mechanism of the list; it has {', '.join(causes)}"
            )
    hardener = _yes(where, each, "by_hardener")
    return tuple(replace(causes[name], by_hardener=hardener) for name in names)


def _cause(name: str, each: Mapping[str, object]) -> Cause:
    where = f"mechanism {name}"
    until = each.get("until")
    return Cause(
        name=name,
        sign=_sign(where, _text(where, each, "sign")),
        bound=_figure(where, each, "bound"),
        scale=_figure(where, each, "scale"),
        stages=tuple(_word(where, Stage, word) for word in _words(where, each, "stages")),
        until=None if until is None else _word(where, Step, str(until)),
        why=_text(where, each, "why"),
        shows=_text(where, each, "shows"),
        clears=_text(where, each, "clears"),
        would_show=_text(where, each, "would_show"),
        harm=_figure(where, each, "harm"),
        age=_shares(where, each, "age"),
        age_source=_text(where, each, "age_source"),
        likelihood=_ratios(where, each),
        source=_text(where, each, "source"),
        families=_words(where, each, "families", needed=False),
        own_bound=_yes(where, each, "own_bound"),
    )


def _yes(where: str, each: Mapping[str, object], key: str) -> bool:
    value = each.get(key, False)
    if not isinstance(value, bool):
        raise DefectsFault(f"{where}: {key} is not true or false; write one of them")
    return value


def _with_below(
    cause: Cause,
    named: object,
    entries: Mapping[str, Mapping[str, object]],
    causes: Mapping[str, Cause],
) -> Cause:
    """The cause with what makes the layer below it, where it is one of a layer below."""
    where = f"mechanism {cause.name}"
    if (cause.sign is Sign.BLOOM_BELOW) != (named is not None):
        raise DefectsFault(f"{where}: 'below' belongs to bloom_below and to nothing else")
    if named is None:
        return cause
    entry = entries.get(str(named))
    if entry is None:
        raise DefectsFault(f"{where}: below {named!r} is no defect of the list")
    layer = _causes(where, entry, causes)
    families = _words(where, entry, "families", needed=False)
    return replace(cause, below=layer, below_families=families)


def _table(where: str, value: object, known: set[str] | None) -> Mapping[str, object]:
    if not isinstance(value, dict):
        raise DefectsFault(f"{where} is no table; write its keys below a header of its own")
    strange = [] if known is None else sorted(set(value) - known)
    if strange:
        raise DefectsFault(f"{where}: {strange[0]!r} is no key that belongs here; remove it")
    return value


def _text(where: str, each: Mapping[str, object], key: str) -> str:
    value = each.get(key)
    if not isinstance(value, str) or not value.strip():
        raise DefectsFault(f"{where}: {key} is missing or empty; write it")
    return value


def _words(
    where: str, each: Mapping[str, object], key: str, *, needed: bool = True
) -> tuple[str, ...]:
    value = each.get(key, [])
    if not isinstance(value, list) or not all(isinstance(word, str) and word for word in value):
        raise DefectsFault(f"{where}: {key} is not a list of words; write it in [ ]")
    if needed and not value:
        raise DefectsFault(f"{where}: {key} is missing or empty; write at least one")
    return tuple(value)


def _figure(where: str, each: Mapping[str, object], key: str) -> float:
    value = each.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise DefectsFault(f"{where}: {key} is not a figure; write one")
    return float(value)


def _shares(where: str, each: Mapping[str, object], key: str) -> tuple[float, ...]:
    value = each.get(key)
    good = isinstance(value, list) and len(value) == len(AGES)
    found = value if good and isinstance(value, list) else []
    if not good or not all(isinstance(x, float) and 0.0 <= x <= 1.0 for x in found):
        raise DefectsFault(f"{where}: {key} is not four figures from 0.0 to 1.0; write them in [ ]")
    return tuple(found)


def _ratios(where: str, each: Mapping[str, object]) -> Mapping[str, float]:
    value = each.get("likelihood", {})
    if not isinstance(value, dict):
        raise DefectsFault(f"{where}: likelihood is no table; write what is seen and its ratio")
    for name, ratio in value.items():
        if name not in FEATURES:
            known = ", ".join(FEATURES)
            raise DefectsFault(f"{where}: {name!r} is nothing that can be seen; known: {known}")
        if not isinstance(ratio, float) or not ratio > 0.0:
            raise DefectsFault(f"{where}: likelihood of {name} is not a figure over zero")
    return dict(value)


def _sign(where: str, word: str) -> Sign:
    for sign in Sign:
        if sign.name.lower() == word:
            return sign
    known = ", ".join(sign.name.lower() for sign in Sign)
    raise DefectsFault(f"{where}: sign {word!r} is none that a log can show; known: {known}")


def _word(where: str, kind: type[_Kind], word: str) -> _Kind:
    try:
        return kind(word)
    except ValueError:
        raise DefectsFault(
            f"{where}: {word!r} is none of {', '.join(each.value for each in kind)}"
        ) from None


# --- finding ------------------------------------------------------------------------------------


def find_defect(name: str, defects: Iterable[Defect]) -> Defect:
    """Return a defect by its short name, its title or another trade word for it.

    Args:
        name: as a person writes it.
        defects: of the list.

    Raises:
        UnknownDefect: no entry, or more than one, goes by that name.
    """
    listed = tuple(defects)
    wanted = _plain(name)
    for defect in listed:
        if wanted in {_plain(each) for each in (defect.name, defect.title, *defect.other_names)}:
            return defect
    near = [d for d in listed if wanted and wanted in _plain(d.name)]
    if len(near) == 1:
        return near[0]
    known = ", ".join(defect.name for defect in listed)
    raise UnknownDefect(
        f"defect {name!r} is not in the list, so no cause can be looked for. Known: {known}; or "
        'say what you saw with --seen "milky, greasy in the morning".'
    )


def _plain(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", " ", text.lower()).strip()
