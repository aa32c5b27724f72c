"""Checks that a spec's figures agree with each other; `read` runs it on what it has read."""

from __future__ import annotations

import math
from collections.abc import Container, Iterator, Mapping, Sequence
from itertools import pairwise

from rules.spec.model import (
    STEEPEST_EA_J_PER_MOL,
    Column,
    FilmThickness,
    Launch,
    Limit,
    Mix,
    ThinnerBand,
    TimeTable,
)
from rules.text import duration_text
from rules.toml_table import UNLIMITED, Faults, Path, Table
from rules.units import ZERO_C_IN_K
from rules.vocabulary import ClockName, LimitName, Stage, Step

Limits = Mapping[Stage, Mapping[LimitName, Limit]]
Times = Mapping[ClockName, TimeTable]

_SIDES = (
    (LimitName.SURFACE_TEMP_MIN, LimitName.SURFACE_TEMP_MAX),
    (LimitName.AIR_TEMP_MIN, LimitName.AIR_TEMP_MAX),
    (LimitName.HUMIDITY_MIN, LimitName.HUMIDITY_MAX),
)

# Earlier clock, later clock, whether they may end together, and what the other way would mean.
_ORDER = (
    (ClockName.INDUCTION, ClockName.POT_LIFE, False, "the mix would be spent before its first use"),
    (ClockName.FLASH, ClockName.TOUCH_DRY, True, "a film is not dry before it has flashed off"),
    (ClockName.TOUCH_DRY, ClockName.HANDLE, True, "a film is not handled before it is touch dry"),
    (ClockName.HANDLE, ClockName.CURED, True, "a film is handled before it is cured"),
    (ClockName.TAPE_NOT_BEFORE, ClockName.TAPE_NOT_AFTER, False, "the tape could never come off"),
)


def time_key(clock: ClockName) -> str:
    """Return the key that a clock's table has in a spec file.

    >>> time_key(ClockName.RECOAT_OPENS)
    'recoat_opens'
    """
    return clock.value.replace(" ", "_")


def clock_of(step: Step) -> ClockName:
    """Return the clock that ends when a step is reached."""
    return ClockName(step.value.replace("-", " "))


def check_limits(
    limits: Limits,
    times: Container[ClockName],
    faults: Faults,
    where: Path = ("limits",),
    under: Limits | None = None,
) -> None:
    """Keep faults of bounds that exclude each other and of limits that can never count.

    Args:
        limits: by stage.
        times: the clocks that the file states, under whatever conditions.
        faults: what is found goes here.
        where: they stand.
        under: the sheet's, over which these hold; None where these are the sheet's.
    """
    merged: dict[LimitName, Limit] = {}
    for stage, own in limits.items():
        merged.update((under or {}).get(stage, {}))
        merged.update(own)
        for low_name, high_name in _SIDES:
            low, high = merged.get(low_name), merged.get(high_name)
            if low and high and (low_name in own or high_name in own) and low.bound >= high.bound:
                name = low_name if low_name in own else high_name
                faults.add(
                    (*where, stage.value, name.value),
                    f"{low_name} {low.bound:g} is not under {high_name} {high.bound:g}, "
                    "so nothing would ever be inside",
                    "correct one of the two",
                )
        for limit in own.values():
            path: Path = (*where, stage.value, limit.name.value, "until")
            if not isinstance(limit.until, Step):
                continue
            if stage is Stage.CURE and limit.until is Step.TOUCH_DRY:
                faults.add(
                    path,
                    "never counts, since cure begins at touch-dry",
                    "name a later step, or remove the limit",
                )
            elif clock_of(limit.until) not in times:
                faults.add(
                    path,
                    f"names {limit.until}, but [times] does not say when that is",
                    f"add {time_key(clock_of(limit.until))} to [times]",
                )


def check_rows(table: TimeTable, keys: Mapping[float, str], path: Path, faults: Faults) -> None:
    """Keep faults of times that rise with temperature.

    Args:
        table: rows from cold to hot.
        keys: each row's temperature as the file writes it.
        path: where the table stands.
        faults: what is found goes here.
    """
    for cold, hot in pairwise(table.rows):
        if hot.duration_s > cold.duration_s:
            faults.add(
                (*path, keys[hot.temp_c]),
                f"takes {duration_text(hot.duration_s, cold.duration_s)}, longer than the "
                f"{duration_text(cold.duration_s, hot.duration_s)} at {cold.temp_c:g} degC, "
                "but times fall as it gets warmer",
                "correct one of the two",
            )


def check_order(
    times: Times, faults: Faults, path: Path, own: Container[ClockName] | None = None
) -> None:
    """Keep faults of steps that would come in the wrong order at some temperature.

    Args:
        times: every clock that holds.
        faults: what is found goes here.
        path: the table that is at fault.
        own: the clocks that this table states, one of which must be in it; None for all.
    """
    for earlier, later, together, meaning in _ORDER:
        if own is not None and not (earlier in own or later in own):
            continue
        if earlier in times and later in times:
            at = _first_crossing(times[earlier], times[later], together)
            if at is not None:
                temp_c, early_s, late_s = at
                faults.add(
                    (*path, time_key(later)),
                    f"is {duration_text(late_s, early_s)} at {temp_c:.3g} degC, and "
                    f"{time_key(earlier)} {duration_text(early_s, late_s)}: {meaning}",
                    "correct one of the two",
                )


_CLOSES = (ClockName.POT_LIFE, ClockName.RECOAT_CLOSES, ClockName.TAPE_NOT_AFTER)


def note_table(clock: ClockName, table: TimeTable, path: Path, notes: Faults) -> None:
    """Keep what is reckoned for a table of one row, and for equal rows.

    Args:
        clock: whose table.
        table: its rows.
        path: where it stands.
        notes: what is found goes here.
    """
    if not table.rows or table.rows[0].duration_s != table.rows[-1].duration_s:
        return
    first, last = table.rows[0], table.rows[-1]
    lasts, fix = duration_text(last.duration_s), "add the sheet's rows where it has more"
    if clock in _CLOSES:
        notes.add(
            path,
            f"gives {lasts} up to {last.temp_c:g} °C whatever the temperature, so in more heat "
            f"it is reckoned shorter by {_REACTION}",
            fix,
        )
    elif len(table.rows) == 1:
        floor = "" if table.reckoned_to_c is None else f" down to {table.reckoned_to_c:g} °C"
        notes.add(
            path,
            f"gives {last.temp_c:g} °C only, so in the cold it is reckoned longer by "
            f"{_REACTION}{floor}, and no shorter in the heat",
            fix,
        )
    else:
        notes.add(
            path,
            f"gives {lasts} from {first.temp_c:g} to {last.temp_c:g} °C whatever the "
            f"temperature, so it counts alike there, no shorter in more heat, and under "
            f"{first.temp_c:g} °C not at all",
            "correct the rows if the sheet's differ",
        )


def note_window(stated: Container[ClockName], notes: Faults) -> None:
    """Keep which end of the recoat window is not stated, and so is never warned of.

    Args:
        stated: the clocks that the file states anywhere, those that never end too.
        notes: what is found goes here.
    """
    for clock, misses, example in (
        (ClockName.RECOAT_OPENS, "a coat too soon on a touch-dry film", '{ "20 degC" = "12 h" }'),
        (ClockName.RECOAT_CLOSES, "a coat that comes too late", '{ "20 degC" = "5 days" }'),
    ):
        if clock not in stated:
            key = time_key(clock)
            never = f', or "{UNLIMITED}"' if clock in _CLOSES else ""
            notes.add(
                ("times",),
                f"{key} is not stated, so it has no clock and nothing warns of {misses}",
                f"add {key} = {example} by the sheet{never}",
            )


def note_lone_columns(times: Times, when: Sequence[Column], notes: Faults) -> None:
    """Keep what is reckoned where a clock has a single column by humidity.

    Args:
        times: of [times].
        when: the columns of the sheet.
        notes: what is found goes here.
    """
    for at, column in enumerate(when):
        if column.humidity_pct is None:
            continue
        alike = [
            each
            for each in when
            if (each.method, each.hardener, each.service)
            == (column.method, column.hardener, column.service)
        ]
        for clock, table in column.times.items():
            beside = [each for each in alike if each is not column and clock in each.times]
            if not table.rows or any(each.humidity_pct is not None for each in beside):
                continue
            does = "it counts at every humidity"
            if beside or clock in times:
                side = "faster" if clock in _CLOSES else "slower"
                does = f"at every other humidity the {side} of it and the time without one counts"
            notes.add(
                ("when", at, "times", time_key(clock)),
                f"stands at {column.humidity_pct:g} % humidity only, so {does}",
                "add the sheet's column for another humidity",
            )


_REACTION = f"{STEEPEST_EA_J_PER_MOL / 1000.0:g} kJ/mol"


def check_window(times: Times, path: Path, faults: Faults) -> None:
    """Keep the fault of a recoat window that closes before it opens.

    Args:
        times: both clocks, where the file has them.
        path: the table that is at fault if they cross.
        faults: what is found goes here.
    """
    opens, closes = times.get(ClockName.RECOAT_OPENS), times.get(ClockName.RECOAT_CLOSES)
    at = _first_crossing(opens, closes, False) if opens and closes else None
    if at is not None:
        temp_c, opens_s, closes_s = at
        faults.add(
            path,
            f"the window closes at {duration_text(closes_s, opens_s)}, no later than it opens at "
            f"{duration_text(opens_s, closes_s)} ({temp_c:.3g} degC)",
            "correct one of the two",
        )


def check_tape(times: Times, not_after_s: float | None, faults: Faults) -> None:
    """Keep the fault of tape that may stay on for less time than it must."""
    table = times.get(ClockName.TAPE_NOT_BEFORE)
    if table is not None and not_after_s is not None and table.rows[0].duration_s >= not_after_s:
        faults.add(
            ("tape", "not_after"),
            f"{duration_text(not_after_s)} is no longer than tape_not_before "
            f"{duration_text(table.rows[0].duration_s)} at {table.rows[0].temp_c:g} degC, "
            "so the tape could never come off",
            "correct one of the two",
        )


def check_bands(bands: Mapping[int, ThinnerBand], max_pct: float | None, faults: Faults) -> None:
    """Keep faults of thinner bands: reversed, over the maximum, or two for one temperature."""
    for index, band in bands.items():
        path: Path = ("mix", "thinner", index)
        if band.from_c >= band.to_c:
            faults.add(
                (*path, "from"),
                f"{band.from_c:g} degC is not under {band.to_c:g} degC",
                "correct from or to",
            )
        if band.min_pct > band.max_pct:
            faults.add(
                (*path, "min"),
                f"{band.min_pct:g} % is over max {band.max_pct:g} %",
                "correct min or max",
            )
        if max_pct is not None and band.max_pct > max_pct:
            faults.add(
                (*path, "max"),
                f"{band.max_pct:g} % is above thinner_max {max_pct:g} %",
                "correct one of the two",
            )
        for other_index, other in bands.items():
            same = band.grade == other.grade and all(
                one is None or another is None or one == another
                for one, another in ((band.method, other.method), (band.coat, other.coat))
            )
            apart = band.to_c <= other.from_c or other.to_c <= band.from_c
            if other_index < index and same and not apart:
                faults.add(
                    path,
                    f"overlaps the band from {other.from_c:g} to {other.to_c:g} degC",
                    "let each temperature, method, coat and grade have one band",
                )


def check_wait(limit: Limit, table: Table) -> None:
    """Keep the fault of a bound for HOLD that lies past the one for STOP."""
    if limit.wait is None:
        return
    upper = limit.name.value.endswith("_max")
    if limit.wait >= limit.bound if upper else limit.wait <= limit.bound:
        table.fault(
            "wait",
            f"{limit.wait:g} is past the bound {limit.bound:g}, so there would be STOP before HOLD",
            f"give a figure {'under' if upper else 'over'} the bound, or leave it out",
        )


RATIO_TOLERANCE = 0.03
"""By how much two ratios may part that sheets round for people to weigh; our own choice [1]."""

Ratio = tuple[float, float] | None


def check_ratios(
    ratios: Mapping[str, Ratio], densities: tuple[float | None, float | None], table: Table
) -> None:
    """Keep the fault of a ratio by weight and one by volume that the densities part.

    Args:
        ratios: base and hardener by "weight" and by "volume".
        densities: of base and hardener [g/mL].
        table: that of [mix].
    """
    weight, volume = ratios.get("weight"), ratios.get("volume")
    base, hardener = densities
    if not (weight and volume and base and hardener and weight[1] and volume[1]):
        return
    told = volume[0] / volume[1]
    by_density = weight[0] / weight[1] * hardener / base
    if abs(told / by_density - 1.0) > RATIO_TOLERANCE:
        at_fault = next(
            key for key in ("ratio_by_volume", "ratio_by_weight") if key in table.values
        )
        table.fault(
            at_fault,
            f"does not agree: by volume the sheet has {told:.3g}:1, and its weights with the "
            f"densities {base:g} and {hardener:g} kg/l make {by_density:.3g}:1",
            "correct the one that is wrong",
        )


def check_overcoat(closes: TimeTable, abraded_s: float, stated: bool, table: Table) -> None:
    """Keep the fault of a ground that must come off before it need be sanded."""
    longest = closes.rows[0]
    if abraded_s <= longest.duration_s:
        as_it_is = "times.recoat_closes" if stated else "as_it_is"
        table.fault(
            "abraded",
            f"{duration_text(abraded_s, longest.duration_s)} is no longer than {as_it_is} "
            f"{duration_text(longest.duration_s, abraded_s)} at {longest.temp_c:g} degC, so it "
            "would come off before it need be sanded",
            "correct one of the two",
        )


def check_wet_on_wet(opens: TimeTable | None, wet_s: float, table: Table) -> None:
    """Keep the fault of a first window that has no second, or is over after that has opened."""
    if opens is None:
        table.fault(
            "wet_on_wet",
            "says until when the next coat may follow at once, but times.recoat_opens does not say "
            "from when it may again",
            'add recoat_opens = { "20 degC" = "18 h" } to [times]',
        )
    elif wet_s >= opens.rows[-1].duration_s:
        opens_s = opens.rows[-1].duration_s
        table.fault(
            "wet_on_wet",
            f"{duration_text(wet_s, opens_s)} is no shorter than times.recoat_opens "
            f"{duration_text(opens_s, wet_s)} at {opens.rows[-1].temp_c:g} degC",
            "correct one of the two, or leave wet_on_wet out",
        )


def check_launch(launch: Launch, table: Table) -> None:
    """Keep the fault of a launch that must not be after it may be."""
    if launch.not_before is None or launch.not_after_s is None:
        return
    longest = launch.not_before.rows[0]
    if launch.not_after_s <= longest.duration_s:
        table.fault(
            "not_after",
            f"{duration_text(launch.not_after_s)} is no longer than not_before "
            f"{duration_text(longest.duration_s)} at {longest.temp_c:g} degC, so the work could "
            "never go into the water",
            "correct one of the two",
        )


def check_film(film: FilmThickness, table: Table) -> None:
    """Keep faults of films that are thinner at most than at least, and of layers of no film."""
    for side, low, high in (
        ("wet", film.wet_min_um, film.wet_max_um),
        ("dry", film.dry_min_um, film.dry_max_um),
        ("total_dry", film.total_dry_min_um, film.total_dry_max_um),
    ):
        if low is not None and high is not None and low >= high:
            table.fault(
                f"{side}_min",
                f"{low:g} um is not under {side}_max {high:g} um",
                "correct one of the two",
            )
    if film.layers_min and film.layers_max and film.layers_min > film.layers_max:
        table.fault(
            "layers_min",
            f"{film.layers_min} is over layers_max {film.layers_max}",
            "correct one of the two",
        )
    said = (film.wet_min_um, film.wet_max_um, film.dry_min_um, film.dry_max_um)
    if film.layers_max is not None and not film.method_max_um and not any(said):
        table.fault(
            "layers_max",
            f"says {film.layers_max} coats, but not how thick one of them is",
            'add wet_max = "120 um" or dry_max = "60 um"',
        )


DRIED_TOLERANCE = 0.1
"""By how much sheets round a dry film beside a wet one; judgement, no source [1]."""


def note_dried(film: FilmThickness, mix: Mix | None, notes: Faults) -> None:
    """Keep which dry film no coat reaches, by the solids and the thickest wet one.

    Args:
        film: its thicknesses.
        mix: for its solids, or None where they are not known.
        notes: what is found goes here.
    """
    if mix is None or film.wet_max_um is None:
        return
    stays_um = film.wet_max_um * mix.solids_by_volume_pct / 100.0
    for key, dry_um in (("dry_min", film.dry_min_um), ("dry_max", film.dry_max_um)):
        if dry_um is not None and dry_um > stays_um * (1.0 + DRIED_TOLERANCE):
            notes.add(
                ("film", key),
                f"{dry_um:g} µm is more than dries from wet_max {film.wet_max_um:g} µm at "
                f"{mix.solids_by_volume_pct:g} % solids, {stays_um:.3g} µm",
                "correct the one that is wrong",
            )


def _first_crossing(
    first: TimeTable, later: TimeTable, together: bool
) -> tuple[float, float, float] | None:
    """Return the coldest temperature at which the order is wrong, and both times.

    Between rows ln(time) runs linearly in 1/T for both, so they can cross only if one of their
    rows shows it; beyond the rows that both have, nothing is compared.
    """
    for temp_c in sorted({row.temp_c for row in (*first.rows, *later.rows)}):
        for first_s in _at(first, temp_c):
            for later_s in _at(later, temp_c):
                if first_s > later_s or (first_s == later_s and not together):
                    return temp_c, first_s, later_s
    return None


def _at(table: TimeTable, temp_c: float) -> Iterator[float]:
    """Yield the time at a temperature within the table [s], or nothing beyond it."""
    for row in table.rows:
        if row.temp_c == temp_c:
            yield row.duration_s
            return
    for cold, hot in pairwise(table.rows):
        if cold.temp_c < temp_c < hot.temp_c:
            inverse = [1.0 / (t + ZERO_C_IN_K) for t in (cold.temp_c, temp_c, hot.temp_c)]
            share = (inverse[0] - inverse[1]) / (inverse[0] - inverse[2])
            yield cold.duration_s * math.exp(share * math.log(hot.duration_s / cold.duration_s))
