"""How the screen looks and counts: colours, dimness, units, hours; nothing of what it says.

Colours follow IEC 60073:2002 (green normal, yellow abnormal, red danger); no meaning rests on
them alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from enum import StrEnum
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from rich.style import Style

from rules.call import Call
from rules.text import hour_and_day_text, hour_text
from rules.units import difference_in, from_celsius


class Colours(StrEnum):
    """What the terminal can show."""

    NONE = "none"
    SIXTEEN = "16"
    FULL = "full"


# One line a role: colours in full, in sixteen, and marks where there is no colour.
_BRIGHT: dict[str, tuple[str, str, str]] = {
    "page": ("#e8e6df on #14181c", "none", "none"),
    "go": ("bold #ffffff on #0b7a4b", "black on green", "bold"),
    "hold": ("bold #17130a on #f4b400", "black on yellow", "bold"),
    "stop": ("bold #ffffff on #c3121f", "bold white on red", "reverse"),
    # A GO that nothing renews: no green, since there is nothing normal about it.
    "quiet-go": ("bold #14181c on #9aa3ab", "black on white", "bold"),
    "quiet": ("bold #14181c on #c9a3ff", "black on magenta", "bold reverse underline"),
    "go-word": ("bold #4fd694", "bold green", "bold"),
    "hold-word": ("bold #f4b400", "bold yellow", "bold"),
    "stop-word": ("bold #ff6b6b", "bold red", "bold reverse"),
    "head": ("bold #8fb7d9", "bold cyan", "bold"),
    "label": ("#9aa3ab", "none", "none"),
    "strong": ("bold #ffffff", "bold", "bold"),
    "ok": ("#4fd694", "green", "none"),
    "near": ("#f4b400", "yellow", "bold"),
    "broken": ("bold #ff6b6b", "bold red", "bold reverse"),
    "unknown": ("bold #c9a3ff", "bold magenta", "bold underline"),
    "recording": ("bold #14181c on #8fb7d9", "black on cyan", "bold reverse"),
    "alarm": ("bold #ffffff on #c3121f", "bold white on red", "bold reverse"),
    "prompt": ("bold #14181c on #8fb7d9", "black on cyan", "reverse"),
    "caution": ("#d8c58a", "yellow", "none"),
    "trend": ("#58a6c9", "cyan", "none"),
}

# For a dark tent: no filled bands, nothing brighter than an ember.
_DIM: dict[str, tuple[str, str, str]] = {
    **_BRIGHT,
    "page": ("#8a6f5a on #000000", "none", "none"),
    "go": ("#2f7d55 on #000000", "green on black", "none"),
    "hold": ("#9a7412 on #000000", "yellow on black", "none"),
    "stop": ("#b03030 on #000000", "red on black", "bold"),
    "quiet-go": ("#7a624f on #000000", "none", "none"),
    "quiet": ("bold underline #86609f", "magenta underline", "bold underline"),
    "go-word": ("#2f7d55", "green", "none"),
    "hold-word": ("#9a7412", "yellow", "none"),
    "stop-word": ("#b03030", "red", "bold"),
    "head": ("#7f6a55", "none", "none"),
    "label": ("#7a624f", "none", "none"),
    "strong": ("#b08a66", "none", "none"),
    "ok": ("#2f7d55", "green", "none"),
    "near": ("#9a7412", "yellow", "none"),
    "broken": ("#b03030", "red", "bold"),
    "unknown": ("#86609f", "magenta", "underline"),
    "recording": ("underline #8a6f5a", "underline", "underline"),
    "alarm": ("bold underline #b03030", "red underline", "bold underline"),
    "prompt": ("underline #b08a66", "underline", "underline"),
    "caution": ("#8a6f3a", "yellow", "none"),
    "trend": ("#6a5a7a", "none", "none"),
}


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
        full, sixteen, none = (_DIM if self.dim else _BRIGHT)[role]
        if self.colours is Colours.FULL:
            return Style.parse(full)
        return Style.parse(sixteen if self.colours is Colours.SIXTEEN else none)

    def band(self, call: Call) -> Style:
        """Return the style of the band that the call's letters stand on."""
        return self.style(call.value.lower())

    def call_word(self, call: Call) -> Style:
        """Return the style of a call's word in a line."""
        return self.style(f"{call.value.lower()}-word")

    # --- units

    def temp(self, temp_c: float, spread_k: float | None = None) -> str:
        """Return a temperature as people there count, with its ± where there is one.

        >>> Theme().temp(18.24, 0.31), Theme(fahrenheit=True).temp(18.24)
        ('18.2 ± 0.3 °C', '64.8 °F')
        """
        value = from_celsius(temp_c, self._unit)
        return self._with_spread(value, self._difference(spread_k), self.temp_unit)

    def difference(self, change_k: float, spread_k: float | None = None) -> str:
        """Return a temperature difference, with its ± where there is one.

        >>> Theme().difference(2.13, 0.9), Theme(fahrenheit=True).difference(2.0)
        ('2.1 ± 0.9 K', '3.6 °F')
        """
        value = difference_in(change_k, self._unit)
        return self._with_spread(value, self._difference(spread_k), self.difference_unit)

    def percent(self, value_pct: float, spread_pct: float | None = None) -> str:
        """Return a humidity, with its ± where there is one."""
        spread = "" if spread_pct is None else f" ± {spread_pct:.0f}"
        return f"{value_pct:.0f}{spread} %"

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
    def _with_spread(value: float, spread: float | None, unit: str) -> str:
        shown = f"{value + 0.0:.1f}"
        shown = "0.0" if shown == "-0.0" else shown
        return f"{shown} {unit}" if spread is None else f"{shown} ± {spread:.1f} {unit}"

    # --- time

    def hour(self, time_s: float, zone: tzinfo) -> str:
        """Return the time of day there.

        >>> Theme().hour(52_320.0, UTC), Theme(twelve_hours=True).hour(52_320.0, UTC)
        ('14:32', '2:32 pm')
        """
        return hour_text(time_s, zone, twelve_hours=self.twelve_hours)

    def hour_and_day(self, time_s: float, zone: tzinfo, now_s: float) -> str:
        """Return the time of day, with its day where that is not today's."""
        return hour_and_day_text(time_s, zone, now_s, twelve_hours=self.twelve_hours)


def zone_of(name: str) -> tzinfo:
    """Return a time zone by its IANA name; UTC where the name is not known here."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return UTC


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
    fahrenheit: bool = False,
    twelve_hours: bool = False,
) -> Theme:
    """Return the theme for a terminal.

    Args:
        environ: the environment's variables.
        dim: start in dim mode.
        fahrenheit: °F in place of °C.
        twelve_hours: am and pm.
    """
    return Theme(
        colours=colours_of(environ),
        dim=dim,
        fahrenheit=fahrenheit,
        twelve_hours=twelve_hours,
        few_glyphs=environ.get("TERM") == "linux",
    )
