"""Hours that hold for a coat, or for two with the recoat window between them.

A start holds where each limit would break, while the film minds it, with less than the probability
that holds GO back; so a window here and the call there never disagree.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from rules.air.arrays import Floats
from rules.harm import harm_until
from rules.limits import is_upper, wet_film_allowance_k
from rules.outlook.draws import BREAK_PROBABILITY, Outlook
from rules.rate import SafeSide, rate_law, reciprocal
from rules.spec.model import Spec, TimeTable
from rules.vocabulary import CLOCK_OF_STEP, ClockName, Effect, LimitName, Method, Stage, Step, Until


class Window(NamedTuple):
    """Starts that hold; all times in seconds from when the outlook was made.

    Attributes:
        start_from_s: the earliest [s].
        start_until_s: the latest: start no later [s].
        holds_until_s: how long every limit probably holds for a coat begun at the latest start; the
            end of the outlook where nothing is seen to break [s].
        worst: the highest probability of a break among its starts.
        limit: the limit that comes nearest to breaking.
    """

    start_from_s: float
    start_until_s: float
    holds_until_s: float
    worst: float
    limit: LimitName | None


class TwoCoats(NamedTuple):
    """Two coats with the recoat window between; seconds from when the outlook was made.

    Attributes:
        first_s: start of the first [s].
        recoat_opens_s: at the expected temperature, leaning late; infinite where it never does [s].
        recoat_closes_s: likewise, leaning early; infinite where the spec has no end [s].
        second: starts of the second that hold, or None where none is seen.
        beyond: the recoat window opens later than the outlook can tell of.
    """

    first_s: float
    recoat_opens_s: float
    recoat_closes_s: float
    second: Window | None
    beyond: bool


class Starts(NamedTuple):
    """What each start on the grid of horizons comes to.

    Attributes:
        start_s: from when the outlook was made [s].
        probability: of the likeliest break; NaN where the outlook ends before the coat is dry.
        limit: number of that limit in `names`.
        names: the limits that were judged.
    """

    start_s: Floats
    probability: Floats
    limit: np.ndarray[tuple[int, ...], np.dtype[np.intp]]
    names: tuple[LimitName, ...]


def bounds_of(spec: Spec, method: Method | None = None) -> dict[LimitName, float]:
    """Return the bounds that a coat of this spec asks for, its own cooling while wet included.

    Args:
        spec: of the next coat.
        method: how it goes on, or None for the largest cooling that the spec names.
    """
    allowance_k = wet_film_allowance_k(spec, Stage.APPLY, method)
    return {
        name: limit.bound + (allowance_k if name is LimitName.DEW_MARGIN_MIN else 0.0)
        for name, limit in spec.limits_for(Stage.APPLY).items()
        if limit.effect is not Effect.SLOW
    }


def ends_s(outlook: Outlook, table: TimeTable, from_s: Floats, lean: SafeSide) -> Floats:
    """Return when clocks begun at several times will end, at the expected temperature.

    Args:
        outlook: for the temperature; its last holds from there on.
        table: times by temperature.
        from_s: starts, from when the outlook was made [s].
        lean: opens, along the colder edge of the band, or closes, along the warmer.

    Returns:
        Ends, likewise [s]; infinite where an opens clock stands still at the end.

    Source:
        Integral of dt / time(T), as in `history`.
    """
    law = rate_law(table, lean)
    courses = outlook.surface_temp_c if outlook.surface_temp_c is not None else outlook.air_temp_c
    level = 0.1 if lean is SafeSide.OPENS else 0.9
    edge_c = np.quantile(courses, level, axis=0)
    x = reciprocal(edge_c)
    horizons = outlook.horizons_s
    passed = np.append(0.0, np.cumsum(law.mean_rates(x) * np.diff(horizons)))
    last_rate = float(law.rate_at_x(x[-1:])[0])
    begun = np.interp(from_s, horizons, passed)
    begun += np.maximum(from_s - horizons[-1], 0.0) * last_rate
    target = begun + 1.0
    inside = target <= passed[-1]
    # Where a clock stands still, progress is flat: the later edge of the flat is the safe one.
    at = np.searchsorted(passed, target, "right" if lean is SafeSide.OPENS else "left")
    at = np.clip(at, 1, passed.size - 1)
    gain = passed[at] - passed[at - 1]
    part = (target - passed[at - 1]) / np.where(gain > 0.0, gain, 1.0)
    within = horizons[at - 1] + np.clip(part, 0.0, 1.0) * (horizons[at] - horizons[at - 1])
    with np.errstate(divide="ignore"):
        beyond = horizons[-1] + (target - passed[-1]) / np.float64(last_rate)
    ends: Floats = np.where(inside, within, np.maximum(beyond, from_s))
    return ends


def limit_spans_s(
    outlook: Outlook, spec: Spec, coating_time_s: float, start_s: Floats
) -> dict[LimitName, Floats]:
    """Return until when a coat will mind each limit, for several starts.

    Args:
        outlook: for the temperature at which it will dry and cure.
        spec: of the coat.
        coating_time_s: how long it takes to lay on [s].
        start_s: first brush strokes, from when the outlook was made [s].

    Returns:
        For each limit the instants, likewise [s]; infinite where the spec has no time for the step.
    """
    until: dict[LimitName, Floats] = {}
    ends: dict[Until, Floats] = {}
    for name, last in harm_until(spec).items():
        if last is None:
            until[name] = start_s + coating_time_s
            continue
        if not isinstance(last, Step):
            ends[last] = start_s + coating_time_s + last
        elif last not in ends:
            table = spec.times.get(CLOCK_OF_STEP[last])
            ends[last] = (
                np.full(start_s.shape, np.inf)
                if table is None
                else ends_s(outlook, table, start_s + coating_time_s, SafeSide.OPENS)
            )
        until[name] = ends[last]
    return until


def judge_starts(
    outlook: Outlook,
    spec: Spec,
    *,
    coating_time_s: float | None = None,
    method: Method | None = None,
    bounds: Mapping[LimitName, float] | None = None,
) -> Starts:
    """Return how probable a break is for a coat begun at each horizon.

    Args:
        outlook: what the hours will probably bring.
        spec: of the coat.
        coating_time_s: how long it takes to lay on, or None for the spec's own [s].
        method: how it goes on.
        bounds: in place of the spec's own.

    Returns:
        One entry a horizon. A limit that the film minds for longer than the outlook reaches is
        judged as far as it reaches, but a start is judged only where the coat would be touch-dry
        (or, where the spec has no such time, laid on) before the outlook ends.
    """
    coating_s = spec.coating_time_s if coating_time_s is None else coating_time_s
    wanted = bounds_of(spec, method) if bounds is None else dict(bounds)
    starts = outlook.horizons_s
    until = limit_spans_s(outlook, spec, coating_s, starts)
    names: list[LimitName] = []
    rows: list[Floats] = []
    for name, bound in wanted.items():
        values = outlook.draws(name)
        if values is None:
            continue
        broken = values > bound if is_upper(name) else values < bound
        # For each draw and start, the next horizon at which it is broken.
        times = np.where(broken, outlook.horizons_s[None, :], np.inf)
        following = np.minimum.accumulate(times[:, ::-1], axis=1)[:, ::-1]
        end = until.get(name, np.full(starts.shape, np.inf))
        rows.append(np.mean(following <= end[None, :], axis=0))
        names.append(name)
    if not rows:
        nothing = np.full(starts.shape, np.nan)
        return Starts(starts, nothing, np.zeros(starts.shape, dtype=np.intp), ())
    table = np.stack(rows)
    worst = np.argmax(table, axis=0)
    touch_dry = spec.times.get(ClockName.TOUCH_DRY)
    needed = (
        starts + coating_s
        if touch_dry is None
        else ends_s(outlook, touch_dry, starts + coating_s, SafeSide.OPENS)
    )
    probability = np.where(needed <= outlook.looked_ahead_s, table.max(axis=0), np.nan)
    if LimitName.DEW_MARGIN_MIN in wanted and LimitName.DEW_MARGIN_MIN not in names:
        probability = np.full(starts.shape, np.nan)  # no surface probe, no dew margin, no window
    return Starts(starts, probability, worst, tuple(names))


class LastStart(NamedTuple):
    """The latest start of a coat from which its harm time still fits.

    Attributes:
        start_s: from when the outlook was made [s].
        limit: which limit ends it.
    """

    start_s: float
    limit: LimitName


def last_start(starts: Starts, threshold: float = BREAK_PROBABILITY) -> LastStart | None:
    """Return the latest start that holds, where one holds now and its end is seen.

    Args:
        starts: from `judge_starts`.
        threshold: probability of a break from which a start does not hold.
    """
    held = 0
    for probability in starts.probability:
        if not probability < threshold:
            break
        held += 1
    if not 0 < held < starts.probability.size or np.isnan(starts.probability[held]):
        return None
    return LastStart(float(starts.start_s[held - 1]), starts.names[int(starts.limit[held])])


def windows_of(
    outlook: Outlook, starts: Starts, *, threshold: float = BREAK_PROBABILITY
) -> list[Window]:
    """Return the runs of starts that hold, earliest first.

    Args:
        outlook: that the starts were judged on.
        starts: from `judge_starts`.
        threshold: probability of a break from which a start does not hold.
    """
    good = starts.probability < threshold  # False for NaN
    found: list[Window] = []
    at = 0
    while at < good.size:
        if not good[at]:
            at += 1
            continue
        last = at
        while last + 1 < good.size and good[last + 1]:
            last += 1
        run = slice(at, last + 1)
        place = at + int(np.argmax(starts.probability[run]))
        worst = float(starts.probability[place])
        after = starts.probability[last + 1 :] >= threshold
        until = float(starts.start_s[last + 1 + int(np.argmax(after))]) if after.any() else None
        found.append(
            Window(
                float(starts.start_s[at]),
                float(starts.start_s[last]),
                outlook.looked_ahead_s
                if until is None
                else max(until, float(starts.start_s[last])),
                worst,
                starts.names[int(starts.limit[place])] if worst > 0.0 else None,
            )
        )
        at = last + 1
    return found


def two_coats(
    outlook: Outlook,
    spec: Spec,
    windows: list[Window],
    *,
    coating_time_s: float | None = None,
) -> TwoCoats | None:
    """Return the earliest first coat, and when the second could follow.

    Args:
        outlook: what the hours will probably bring.
        spec: of both coats.
        windows: that hold for one coat.
        coating_time_s: how long a coat takes, or None for the spec's own [s].

    Returns:
        The first start for which a second is seen; else the earliest start, with what is known of
        its recoat window; None where no start holds or the spec has no recoat time.
    """
    opens = spec.times.get(ClockName.RECOAT_OPENS)
    if opens is None or not windows:
        return None
    closes = spec.times.get(ClockName.RECOAT_CLOSES)
    coating_s = spec.coating_time_s if coating_time_s is None else coating_time_s
    grid = outlook.horizons_s
    firsts = grid[
        np.any([(grid >= w.start_from_s) & (grid <= w.start_until_s) for w in windows], axis=0)
    ]
    open_s = ends_s(outlook, opens, firsts + coating_s, SafeSide.OPENS)
    close_s = (
        np.full(firsts.shape, np.inf)
        if closes is None
        else ends_s(outlook, closes, firsts, SafeSide.CLOSES)
    )
    last_start_s = max(window.start_until_s for window in windows)
    earliest: TwoCoats | None = None
    for first, opening, closing in zip(firsts, open_s, close_s, strict=True):
        second = _first_overlap(windows, float(opening), float(closing))
        beyond = bool(opening > last_start_s) and bool(opening <= closing)
        plan = TwoCoats(float(first), float(opening), float(closing), second, beyond)
        if second is not None:
            return plan
        earliest = earliest or plan
    return earliest


def _first_overlap(windows: list[Window], from_s: float, to_s: float) -> Window | None:
    for window in windows:
        begin, end = max(window.start_from_s, from_s), min(window.start_until_s, to_s)
        if begin <= end:
            return window._replace(start_from_s=begin, start_until_s=end)
    return None
