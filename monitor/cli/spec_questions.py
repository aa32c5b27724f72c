"""Asks at a terminal for the figures of a new spec: one question a figure, with its reason."""

from __future__ import annotations

import re
from collections.abc import Callable

from rules.numbers import number
from rules.text import printable
from rules.toml_table import UNLIMITED
from rules.units import BadAmount, amount

# A value still to be entered, with its unit: "? K", "? days", "?:?", "?".
_OPEN = re.compile(r"\"\?(?P<ratio>:\?)?(?: (?P<unit>[^\"]+))?\"")
_TABLE = re.compile(r"\[(?P<table>[\w.-]+)\]")
# Asked although they stand as comments: few sheets lack them, and an empty answer leaves them so.
_OFFERED = ("times.recoat_opens", "times.recoat_closes")
# Why each is asked for, where the file's own line does not say it.
_REASONS = {
    "sheet": "the data sheet's title, so that a report can name it",
    "dew_margin_min": "how far the surface must stay over the dew point; under it the film is damp",
    "humidity_max": "above it solvent and water stay in the film, or it blushes",
    "humidity_min": "it needs water from the air to cure",
    "surface_temp_min": "below it the film does not cure",
    "touch_dry": "until then dust and damp reach the film",
    "handle": "until then it can be marked",
    "cured": "until then cold can stop it",
    "recoat_opens": "the next coat goes on from then; empty where the sheet does not say",
    "recoat_closes": "past it the next coat needs sanding; unlimited where the sheet sets no end, "
    "empty where it does not say",
    "pot_life": "how long a mix may be used at that temperature",
    "solids_by_volume": "how much of the wet film stays, for the amount to mix",
    "thinner_max": "never more than this share of the mix; 0 where none may be added",
    "ratio": "base to hardener, as 3:1",
}
_AS = {"K": "K", "%": "%", "degC": "degC", "h": "s", "min": "s", "days": "s"}


def asked(text: str, ask: Callable[[str], str], say: Callable[[str], None]) -> str:
    """Return a starting file with what a person entered; an empty answer leaves its ? standing.

    Args:
        text: of the file, as `new_spec_text` gives it.
        ask: shows a question and returns the line typed.
        say: prints one line.
    """
    table = ""
    lines = text.splitlines(keepends=True)
    for at, line in enumerate(lines):
        offered = line.removeprefix("# ")
        head = _TABLE.match(offered)
        if head is not None:
            table = head["table"]
        if f"{table}.{offered.partition(' ')[0]}" in _OFFERED:
            line = offered
        if line.lstrip().startswith("#"):
            continue
        key = line.partition("=")[0].strip()
        found = _OPEN.search(line)
        if found is None or not key:
            continue
        reason = _REASONS.get(key) or line.partition("#")[2].strip()
        what = f"{table}.{key}" if table else key
        warmth = re.search(r"\{ \"([^\"]+)\" = ", line)
        if warmth is not None:
            what += f" at {warmth[1].replace('degC', '°C')}"
        say(f"  {reason}")
        endless = UNLIMITED if key == "recoat_closes" else ""
        answer = _answer(what, found["unit"] or "", bool(found["ratio"]), ask, say, endless)
        if answer and answer == endless:
            lines[at] = f'{key} = "{endless}"\n'
        elif answer:
            lines[at] = f'{line[: found.start()]}"{answer}"{line[found.end() :]}'
    return "".join(lines)


def _answer(
    what: str,
    unit: str,
    is_ratio: bool,
    ask: Callable[[str], str],
    say: Callable[[str], None],
    endless: str,
) -> str:
    """Return what goes into the file, or "" where it is left open."""
    shown = f" [{unit.replace('degC', '°C')}]" if unit else ""
    while True:
        given = " ".join(ask(f"? {what}{shown}: ").split())
        if not given or given == endless:
            return given
        fault = _fault(given, unit, is_ratio)
        if fault is None:
            return f"{given} {unit}" if unit and number(given) is not None else given
        say(f"  {fault}")
        say("  Enter alone leaves it open.")


def _fault(given: str, unit: str, is_ratio: bool) -> str | None:
    if '"' in given or "\\" in given or not given.isprintable():
        return f"{printable(given, 60)!r} holds a sign that no figure has; enter it again"
    if is_ratio:
        parts = [number(part) for part in given.split(":")]
        good = len(parts) == 2 and all(part is not None and part > 0.0 for part in parts)
        return None if good else f"{printable(given, 40)!r} is no ratio; write it like 3:1"
    if unit and number(given) is None:
        try:
            amount(given, _AS.get(unit, unit), difference=unit == "K")
        except BadAmount as bad:
            return str(bad)
    return None
