"""What the words of a header mean, in the languages of `words.toml`, and the units they name."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

# A word of one language only says which that is, unless other languages use it for other things.
_TELLS_LANGUAGE = frozenset(
    ("temperature", "humidity", "air", "enclosure", "surface", "dew", "time", "device")
)
# Words that English has too, or has taken over.
_TELLS_NOTHING = frozenset(
    ("data", "ora", "cas", "carte", "bat", "hal", "nave", "sala", "support", "taller", "pile")
) | frozenset(("tension", "stan", "hall", "romp"))
_SHORTEST_PART = 3  # letters of a word that may be part of a longer one
_LINKS = ("", "s", "n", "en", "es", "e", "er", "ns")
_LETTERS = str.maketrans({"ł": "l", "ø": "o", "æ": "ae", "œ": "oe", "ß": "ss", "đ": "d", "ı": "i"})


def fold(text: str) -> str:
    """Return a text in lower case without accents.

    >>> fold("Oberflächen"), fold("Kadłub"), fold("KØL")
    ('oberflachen', 'kadlub', 'kol')
    """
    plain = unicodedata.normalize("NFKD", text.casefold()).translate(_LETTERS)
    return "".join(letter for letter in plain if not unicodedata.combining(letter))


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a header seems to say.

    Attributes:
        text: the header.
        kinds: tables of `words.toml` that its words stand in.
        places: words that stand in none, and numbers: where, or which.
        surface: its surface words.
        unit: degC, degF, K, %, 1, ppm, ug/m3, "other" for one of no use here, or None.
        languages: that use its words, where English does not.
    """

    text: str
    kinds: frozenset[str]
    places: tuple[str, ...]
    surface: tuple[str, ...]
    unit: str | None
    languages: frozenset[str]


@cache
def _tables() -> dict[str, dict[str, str]]:
    text = files("sensors.recording").joinpath("words.toml").read_text("utf-8")
    return tomllib.loads(text)


@cache
def _vocabulary() -> dict[str, tuple[frozenset[str], frozenset[str]]]:
    """Word -> (kinds, languages)."""
    found: dict[str, tuple[set[str], set[str]]] = {}
    for kind, by_language in _tables().items():
        if kind == "months":
            continue
        for language, words in by_language.items():
            for word in words.split():
                kinds, languages = found.setdefault(fold(word), (set(), set()))
                kinds.add(kind)
                languages.add(language)
    return {word: (frozenset(kinds), frozenset(by)) for word, (kinds, by) in found.items()}


@cache
def _months() -> tuple[tuple[str, int], ...]:
    """Full names with their number, folded."""
    return tuple(
        (fold(name), number)
        for names in _tables()["months"].values()
        for number, name in enumerate(names.split(), 1)
    )


@cache
def month_number(word: str) -> int | None:
    """Return the month that a name stands for, in full or cut short, or None where it is unclear.

    >>> [month_number(word) for word in ("Mär", "août", "sept.", "kwi", "kesä", "Ma", "xyz")]
    [3, 8, 9, 4, 6, None, None]
    """
    short = fold(word).rstrip(".")
    short = short.removesuffix("ta") if short.endswith("kuuta") else short
    if len(short) < 3:
        return None
    fitting = {number for name, number in _months() if name == short}
    fitting = fitting or {number for name, number in _months() if name.startswith(short)}
    # `mar` begins March in ten languages and `marraskuu`, November, in one: the shorter name wins.
    if len(fitting) > 1:
        at_three = [(len(name), number) for name, number in _months() if name.startswith(short)]
        shortest = min(at_three)[0]
        fitting = {number for length, number in at_three if length == shortest}
    return fitting.pop() if len(fitting) == 1 else None


def _split_name(name: str) -> list[str]:
    """Split a header into words: at signs, at a capital, before a number."""
    text = name.replace("℃", " degC ").replace("℉", " degF ").replace("µ", "u").replace("μ", "u")
    text = re.sub(r"[Δ∆δ]", " delta ", text)
    text = re.sub(r"[°º˚]\s*([CcFf])\b", r" deg\1 ", text)
    text = re.sub(r"\bdeg(?:ree)?s?[ ._]*([CF])\b", r" deg\1 ", text, flags=re.IGNORECASE)
    text = re.sub(r"\br\.\s?[hfHF]\.?(?!\w)|\br[HF](?!\w)|\bR\.H\.?(?!\w)", " rh ", text)
    text = re.sub(r"\bRH(?=[a-z])", " rh ", text)
    text = re.sub(r"[Dd]ry[ _-]?[Bb]ulb|\bDB\b", " temp air ", text)
    text = re.sub(r"[Ww]et[ _-]?[Bb]ulb|\bWB\b", " wetbulb ", text)
    text = re.sub(r"\b[Tt]s\s?[-−–]\s?[Tt][ad]\b", " delta ", text)
    text = re.sub(r"(?:\bT|^\s*t)[_ .]?a(?![A-Za-z])", " temp air ", text)
    text = re.sub(r"(?:\bT|^\s*t)[_ .]?d(?![A-Za-z])", " dew ", text)
    text = re.sub(r"(?:\bT|^\s*t)[_ .]?s(?![A-Za-z])", " temp s ", text)
    text = re.sub(r"\bT(?=(?:air|amb|dew|in|out)(?![a-z]))", " temp ", text)
    text = re.sub(r"(?<![a-z])h\.\s?r\.|(?<![a-z])u\.\s?r\.", " rh ", text, flags=re.IGNORECASE)
    text = re.sub(r"co[_ ]?2|co₂", " carbondioxide ", text, flags=re.IGNORECASE)
    text = re.sub(r"pm[_ ]?2[._p]?5", " dust ", text, flags=re.IGNORECASE)
    text = re.sub(r"ug ?(/|per|_)? ?m(\^?3|³)", " ", text, flags=re.IGNORECASE)
    text = text.replace("degC", "degc").replace("degF", "degf")
    text = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", text)
    text = re.sub(r"(?<=[A-Za-z])(?=\d)", " ", text)
    return re.findall(r"[^\W_]+", text.casefold())


_BRACKET_UNITS = {
    "c": "degC", "degc": "degC", "celsius": "degC", "cel": "degC", "f": "degF", "degf": "degF",
    "fahrenheit": "degF", "k": "K", "kelvin": "K", "%": "%", "%rh": "%", "rh%": "%", "pct": "%",
    "percent": "%", "%rf": "%", "%hr": "%", "%ur": "%", "%rv": "%", "prozent": "%", "procent": "%",
    "prosent": "%", "0-1": "1", "0..1": "1", "0...1": "1", "0to1": "1", "0–1": "1", "fraction": "1",
    "ppm": "ppm", "ug/m3": "ug/m3", "µg/m³": "ug/m3", "μg/m³": "ug/m3", "grad c": "degC",
    "gradc": "degC", "grader c": "degC", "%r.h.": "%", "%r.f.": "%", "r.f.": "%", "1": "1",
    "-": "", "": "", "degreesc": "degC", "degreesf": "degF", "degreec": "degC", "degreef": "degF",
    "degrees celsius": "degC", "degrees fahrenheit": "degF", "%h.r.": "%",
}  # fmt: skip
_OTHER_UNITS = frozenset((
    "v", "mv", "volt", "volts", "a", "ma", "hpa", "pa", "kpa", "mbar", "bar", "mmhg", "psi", "lx",
    "lux", "w/m2", "w/m²", "m/s", "km/h", "mph", "g/m3", "g/m³", "g/kg", "kg/kg", "kj/kg", "kj",
    "dbm", "db", "s", "sec", "min", "h", "hz", "mm", "cm", "m", "in", "ft", "ms", "kwh", "wh", "w",
    "gr/lb", "mg/m3", "j/kg",
))  # fmt: skip


def stated_unit(text: str) -> str | None:
    """Return the unit that a cell of a units row, or the inside of a bracket, states.

    Returns:
        degC, degF, K, %, 1, ppm or ug/m3; "other" for a unit of no use here; "" for a mark that
        there is none; None where it is no unit.

    >>> [stated_unit(text) for text in ("°F", "% RH", "deg C", "hPa", "Hull")]
    ['degF', '%', 'degC', 'other', None]
    """
    plain = text.replace("℃", "C").replace("℉", "F").strip().strip("[](){}").strip()
    plain = re.sub(r"[°º˚]", "", plain).strip().casefold()
    plain = re.sub(r"^deg(?:ree)?s?[ ._]*(?=[cfk]$)", "", plain)
    for spelled in (plain, plain.replace(" ", "")):
        if spelled in _BRACKET_UNITS:
            return _BRACKET_UNITS[spelled]
    return "other" if plain in _OTHER_UNITS else None


def _unit_of(name: str) -> str | None:
    """The unit that a header states, by bracket, sign or last word."""
    for inside in reversed(re.findall(r"[(\[{]([^()\[\]{}]*)[)\]}]", name)):
        for part in (inside, *re.split(r"[,;]", inside)):
            unit = stated_unit(part)
            if unit:
                return unit
    if re.search(r"\b0\s?(?:-|–|\.\.+|to)\s?1\b", name):
        return "1"
    tail = re.split(r"[,;/|]|\s[-–]\s", name)[-1]
    if tail != name and stated_unit(tail):
        return stated_unit(tail)
    words = _split_name(name)
    marked = re.search(r"[°º˚℃℉]|\bdeg", name, re.IGNORECASE) is not None
    for at in range(len(words) - 1, -1, -1):
        word = words[at]
        if word in ("degc", "celsius"):
            return "degC"
        if word in ("degf", "fahrenheit"):
            return "degF"
        if word == "kelvin":
            return "K"
        # `Probe C` is the third of its kind; `Temp C` is in degrees Celsius.
        before = _vocabulary().get(fold(words[at - 1]), (frozenset(), frozenset()))[0] if at else ()
        if word in ("c", "f", "k") and at and not marked and "sensor" not in before:
            return {"c": "degC", "f": "degF", "k": "K"}[word]
    if "%" in name or {"pct", "percent", "prozent", "procent", "prosent"} & set(words):
        return "%"
    if "fraction" in words:
        return "1"
    last = words[-1] if words else ""
    if len(words) > 1 and last in _OTHER_UNITS and last not in ("a", "m", "s", "in", "h", "min"):
        return "other"
    return None


def temperature_unit(name: str) -> str | None:
    """Return the temperature unit that a header name states, or None where it states none.

    >>> temperature_unit("Hull temp (°F)"), temperature_unit("air_temp_c"), temperature_unit("T")
    ('degF', 'degC', None)
    """
    unit = _unit_of(name)
    return unit if unit in ("degC", "degF", "K") else None


def letter_unit(name: str) -> tuple[str, str] | None:
    """Return (what stands before, letter) of a header that ends in a letter on its own, or None.

    `Hull F` may be in degrees Fahrenheit, or lie forward of `Hull A`.

    >>> letter_unit("Hull F"), letter_unit("Hull_A"), letter_unit("Hull (F)"), letter_unit("F")
    (('hull', 'f'), ('hull', 'a'), None, None)
    """
    found = re.fullmatch(r"\s*(.*[^\s_.-])[\s_.-]+([A-Za-z])\s*", name)
    return None if found is None else (fold(found[1]), found[2].lower())


@cache
def _parts_of(word: str) -> tuple[str, ...]:
    """Take a word that is written as one apart into known words; empty where that fails.

    >>> _parts_of("oberflachentemperatur"), _parts_of("romptemperatuur")
    (('oberflachen', 'temperatur'), ('romp', 'temperatuur'))
    """
    vocabulary = _vocabulary()
    if word in vocabulary:
        return (word,)
    for cut in range(len(word) - _SHORTEST_PART, _SHORTEST_PART - 1, -1):
        first, rest = word[:cut], word[cut:]
        for link in _LINKS:
            if link and not first.endswith(link):
                continue
            stem = first[: len(first) - len(link)]
            if len(stem) >= _SHORTEST_PART and stem in vocabulary:
                others = _parts_of(rest)
                if others:
                    return (stem, *others)
    return ()


@cache
def _ending(word: str) -> tuple[str, tuple[str, ...]]:
    """Return an unknown word's beginning, and the temperature or humidity that it ends in.

    >>> _ending("boattemp"), _ending("starboard")
    (('boat', ('temp',)), ('starboard', ()))
    """
    for cut in range(2, len(word) - 3):
        kinds = _vocabulary().get(word[cut:], (frozenset(), frozenset()))[0]
        if kinds & {"temperature", "humidity"}:
            return word[:cut], (word[cut:],)
    return word, ()


_MOST_LETTERS = 400  # no header's cell says more by being longer


def meaning(name: str) -> Meaning:
    """Return what a header seems to say.

    >>> sorted(meaning("Oberflächentemperatur [°C]").kinds), meaning("Hull temp (°F)").unit
    (['surface', 'temperature'], 'degF')
    >>> meaning("RH stern").places
    ('stern',)
    """
    vocabulary = _vocabulary()
    kinds: set[str] = set()
    places: list[str] = []
    surface: list[str] = []
    languages: set[str] = set()
    for raw in _split_name(name[:_MOST_LETTERS]):
        word = fold(raw)
        parts = _parts_of(word) if len(word) > _SHORTEST_PART or word in vocabulary else ()
        if not parts:
            place, parts = _ending(word)
            if place:
                places.append(place)
        for part in parts:
            of, used_in = vocabulary[part]
            kinds |= of
            if "surface" in of:
                surface.append(part)
            tells = of & _TELLS_LANGUAGE and len(part) > 2 and part not in _TELLS_NOTHING
            if tells and "en" not in used_in:
                languages |= used_in
    kinds.discard("filler")
    unit = _unit_of(name)
    return Meaning(
        name, frozenset(kinds), tuple(places), tuple(surface), unit or None, frozenset(languages)
    )


def head_kinds(name: str) -> frozenset[str]:
    """Return the kinds of a header of a long file; the word for sensor counts there."""
    return meaning(name).kinds
