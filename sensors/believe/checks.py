"""The quality tests that need minutes and neighbours, one function each.

They bear the names of the open manuals for real-time quality control (QARTOD, US IOOS: "Manual for
Real-Time Quality Control of In-situ Temperature and Salinity Data"): rate of change, attenuated
signal, neighbour, multi-variate. The manuals leave thresholds to the operator: here they are
learned from the channel and bounded by defaults, which are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from sensors.believe.verdict import Verdict

LEAST_STILL_MIN = 20
BEYOND_SPREADS = 5.0
LEAST_SPREAD = 0.02
"""Nothing is known better than this, in the channel's unit."""
NOTHING_LEFT_SPREADS = 2.0


def attenuated_signal(
    moved: float,
    expected: float,
    spread: float,
    band: float,
    still_min: int,
    *,
    suspected: bool = False,
    least_min: int = LEAST_STILL_MIN,
    beyond: float = BEYOND_SPREADS,
) -> Verdict:
    """Return whether a channel has stayed where it was while others say that it must have moved.

    Args:
        moved: by how much it has moved since it began to stand still.
        expected: by how much it should have, after its neighbours.
        spread: standard deviation of that.
        band: what its noise and last digit alone make.
        still_min: for how long it has stood still [min].
        suspected: it was suspect before; then only agreement acquits.
        least_min: nothing shorter is suspect [min].
        beyond: how many standard deviations are beyond chance.
    """
    total = math.hypot(spread, band, LEAST_SPREAD)
    missing = abs(moved - expected) / total
    if suspected:
        return Verdict.PASS if missing < NOTHING_LEFT_SPREADS else Verdict.SUSPECT
    if still_min < least_min or abs(expected) < 2.0 * band:
        return Verdict.PASS
    return Verdict.SUSPECT if missing > beyond else Verdict.PASS


MANY_SPELLS = 40
_FEWEST_SPELLS = 5
_LONG_STILL_MIN = 180
_MUCH_LONGER = 11.0
_OF_ANOTHER_KIND = 16.0
"""Wet walls keep a humidity where it is for hours while the air warms and cools."""


def never_so_still(
    still_min: int,
    longest_min: float,
    other_moved: float,
    other_at_most: float,
    slack: float,
    spells: int,
    *,
    same_kind: bool,
    heated: bool,
) -> Verdict:
    """Return whether a channel stands still as it never did while another moved as far.

    The same test for channels that no neighbour foretells: by its record alone. Of n spells whose
    lengths are exponential the longest is about ln(n) means, and one of r times that comes by
    chance in n^-r: r ln(n) has to reach 11 (1 in 60,000), and the other has to have moved r times
    as far as ever; where few are known or the other is of another kind, 3 h have to have passed.

    Args:
        still_min: for how long it has stood still [min].
        longest_min: the longest that it did before [min].
        other_moved: how far the other channel has moved meanwhile, in its unit.
        other_at_most: the furthest that it did while this one stood still before.
        slack: what is no movement of the other's, in its unit.
        spells: how many times of standing still have been seen.
        same_kind: both are temperatures, or both humidities.
        heated: it is an air beside a hull: a thermostat may hold it while the hull cools.
    """
    if spells < _FEWEST_SPELLS or heated:
        return Verdict.NOT_EVALUATED
    times = (_MUCH_LONGER if same_kind else _OF_ANOTHER_KIND) / math.log(spells)
    least_min = LEAST_STILL_MIN if same_kind and spells >= MANY_SPELLS else _LONG_STILL_MIN
    longer = still_min > max(least_min, times * longest_min)
    further = abs(other_moved) > times * other_at_most + slack
    return Verdict.SUSPECT if longer and further else Verdict.PASS


ALL_SPREADS = 2.5
ONE_SPREADS = 7.0
AGREES_FOR_MIN = 360


def neighbour(
    spreads: Sequence[float], least_all: float = ALL_SPREADS, least_one: float = ONE_SPREADS
) -> Verdict:
    """Return whether a channel's movement is beyond what every one of its neighbours explains.

    Args:
        spreads: how far it is off what each neighbour lets expect, in standard deviations.
        least_all: so far off every one ...
        least_one: ... and so far off the one that knows it best.
    """
    if len(spreads) < 2:
        return Verdict.NOT_EVALUATED
    sign = math.copysign(1.0, spreads[0])
    signed = [sign * each for each in spreads]
    beyond = min(signed) > least_all and max(signed) > least_one
    return Verdict.SUSPECT if beyond else Verdict.PASS


LEAST_HULL_STEP_K = 1.0
DEFAULT_HULL_STEP_K = 2.5
MOST_HULL_STEP_K = 4.0
STEP_MIN = 5
STEP_LEARNED_MIN = 360
PUT_UP_MIN = 60
"""A probe that was put up less long ago is still being placed, and comes to the hull's own
temperature: its steps are no fault."""
_TIMES_THE_LARGEST = 2.5


def hull_step_bound_k(largest_k: float, learned_min: int, air_moved_k: float) -> float:
    """Return how far a hull may move in five minutes [K].

    Args:
        largest_k: its own largest believed move in five minutes, of late [K].
        learned_min: how long it has been watched [min].
        air_moved_k: how far the air moved in the same time [K].

    A hull has thermal mass: it may go half as far as the air does, and some of its own.
    """
    own_k = DEFAULT_HULL_STEP_K
    if learned_min >= STEP_LEARNED_MIN:
        own_k = min(max(LEAST_HULL_STEP_K, _TIMES_THE_LARGEST * largest_k), MOST_HULL_STEP_K)
    return own_k + 0.5 * abs(air_moved_k)


def rate_of_change(moved_k: float, bound_k: float) -> Verdict:
    """Return whether a hull has moved further in five minutes than a hull can.

    Args:
        moved_k: from its mean five minutes ago [K].
        bound_k: `hull_step_bound_k` [K].
    """
    return Verdict.SUSPECT if abs(moved_k) > bound_k else Verdict.PASS


def agrees_again(value_c: float, expected_c: float, jumped_k: float) -> Verdict:
    """Return whether a hull that jumped is back where its past and its neighbours have it.

    Args:
        value_c: now [degC].
        expected_c: where it stood before the jump, moved on with its neighbours [degC].
        jumped_k: size of the jump [K].
    """
    near_k = max(0.5, 0.25 * abs(jumped_k))
    return Verdict.PASS if abs(value_c - expected_c) <= near_k else Verdict.SUSPECT


AGREES_AGAIN_MIN = 15
PAST_SPEAKS_MIN = 60
FOLLOWS_MIN = 60
LONG_MIN = 120
BLOCK_MIN = 4
MOST_SPACING_MIN = 2  # of readings, so that a block has two of them
LEAST_GAIN = 0.45
MOST_USUAL_GAIN = 0.35
LEAST_CORRELATION = 0.8


class Together(NamedTuple):
    """How a channel takes part in the air's quick movement.

    Attributes:
        gain: of its second differences on the air's [its unit/K].
        correlation: of the two.
        air: the air's own, standard deviation [K].
        own: the channel's own [its unit].
    """

    gain: float
    correlation: float
    air: float
    own: float


def together(own: Sequence[float], air: Sequence[float]) -> Together | None:
    """Return how a channel takes part in the air's quick movement.

    Second differences leave out what both do slowly together, as by the time of day.

    Args:
        own: block means of the channel, in the order of time [its unit].
        air: of the air, the same blocks [degC].

    Returns:
        None where one of them is not known or does not move.
    """
    bends = [
        (a - 2.0 * b + c, d - 2.0 * e + f)
        for a, b, c, d, e, f in zip(own, own[1:], own[2:], air, air[1:], air[2:], strict=False)
    ]
    both = sum(o * a for o, a in bends)
    of_air = sum(a * a for _, a in bends)
    of_own = sum(o * o for o, _ in bends)
    if not (of_air * of_own > 0.0 and math.isfinite(of_air * of_own)):
        return None
    count = len(bends)
    return Together(
        both / of_air,
        both / math.sqrt(of_air * of_own),
        math.sqrt(of_air / count),
        math.sqrt(of_own / count),
    )


def digit_noise(digit: float, readings: int) -> float:
    """Return what a last digit alone makes of second differences of block means [its unit].

    Args:
        digit: of the channel.
        readings: of one block.
    """
    return digit * math.sqrt(6.0 / 12.0 / readings)


def follows_air(
    now: Together, noise_k: float, own_noise_k: float, usual: Together | None
) -> Verdict:
    """Return whether a surface moves as the air does, like a probe that fell off the hull.

    Args:
        now: of an hour, or of two.
        noise_k: standard deviation that noise alone may make of the air's part in it; 0 over two
            hours, where such a correlation comes by chance once in ten million times [K].
        own_noise_k: likewise of the surface's part, by its last digit [K].
        usual: of the same surface, or None before it is known.
    """
    if usual is None or now.air < max(0.1, 3.0 * noise_k):
        return Verdict.NOT_EVALUATED
    usual_gain = max(0.0, usual.gain)
    if usual_gain > MOST_USUAL_GAIN:
        return Verdict.NOT_EVALUATED
    bound = max(LEAST_GAIN, 3.0 * usual_gain)
    if now.gain > bound and now.correlation > LEAST_CORRELATION:
        plain = now.own > 2.0 * own_noise_k
        return Verdict.SUSPECT if plain else Verdict.NOT_EVALUATED
    return Verdict.PASS if now.gain < 0.7 * bound else Verdict.NOT_EVALUATED


THIRD_MIN = 20
SHOWS_AIR_MIN = 360
_LEAST_SHARED = 0.7
_SLOW_GAIN = 0.5
_TIMES_USUAL_GAIN = 2.0
_LEAST_NEAR_K = 0.05
_NEAR_DIGITS = 0.2
"""Means of twenty minutes in air that moves are better than the last digit."""


def shows_air(now: Together, apart_k: float, digit_k: float, usual_gain: float | None) -> Verdict:
    """Return whether a surface shows the air itself, which it has always lagged.

    Its last digit hides the quick movement from `follows_air`; means of twenty minutes show it.
    Slow movement a hull follows as well, and the sun moves both: hence the gain and the distance.
    In still air a surface that lags by a quarter of an hour is as near: hence how far it moves.

    Args:
        now: of six hours in means of twenty minutes.
        apart_k: standard deviation of the surface less the air over the same means [K].
        digit_k: the surface's last digit [K].
        usual_gain: the most that its gain may usually be; None before it is known.
    """
    if usual_gain is None or usual_gain > _SLOW_GAIN:
        return Verdict.NOT_EVALUATED
    near_k = max(_LEAST_NEAR_K, _NEAR_DIGITS * digit_k)
    bound = max(LEAST_GAIN, _TIMES_USUAL_GAIN * usual_gain)
    moves_with = now.gain > bound and now.correlation > _LEAST_SHARED
    if moves_with and apart_k < near_k < now.air:
        return Verdict.SUSPECT
    return Verdict.PASS if apart_k > 2.0 * near_k else Verdict.NOT_EVALUATED


COARSE_K = 0.25
TURNS_MIN = 180
SLOWLY_MIN = 20
_FEWEST_TURNS = 12
_MOST_BY_CHANCE = 4.3
_LEAST_SHARE = 0.6
_AS_BEFORE = 1.0
_MOST_LEAST_GAIN = 0.2


class Turns(NamedTuple):
    """How the changes of a surface's minutes went with the air's quick movement.

    Attributes:
        seen: how many changes.
        together: sum of the air's movement at each, positive where both went one way [K].
        square: sum of its squares [K2].
        size: sum of its sizes [K].
    """

    seen: float
    together: float
    square: float
    size: float


def turns(own: Sequence[float], air: Sequence[float]) -> Turns:
    """Return how the changes of a surface went with the air's quick movement.

    At the edge of a coarse last digit the least movement decides between two values: of a sound
    hull its own noise, whatever the air does; of a probe that hangs in it the air's, long before
    `together` can see it. What the air does within `SLOWLY_MIN` to both sides is no quick movement.

    Args:
        own: successive minutes of the surface [degC].
        air: the same minutes [degC]; of the first and last `SLOWLY_MIN` no change is looked at.
    """
    together = square = size = 0.0
    seen = 0
    for at in range(SLOWLY_MIN, len(own) - SLOWLY_MIN):
        step = own[at] - own[at - 1]
        if not step:
            continue
        moved = 0.5 * (air[at] + air[at + 1] - air[at - 1] - air[at - 2])
        quick = moved - (air[at + SLOWLY_MIN] - air[at - SLOWLY_MIN]) / SLOWLY_MIN
        if math.isfinite(step + quick):
            seen += 1
            together += math.copysign(quick, step * quick)
            square += quick * quick
            size += abs(quick)
    return Turns(seen, together, square, size)


def turns_with_air(now: Turns, least_gain: float) -> Verdict:
    """Return whether a surface in a coarse last digit turns with the air's quick movement.

    By chance the sum over the root of its squares is at most a normal deviate: over 4.3 once in
    100,000 times. Thin sheet turns with the air as well, and has shown its gain before.

    Args:
        now: of three hours.
        least_gain: the least of late that its usual gain was; infinite before it is known.
    """
    if now.seen < _FEWEST_TURNS:
        return Verdict.NOT_EVALUATED
    by_chance = math.sqrt(now.square)
    if now.together < _AS_BEFORE * by_chance:
        return Verdict.PASS
    beyond = now.together > max(_MOST_BY_CHANCE * by_chance, _LEAST_SHARE * now.size)
    suspect = beyond and least_gain <= _MOST_LEAST_GAIN
    return Verdict.SUSPECT if suspect else Verdict.NOT_EVALUATED


SLOWER_THAN_AIR = 0.5
QUICKER_THAN_AIR = 1.5
_QUICKER_THAN_ITSELF = 2.0
_OF_ITS_DIGIT = 0.75


def outruns_air(
    now: Together,
    usual_ratio: float | None,
    usual_own: float,
    digit_k: float,
    usual_gain: float | None,
) -> Verdict:
    """Return whether a surface moves more quickly than the air that it has always lagged.

    As where the two are exchanged, and neither shows it by a step. On 16 invented sheds of 36 h the
    ratio of two hours was under 0.55 where the hull was sound, and over 1.9 where they were not.
    A coarse last digit makes a ratio of its own: of 164 sound hulls in half degrees none moved by
    more than three quarters of it.

    Args:
        now: of two hours.
        usual_ratio: its quick movement over the air's; None before it is known [K/K].
        usual_own: its own quick movement: a still night leaves the noise of both [K].
        digit_k: its last digit [K].
        usual_gain: as for `shows_air`.
    """
    if usual_ratio is None:
        return Verdict.NOT_EVALUATED
    ratio, least_k = now.own / now.air, _QUICKER_THAN_ITSELF * usual_own
    slow = ratio < SLOWER_THAN_AIR
    if usual_ratio > SLOWER_THAN_AIR:
        of_digit_k = _OF_ITS_DIGIT * digit_k if digit_k >= COARSE_K else 0.0
        if usual_gain is None or usual_gain > _SLOW_GAIN or usual_own > of_digit_k:
            return Verdict.NOT_EVALUATED
        least_k, slow = max(least_k, digit_k), now.own < of_digit_k
    if ratio > QUICKER_THAN_AIR and now.own > least_k:
        return Verdict.SUSPECT
    return Verdict.PASS if slow else Verdict.NOT_EVALUATED


HEARS_AIR = 0.55
DEAF_TO_AIR = 0.35
LESS_THAN_ITS_SHARE = 0.5
TEACHES_NOTHING = 0.8
"""An hour that answers by less than this is left out of what is learned."""
_AIR_MOVES = 0.5


def deaf_to_air(
    now: Together, usual: Together | None, share: float = LESS_THAN_ITS_SHARE
) -> Verdict:
    """Return whether a humidity no longer answers the quick movement of its own body's air.

    Air that warms is drier at once, by some 4 % a kelvin at 70 %, and a sound element shows it. One
    that stands, with noise or a moving last digit, moves by less than half of that and not in
    step; what opens a door or mops a floor moves it by more.

    Args:
        now: of two hours. On 16 sound sheds of 36 h the least share, out of step, was 0.63.
        usual: the same, as learned; None before it is known.
        share: of what it makes it move by.
    """
    if usual is None or usual.correlation > -HEARS_AIR or now.air < _AIR_MOVES * usual.air:
        return Verdict.NOT_EVALUATED
    if now.correlation < -HEARS_AIR:
        return Verdict.PASS
    less = now.own < share * abs(usual.gain) * now.air
    return Verdict.SUSPECT if less and now.correlation > -DEAF_TO_AIR else Verdict.NOT_EVALUATED


def flickers(means: Sequence[float]) -> bool:
    """Return whether more than half of the means differ from the one before.

    A sound hull in half degrees shows one value for hours and its neighbour now and then, which
    has no order either; over a moving last digit two means in three differ.
    """
    return sum(a != b for a, b in pairwise(means)) > len(means) / 2


LEAST_APART_K = 0.6
_NEAR_THE_OTHER = 0.25


def exchanged(hull: tuple[float, float], air: tuple[float, float], digit_k: float) -> Verdict:
    """Return whether hull and air have taken each other's place between two moments.

    Args:
        hull: before and after [degC].
        air: likewise [degC].
        digit_k: last digit of the hull's figures [K].
    """
    apart_k = air[0] - hull[0]
    near_k = _NEAR_THE_OTHER * abs(apart_k) + 0.5 * digit_k
    if not abs(apart_k) >= max(LEAST_APART_K, 2.0 * digit_k):
        return Verdict.NOT_EVALUATED
    crossed = abs(hull[1] - air[0]) <= near_k and abs(air[1] - hull[0]) <= near_k
    return Verdict.SUSPECT if crossed else Verdict.PASS


LEAST_SUN_K = 1.5
DEFAULT_SUN_K = 3.0
SAME_MOISTURE = 0.06


def sunlit(
    above_k: float,
    usual_k: float,
    spread_k: float | None,
    moisture_apart: float,
    *,
    above_all: bool,
) -> Verdict:
    """Return whether an air probe is warm on its own, as in the sun, in the same moist air.

    Args:
        above_k: over the other air probes [K].
        usual_k: what it usually is [K].
        spread_k: standard deviation of that, or None before it is known [K].
        moisture_apart: ln of its vapour pressure over the others', less what is usual; NaN where
            it is not known.
        above_all: it is warmer than every other probe of the enclosure.
    """
    if math.isnan(above_k):
        return Verdict.NOT_EVALUATED
    bound_k = DEFAULT_SUN_K if spread_k is None else max(LEAST_SUN_K, 6.0 * spread_k)
    beyond_k = above_k - usual_k
    if beyond_k < 0.7 * bound_k or above_k < 0.7 * LEAST_SUN_K:
        return Verdict.PASS  # one that was the coldest and is now like the rest is not in the sun
    if (
        beyond_k > bound_k
        and above_k > LEAST_SUN_K
        and above_all
        and not abs(moisture_apart) > SAME_MOISTURE
    ):
        return Verdict.SUSPECT
    return Verdict.NOT_EVALUATED


LEAST_MOISTURE = 0.12
DEFAULT_MOISTURE = 0.30


def vapour_pressures_part(apart: float, usual: float, spread: float | None) -> Verdict:
    """Return whether a body says of the air's moisture what the other bodies of the tent do not.

    Args:
        apart: ln of its vapour pressure over that of the others.
        usual: what that usually is.
        spread: standard deviation of that, or None before it is known.
    """
    if math.isnan(apart):
        return Verdict.NOT_EVALUATED
    bound = DEFAULT_MOISTURE if spread is None else max(LEAST_MOISTURE, 6.0 * spread)
    beyond = abs(apart - usual)
    if beyond > bound:
        return Verdict.SUSPECT
    return Verdict.PASS if beyond < 0.7 * bound else Verdict.NOT_EVALUATED


def vapour_pressure_hpa(air_temp_c: float, rh_pct: float) -> float:
    """Return the air's vapour pressure over liquid water [hPa].

    Args:
        air_temp_c: of the air [degC].
        rh_pct: over liquid water [%].

    Source:
        WMO-No. 8, Guide to Instruments and Methods of Observation, annex 4.B:
        e_w = 6.112 exp(17.62 t / (243.12 + t)).

    >>> round(vapour_pressure_hpa(20.0, 100.0), 2)
    23.33
    """
    return 0.06112 * rh_pct * math.exp(17.62 * air_temp_c / (243.12 + air_temp_c))
