"""How the program words what is no sentence: durations, times, counts, and text from outside.

Every room takes these from here, so that 3,599 s reads the same on the screen and in a review.
"""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo


def duration_text(duration_s: float, apart_from_s: float | None = None) -> str:
    """Return a duration in its two largest units: `40 s`, `12 min`, `3 h 20 min`, `2 d 4 h`.

    It is rounded to the second, and what is then under the smaller unit is dropped: a countdown
    never shows more time than is left. Between one minute and two it stays in seconds: `90 s`.

    Args:
        duration_s: one below 0 reads as 0 [s].
        apart_from_s: another that it must not look equal to; None where there is none [s].

    Source:
        No source: wording. The hour, minute and day: SI Brochure, 9th edition, table 8.

    >>> [duration_text(s) for s in (0.4, 59.6, 90.0, 3599.0, 3599.9, 12_000.0, 187_200.0)]
    ['0 s', '1 min', '90 s', '59 min', '1 h', '3 h 20 min', '2 d 4 h']
    >>> duration_text(3599.0, apart_from_s=3540.0), duration_text(7200.0, apart_from_s=7230.0)
    ('59 min 59 s', '2 h')
    """
    parts = _parts(duration_s)
    few = parts[:2]
    if apart_from_s is not None and few == (other := _parts(apart_from_s))[:2] and parts != other:
        few = parts
    return " ".join(f"{number} {unit}" for number, unit in few if number) or "0 s"


def _parts(duration_s: float) -> list[tuple[int, str]]:
    """The duration from its largest unit down; hours go up to 47."""
    minutes, seconds = divmod(max(0, round(duration_s)), 60)
    hours, minutes = divmod(minutes, 60)
    if hours >= 48:
        days, hours = divmod(hours, 24)
        return [(days, "d"), (hours, "h"), (minutes, "min"), (seconds, "s")]
    if hours:
        return [(hours, "h"), (minutes, "min"), (seconds, "s")]
    if minutes > 1 or (minutes and not seconds):
        return [(minutes, "min"), (0, "s"), (seconds, "s")]
    return [(60 * minutes + seconds, "s")]


def iso_utc(time_s: float, digits: int = 3) -> str:
    """Return a time as ISO 8601 UTC with a Z, with a fraction only where there is one.

    Args:
        time_s: seconds since 1970-01-01 UTC [s].
        digits: of the fraction: 0, 3 or 6 [-].

    >>> iso_utc(0.0), iso_utc(1.77e9 + 0.25), iso_utc(1.77e9 + 0.25, 6), iso_utc(1.77e9 + 0.25, 0)
    ('1970-01-01T00:00:00Z', '2026-02-02T02:40:00.250Z', '2026-02-02T02:40:00.250000Z', \
'2026-02-02T02:40:00Z')
    """
    moment = datetime.fromtimestamp(round(time_s, digits), tz=UTC)
    places = {0: "seconds", 3: "milliseconds", 6: "microseconds"}[digits]
    shown = moment.isoformat(timespec=places if moment.microsecond else "seconds")
    return shown.replace("+00:00", "Z")


def iso_local(time_s: float, zone: tzinfo) -> str:
    """Return a time to the second as ISO 8601 with the zone's offset.

    >>> iso_local(0.0, UTC)
    '1970-01-01T00:00:00+00:00'
    """
    return datetime.fromtimestamp(round(time_s), zone).isoformat()


def stamp_utc(time_s: float) -> str:
    """Return a time in ISO 8601's basic format, for a file's name.

    >>> stamp_utc(1.77e9)
    '20260202T024000Z'
    """
    return f"{datetime.fromtimestamp(time_s, UTC):%Y%m%dT%H%M%SZ}"


def date_text(time_s: float, zone: tzinfo) -> str:
    """Return the day there, ISO 8601.

    >>> date_text(1.77e9, UTC)
    '2026-02-02'
    """
    return f"{datetime.fromtimestamp(time_s, zone):%Y-%m-%d}"


def hour_text(time_s: float, zone: tzinfo | None, *, twelve_hours: bool = False) -> str:
    """Return the time of day there; in the machine's own zone for None.

    In the hour that a clock shows twice the zone's short name tells which of the two it is.

    >>> hour_text(52_320.0, UTC), hour_text(52_320.0, UTC, twelve_hours=True)
    ('14:32', '2:32 pm')
    """
    moment = datetime.fromtimestamp(time_s, zone)
    if twelve_hours:
        shown = f"{moment.hour % 12 or 12}:{moment:%M} {'am' if moment.hour < 12 else 'pm'}"
    else:
        shown = f"{moment:%H:%M}"
    return f"{shown} {zone_name(moment)}" if comes_twice(moment) else shown


def comes_twice(moment: datetime) -> bool:
    """Return whether a zone's clock shows this time twice, as when summer time ends."""
    earlier, later = (moment.replace(fold=fold).astimezone(UTC) for fold in (0, 1))
    return earlier < later


def zone_name(moment: datetime) -> str:
    """Return the short name of the zone that holds at a time, `UTC+03` where it has none."""
    name = moment.astimezone().tzname() if moment.tzinfo is None else moment.tzname()
    return f"UTC{name}" if name and name[:1] in "+-" else name or ""


def date_hour_text(time_s: float, zone: tzinfo) -> str:
    """Return the day and the time of day there.

    >>> date_hour_text(1.77e9, UTC)
    '2026-02-02 02:40'
    """
    return f"{date_text(time_s, zone)} {hour_text(time_s, zone)}"


def hour_and_day_text(
    time_s: float, zone: tzinfo, now_s: float, *, twelve_hours: bool = False
) -> str:
    """Return the time of day there, with its day where that is not today.

    Args:
        time_s: to be shown [s].
        zone: of the place.
        now_s: which day is today [s].
        twelve_hours: am and pm.

    >>> [hour_and_day_text(1.77e9 + s, UTC, 1.77e9) for s in (60.0, 86_400.0, 864_000.0)]
    ['02:41', 'Tue 02:40', '2026-02-12 02:40']
    """
    hour = hour_text(time_s, zone, twelve_hours=twelve_hours)
    then, today = (datetime.fromtimestamp(s, zone).date() for s in (time_s, now_s))
    if then == today:
        return hour
    if abs((then - today).days) < 7:
        return f"{weekday_text(time_s, zone)} {hour}"
    return f"{date_text(time_s, zone)} {hour}"


def with_zone_text(time_s: float, zone: tzinfo | None, now_s: float) -> str:
    """Return the time of day there, its day where that is not today, and which zone it is in.

    Args:
        time_s: to be shown [s].
        zone: of the place; None is the machine's own.
        now_s: which day is today [s].

    >>> with_zone_text(1.77e9 + 86_400.0, UTC, 1.77e9)
    'Tue 02:40 UTC'
    """
    there = zone or datetime.fromtimestamp(time_s).astimezone().tzinfo or UTC
    moment, shown = datetime.fromtimestamp(time_s, there), hour_and_day_text(time_s, there, now_s)
    return shown if comes_twice(moment) else f"{shown} {zone_name(moment)}".rstrip()


def weekday_text(time_s: float, zone: tzinfo) -> str:
    """Return the short name of the day there; never in another language by the locale.

    >>> weekday_text(0.0, UTC)
    'Thu'
    """
    return WEEKDAYS[datetime.fromtimestamp(time_s, zone).weekday()]


WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def counted(number: int, one: str, many: str = "") -> str:
    """Return a count with what is counted, in the singular for one.

    Args:
        number: how many.
        one: what there is one of, with a verb where it changes with the number.
        many: the same for any other number; left out, an s is put on.

    >>> counted(1, "reading"), counted(0, "reading"), counted(2, "row was", "rows were")
    ('1 reading', '0 readings', '2 rows were')
    """
    return f"{number} {one}" if number == 1 else f"{number} {many or one + 's'}"


def printable(text: str | bytes, limit: int | None = 120) -> str:
    r"""Return text from outside in a form that no terminal or log acts upon.

    Escapes what `str.isprintable` rejects: control characters, line breaks, direction marks,
    lone surrogates, private use. A screen that reads markup in brackets must escape that itself.

    Args:
        text: anything that came from outside; bytes are read as UTF-8, the rest shown as `\xNN`.
        limit: most characters returned, 1 or more; what is cut is replaced by one `…`. None
            where nothing is to be cut [-].

    Returns:
        Printable text of at most `limit` characters.

    >>> printable("shed/\x1b[2J", 40)
    'shed/\\x1b[2J'
    >>> printable(b"\xff21", 40)
    '\\xff21'
    >>> printable("abcdef", 4)
    'abc…'
    """
    # One character of input gives at least one of output, and one of UTF-8 has at most 4 bytes.
    if isinstance(text, bytes):
        cut = text if limit is None else text[: 4 * limit + 4]
        text = cut.decode("utf-8", "backslashreplace")
    head = text if limit is None else text[: limit + 1]
    if not head.isprintable():
        head = "".join(c if c.isprintable() else _escaped(c) for c in head)
    if limit is None or len(head) <= limit:
        return head
    return head[: limit - 1] + "…"


def clean(text: str) -> str:
    r"""Return the whole of a text from outside, with all that could steer a terminal escaped.

    >>> clean("plank\x1b[2J port\u202e")
    'plank\\x1b[2J port\\u202e'
    """
    return printable(text, None)


def csv_cell(text: str) -> str:
    """Return a text for a cell of a CSV file, which no spreadsheet takes for a formula.

    A carriage return, which would end the row for some readers, becomes a line feed.

    >>> csv_cell("=1+1"), csv_cell("hull-port")
    ("'=1+1", 'hull-port')
    """
    plain = text.replace("\r", "\n")
    return f"'{plain}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else plain


def _escaped(character: str) -> str:
    code = ord(character)
    if code <= 0xFF:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def shown(value: object) -> str:
    """Return a user's value for a message: in quotes, short, and printable.

    >>> shown("3 k"), shown(5), shown(True), shown([1]), shown(2**200_000)
    ("'3 k'", '5', 'true', 'a list', 'a number of thousands of digits')
    """
    if type(value) is int and value.bit_length() > 10_000:
        return "a number of thousands of digits"  # Python refuses to write it
    if not isinstance(value, str):
        return {dict: "a table", list: "a list", bool: str(value).lower()}.get(
            type(value), str(value)[:60]
        )
    return f"'{printable(value, 60)}'"
