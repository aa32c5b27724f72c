"""Whether what is told comes as often: the judge on courses worked by hand, and told against came.

Brier score: G. W. Brier, Monthly Weather Review 78 (1950) 1 (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from held_enclosures import enclosures
from outlook_judge import LEADS_H, MOVING, answered, brier, drawn, truth
from outlook_reliability import HOURS, Answer, Asked, answers, print_reliability
from outlook_scores import truth_of
from outlook_trial import recording_logs
from tent_weeks import tent_week

from monitor.outlook.prior import shipped_priors
from rules.outlook.draws import Outlook
from rules.outlook.members import outlook_of_log
from rules.outlook.track import CELLS_A_DAY, Track
from rules.vocabulary import LimitName

MARGIN = (Asked(LimitName.DEW_MARGIN_MIN, 3.0),)


def falling_at(hours: list[float], now_h: float) -> tuple[Track, int]:
    """Three days at a margin of 5 K, at 1 K for half an hour from each of these hours on."""
    surface = np.full(3 * CELLS_A_DAY, 15.0)
    for hour in hours:
        surface[int(12 * hour) : int(12 * hour) + 6] = 11.0
    dew = np.full(surface.size, 10.0)
    return Track(1.79e9, np.full(surface.size, 20.0), dew, surface), int(12 * now_h)


def breaking_after_h(hours: list[float]) -> Outlook:
    """One draw an entry, which falls under 3 K in the quarter of an hour before it."""
    horizons = 900.0 * np.arange(49.0)
    surface = np.where(horizons >= 3600.0 * np.array(hours)[:, None], 11.0, 15.0)
    same = np.full_like(surface, 20.0)
    centre = np.stack([same[0], same[0] - 10.0, surface[0]])
    return Outlook(0.0, horizons, same, same - 10.0, surface, centre, "by hand", 43_200.0)


def test_told_came_and_earlier_days_by_hand() -> None:
    # 64 h in: from the same hour the first day broke after 2 h, the second not, this one after 5.
    track, cell = falling_at([16.0 + 2.0, 64.0 + 5.0], 64.0)
    found = answers(track, cell, breaking_after_h([0.5, 2.0, 4.0, np.inf]), MARGIN)
    by_hours = {each.hours: each for each in found}
    assert sorted(by_hours) == [1, 3, 6]  # twelve hours reach beyond the log
    assert [by_hours[h].told for h in (1, 3, 6)] == [0.25, 0.5, 0.75]
    assert [by_hours[h].came for h in (1, 3, 6)] == [False, False, True]
    # Laplace: (broken + 1) / (days + 2) of two days, of which none broke within an hour, one in 3.
    assert [by_hours[h].days for h in (1, 3, 6)] == [0.25, 0.5, 0.5]


def test_near_limits_and_hours_of_the_day_are_printed_apart(
    capsys: pytest.CaptureFixture[str],
) -> None:
    found = [
        Answer(0, 6, 0.3, 0.5, came=True, room=1.0, hour=2.0),
        Answer(0, 6, 0.2, 0.5, came=False, room=8.0, hour=23.5),
    ]
    print_reliability("by hand", found, MARGIN)
    printed = capsys.readouterr().out
    assert "inside now by under 3: 30 -> 100 % (1)\n" in printed
    assert "6 h, made from 0, 3, 6 … o'clock: 30 -> 100 % (1); 20 -> 0 % (1)\n" in printed


def test_a_limit_that_is_broken_now_is_not_asked_about() -> None:
    track, cell = falling_at([40.0], 40.25)
    assert answers(track, cell, breaking_after_h([1.0]), MARGIN) == []


def test_a_limit_that_moves_along_counts_from_where_each_day_stood() -> None:
    track, cell = falling_at([18.0, 69.0], 64.0)
    asked = (Asked(LimitName.DEW_MARGIN_MIN, off=4.5),)
    assert not any(each.came for each in answers(track, cell, breaking_after_h([1.0]), asked))
    asked = (Asked(LimitName.DEW_MARGIN_MIN, off=3.5),)
    assert [each.came for each in answers(track, cell, breaking_after_h([1.0]), asked)] == [
        False,
        False,
        True,
    ]


def test_an_evening_that_comes_every_day_is_told_about_as_often_as_it_comes() -> None:
    """Two and a half to four days of log. Held back more, 40 % were told at 6 h where 64 came."""
    found = []
    for seed in (2101, 2102, 2103):
        track = tent_week(seed, 4).track()
        for cell in range(5 * CELLS_A_DAY // 2, track.count - 72, 48):
            found += answers(
                track, cell, outlook_of_log(track.until(cell + 1), shipped_priors()), MARGIN
            )
    for hours in HOURS[2:]:
        part = np.array([(a.told, a.came) for a in found if a.hours == hours], dtype=float)
        assert abs(part[:, 0].mean() - part[:, 1].mean()) < 0.15
    # Better than the share of the log's own earlier days, which is no small thing to beat; over all
    # spans together, since one of them has some nine cases.
    told, days, came = np.array([(a.told, a.days, a.came) for a in found], dtype=float).T
    assert np.mean((told - came) ** 2) < np.mean((days - came) ** 2)


def test_damp_air_is_told_to_grow_damper_better_than_that_it_stays_as_it_is() -> None:
    """Two tents whose covers condense: what the air loses there holds the damp back.

    With changes in even kelvins 35 % were told within 3 h where 11 came, a Brier score of .147;
    that it stays as it is has .114.
    """
    asked = (Asked(LimitName.HUMIDITY_MAX, off=5.0),)
    found = []
    for each in enclosures([0, 15]):
        track, rh_pct = each.track, truth_of(each.track)[:, 1]
        for cell in range(5 * CELLS_A_DAY // 2, track.count - 36, 48):
            if 84.0 <= rh_pct[cell] < 94.0:
                made = outlook_of_log(track.until(cell + 1), shipped_priors())
                found += [a for a in answers(track, cell, made, asked) if a.hours == 3]
    told, came = np.array([(a.told, a.came) for a in found], dtype=float).T
    assert len(told) >= 30
    assert came.mean() > 0.0
    assert np.mean((told - came) ** 2) < np.mean(came)
    assert told.mean() - came.mean() < 0.15  # judgement, no source


def test_a_damp_evening_is_told_to_grow_damper_better_than_by_earlier_evenings() -> None:
    """Six tents at 75 to 88 % from 17 o'clock on, a rise of 5 % within two hours.

    Held back no more at two hours than at twelve, 41 % were told where 19 came, a Brier score of
    .199; the share of earlier evenings has .173, that it stays as it is .192.
    """
    found = []
    for each in enclosures([0, 10, 15, 16, 21, 24]):
        values = truth(each.track)
        for cell in range(5 * CELLS_A_DAY // 2, each.track.count - 24, 30):
            past = each.track.until(cell + 1)
            if 75.0 <= values[cell, 1] < 88.0 and past.end_s / 3600.0 % 24.0 >= 17.0:
                made = outlook_of_log(past, shipped_priors())
                found.append(answered(values, cell, made, MOVING[1], 2))
    told, days, came_h, _ = np.array(found).T
    came = came_h <= 2.0
    assert len(found) >= 60
    assert came.mean() > 0.0
    assert brier(told, came) < min(brier(days, came), came.mean())


def test_bands_after_two_days_of_recorded_weather_hold_about_what_they_say() -> None:
    """Fifty logs of two days and a quarter, cut from forty days of an airfield's air.

    With the errors' mean and size taken for known, bands of 80 % held 69 % from 3 to 9 h ahead.
    """
    track, count, held = recording_logs(None)[2].track, 9 * CELLS_A_DAY // 4, []
    came, leads = truth(track), slice(LEADS_H.index(3), LEADS_H.index(9) + 1)
    ahead = 12 * np.array(LEADS_H[leads])
    for end in range(count, track.count - ahead[-1], 17 * 12):
        past = track.until(end)
        young = Track(past.end_s, past.air_temp_c[-count:], past.dew_point_c[-count:])
        draws = drawn(outlook_of_log(young, shipped_priors()))[:3, leads]
        low, high = np.quantile(draws, (0.1, 0.9), axis=2)
        then = came[end - 1 + ahead, :3].T
        held.append((then >= low) & (then <= high))
    assert len(held) >= 50
    assert 0.74 <= np.mean(held) <= 0.86  # judgement, no source
