"""How the screen looks and counts: colours, dimness, units, hours; nothing of what it says.

The colours themselves stand in `monitor.palette`; no meaning rests on them alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from enum import StrEnum
from functools import cache, lru_cache
from typing import NamedTuple

from rich.style import Style

from monitor.display import Units, display_units
from monitor.palette import COLOURS, Scheme
from monitor.snapshot import Snapshot
from rules.call import Call
from rules.text import hour_and_day_text, hour_text
from rules.units import difference_in, from_celsius
from rules.us_units import in_us_units


class Colours(StrEnum):
    """What the terminal can show."""

    NONE = "none"
    SIXTEEN = "16"
    FULL = "full"


class Look(NamedTuple):
    """How a role is drawn.

    Attributes:
        colour: its role in the palette.
        weight: what stands beside the palette's colour: bold, underline.
        sixteen: style in sixteen colours.
        none: marks where there is no colour.
    """

    colour: str
    weight: str
    sixteen: str
    none: str


_BRIGHT: dict[str, Look] = {
    "page": Look("page", "", "none", "none"),
    "go": Look("go", "bold", "black on green", "bold"),
    "hold": Look("hold", "bold", "black on yellow", "bold"),
    "stop": Look("stop", "bold", "bold white on red", "reverse"),
    # A GO that nothing renews: no green, since there is nothing normal about it.
    "quiet-go": Look("quiet-go", "bold", "black on white", "bold"),
    "quiet": Look("quiet", "bold", "black on magenta", "bold reverse underline"),
    "go-word": Look("go-word", "bold", "bold green", "bold"),
    "hold-word": Look("hold-word", "bold", "bold yellow", "bold"),
    "stop-word": Look("stop-word", "bold", "bold red", "bold reverse"),
    "head": Look("head", "bold", "bold cyan", "bold"),
    "label": Look("label", "", "none", "none"),
    "strong": Look("strong", "bold", "bold", "bold"),
    "ok": Look("go-word", "", "green", "none"),
    "near": Look("hold-word", "", "yellow", "bold"),
    "broken": Look("stop-word", "bold", "bold red", "bold reverse"),
    "unknown": Look("unknown", "bold", "bold magenta", "bold underline"),
    "recording": Look("recording", "bold", "black on cyan", "bold reverse"),
    "alarm": Look("alarm", "bold", "bold white on red", "bold reverse"),
    "prompt": Look("prompt", "bold", "black on cyan", "reverse"),
    "caution": Look("caution", "", "yellow", "none"),
    "trend": Look("trend", "", "cyan", "none"),
}

# For a dark tent: no filled bands.
_DIM: dict[str, Look] = {
    "page": Look("page", "", "none", "none"),
    "go": Look("go", "", "green on black", "none"),
    "hold": Look("hold", "", "yellow on black", "none"),
    "stop": Look("stop", "", "red on black", "bold"),
    "quiet-go": Look("quiet-go", "", "none", "none"),
    "quiet": Look("quiet", "bold underline", "magenta underline", "bold underline"),
    "go-word": Look("go-word", "", "green", "none"),
    "hold-word": Look("hold-word", "", "yellow", "none"),
    "stop-word": Look("stop-word", "", "red", "bold"),
    "head": Look("head", "", "none", "none"),
    "label": Look("label", "", "none", "none"),
    "strong": Look("strong", "", "none", "none"),
    "ok": Look("go-word", "", "green", "none"),
    "near": Look("hold-word", "", "yellow", "none"),
    "broken": Look("stop-word", "", "red", "bold"),
    "unknown": Look("unknown", "", "magenta", "underline"),
    "recording": Look("recording", "underline", "underline", "underline"),
    "alarm": Look("alarm", "bold underline", "red underline", "bold underline"),
    "prompt": Look("prompt", "underline", "underline", "underline"),
    "caution": Look("caution", "", "yellow", "none"),
    "trend": Look("trend", "", "none", "none"),
}


@lru_cache(maxsize=256)
def _hour_and_day(time_s: float, zone: tzinfo, now_s: float, *, twelve_hours: bool) -> str:
    """The same words for a whole minute: a screen asks for some fifty of them a redraw."""
    return hour_and_day_text(time_s, zone, now_s, twelve_hours=twelve_hours)


@cache
def _style(role: str, colours: Colours, *, dim: bool) -> Style:
    look = (_DIM if dim else _BRIGHT)[role]
    if colours is not Colours.FULL:
        return Style.parse(look.sixteen if colours is Colours.SIXTEEN else look.none)
    colour = COLOURS[Scheme.DIM if dim else Scheme.SCREEN, look.colour]
    ground = f" on {colour.ground}" if colour.filled else ""
    return Style.parse(f"{look.weight} {colour.ink}{ground}")


@dataclass(frozen=True, slots=True)
class Theme:
    """How a screen is to look and count.

    Attributes:
        colours: none, sixteen or full.
        dim: for a dark tent.
        fahrenheit: °F in place of °C and K.
        twelve_hours: 2:32 pm in place of 14:32.
        few_glyphs: the terminal's font has half blocks but no eighths (a bare Linux console).
    """

    colours: Colours = Colours.FULL
    dim: bool = False
    fahrenheit: bool = False
    twelve_hours: bool = False
    few_glyphs: bool = False

    def style(self, role: str) -> Style:
        """Return the style of a role; raises KeyError for a role that does not exist."""
        return _style(role, self.colours, dim=self.dim)

    def band(self, call: Call) -> Style:
        """Return the style of the band that the call's letters stand on."""
        return self.style(call.value.lower())

    def call_word(self, call: Call) -> Style:
        """Return the style of a call's word in a line."""
        return self.style(f"{call.value.lower()}-word")

    # --- units

    def temp(self, temp_c: float, spread_k: float | None = None, *, places: int = 1) -> str:
        """Return a temperature as people there count, with its ± where there is one.

        >>> Theme().temp(18.24, 0.31), Theme(fahrenheit=True).temp(18.24)
        ('18.2 ± 0.3 °C', '64.8 °F')
        """
        value = from_celsius(temp_c, self._unit)
        return self._with_spread(value, self._difference(spread_k), self.temp_unit, places)

    def difference(self, change_k: float, spread_k: float | None = None, *, places: int = 1) -> str:
        """Return a temperature difference, with its ± where there is one.

        >>> Theme().difference(2.13, 0.9), Theme(fahrenheit=True).difference(2.0)
        ('2.1 ± 0.9 K', '3.6 °F')
        """
        value = difference_in(change_k, self._unit)
        return self._with_spread(value, self._difference(spread_k), self.difference_unit, places)

    def percent(self, value_pct: float, spread_pct: float | None = None) -> str:
        """Return a humidity, with its ± where there is one."""
        spread = "" if spread_pct is None else f" ± {spread_pct:.0f}"
        return f"{value_pct:.0f}{spread} %"

    def words(self, text: str) -> str:
        """Return a sentence in the units of people there."""
        return in_us_units(text) if self.fahrenheit else text

    def worded(self, snapshot: Snapshot) -> Snapshot:
        """Return a snapshot whose sentences are in the units of people there."""
        if not self.fahrenheit:
            return snapshot
        return replace(
            snapshot,
            calls=tuple(
                replace(
                    call,
                    advice=self.words(call.advice),
                    reasons=tuple(replace(r, text=self.words(r.text)) for r in call.reasons),
                )
                for call in snapshot.calls
            ),
            clocks=tuple(
                replace(clock, basis=self.words(clock.basis), advice=self.words(clock.advice))
                for clock in snapshot.clocks
            ),
            alarm=self.words(snapshot.alarm),
            notices=tuple(self.words(each) for each in snapshot.notices),
            no_plan=self.words(snapshot.no_plan),
            outlook_why={name: self.words(why) for name, why in snapshot.outlook_why.items()},
        )

    @property
    def temp_unit(self) -> str:
        """°C or °F."""
        return "°F" if self.fahrenheit else "°C"

    @property
    def _unit(self) -> str:
        return "degF" if self.fahrenheit else "degC"

    @property
    def difference_unit(self) -> str:
        """K or °F."""
        return "°F" if self.fahrenheit else "K"

    def _difference(self, change_k: float | None) -> float | None:
        if change_k is None:
            return None
        return difference_in(change_k, self._unit)

    @staticmethod
    def _with_spread(value: float, spread: float | None, unit: str, places: int) -> str:
        shown = f"{value:.{places}f}"
        if not float(shown):
            shown = shown.lstrip("-")
        return f"{shown} {unit}" if spread is None else f"{shown} ± {spread:.1f} {unit}"

    # --- time

    def hour(self, time_s: float, zone: tzinfo) -> str:
        """Return the time of day there.

        >>> from datetime import UTC
        >>> Theme().hour(52_320.0, UTC), Theme(twelve_hours=True).hour(52_320.0, UTC)
        ('14:32', '2:32 pm')
        """
        return hour_text(time_s, zone, twelve_hours=self.twelve_hours)

    def hour_and_day(self, time_s: float, zone: tzinfo, now_s: float) -> str:
        """Return the time of day, with its day where that is not today's."""
        minute_s, now_minute_s = time_s // 60.0 * 60.0, now_s // 60.0 * 60.0
        return _hour_and_day(minute_s, zone, now_minute_s, twelve_hours=self.twelve_hours)


def zone_word(time_s: float, zone: tzinfo) -> str:
    """Return what the zone is called at that time, such as UTC or CEST."""
    return datetime.fromtimestamp(time_s, zone).tzname() or "UTC"


def colours_of(environ: Mapping[str, str]) -> Colours:
    """Return what a terminal can show, by its environment.

    Source:
        NO_COLOR set and not empty means no colour (no-color.org); COLORTERM and the -256color
        of TERM are common practice, no source.

    >>> colours_of({"TERM": "xterm-256color"}), colours_of({"TERM": "linux"})
    (<Colours.FULL: 'full'>, <Colours.SIXTEEN: '16'>)
    """
    term = environ.get("TERM", "")
    if environ.get("NO_COLOR") or term in ("", "dumb") or term.startswith("vt"):
        return Colours.NONE
    if environ.get("COLORTERM", "") in ("truecolor", "24bit") or "256color" in term:
        return Colours.FULL
    return Colours.SIXTEEN


def theme_of(
    environ: Mapping[str, str],
    *,
    dim: bool = False,
    twelve_hours: bool = False,
) -> Theme:
    """Return the theme for a terminal, in the units that people read here.

    Args:
        environ: the environment's variables.
        dim: start in dim mode.
        twelve_hours: am and pm.
    """
    return Theme(
        colours=colours_of(environ),
        dim=dim,
        fahrenheit=display_units() is Units.US,
        twelve_hours=twelve_hours,
        few_glyphs=environ.get("TERM") == "linux",
    )
