"""What each column of a recording is: by its name, its figures, and what the other columns say.

A question is asked only where the recording does not tell; what was guessed in place of an answer
is marked, so that no call rests on it. Every column gets a verdict: used as, or left out because.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence

import numpy as np

from rules.units import converted
from rules.vocabulary import WorkedOutFrom
from sensors.reading import Quantity
from sensors.recording.column_units import percent_of, settle_humidities, settle_units, unit_choices
from sensors.recording.columns import Column
from sensors.recording.figures import dew_c, far_apart
from sensors.recording.sights import (
    AGREES_K,
    AIR,
    HUMIDITY,
    SURFACE,
    TEMPERATURE,
    TEMPERATURES,
    Hints,
    Judgement,
    Question,
    Seen,
    Sight,
    Verdict,
    unless,
)
from sensors.recording.words import fold, letter_unit, meaning, stated_unit

_CLOSE_DEW_K = 2.0  # a dew point of another probe of one tent [K]; common practice, no source
_NO_TEMPERATURE = 2000.0  # in any unit: a serial number, or a time
_EXTERNAL = frozenset(("ext", "external", "extern", "externe", "externa"))


_QUANTITIES = {
    AIR: Quantity.AIR_TEMP,
    SURFACE: Quantity.SURFACE_TEMP,
    HUMIDITY: Quantity.HUMIDITY,
    "co2": Quantity.CO2,
    "dust": Quantity.DUST,
}
NONE = "none"
_ROLE_SAID = {"a": AIR, "h": SURFACE, "s": SURFACE, NONE: NONE, "nothing": NONE}
_NOWHERE = (
    "another temperature, and nothing says where; if it lies on the hull, give it "
    'quantity = "surface_temp" in a config'
)

_DAMP = {"dew": "a dew point", "ratio": "a humidity ratio"}
_NO_HUMIDITY = "no humidity stands beside it: there is no GO until it is recorded"
_WITHOUT_HUMIDITY = (
    "no humidity stands beside it, nor the air's temperature of the same probe that it could be "
    "worked out with: there is no GO until it is recorded"
)


def judge(
    sights: Sequence[Sight],
    hints: Hints,
    answers: Mapping[str, str],
    guessed: frozenset[str] = frozenset(),
) -> Judgement:
    """Find what each column is, as far as the recording tells.

    Args:
        sights: its columns but those of the time.
        hints: what the file as a whole says.
        answers: to questions asked before, by key.
        guessed: keys of answers that nobody gave.

    Returns:
        The verdicts, and the first question that is open, if any.
    """
    found = Judgement()
    seen = [_first_look(sight) for sight in sights]
    if seen and all("device" in each.means.kinds for each in seen):
        seen = [_first_look(each.sight, ignore_device=True) for each in seen]
    _letters(seen)
    _symbols(seen, hints)
    _same_in_two_units(seen)
    _by_values(seen, found)
    _roles(seen, hints, answers, guessed, found)
    if not found.questions:
        settle_humidities(seen, hints, answers, guessed, found)
    if not found.questions:
        settle_units(seen, hints, answers, guessed, found)
    if not found.questions and not any(each.role == HUMIDITY for each in seen):
        for each in seen:
            _stand_in(each, seen)
    _names(seen)
    no_humidity = not any(each.role == HUMIDITY for each in seen)
    for each in seen:
        quantity = _QUANTITIES.get(each.role)
        use = None
        if quantity is not None:
            unit = each.unit or quantity.unit
            use = Column(each.name, each.point, quantity, unit, each.worked_out_from)
        why = each.why
        if use is None and no_humidity and (each.role in _DAMP or "wetbulb" in each.means.kinds):
            lacks = _NO_HUMIDITY if each.role == "ratio" else _WITHOUT_HUMIDITY
            why = f"{_DAMP.get(each.role, 'a wet bulb')}, and {lacks}"
        if use is None and not why:
            why = {
                "dew": f"{_DAMP['dew']}; it is worked out anew from air and humidity",
                "delta": "a difference; it is worked out anew",
                "ratio": f"{_DAMP['ratio']}; it is worked out anew from air and humidity",
                TEMPERATURE: _NOWHERE,
            }.get(each.role, "its name says nothing that is known here")
        found.verdicts.append(Verdict(each.name, use, why, each.sure))
    return found


def _first_look(sight: Sight, *, ignore_device: bool = False) -> Seen:
    means = meaning(sight.words)
    kinds = means.kinds - {"time", "sensor", "value", "quantity", "unit", "mean"}
    if ignore_device:
        kinds = kinds - {"device"}
    unit = means.unit
    cell = stated_unit(sight.unit_cell) if sight.unit_cell else None
    if cell and unit and cell != unit:
        unit = None if {cell, unit} <= set(TEMPERATURES) else unit
    elif cell:
        unit = cell
    if unit == "1" and TEMPERATURE in kinds and HUMIDITY not in kinds:
        unit = None  # a temperature has no such unit: the word names something else
    seen = Seen(sight, means, "out", unit=unit)
    is_temperature = unit in TEMPERATURES
    if not np.isfinite(sight.values).any():
        seen.why = "it holds no figures" if sight.texts else "it is empty"
    elif unit == "other":
        seen.why = "its unit is none of a temperature or a humidity"
    elif "extreme" in kinds:
        seen.why = "a lowest, a highest or a spread, not the value itself"
    elif "device" in kinds:
        seen.why = "the instrument's own, not the enclosure's"
    elif "ratio" in kinds:
        seen.role = "ratio"
    elif "delta" in kinds:
        seen.role = "delta"
    elif "dew" in kinds:
        seen.role = "dew"
    elif "other" in kinds:
        wet = "wetbulb" in kinds
        seen.why = "a wet bulb" if wet else "it is neither air, humidity nor hull"
    elif "co2" in kinds or "dust" in kinds:
        seen.role = "co2" if "co2" in kinds else "dust"
        seen.unit = None
    elif "outside" in kinds:
        seen.why = "it is outside, not in the enclosure"
    elif "dwelling" in kinds:
        seen.why = "a dwelling's, not the enclosure's"
    elif "surface" in kinds and kinds & {"air", "building"} and HUMIDITY not in kinds:
        seen.role = TEMPERATURE  # the air beside the hull, or the hull in the air
    elif "building" in kinds and unit not in ("%", "1") and HUMIDITY not in kinds:
        seen.role = TEMPERATURE  # the shed's wall, or a wall that is painted
    elif "surface" in kinds:
        if HUMIDITY in kinds or unit in ("%", "1", "ppm"):
            seen.why = "moisture or humidity at a surface is no surface temperature"
        else:
            seen.role = SURFACE
    elif HUMIDITY in kinds and not is_temperature and TEMPERATURE not in kinds:
        seen.role = HUMIDITY
    elif unit in ("%", "1"):
        seen.role = HUMIDITY if kinds & {"air", "enclosure"} else "percent"
    elif is_temperature or TEMPERATURE in kinds or kinds & {"air", "enclosure"}:
        seen.role = AIR if kinds & {"air", "enclosure"} else TEMPERATURE
    elif "time" in means.kinds:
        seen.why = "a time that is not used"
    else:
        seen.role = "unknown"
    return seen


def _letters(seen: list[Seen]) -> None:
    """Take back a unit that a bare letter seemed to name, where letters tell probes apart.

    `Hull F` beside `Hull A` lies forward of it; `Temp C` beside `Temp F` is in degC, but only where
    the two agree.
    """
    by_stem: dict[str, list[tuple[str, Seen]]] = {}
    for each in seen:
        if found := letter_unit(each.name):
            by_stem.setdefault(found[0], []).append((found[1], each))
    units = {"c": "degC", "f": "degF", "k": "K"}
    for alike in by_stem.values():
        if len(alike) < 2:
            continue
        figures = [
            converted(each.values, units[letter], "degC") if letter in units else each.values
            for letter, each in alike
        ]
        one_in_all = all(letter in units for letter, _ in alike) and all(
            far_apart(figures[0], other) < AGREES_K for other in figures[1:]
        )
        for letter, each in alike:
            if not one_in_all and each.unit == units.get(letter):
                each.unit = None


_SYMBOL = re.compile(r"\s*[Tt][_ .]?(?P<of>[ads])(?![A-Za-z])")


def _symbols(seen: list[Seen], hints: Hints) -> None:
    """Judge Ta, Td and Ts by each other: the trade's own signs where they stand together.

    Td alone may be a dry bulb or a deck: it is a dew point only where it follows from the others.
    """
    by_sign = {found["of"]: each for each in seen if (found := _SYMBOL.match(each.name))}
    humids = [each for each in seen if each.role == HUMIDITY]
    for each in seen:
        if each.role in (AIR, SURFACE, TEMPERATURE) and abs(each.middle) > _NO_TEMPERATURE:
            each.leave("its figures can be no temperature")
    dew = by_sign.get("d")
    if dew is None or dew.role != "dew":
        return
    agrees = any(
        _dew_agrees(each, dew, humid, hints) < _CLOSE_DEW_K
        for each in seen
        for humid in humids
        if each.role in (AIR, TEMPERATURE)
    )
    if humids and not agrees:
        dew.role = TEMPERATURE
    elif agrees and {"a", "s"} <= set(by_sign) and by_sign["s"].role == TEMPERATURE:
        by_sign["s"].role = SURFACE
        by_sign["s"].why = "Ts beside Ta and Td is the surface's"


def _dew_agrees(air: Seen, dew: Seen, humid: Seen, hints: Hints) -> float:
    """How far a column is from the dew point reckoned from two others, in the best unit [K]."""
    apart: list[float] = []
    for unit in unit_choices(air, hints):
        dew_unit = dew.unit if dew.unit in TEMPERATURES else unit
        reckoned = dew_c(converted(air.values, unit, "degC"), percent_of(humid))
        apart.append(far_apart(reckoned, converted(dew.values, dew_unit, "degC")))
    return min(apart)


def _same_in_two_units(seen: list[Seen]) -> None:
    """Leave out the second of two columns that give one measurement in two units."""
    for at, first in enumerate(seen):
        if first.unit not in TEMPERATURES or first.role == "out":
            continue
        for second in seen[at + 1 :]:
            if (
                second.role == first.role
                and second.unit in TEMPERATURES
                and second.unit != first.unit
                and second.means.places == first.means.places
                and second.means.surface == first.means.surface
            ):
                a = converted(first.values, first.unit, "degC")
                b = converted(second.values, second.unit, "degC")
                if far_apart(a, b) < 0.7:
                    second.leave(f"{first.name!r} in another unit")


def _by_values(seen: list[Seen], found: Judgement) -> None:
    """Where no name says anything, take columns by what their figures can be."""
    known = {AIR, SURFACE, HUMIDITY, TEMPERATURE}
    lonely = [each for each in seen if each.role == "percent"]
    if (
        len(lonely) == 1
        and not any(each.role == HUMIDITY for each in seen)
        and 5.0 <= lonely[0].middle <= 103.0
    ):
        lonely[0].role = HUMIDITY
    for each in seen:
        if each.role == "percent":
            each.leave("a percentage, and nothing says of what")
    if any(each.role in known for each in seen):
        return
    blank = [each for each in seen if each.role == "unknown"]
    if not 2 <= len(blank) <= 4:
        return
    # Two that run side by side are temperatures; one apart from them, up to 100, is the humidity.
    pairs = [
        (far_apart(a.values, b.values), a, b) for at, a in enumerate(blank) for b in blank[at + 1 :]
    ]
    close = [pair for pair in pairs if pair[0] < 10.0]
    if len(blank) == 3 and len(close) == 1:
        _, a, b = close[0]
        (rest,) = (each for each in blank if each is not a and each is not b)
        if 5.0 <= rest.middle <= 103.0:
            a.role = b.role = TEMPERATURE
            rest.role = HUMIDITY
            rest.why = "its figures are no temperature beside the others"
            found.notices.append(
                f"Nothing is named: {a.name!r} and {b.name!r} look like temperatures and "
                f"{rest.name!r} like humidity, by their figures."
            )


def _pairs(temp: Seen, humid: Seen) -> bool:
    if temp.sight.body or humid.sight.body:
        return temp.sight.body == humid.sight.body
    if not temp.places and temp.means.kinds & {"sensor", "surface"}:
        return False
    return set(temp.places) == set(humid.places)


def _roles(
    seen: list[Seen],
    hints: Hints,
    answers: Mapping[str, str],
    guessed: frozenset[str],
    found: Judgement,
) -> None:
    humids = [each for each in seen if each.role == HUMIDITY]
    if any(not _EXTERNAL & set(each.places) for each in humids):
        for each in humids:
            if _EXTERNAL & set(each.places):
                for also in seen:
                    if set(also.places) == set(each.places) and also.role in (
                        TEMPERATURE, HUMIDITY, AIR,
                    ):  # fmt: skip
                        also.leave("it is outside, it seems: external air beside the enclosure's")
    humids = [each for each in seen if each.role == HUMIDITY]
    humids = humids or [
        each for each in seen if _may_stand_in(each) and not _SYMBOL.match(each.name)
    ]

    def of(role: str) -> list[Seen]:
        return [each for each in seen if each.role == role]

    bare = [
        each
        for each in of(TEMPERATURE)
        if not each.places and not each.means.kinds & {"sensor", "surface", "air"}
    ]
    # Of several temperatures in one body, nothing says which is the humidity's own.
    for humid in humids:
        beside = [each for each in of(TEMPERATURE) if _pairs(each, humid)]
        if len(beside) == 1 and not any(_pairs(air, humid) for air in of(AIR)):
            beside[0].role = AIR
    _by_own_reckoning(seen, hints)
    unsaid = of(TEMPERATURE)
    if not of(AIR) and len(bare) == 1 and bare[0].role == TEMPERATURE:
        bare[0].role = AIR
        unsaid = of(TEMPERATURE)
    if (
        not of(AIR) and len(unsaid) == 1 and not of(SURFACE) and humids
        and not _EXTERNAL & set(unsaid[0].places) and "building" not in unsaid[0].means.kinds
    ):  # fmt: skip
        unsaid[0].role = AIR
        unsaid[0].why = "the one temperature beside the humidity"
        unsaid = []
    if not unsaid:
        return
    if not of(SURFACE):
        candidates = [*unsaid, *(each for each in bare if each.role == AIR)]
        answer = _columns_said(answers.get("hull"), candidates)
        if answer is None:
            guess = min(unsaid, key=lambda each: each.middle) if len(unsaid) > 1 else unsaid[0]
            names = ", ".join(repr(each.name) for each in candidates)
            wanted = "the name of a column, several, or none"
            why = f"nothing says where to find {names}; {wanted}"
            fault_of = unless(lambda given: _columns_said(given, candidates), wanted)
            found.questions.append(
                Question("hull", "which probe lies on the hull", guess.name, why, fault_of)
            )
            return
        for each in candidates:
            if each.name in answer:
                each.role = SURFACE
                each.sure = "hull" not in guessed
                each.why = "taken for the probe on the hull" + ("" if each.sure else " by a guess")
        unsaid = of(TEMPERATURE)
        if answer and "hull" in guessed:
            for each in of(AIR):
                if each in candidates:
                    each.sure, each.why = False, "which probe lies on the hull is a guess"
        if not of(AIR) and len(unsaid) == 1:
            unsaid[0].role = AIR
            unsaid[0].sure = "hull" not in guessed
            unsaid[0].why = "the other temperature"
            return
    # A second probe on the hull that nobody asked for may be the colder one.
    for each in of(TEMPERATURE):
        key = f"measures {each.name}"
        role = _role_said(answers.get(key))
        if role is None:
            likely = NONE if of(AIR) else "air"
            wanted = "air, hull or none"
            why = f"{wanted}; its name does not say it"
            what = f"what {each.name!r} measures"
            found.questions.append(Question(key, what, likely, why, unless(_role_said, wanted)))
            return
        each.sure = key not in guessed
        if role == NONE:
            each.leave("said to measure nothing of the enclosure" if each.sure else _NOWHERE)
        else:
            each.role, each.why = role, "so it was said" if each.sure else "so it was guessed"


def _role_said(given: str | None) -> str | None:
    """Return what an answer says that a column measures, in any language; None if nothing clear.

    >>> [_role_said(text) for text in ("Luft", "on the hull", "none", "y", "ok", "inside")]
    ['air', 'surface', 'none', None, None, None]
    """
    words = fold(given or "").split()
    text = " ".join(word for word in words if word != "on")
    if text in _ROLE_SAID:
        return _ROLE_SAID[text]
    said = meaning(text)
    if said.places:
        return None
    return {frozenset(("air",)): AIR, frozenset(("surface",)): SURFACE}.get(
        said.kinds - {TEMPERATURE, "enclosure"}
    )


def _columns_said(given: str | None, candidates: Sequence[Seen]) -> frozenset[str] | None:
    """Return the columns that an answer names, by name or number; None where a part is not clear.

    A name may lack its unit in brackets, where it is that of one column all the same.
    """
    if given is None:
        return None
    names = [each.name for each in candidates]
    if given in names:
        return frozenset((given,))
    whole = _columns_named(given, names)
    if whole is not None:
        return whole
    found: set[str] = set()
    for part in re.split(r"[,;&+]|\band\b", given):
        named = _columns_named(part, names)
        if named is None:
            return None
        found |= named
    return frozenset(found)


def _columns_named(given: str, names: Sequence[str]) -> frozenset[str] | None:
    plain = given.strip().strip("'\"").casefold()
    for without in ("", r"\s*[\[(][^\])]*[\])]\s*$"):
        fitting = [
            name for name in names if plain and re.sub(without, "", name).casefold() == plain
        ]
        if len(fitting) == 1:
            return frozenset(fitting)
    if plain.isdecimal() and 1 <= int(plain) <= len(names):
        return frozenset((names[int(plain) - 1],))
    return frozenset() if plain == NONE else None


def _by_own_reckoning(seen: list[Seen], hints: Hints) -> None:
    """Find air and hull by the file's own dew point or difference, where no name says it."""
    unsaid = [each for each in seen if each.role == TEMPERATURE]
    dews = [each for each in seen if each.role == "dew"]
    deltas = [each for each in seen if each.role == "delta"]
    humids = [each for each in seen if each.role == HUMIDITY]
    if len(unsaid) < 2 or len(humids) != 1 or len(dews) != 1:
        return
    if any(each.role == AIR for each in seen):
        return  # a hull as warm as the air would agree as well
    fits: list[tuple[float, Seen]] = []
    for each in unsaid:
        fits.append((_dew_agrees(each, dews[0], humids[0], hints), each))
    close = {each.name for apart, each in fits if apart < AGREES_K}
    if len(close) == 1:
        air = next(each for each in unsaid if each.name in close)
        air.role, air.why = AIR, "the file's own dew point follows from it"
        others = [each for each in unsaid if each is not air]
        for each in others:
            for delta in deltas:
                if far_apart(each.values - dews[0].values, delta.values) < AGREES_K:
                    each.role = SURFACE
                    each.why = "the file's own difference to the dew point follows from it"


def _slug(words: Sequence[str]) -> str:
    text = unicodedata.normalize("NFKD", "-".join(dict.fromkeys(words)))
    return re.sub(r"[^a-z0-9]+", "-", fold(text)).strip("-")[:40]


_ELSEWHERE = frozenset(("outside", "dwelling", "device", "surface", "building", "extreme"))
_DEW_OVER_K = 0.5  # by rounding and two sensors' errors; judgement, no source [K]


def _may_stand_in(each: Seen) -> bool:
    """Whether a column is a dew point or a wet bulb in the enclosure's air."""
    return (
        (each.role == "dew" or "wetbulb" in each.means.kinds)
        and not each.means.kinds & _ELSEWHERE
        and each.unit in (None, *TEMPERATURES)
        and bool(np.isfinite(each.values).any())
    )


def _stand_in(each: Seen, seen: list[Seen]) -> None:
    """Take a dew point or a wet bulb for its body's humidity, where no column holds one."""
    if not _may_stand_in(each):
        return
    wet = "wetbulb" in each.means.kinds
    airs = [air for air in seen if air.role == AIR]
    own = [air for air in airs if _pairs(air, each)]
    if not own and len(airs) == 1 and not each.places and each.sight.body == airs[0].sight.body:
        own = airs
    if len(own) != 1:
        return
    air, source = own[0], WorkedOutFrom.WET_BULB if wet else WorkedOutFrom.DEW_POINT
    others = [
        other for other in seen
        if other is not each and (other.role == "dew" or other.worked_out_from is not None)
        and (_pairs(air, other) or not other.places)
    ]  # fmt: skip
    if others and (wet or others[0].worked_out_from is not None):
        return  # a dew point of the same body goes before, and needs no air pressure
    unit = each.unit or air.unit or "degC"
    over_k = converted(each.values, unit, "degC") - converted(air.values, air.unit or unit, "degC")
    over_k = over_k[np.isfinite(over_k)]
    if not over_k.size or float(np.median(over_k)) > _DEW_OVER_K:
        return
    words = "wet bulb" if wet else "dew point"
    each.role, each.unit, each.worked_out_from = HUMIDITY, unit, source
    each.why = f"humidity is worked out from this {words} and the air, since no column holds it"
    each.sure = air.sure
    if _SYMBOL.match(each.name):
        each.sure, each.why = False, f"{each.name!r} may be a dew point, a dry bulb or a deck"


def _names(seen: list[Seen]) -> None:
    """Give each column that is used its point; air and humidity of one place share one."""
    taken: set[tuple[str, str]] = set()

    def unlike(name: str, role: str) -> str:
        number, found = 2, name
        while (found, role) in taken:
            found, number = f"{name}-{number}", number + 1
        taken.add((found, role))
        return found

    airs = [each for each in seen if each.role == AIR]
    for each in airs:
        place = each.places or ((each.sight.body,) if each.sight.body and len(airs) > 1 else ())
        each.point = unlike(_slug(["air", *place]) or "air", AIR)
    for each in seen:
        if each.role == SURFACE:
            words = [*each.means.surface, *each.places]
            if not each.means.surface:
                words = ["hull", *(word for word in each.places if len(airs) and word.isalpha())]
            each.point = unlike(_slug(words) or "hull", SURFACE)
        elif each.role in ("co2", "dust"):
            each.point = unlike(_slug(["air", *each.places]), each.role)
    free = [each for each in seen if each.role == HUMIDITY]
    for each in free:
        fitting = [air for air in airs if _pairs(air, each)]
        if not fitting and len(airs) == 1:
            fitting = airs
        if not fitting:
            fitting = [air for air in airs if not air.places and not each.places]
        if not fitting and len(free) == 1 and airs:
            # The warmest air beside the one humidity has the highest dew point: the safe side.
            fitting = [max(airs, key=lambda each: each.middle)]
            each.why = f"paired with {fitting[0].name!r}, the warmest air"
        if not fitting or (fitting[0].point, HUMIDITY) in taken:
            each.leave("no air temperature of the same place stands beside it")
            continue
        each.point = unlike(fitting[0].point, HUMIDITY)
