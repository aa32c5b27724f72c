"""The outlook's members and their weights: closed forms, planted laws, and what none may know.

CRPS of a normal distribution judged by its own draws is sigma / sqrt(pi): T. Gneiting,
A. E. Raftery, J. Am. Stat. Assoc. 102 (2007) 359-378, eq. 20 and 21 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.outlook.prior import shipped_priors
from rules.outlook.members import (
    STEP_S,
    crps,
    level,
    outdoors_at,
    outlook_of_log,
    weather_draws,
    weights_of,
)
from rules.outlook.regression import (
    BLOCK,
    DAY,
    FORECAST_CHANGES,
    QUANTITIES,
    Member,
    Outdoors,
    Shown,
    regression,
    usual,
)
from rules.outlook.track import CELL_S, CELLS_A_DAY, Track
from rules.outlook.weather import ForecastUnfit, Outside

PRIORS = shipped_priors()
NOW_S = 1_791_849_600.0
HOUR_S = 3600.0


def weather(days: float, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Hours up to a day after now, and a temperature that days and fronts move."""
    chance = np.random.default_rng(seed)
    hours = np.arange(-24.0 * days, 25.0)
    walk = np.cumsum(chance.normal(0.0, 0.7, hours.size))
    return NOW_S + HOUR_S * hours, 12.0 + 4.0 * np.sin(hours * math.pi / 12.0) + walk


def follower(days: float, seed: int = 1) -> tuple[Track, Outside, np.ndarray]:
    """An enclosure that follows the air outside with a lag of an hour; its cells a day on."""
    hour_s, temp = weather(days, seed)
    times = NOW_S + CELL_S * np.arange(1.0 - CELLS_A_DAY * days, CELLS_A_DAY + 1.0)
    outside = np.interp(times, hour_s, temp)
    inside, state = np.empty(times.size), float(outside[0])
    for at, value in enumerate(outside.tolist()):
        state += (value - state) * (1.0 - math.exp(-CELL_S / HOUR_S))
        inside[at] = state
    inside += np.random.default_rng(seed).normal(0.0, 0.05, times.size)
    count = int(CELLS_A_DAY * days)
    track = Track(NOW_S, inside[:count], inside[:count] - 5.0, inside[:count] - 0.5)
    return track, Outside(hour_s, temp, temp - 5.0, None, NOW_S), inside[count:]


def test_the_score_is_that_of_a_normal_distribution() -> None:
    errors = np.random.default_rng(4).normal(0.0, (1.0, 2.0, 0.5), (1000, 3))
    # The margin's error is that of the surface less that of the dew point: sd sqrt(4 + 0.25).
    wanted = (1.0 + 2.0 + 0.5 + math.sqrt(4.25)) / math.sqrt(math.pi)
    assert crps(errors) == pytest.approx(wanted, rel=0.03)


def test_the_score_is_that_of_every_pair_lead_by_lead() -> None:
    errors = np.random.default_rng(8).normal(size=(4, 20, 3))
    found = crps(errors)
    for each, lead in zip(found, errors, strict=True):
        of_each = [*lead.T, lead[:, 2] - lead[:, 1]]
        both = [np.concatenate([one, -one]) for one in of_each]
        plain = [
            np.abs(d[:, None] - one).mean() - 0.5 * np.abs(d[:, None] - d).mean()
            for d, one in zip(both, of_each, strict=True)
        ]
        assert each == pytest.approx(sum(plain), rel=1e-12)


def test_a_member_that_errs_twice_as_much_loses_its_say_and_a_silent_one_has_none() -> None:
    chance = np.random.default_rng(5)
    errors = chance.normal(size=(6 * DAY, DAY, QUANTITIES))
    change = np.zeros((QUANTITIES, DAY))
    silent = np.full_like(change, np.nan)
    members = [Member(change, errors), Member(change, 2.0 * errors), Member(silent, errors)]
    times = NOW_S - STEP_S * np.arange(6.0 * DAY)[::-1]
    weights = weights_of(members, times, NOW_S, np.ones((3, DAY)))
    assert weights.sum(axis=0) == pytest.approx(1.0)
    assert (weights[2] == 0.0).all()
    assert (weights[0] > weights[1]).all()
    # Many errors of short leads are many witnesses; of a day ahead there are few.
    assert weights[1, 0] < 1e-6
    assert weights[1, -1] > 1e-3


def test_a_silent_member_that_knows_more_of_the_past_leaves_the_others_their_say() -> None:
    """As after a gap of days: the usual level has none for some hours ahead."""
    errors = np.random.default_rng(7).normal(size=(6 * DAY, DAY, QUANTITIES))
    change = np.zeros((QUANTITIES, DAY))
    young = errors.copy()
    young[:-DAY] = np.nan
    members = [Member(np.full_like(change, np.nan), errors), Member(change, young)]
    times = NOW_S - STEP_S * np.arange(6.0 * DAY)[::-1]
    weights = weights_of(members, times, NOW_S, np.ones((2, DAY)))
    assert (weights == [[0.0], [1.0]]).all()


def test_the_usual_level_is_that_of_the_days_before() -> None:
    values = np.repeat([[10.0], [14.0]], DAY, axis=0) + np.arange(2.0 * DAY)[:, None] % DAY
    found = usual(values)
    assert np.isnan(found[:DAY]).all()
    assert found[DAY : 2 * DAY] == pytest.approx(values[:DAY])
    # 0.7 of the day before yesterday for all of yesterday.
    assert found[2 * DAY, 0] == pytest.approx((14.0 + 0.7 * 10.0) / 1.7)
    told = level(values)
    assert told.change[0, 0] == pytest.approx(found[2 * DAY, 0] - values[-1, 0])
    assert told.errors[DAY - 1, :, 0] == pytest.approx(4.0)


def test_a_past_forecast_knew_nothing_of_what_came_after_it() -> None:
    values = np.cumsum(np.random.default_rng(6).normal(0.0, 0.2, (4 * DAY, 3)), axis=0) + 12.0
    later = values.copy()
    later[3 * DAY :] += 5.0
    before, after = regression(values, PRIORS).errors, regression(later, PRIORS).errors
    for lead in (1, 8, 40):
        told = slice(0, 3 * DAY - lead)
        assert after[told, lead - 1] == pytest.approx(before[told, lead - 1], nan_ok=True)
    assert not np.allclose(after[-20:-1, 0], before[-20:-1, 0])


@pytest.mark.parametrize("outside", [False, True])
def test_what_is_told_is_features_times_weights_block_by_block(outside: bool) -> None:
    chance = np.random.default_rng(10)
    count = 2 * DAY + 7
    values = np.cumsum(chance.normal(0.0, 0.2, (count, 3)), axis=0) + 12.0
    values[100:105] = np.nan
    came, ahead = chance.normal(size=(count, 3)), chance.normal(size=(DAY, count, 3))
    ahead[:, 50] = np.nan
    for quantity in range(QUANTITIES):
        shown = Shown(values, quantity, Outdoors(came, ahead) if outside else None)
        width, blocks = shown.at(1).shape[1], -(-count // BLOCK)
        weights = chance.normal(size=(blocks + 1, DAY, width))
        told = shown.told(weights)
        for lead in (1, 2, 40, DAY):
            block = [*(np.arange(count - 1) // BLOCK), blocks]
            plain = (shown.at(lead) * weights[block, lead - 1]).sum(axis=1)
            assert np.isfinite(plain).any()
            assert told[lead - 1] == pytest.approx(plain, nan_ok=True)


def test_the_prior_covers_every_lead() -> None:
    for quantity in range(QUANTITIES):
        for outside in (False, True):
            prior = PRIORS[quantity, outside]
            assert (
                prior.mean.shape
                == prior.sd.shape
                == (DAY, FORECAST_CHANGES + 30 if outside else 18)
            )
            assert np.isfinite(prior.mean).all()
            assert (prior.sd > 0.0).all()
            assert prior.noise[0] < prior.noise[DAY // 2]


def test_a_front_that_is_forecast_is_seen_coming() -> None:
    alone, told = [], []
    for seed in (1, 2, 3):
        track, outside, came = follower(5.0, seed)
        truth = came[2::3][: DAY // 2]
        for errors, known in ((alone, None), (told, outside)):
            errors.append(outlook_of_log(track, PRIORS, known).centre[0, 1 : DAY // 2 + 1] - truth)
    by_log, by_forecast = (float(np.sqrt(np.mean(np.square(each)))) for each in (alone, told))
    assert by_forecast < 0.6 * by_log


def test_errors_of_temperature_and_dew_point_are_drawn_apart() -> None:
    weights = np.zeros((QUANTITIES, DAY, FORECAST_CHANGES))
    weights[2, :, 0] = weights[1, :, 1] = 1.0
    member = Member(np.zeros((QUANTITIES, DAY)), np.zeros((1, DAY, QUANTITIES)), weights)
    draws = weather_draws(member, np.full((3, DAY), 2.0), 500)
    surface, dew = draws[:, 2], draws[:, 1]
    assert surface.std(axis=0) == pytest.approx(2.0, rel=0.15)
    assert abs(np.corrcoef(surface[:, 20], dew[:, 20])[0, 1]) < 0.15
    # Drawn by one factor, the margin would not spread at all.
    assert (surface - dew).std(axis=0) == pytest.approx(2.0 * math.sqrt(2.0), rel=0.15)


def test_what_was_forecast_then_counts_for_then() -> None:
    hour_s, temp = weather(3.0)
    outside = Outside(hour_s, temp, temp - 5.0, None, NOW_S)
    issued_s = NOW_S - 86_400.0
    wrong = Outside(hour_s, temp + 3.0, temp - 5.0, None, issued_s)
    times = NOW_S - STEP_S * np.arange(3.0 * DAY)[::-1]
    plain, with_issue = outdoors_at(outside, times), outdoors_at(outside, times, [wrong])
    apart = (with_issue.ahead - plain.ahead)[10, :, 0]
    in_force = times >= issued_s
    in_force[-1] = False  # now is told by what is known now
    assert apart[in_force] == pytest.approx(3.0)
    assert apart[~in_force] == pytest.approx(0.0)
    assert plain.issued == 0.0
    assert with_issue.issued == pytest.approx(1.0 / 3.0, abs=0.01)
    assert with_issue.came == pytest.approx(plain.came)


def test_forecasts_that_were_wrong_count_less() -> None:
    track, outside, _ = follower(5.0)
    chance = np.random.default_rng(3)
    issues = []
    for made_s in NOW_S - HOUR_S * np.arange(120.0, 0.0, -6.0):
        off = np.where(outside.time_s > made_s, chance.normal(0.0, 6.0), 0.0)
        issues.append(
            Outside(outside.time_s, outside.temp_c + off, outside.dew_point_c + off, None, made_s)
        )
    trusted = outlook_of_log(track, PRIORS, outside)
    doubted = outlook_of_log(track, PRIORS, outside, issues)
    widths = [np.ptp(each.bands().air_temp_c[[0, 2]], axis=0)[12:49].mean() for each in
              (trusted, doubted)]  # fmt: skip
    assert widths[1] > 1.1 * widths[0]


def test_a_forecast_two_days_old_is_dropped_and_one_of_a_day_widens() -> None:
    track, outside, _ = follower(3.0)

    def made(age_h: float) -> Outside:
        return Outside(
            outside.time_s, outside.temp_c, outside.dew_point_c, None, NOW_S - HOUR_S * age_h
        )

    with pytest.raises(ForecastUnfit, match=r"made 2 d 1 h ago is over the 2 d"):
        outlook_of_log(track, PRIORS, made(49.0))
    fresh, stale = (
        outlook_of_log(track, PRIORS, made(0.0)),
        outlook_of_log(track, PRIORS, made(24.0)),
    )
    assert fresh.notes == ()
    assert "24 h old" in stale.notes[0]
    widths = [np.ptp(each.bands().air_temp_c[[0, 2]], axis=0)[4:].mean() for each in (fresh, stale)]
    assert widths[1] > widths[0]


def regular(days: float, seed: int) -> tuple[Track, Outside]:
    """An enclosure whose days are alike, which its own log tells better than any weather."""
    _, outside, _ = follower(days, seed)
    chance = np.random.default_rng(seed)
    times = NOW_S + CELL_S * np.arange(1.0 - CELLS_A_DAY * days, 1.0)
    inside = 15.0 + 5.0 * np.sin(2 * math.pi * times / 86_400.0)
    inside += chance.normal(0.0, 0.05, times.size)
    temp = 12.0 + 5.0 * np.sin(2 * math.pi * outside.time_s / 86_400.0)
    temp += chance.normal(0.0, 0.5, temp.size)
    track = Track(NOW_S, inside, inside - 5.0, inside - 0.5)
    return track, replace(outside, temp_c=temp, dew_point_c=temp - 5.0)


@pytest.mark.parametrize("days_alike", [False, True])
@pytest.mark.parametrize("off_k", [8.0, -8.0])
def test_a_forecast_that_jumps_away_from_the_log_narrows_no_range_and_is_named(
    off_k: float, days_alike: bool
) -> None:
    for seed in (1, 2, 3):
        track, outside = regular(2.5, seed) if days_alike else follower(8.0, seed)[:2]
        alone, agreeing = (outlook_of_log(track, PRIORS, each) for each in (None, outside))
        assert agreeing.notes == ()
        temp_c = outside.temp_c + off_k * (outside.time_s > NOW_S)
        made = outlook_of_log(track, PRIORS, replace(outside, temp_c=temp_c))
        (note,) = made.notes
        assert "within 4 h, far more than before" in note
        lows, highs = zip(
            *(each.bands().air_temp_c[[0, 2], 1:17] for each in (alone, made)), strict=True
        )
        assert (highs[1] - lows[1] >= highs[0] - lows[0]).all()
        # Both courses stay inside: the log's, and most of what the forecast tells.
        middle = alone.bands().air_temp_c[1, 1:17]
        assert ((lows[1] <= middle) & (middle <= highs[1])).all()
        beyond = highs[1] - middle if off_k > 0.0 else middle - lows[1]
        assert beyond[-1] > 4.0


@pytest.mark.parametrize("first_min", [1.0, 59.0])
def test_a_forecast_from_the_next_full_hour_on_is_of_use(first_min: float) -> None:
    track, outside, _ = follower(4.0)
    times_s = outside.time_s + 60.0 * first_min
    ahead = outside.time_s >= NOW_S
    columns = (times_s, outside.temp_c, outside.dew_point_c)
    given = Outside(*(each[ahead] for each in columns), None, NOW_S)
    made = outlook_of_log(track, PRIORS, given)
    assert made.source.startswith("the forecast and ")
    late = replace(given, time_s=given.time_s + HOUR_S)
    with pytest.raises(ForecastUnfit, match="reaches 0 s ahead"):
        outlook_of_log(track, PRIORS, late)


def test_beyond_a_forecasts_end_the_log_counts_alone() -> None:
    track, outside, _ = follower(4.0)
    plain = outlook_of_log(track, PRIORS)
    for hours in (8.0, 2.0):
        kept = outside.time_s <= NOW_S + HOUR_S * hours
        short = Outside(
            outside.time_s[kept], outside.temp_c[kept], outside.dew_point_c[kept], None, NOW_S
        )
        if hours < 3.0:
            with pytest.raises(ForecastUnfit, match="under the 3 h"):
                outlook_of_log(track, PRIORS, short)
            continue
        made = outlook_of_log(track, PRIORS, short)
        assert any("from there the log counts alone" in note for note in made.notes)
        assert made.looked_ahead_s == plain.looked_ahead_s
        assert made.centre[:, 33:] == pytest.approx(plain.centre[:, 33:])
        assert not np.allclose(made.centre[:, 1:33], plain.centre[:, 1:33])


def test_a_step_shows_the_same_now_as_in_a_longer_log() -> None:
    chance = np.random.default_rng(8)
    values = 12.0 + np.cumsum(chance.normal(0.0, 0.2, (3 * DAY, QUANTITIES)), axis=0)
    came, ahead = chance.random((3 * DAY, 3)), chance.random((DAY, 3 * DAY, 3))
    now = 2 * DAY + 50
    for lead in (1, 4, 8, 30):
        later = Shown(values, 0, Outdoors(came, ahead)).at(lead)[now]
        newest = Shown(values[: now + 1], 0, Outdoors(came[: now + 1], ahead[:, : now + 1]))
        assert newest.at(lead)[-1] == pytest.approx(later)
