"""What a tent makes of the air outside: how late it follows, how much warmer and moister it is.

From its log where that shows it, else what its job file says, else a stated default of its kind.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.air.arrays import Floats, ln_vapour_pressures
from rules.errors import FilmcallError
from rules.outlook.track import CELL_S, CELLS_A_DAY
from rules.text import duration_text
from rules.units import DAY_S, HOUR_S

LEAST_DAYS = 2.0
LEAST_MOVED_K = 2.0
LEAST_EXPLAINED = 0.5
# Of what is left unexplained the sun must take so much away, or it does not show.
_SUN_SHOWS = 0.1
_LAG_LEAST_S, _LAG_MOST_S = 60.0, 2.0 * DAY_S
_LAGS, _FINER, _ROUNDS = 50, 13, 3
FULL_SUN_W_M2 = 1000.0
_PA_PER_HPA = 100.0


class TentUnknown(FilmcallError, ValueError):
    """A log does not show what the tent makes of the air outside; the text says why."""


@dataclass(frozen=True, slots=True)
class Tent:
    """A first-order enclosure.

    Attributes:
        lag_s: time in which its temperature follows the air outside [s].
        warmer_k: how far it settles above it without sun [K].
        moister_pa: how far its vapour pressure settles above that outside [Pa].
        vapour_lag_s: time in which its moisture follows [s].
        sun_k: how much more it settles at in full sun, 1,000 W/m² on the flat [K].
        basis: what these rest on, in words.
    """

    lag_s: float
    warmer_k: float
    moister_pa: float
    vapour_lag_s: float
    sun_k: float
    basis: str


def warmer_tent(warmer_k: float) -> Tent:
    """Return a tent that only stands so much above the air outside, as its job file says [K]."""
    words = f"{warmer_k:g} K above the air outside, as the job file says"
    return Tent(0.0, warmer_k, 0.0, 0.0, 0.0, words)


def _stated(words: str, lag_s: float, warmer_k: float, moister_pa: float) -> Tent:
    basis = f"{words}: {_words(lag_s, warmer_k, moister_pa)} (judgement, no source)"
    return Tent(lag_s, warmer_k, moister_pa, lag_s, 0.0, basis)


def _words(lag_s: float, warmer_k: float, moister_pa: float) -> str:
    late = f"in {duration_text(round(lag_s / 60.0) * 60.0)}" if lag_s > _LAG_LEAST_S else "at once"
    hpa = moister_pa / _PA_PER_HPA
    return (
        f"follows the air outside {late}, {abs(warmer_k):.1f} K "
        f"{'warmer' if warmer_k >= 0.0 else 'colder'}, {abs(hpa):.1f} hPa "
        f"{'more' if hpa >= 0.0 else 'less'} moisture"
    )


KINDS = {
    "sheet": _stated("a tent of plastic sheet", 0.5 * HOUR_S, 1.0, 100.0),
    "shed": _stated("a shed", 6.0 * HOUR_S, 1.0, 50.0),
    "open": Tent(0.0, 0.0, 0.0, 0.0, 0.0, "the open air"),
}
"""Stated defaults by kind, unheated and by night; judgement, no source."""


def lagged(values: Floats, step_s: float, lag_s: Floats, begin: Floats) -> Floats:
    """Return what follows values with first-order lags; exact for straight lines between them.

    Args:
        values: rows by instants, or one row for all lags.
        step_s: between two instants [s].
        lag_s: one a row, over 0 [s].
        begin: what each row stands at in the beginning.

    Returns:
        Rows by instants.
    """
    share = step_s / lag_s
    keep = np.exp(-share)
    new = 1.0 - (1.0 - keep) / share
    old = (1.0 - keep) / share - keep
    rows = np.broadcast_to(values, (lag_s.size, values.shape[-1]))
    found = np.empty(rows.shape)
    found[:, 0] = now = begin
    for n in range(1, rows.shape[1]):
        now = keep * now + old * rows[:, n - 1] + new * rows[:, n]
        found[:, n] = now
    return found


def by_hour(values: Floats, lag_s: float) -> Floats:
    """Return hours through a lag; they begin from where their own first day would have led to."""
    if lag_s <= 0.0:
        return values
    lags = np.full(values.shape[0], lag_s)
    day = lagged(values[:, :25], HOUR_S, lags, values[:, 0])
    return lagged(values, HOUR_S, lags, day[:, -1])


def fit_tent(
    outside_c: Floats,
    outside_dew_c: Floats,
    inside_c: Floats,
    inside_dew_c: Floats,
    *,
    sun: Floats | None = None,
    heater: Floats | None = None,
) -> Tent:
    """Fit a tent to its log.

    Args:
        outside_c: air outside by cells of five minutes, NaN where it is not known [°C].
        outside_dew_c: dew point outside [°C].
        inside_c: air in the tent [°C].
        inside_dew_c: dew point in it [°C].
        sun: on the flat, or None where it is not known, then or ahead [W/m²].
        heater: share of the strongest that was on, or None.

    Returns:
        The tent with its heater off.

    Raises:
        TentUnknown: too little of inside and outside is known together, or it says nothing.

    Source:
        A first-order lag, T' = (outside + offset - T) / lag, by least squares over the lag.
    """
    known = np.isfinite(outside_c) & np.isfinite(outside_dew_c)
    known &= np.isfinite(sun) if sun is not None else True
    part = _longest(known)
    told = np.isfinite(inside_c[part]) & np.isfinite(inside_dew_c[part])
    days = int(told.sum()) / CELLS_A_DAY
    if days < LEAST_DAYS:
        raise TentUnknown(
            f"its log has {duration_text(days * DAY_S)} of air inside and outside together, under "
            f"the {duration_text(LEAST_DAYS * DAY_S)} that it takes to know it"
        )
    low, high = np.quantile(outside_c[part], (0.05, 0.95))
    if high - low < LEAST_MOVED_K:
        raise TentUnknown(
            f"the air outside moved only {high - low:.1f} K while its log knew both, and under "
            f"{LEAST_MOVED_K:g} K do not show how late it follows"
        )
    on = np.zeros(1) if heater is None else heater[part]
    heated = bool(np.ptp(on) > 0.0)  # one that was never off cannot be told from the tent
    extras = [on] if heated else []
    plain = _fit(outside_c[part], inside_c[part], extras)
    heat, shone = plain, False
    if sun is not None and bool(np.ptp(sun[part]) > 0.0):
        heat = _fit(outside_c[part], inside_c[part], [*extras, sun[part] / FULL_SUN_W_M2])
        shone = heat.figures[-1] > 0.0 and heat.left < (1.0 - _SUN_SHOWS) * plain.left
        heat = heat if shone else plain
    if heat.explained < LEAST_EXPLAINED:
        raise TentUnknown(
            f"the air outside explains {100.0 * max(0.0, heat.explained):.0f} % of what its log "
            f"has of the air inside, under {100.0 * LEAST_EXPLAINED:.0f} %"
        )
    water = _fit(_pressure(outside_dew_c[part]), _pressure(inside_dew_c[part]), extras)
    # Moisture that hardly follows has no lag to speak of, but it has a mean.
    vapour_lag_s = water.lag_s if water.explained >= LEAST_EXPLAINED else heat.lag_s
    warmer_k, moister_pa = heat.figures[0], water.figures[0]
    words = f"{duration_text(round(days) * DAY_S)} of the log: "
    words += _words(heat.lag_s, warmer_k, moister_pa)
    if shone:
        words += f", {heat.figures[-1]:.1f} K more in full sun"
    if heated:
        words += f", the heater off (it adds {heat.figures[1]:.1f} K)"
    elif bool(on.max(initial=0.0) > 0.0):
        words += ", its heater on as it was"
    sun_k = float(heat.figures[-1]) if shone else 0.0
    return Tent(heat.lag_s, float(warmer_k), float(moister_pa), vapour_lag_s, sun_k, words)


def _pressure(dew_point_c: Floats) -> Floats:
    return np.exp(ln_vapour_pressures(dew_point_c))


def _longest(known: NDArray[np.bool_]) -> slice:
    """The longest run of what is known."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False])).astype(np.int8)))
    runs = edges.reshape(-1, 2)
    if not runs.size:
        return slice(0, 0)
    begin, end = runs[np.argmax(runs[:, 1] - runs[:, 0])].tolist()
    return slice(begin, end)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """A lag, its offset and gains, the squares that are left, and the share that it explains."""

    lag_s: float
    figures: Floats
    left: float
    explained: float


def _fit(outside: Floats, inside: Floats, extras: Sequence[Floats]) -> _Fit:
    """The lag of least squares: over a ladder of lags, then finer ones around the best."""
    told = np.isfinite(inside)
    lags = np.geomspace(_LAG_LEAST_S, _LAG_MOST_S, _LAGS)
    best: tuple[float, float, Floats] | None = None
    for _ in range(_ROUNDS):
        driven = lagged(outside[None], CELL_S, lags, np.full(lags.size, outside[0]))
        gains = [lagged(each[None], CELL_S, lags, np.zeros(lags.size)) for each in extras]
        ages = CELL_S * np.arange(outside.size)
        for at, lag_s in enumerate(lags.tolist()):
            started = np.exp(-ages / lag_s)
            columns = [np.ones(outside.size), *(gain[at] for gain in gains), started]
            table = np.stack(columns, axis=1)[told]
            wanted = (inside - driven[at])[told]
            figures = np.linalg.lstsq(table, wanted, rcond=None)[0]
            left = float(((wanted - table @ figures) ** 2).sum())
            if best is None or left < best[0]:
                best = left, lag_s, figures[:-1]
        step = (lags[1] / lags[0]) if lags.size > 1 else 1.0
        lag_s = best[1] if best is not None else _LAG_LEAST_S
        lags = np.geomspace(max(lag_s / step, _LAG_LEAST_S), lag_s * step, _FINER)
    if best is None:
        raise TentUnknown("no lag was tried")
    left, lag_s, figures = best
    whole = float(((inside[told] - inside[told].mean()) ** 2).sum())
    return _Fit(lag_s, figures, left, 1.0 - left / whole if whole > 0.0 else 0.0)
