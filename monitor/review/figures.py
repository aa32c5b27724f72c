"""Figures, times and lengths as a review words them; `verdict_text` and `text` make sentences."""

from __future__ import annotations

from rules.review.coats import Thinned
from rules.review.exposure import Excess
from rules.review.windows import WHICH_POT, Window, WindowName, WindowOutcome
from rules.text import date_hour_text, date_text, duration_text, hour_text
from rules.units import DAY_S, HOUR_S, apart_from
from sensors.zones import UTC_NAME, zone_or_utc

_UNIT_WORDS = {"degC": "°C"}


class TimeStamp:
    """Shows times in one zone, the same way everywhere."""

    def __init__(self, timezone: str) -> None:
        self.zone = zone_or_utc(timezone)
        self.name = "UTC" if self.zone.key == UTC_NAME else timezone

    def __call__(self, time_s: float | None) -> str:
        """Return day and minute."""
        if time_s is None:
            return "not known"
        return date_hour_text(time_s, self.zone)

    def minute(self, time_s: float) -> str:
        """Return the time of day."""
        return hour_text(time_s, self.zone)

    def day(self, time_s: float) -> str:
        """Return the day."""
        return date_text(time_s, self.zone)


def figure(value: float | None, unit: str, past: float | None = None) -> str:
    """Return a value with its unit; never as if it were the bound that it is past.

    >>> figure(-0.04, "K"), figure(84.6, "%"), figure(None, "K"), figure(85.3, "%", past=85.0)
    ('0.0 K', '85 %', 'not known', '85.3 %')
    """
    if value is None:
        return "not known"
    shown = apart_from(value, past, 0 if unit in ("%", "ppm") else 1).replace("-", "−")
    return f"{shown} {_UNIT_WORDS.get(unit, unit)}"


def possible_words(found: Excess, stamp: TimeStamp) -> str:
    """Return how far it may have gone while a probe was silent, or "" where no further.

    >>> from rules.review.exposure import Excess
    >>> found = Excess(80.0, True, "%", *(0.0,) * 5, 97.0, 0.0, None, None, 0.0, 100.0, 1200.0)
    >>> possible_words(found, TimeStamp("Etc/UTC"))
    ', up to 100 % possible at 00:20'
    """
    if found.possible is None or found.possible_s is None:
        return ""
    shown = figure(found.possible, found.unit, found.bound)
    if shown == figure(found.worst, found.unit, found.bound):
        return ""
    side = "up" if found.upper else "down"
    return f", {side} to {shown} possible at {stamp.minute(found.possible_s)}"


def exposure_words(found: Excess) -> str:
    """Return the sum of how far and how long, with its unit."""
    unit = _UNIT_WORDS.get(found.unit, found.unit)
    unit = "K" if unit == "°C" else unit
    places = 0 if unit in ("%", "ppm") else 1
    about = "about " if found.partly_s > 0.0 else ""
    return f"{about}{found.exposure:.{places}f} {unit} h"


def partly_words(found: Excess, *, sure: bool, more: bool = False) -> str:
    """Return what minute means leave open, or "" where the bound is on neither side of them.

    Args:
        found: the sums.
        sure: whether the lowest and highest of such a minute were one quantity's own readings, so
            that some were beyond; a margin's ends are put together from several points.
        more: whether it comes on top of time that was surely beyond.
    """
    if found.partly_s <= 0.0:
        return ""
    perhaps = "" if sure else "perhaps "
    return f"{perhaps}at some time within {duration_text(found.partly_s)}{' more' if more else ''}"


def window_words(window: Window, stamp: TimeStamp) -> str:
    """Return how a time was kept."""
    done = stamp(window.done_s)
    over = f", but {window.over}" if window.over else ""
    opens = f"not before {stamp(window.opens_s)}" if window.opens_s is not None else ""
    closes = f"not after {stamp(window.closes_s)}" if window.closes_s is not None else ""
    if window.sure_s is not None:
        sure = f"{stamp(window.sure_s)} to be sure"
        opens, closes = (f"{opens}, {sure}", "") if opens else ("", f"not after {sure}")
    bounds = " and ".join(each for each in (opens, closes) if each)
    what = {
        WindowName.RECOAT: "coated over",
        WindowName.POT_LIFE: "pot used until",
        WindowName.INDUCTION: "mix first used",
        WindowName.TAPE: "still on at" if window.undone else "tape off",
    }[window.name]
    if window.why == WHICH_POT:
        most = duration_text(max(window.early_s[2], window.late_s[2]))
        side = WindowOutcome.EARLY if window.early_s[2] else WindowOutcome.LATE
        return (
            f"{window.name}: not known which pot went in; if the other, {what} {done} ({bounds}): "
            f"{side} by up to {most}"
        )
    if window.kept is WindowOutcome.UNKNOWN:
        return f"{window.name}: not known, {window.why}{over}"
    tail = f" ({bounds})" if bounds else ""
    kept = "in time" if window.kept is WindowOutcome.KEPT else window.kept.value
    if window.kept is WindowOutcome.LATE_BUT_SANDED:
        kept = WindowOutcome.LATE.value
    kept += f", {window.why}" if window.why else ""
    if window.kept is WindowOutcome.CLOSE:
        kept = "too near for these sensors to tell"
    much = duration_text(window.missed_s) if window.missed_s >= 60.0 else "less than a minute"
    by = f" by {much}" if window.missed_s > 0.0 else ""
    sanded = ", but abraded first" if window.kept is WindowOutcome.LATE_BUT_SANDED else ""
    heat = "; at 20 °C it would have been in time" if by and window.kept_at_20_c else ""
    return f"{window.name}: {what} {done}{tail}: {kept}{by}{heat}{sanded}{over}"


def thinned_words(each: Thinned) -> str:
    """Return how much thinner was in a pot, and how that stands to its sheet."""
    asked = each.asked
    low = f"{asked.min_pct:g} to " if asked.min_pct else "up to "
    where = f" {asked.where}" if asked.where else ""
    pot = f"pot {each.batch}" if each.batch else "its pot"
    maybe = "" if each.is_sure else ", if that pot went in"
    over, under = each.thinner_pct > asked.max_pct, each.thinner_pct < asked.min_pct
    kept = "too much" if over else "too little" if under else "as the sheet says"
    return (
        f"thinner: {each.thinner_pct:g} % in {pot} (sheet: {low}{asked.max_pct:g} %{where}): "
        f"{kept}{maybe}"
    )


def capital(text: str) -> str:
    """Return text that begins with a capital letter."""
    return text[:1].upper() + text[1:]


def span_words(from_s: float | None, to_s: float | None, stamp: TimeStamp) -> str:
    """Return from when to when, the second day only where it is another."""
    if from_s is None or to_s is None:
        return stamp(from_s if from_s is not None else to_s)
    end = stamp.minute(to_s) if to_s - from_s < DAY_S else stamp(to_s)
    return f"{stamp(from_s)} to {end}"


def hours_words(part_s: float, whole_s: float) -> str:
    """Return a time of a whole, to the half hour where that is near enough.

    >>> hours_words(26_940.0, 57_600.0), hours_words(1200.0, 57_600.0), hours_words(60.0, 1800.0)
    ('7½ of 16 critical hours', '20 min of 16 critical hours', '1 min of 30 critical min')
    """
    whole = f"{half_hours(whole_s)} critical hours"
    if whole_s < 2.0 * HOUR_S:
        whole = f"{max(1, round(whole_s / 60.0))} critical min"
        return f"{max(1, round(part_s / 60.0))}{'' if part_s == 0 else ' min'} of {whole}"
    part = half_hours(part_s) if part_s >= 2.0 * HOUR_S else duration_text(part_s)
    return f"{part} of {whole}"


def half_hours(span_s: float) -> str:
    """Return hours to the half.

    >>> half_hours(26_940.0), half_hours(57_600.0), half_hours(7000.0)
    ('7½', '16', '2')
    """
    halves = round(span_s / 1800.0)
    return f"{halves // 2 or ''}½" if halves % 2 else str(halves // 2)


def short(value: float, unit: str) -> str:
    """Return a bound without a needless decimal: 3 K, 10 °C, 2.5 K."""
    shown = f"{value:.1f}".removesuffix(".0").replace("-", "−")
    return f"{shown} {_UNIT_WORDS.get(unit, unit)}"
