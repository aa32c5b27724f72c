"""How a hull, or a humidity, takes part in the air's movement, quick or from third to third."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sensors.believe import checks
from sensors.believe.channel import ChannelModel, UsualGain
from sensors.believe.verdict import Check, Verdict

SATURATED_PCT = 98.0


def hull_with_air(
    channel: ChannelModel, airs: Sequence[ChannelModel], minute: int, time_s: float
) -> None:
    """Look whether a surface moves or turns as the air does, or more quickly, or shows the air.

    Args:
        channel: the surface's.
        airs: every air temperature of the enclosure.
        minute: the last whole one.
        time_s: now [s].
    """
    believed = [air for air in airs if not air.doubts]
    if minute // checks.THIRD_MIN != channel.third:
        channel.third = minute // checks.THIRD_MIN
        _shows_air(channel, believed, minute, time_s)
        _turns(channel, believed, minute, time_s)
    _follows(channel, believed, minute, time_s)


def _follows(
    channel: ChannelModel, airs: Sequence[ChannelModel], minute: int, time_s: float
) -> None:
    mean, known = channel.quick.mean, channel.quick.known
    usual = mean if known else None
    digit_k = channel.band_digit()
    own_noise_k = checks.digit_noise(digit_k, checks.BLOCK_MIN * channel.per_minute)
    follows: list[Verdict] = []
    hour = long = None
    for air in airs:
        noise_k = air.record.noise * math.sqrt(6.0 / checks.BLOCK_MIN)
        now, longer = _with_air(channel, air, minute)
        if now is not None:
            follows.append(checks.follows_air(now, noise_k, own_noise_k, usual))
            hour = now if hour is None or now.air > hour.air else hour
        if longer is not None:
            follows.append(checks.follows_air(longer, 0.0, 0.0, usual))
            long = longer if long is None or longer.air > long.air else long
    words = f"{channel.point} moves as the air does, not as a hull: it may have come off the hull"
    channel.note(Check.FOLLOWS_AIR, _of_any(follows), time_s, lambda: words)
    gains = [most for each in channel.beside.values() if (most := each.at_most()) is not None]
    usually = (
        channel.quick.ratio if known else None,
        mean.own,
        digit_k,
        max(gains, default=None),
    )
    settled = channel.jump is None and minute - checks.LONG_MIN >= channel.settled_from
    if long is not None and settled:
        quicker = (
            f"{channel.point} moves more quickly than the air, which no hull does: the two may "
            "be exchanged, or the sun may shine on it"
        )
        said = checks.outruns_air(long, *usually)
        channel.note(Check.OUTRUNS_AIR, said, time_s, lambda: quicker)
    if hour is not None:
        _learn_together(channel, hour, checks.outruns_air(hour, *usually))


def _shows_air(
    channel: ChannelModel, airs: Sequence[ChannelModel], minute: int, time_s: float
) -> None:
    """Whether a surface has shown an air's own temperature for hours; learns of what was before."""
    if channel.doubts:
        channel.doubted_at = minute
    first = minute - checks.SHOWS_AIR_MIN - 3 * checks.THIRD_MIN + 1
    learns = first > max(channel.settled_from, channel.doubted_at)
    shows: list[Verdict] = []
    all_own = _thirds(channel, first, minute)
    for air in airs:
        if max(channel.spacing_min, air.spacing_min) > checks.MOST_SPACING_MIN:
            continue
        usual = channel.beside.setdefault(air.point, UsualGain())
        all_theirs = _thirds(air, first, minute)
        if learns:
            usual.learn(_bend(*all_own[:3]), _bend(*all_theirs[:3]))
        own, theirs = all_own[3:], all_theirs[3:]
        now = checks.together(own, theirs)
        if now is not None:
            shows.append(
                checks.shows_air(now, _apart(own, theirs), channel.band_digit(), usual.at_most())
            )
    words = f"{channel.point} has shown what the air does for {checks.SHOWS_AIR_MIN // 60} h, to "
    words += "its last digit, as no hull does: it may have come off the hull"
    channel.note(Check.SHOWS_AIR, _of_any(shows), time_s, lambda: words)


def _turns(channel: ChannelModel, airs: Sequence[ChannelModel], minute: int, time_s: float) -> None:
    """Whether a coarse surface turns with the air's quick movement as it never did before."""
    if not channel.doubts:
        channel.note_gain()
    if channel.band_digit() < checks.COARSE_K:
        channel.doubts.pop(Check.TURNS_WITH_AIR, None)
        return
    first = minute - checks.TURNS_MIN - 2 * checks.SLOWLY_MIN + 1
    own = channel.record.minutes(first, minute)
    turn = [
        checks.turns_with_air(
            checks.turns(own, air.record.minutes(first, minute)), channel.least_gain
        )
        for air in airs
        if max(channel.spacing_min, air.spacing_min) <= checks.MOST_SPACING_MIN
    ]
    words = f"{channel.point} turns with the air's quick movement, which a hull is too slow for: "
    words += "it may have come off the hull"
    channel.note(Check.TURNS_WITH_AIR, _of_any(turn), time_s, lambda: words)


def humidity_with_air(channel: ChannelModel, air: ChannelModel, minute: int, time_s: float) -> None:
    """Look whether a humidity no longer answers its own body's air.

    Args:
        channel: the humidity's.
        air: the temperature of the same body.
        minute: the last whole one.
        time_s: now [s].
    """
    if air.doubts:
        return
    hour, long = _with_air(channel, air, minute)
    usual = channel.quick.mean if channel.quick.known else None
    two_hours = channel.record.minutes(minute - checks.LONG_MIN + 1, minute)
    wet = max(two_hours) >= SATURATED_PCT
    if long is not None and not wet:
        words = f"{channel.point}'s humidity no longer answers what its own air does"
        channel.note(Check.DEAF, checks.deaf_to_air(long, usual), time_s, lambda: words)
    if hour is not None:
        _learn_together(channel, hour, checks.deaf_to_air(hour, usual, checks.TEACHES_NOTHING))


def _with_air(
    channel: ChannelModel, air: ChannelModel, minute: int
) -> tuple[checks.Together | None, checks.Together | None]:
    """How a channel took part in an air's quick movement over one hour, and over two.

    None where their readings are so few that both move in the same steps, whatever they are on.
    """
    if max(channel.spacing_min, air.spacing_min) > checks.MOST_SPACING_MIN:
        return None, None
    own, theirs = (
        each.record.means_of_four(minute - checks.LONG_MIN + 1, minute) for each in (channel, air)
    )
    lately = (checks.FOLLOWS_MIN - checks.LONG_MIN) // checks.BLOCK_MIN + len(own)
    return checks.together(own[lately:], theirs[lately:]), checks.together(own, theirs)


def _thirds(channel: ChannelModel, first: int, last: int) -> list[float]:
    """The means of successive thirds of an hour."""
    of, size = channel.record.minutes(first, last), checks.THIRD_MIN
    return [sum(of[at : at + size]) / size for at in range(0, len(of), size)]


def _apart(own: Sequence[float], theirs: Sequence[float]) -> float:
    """The standard deviation of the difference."""
    off = [a - b for a, b in zip(own, theirs, strict=True)]
    mean = sum(off) / len(off)
    return math.sqrt(sum((each - mean) ** 2 for each in off) / len(off))


def _bend(before: float, middle: float, after: float) -> float:
    return before - 2.0 * middle + after


def _learn_together(channel: ChannelModel, hour: checks.Together, verdict: Verdict) -> None:
    """Take what is usual from an hour, unless two such hours would be doubted."""
    channel.quick_now = hour
    if not channel.doubts and verdict is not Verdict.SUSPECT:
        channel.quick.learn(hour)


def _of_any(verdicts: Sequence[Verdict]) -> Verdict:
    """One is enough to suspect; to pass, all have to."""
    if Verdict.SUSPECT in verdicts:
        return Verdict.SUSPECT
    passed = bool(verdicts) and all(each is Verdict.PASS for each in verdicts)
    return Verdict.PASS if passed else Verdict.NOT_EVALUATED
