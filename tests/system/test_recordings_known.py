"""Recordings as loggers write them, through the command line: what is known, and what is believed.

Dew points are worked out here by CoolProp's HAPropsSI, which has no part in the program. Guards are
JCGM 100:2008 5.1.2 with a rectangle's u = a/√3 (4.3.7) and 1.645 u for a one-sided 95 %. Where a
humidity follows a falling air temperature at constant vapour pressure, that is CoolProp too. How
soon a fault must be noticed is common practice, no source: 90 min after it can be seen.
"""

from __future__ import annotations

import json
import math
import random
import re
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import pytest
from command import filmcall
from CoolProp.HumidAirProp import HAPropsSI
from recorded import (
    BOW,
    HOUR_S,
    MINUTE_S,
    PLANK,
    STERN,
    TENT,
    Played,
    Row,
    iso,
    play,
    point,
    reasons,
    seconds_after,
    spec_text,
    tent,
)

BOTH = tent(BOW, STERN, PLANK)
GUIDANCE = tent(BOW, PLANK, spec="general-guidance")
DEW_C = 9.27  # of 20 degC at 50 %, by CoolProp


def noisy(seed: int) -> Callable[..., float]:
    """Return a probe's last digit: a value with its noise, in hundredths."""
    made = random.Random(seed)
    return lambda value, noise=0.03: round(value + made.gauss(0.0, noise), 2)


@lru_cache(maxsize=4096)
def humidity_pct(air_c: float, dew_c: float = DEW_C) -> float:
    """Relative humidity of air whose dew point is given (CoolProp)."""
    return 100.0 * float(HAPropsSI("R", "T", air_c + 273.15, "P", 101_325, "D", dew_c + 273.15))


def dew_c(air_c: float, rh_pct: float) -> float:
    return float(HAPropsSI("D", "T", air_c + 273.15, "P", 101_325, "R", rh_pct / 100)) - 273.15


def guard_k(air_c: float, rh_pct: float, surface_k: float, shared: bool = False) -> float:
    """1.645 u of surface minus dew point, for 0.3 K of air and 3 % of humidity.

    Shared: the surface and the air have one error between them, of the air's size.
    """
    per_k = (dew_c(air_c + 0.1, rh_pct) - dew_c(air_c - 0.1, rh_pct)) / 0.2
    per_pct = (dew_c(air_c, rh_pct + 0.1) - dew_c(air_c, rh_pct - 0.1)) / 0.2
    square = (per_pct * 3.0) ** 2
    square += ((1.0 - per_k) * 0.3) ** 2 if shared else surface_k**2 + (per_k * 0.3) ** 2
    return 1.645 * math.sqrt(square / 3.0)


def minutes(count: int, seed: int = 1, surface_c: float = 19.0) -> list[Row]:
    """A good tent with a row a minute: 20 degC, 50 %, the hull at 19."""
    near = noisy(seed)
    return [
        (
            MINUTE_S * minute,
            {"t_bow": near(20.0), "rh_bow": near(50.0, 0.2), "plank": near(surface_c)},
        )
        for minute in range(count)
    ]


def counted_late(played: Played) -> int:
    found = re.search(r"([\d,]+) readings? came late", played.ran.err)
    return int(found.group(1).replace(",", "")) if found else 0


def loggers(ahead_s: float, damp: str) -> list[Row]:
    """Three loggers of one minute, the stern's clock ahead; one of them is damp after an hour."""
    near, rows = noisy(2), list[Row]()
    for minute in range(100):
        at_s = MINUTE_S * minute
        rh_pct = {"bow": 60.0, "stern": 60.0} | ({damp: 92.0} if minute >= 60 else {})
        rows.append((at_s, {"t_bow": near(20.0), "rh_bow": near(rh_pct["bow"], 0.2)}))
        rows.append((at_s + 10.0, {"plank": near(19.0)}))
        stern = {"t_stern": near(20.0), "rh_stern": near(rh_pct["stern"], 0.2)}
        rows.append((at_s + 20.0 + ahead_s, stern))
    return rows


@pytest.mark.parametrize(
    ("ahead_s", "damp"),
    [
        (0.0, "bow"),
        (600.0, "bow"),
        (600.0, "stern"),
        (-600.0, "bow"),
        (-600.0, "stern"),
    ],
)
def test_a_body_whose_clock_is_wrong_silences_no_stop(
    tmp_path: Path, ahead_s: float, damp: str
) -> None:
    played = play(tmp_path, loggers(ahead_s, damp), BOTH)
    # 92 % against the topcoat's 80: damp from the first hour on, by whichever clock it is told.
    first_s, last_s = HOUR_S + min(ahead_s, 0.0), HOUR_S + max(ahead_s, 0.0)
    begun_s = played.first("STOP")
    assert begun_s is not None
    assert first_s - 60.0 <= begun_s <= last_s + 120.0
    assert set(played.words(last_s + 180.0)) == {"STOP"}
    assert "GO" in played.words(20 * MINUTE_S, first_s - 120.0), "before it all was well"


def test_a_hull_of_one_minute_and_air_of_two_reach_go(tmp_path: Path) -> None:
    near, rows = noisy(3), list[Row]()
    for minute in range(240):
        rows.append((MINUTE_S * minute, {"plank": near(19.0)}))
        if minute % 2 == 0:
            rows.append((MINUTE_S * minute + 7.0, {"t_bow": near(20.0), "rh_bow": near(50.0, 0.2)}))
    played = play(tmp_path, rows)
    assert played.share("GO", 20 * MINUTE_S, 4 * HOUR_S - 120.0) > 0.99


def test_two_bodies_that_write_in_the_same_second_are_both_heard(tmp_path: Path) -> None:
    near, rows = noisy(4), list[Row]()
    for minute in range(60):
        at_s = MINUTE_S * minute
        rows.append((at_s, {"t_bow": near(20.0), "rh_bow": near(50.0, 0.2)}))
        rows.append((at_s, {"t_stern": near(20.0), "rh_stern": near(50.0, 0.2)}))
        rows.append((at_s, {"plank": near(19.0)}))
    played = play(tmp_path, rows, BOTH)
    assert played.share("GO", 20 * MINUTE_S, HOUR_S - 60.0) > 0.99
    assert "already played" not in played.ran.err


def test_one_empty_cell_in_twenty_costs_no_go(tmp_path: Path) -> None:
    rows = [
        (at_s, {name: cell for name, cell in cells.items() if (name, index % 20) != ("plank", 10)})
        for index, (at_s, cells) in enumerate(minutes(240))
    ]
    played = play(tmp_path, rows)
    # The value before is a minute old and counts for 180 s: three of its intervals.
    assert played.share("GO", 20 * MINUTE_S, 4 * HOUR_S - 60.0) > 0.98


def test_cells_that_stay_empty_are_missing_all_the_same(tmp_path: Path) -> None:
    rows = [
        (at_s, {name: cell for name, cell in cells.items() if index < 40 or name != "plank"})
        for index, (at_s, cells) in enumerate(minutes(80))
    ]
    played = play(tmp_path, rows)
    assert played.word_at(39 * MINUTE_S) == "GO"
    assert set(played.words(44 * MINUTE_S)) == {"HOLD"}


def test_two_late_rows_in_succession_are_not_a_clock_set_back(tmp_path: Path) -> None:
    rows = minutes(120)
    late = [rows[40], rows[45]]
    on_time = [row for row in rows if row not in late]
    played = play(tmp_path, [*on_time[:58], *late, *on_time[58:]])
    assert "set back" not in played.ran.err
    assert played.share("GO", 20 * MINUTE_S, 2 * HOUR_S - 60.0) > 0.98
    assert counted_late(played) == 6, "two rows of three channels"


def test_only_cells_that_hold_something_come_late(tmp_path: Path) -> None:
    rows = minutes(60)
    rows.insert(40, (30 * MINUTE_S + 13.0, {"plank": 19.01}))
    played = play(tmp_path, rows)
    assert counted_late(played) == 1


def two_surfaces(folder: Path, *names: str) -> Played:
    """A surface by infrared, ± 2 K, and by contact, ± 0.2 K, that reads 0.1 K lower."""
    near = noisy(5)
    rows = [
        (
            MINUTE_S * minute,
            {
                "t_bow": near(20.0, 0.01),
                "rh_bow": near(50.0, 0.02),
                "infrared": near(DEW_C + 4.09, 0.01),
                "contact": near(DEW_C + 3.99, 0.01),
            },
        )
        for minute in range(60)
    ]
    air = point("air-bow", "air_temp", "t_bow")
    air += point("air-bow", "humidity", "rh_bow", accuracy="1 %")
    accuracy = {"infrared": "2 K", "contact": "0.2 K"}
    points = [point(name, "surface_temp", name, accuracy=accuracy[name]) for name in names]
    return play(
        folder, rows, tent(air, *points, spec="general-guidance"), name="-".join(("tent", *names))
    )


def test_a_contact_probe_beside_an_infrared_one_turns_no_hold_into_go(tmp_path: Path) -> None:
    alone = two_surfaces(tmp_path, "infrared")
    assert set(alone.words()) == {"HOLD"}
    assert "GO" in two_surfaces(tmp_path, "contact").words(), (
        "the contact probe alone is good enough"
    )
    both = two_surfaces(tmp_path, "infrared", "contact")
    assert set(both.words()) == {"HOLD"}
    told = both.reason(50 * MINUTE_S, "dew_margin_min")
    # The number shown is that of the probe that decides: the infrared one, with its own guard.
    u_k = math.sqrt((2.0**2 + 0.3**2 * 0.92**2 + 1.0**2 * 0.297**2) / 3.0)
    assert told["guard"] == pytest.approx(1.645 * u_k, abs=0.03)
    assert told["value"] == pytest.approx(4.09, abs=0.05)


def node_guard(folder: Path, name: str, **more: str | bool) -> float:
    near = noisy(6)
    rows = [
        (
            MINUTE_S * minute,
            {"t_bow": near(20.0, 0.0), "rh_bow": near(50.0, 0.0), "plank": near(14.36, 0.01)},
        )
        for minute in range(20)
    ]
    surface = point(name, "surface_temp", "plank", accuracy="0.5 K", **more)
    played = play(folder, rows, tent(BOW, surface), name=f"of-{name}-{len(more)}")
    return float(str(played.reason(15 * MINUTE_S, "dew_margin_min")["guard"]))


def test_a_cabled_surface_probe_on_the_airs_node_does_not_narrow_the_guard(tmp_path: Path) -> None:
    apart_k = node_guard(tmp_path, "plank")
    assert apart_k == pytest.approx(guard_k(20.0, 50.0, 0.5), abs=0.01)
    assert node_guard(tmp_path, "air-bow") >= apart_k - 1e-6


def test_one_element_for_air_and_surface_may_narrow_it_where_the_config_says_so(
    tmp_path: Path,
) -> None:
    apart_k = node_guard(tmp_path, "plank")
    shared_k = node_guard(tmp_path, "air-bow", shared_element=True)
    # What the humidity is unsure of stays; the least that a fully shared error leaves.
    assert guard_k(20.0, 50.0, 0.5, shared=True) - 0.01 <= shared_k < apart_k


def evening(
    hours: float,
    hull: Callable[[float, float], float],
    *,
    fall_k: float = 5.5,
    every_s: float = 60.0,
    seed: int = 7,
    wave_k: float = 0.0,
) -> list[Row]:
    """Air that falls evenly after two hours, with the same water in it, and a hull as told.

    `hull` is given the time [s] and the air's temperature, and returns what its probe says.
    """
    near, rows = noisy(seed), list[Row]()
    for row in range(round(hours * HOUR_S / every_s)):
        at_s = every_s * row
        gone = min(max(at_s / HOUR_S - 2.0, 0.0) / (hours - 2.0), 1.0)
        air_c = 20.0 - fall_k * gone + wave_k * math.sin(2.0 * math.pi * at_s / 1200.0)
        cells = {
            "t_bow": near(air_c),
            "rh_bow": near(humidity_pct(round(air_c, 1)), 0.1),
            "plank": hull(at_s, air_c),
        }
        rows.append((at_s, cells))
    return rows


def doubts(played: Played, after_s: float, name: str = "plank") -> bool:
    """Whether a time's reasons say that something is wrong with a point, by its name."""
    told = [each for each in played.calls if seconds_after(each["time"]) <= after_s][-1]
    return any(name in str(each["text"]) for each in reasons(told) if each["state"] != "ok")


def lagging(
    lag_s: float, seed: int, every_s: float = 60.0, digit: float = 0.01
) -> Callable[..., float]:
    """A sound hull: it follows the air through one time constant; its probe is a little noisy."""
    near = noisy(seed)
    kept = [19.4]

    def hull(at_s: float, air_c: float) -> float:
        kept[0] += (air_c - 0.6 - kept[0]) * every_s / lag_s
        return round(round(near(kept[0]) / digit) * digit, 2)

    return hull


@pytest.mark.parametrize("digit", [0.01, 0.1, 0.5])
def test_a_sound_hull_probe_keeps_its_go_through_a_falling_evening(
    tmp_path: Path, digit: float
) -> None:
    """What the doubts below must not cost: a coarse last digit repeats itself too."""
    played = play(tmp_path, evening(8.0, lagging(3600.0, 8, digit=digit)), GUIDANCE)
    assert played.share("GO", HOUR_S / 2, 8 * HOUR_S) > 0.95


def test_a_hull_probe_that_froze_while_the_air_falls_is_doubted_by_name(tmp_path: Path) -> None:
    sound = lagging(3600.0, 9)

    def frozen(at_s: float, air_c: float) -> float:
        return sound(at_s, air_c) if at_s < 2 * HOUR_S else 19.41

    played = play(tmp_path, evening(10.0, frozen), GUIDANCE)
    assert "GO" in played.words(HOUR_S, 2 * HOUR_S)
    assert set(played.words(3.5 * HOUR_S)) == {"HOLD"}
    assert doubts(played, 4 * HOUR_S)
    assert doubts(played, 9.9 * HOUR_S)


def test_a_hull_probe_that_never_moved_while_the_air_falls_is_doubted_by_name(
    tmp_path: Path,
) -> None:
    played = play(tmp_path, evening(8.0, lambda *_: 19.4), GUIDANCE)
    # From 20 to 14.5 degC: whatever the hull's lag, it cannot have stood still to a hundredth.
    assert set(played.words(7 * HOUR_S)) == {"HOLD"}
    assert doubts(played, 7.9 * HOUR_S)


def test_a_hull_whose_record_repeats_itself_is_doubted_by_name(tmp_path: Path) -> None:
    sound, half_hour = lagging(3600.0, 10), list[float]()

    def looped(at_s: float, air_c: float) -> float:
        row = round(at_s / 60.0)
        if row < 120:
            if row >= 90:
                half_hour.append(sound(at_s, air_c))
                return half_hour[-1]
            return sound(at_s, air_c)
        return half_hour[row % 30]

    played = play(tmp_path, evening(8.0, looped), GUIDANCE)
    assert "GO" in played.words(HOUR_S, 2 * HOUR_S)
    assert set(played.words(4 * HOUR_S)) == {"HOLD"}
    assert doubts(played, 5 * HOUR_S)


def test_a_probe_that_falls_off_a_wet_hull_gives_no_go(tmp_path: Path) -> None:
    """Each row 30 s apart; the hull is 5 K under the air and too near its dew point."""
    near = noisy(11)

    def fallen(at_s: float, air_c: float) -> float:
        return near(DEW_C + 1.5) if at_s < 2 * HOUR_S else near(DEW_C + 6.5)

    rows = evening(4.0, fallen, fall_k=0.0, every_s=30.0)
    played = play(tmp_path, rows, GUIDANCE)
    assert played.word_at(2 * HOUR_S - 60.0) == "STOP"
    # A hull does not warm by 5 K in 30 s while the air beside it stands still.
    assert "GO" not in played.words(2 * HOUR_S)
    assert doubts(played, 2.5 * HOUR_S)


def test_a_hull_probe_that_takes_on_the_airs_own_movement_is_doubted(tmp_path: Path) -> None:
    """A heater moves the air by ± 0.8 K every 20 min; a hull with a lag of 1 h by ± 0.04 K."""
    sound, near = lagging(3600.0, 12), noisy(13)

    def slipping(at_s: float, air_c: float) -> float:
        hull_c = sound(at_s, air_c)
        gone = min(max(at_s / HOUR_S - 3.0, 0.0) / 0.25, 1.0)  # a quarter of an hour to come loose
        return near(hull_c + (air_c - hull_c) * gone) if gone else hull_c

    played = play(tmp_path, evening(8.0, slipping, fall_k=1.0, wave_k=0.8), GUIDANCE)
    assert "GO" in played.words(HOUR_S, 3 * HOUR_S)
    assert set(played.words(4.75 * HOUR_S)) == {"HOLD"}
    assert doubts(played, 6 * HOUR_S)


def test_a_hull_under_a_heater_that_comes_and_goes_is_not_doubted(tmp_path: Path) -> None:
    sound = lagging(3600.0, 12)
    played = play(tmp_path, evening(8.0, sound, fall_k=1.0, wave_k=0.8), GUIDANCE)
    assert played.share("GO", HOUR_S / 2, 8 * HOUR_S) > 0.9


MINUS_ZERO = re.compile(r"(?<![\d.])[-−]0(\.0+)?(?![.\d])")


def test_nothing_is_minus_zero(tmp_path: Path) -> None:
    rows = minutes(3, surface_c=0.0)
    rows = [(at_s, {**cells, "t_bow": -0.04, "plank": -0.04}) for at_s, cells in rows]
    plain = filmcall("check", "--air", "2", "--rh", "60", "--surface", "-0.04")
    said = plain.out + play(tmp_path, rows).texts()
    assert "0.0 °C" in said
    assert MINUS_ZERO.findall(said) == []


def test_500_ml_is_half_a_litre_however_it_is_typed(tmp_path: Path) -> None:
    """The topcoat's pot keeps its whole life up to half a litre, and 85 % of it from two on."""
    left_s = {}
    for typed in ("500", "500 ML", "500 mL", "0.5 l", "3000"):
        db = str(tmp_path / f"{typed}.db")
        play(tmp_path, minutes(30), TENT, "--db", db)
        words = ("event", "mixed", "--enclosure", "tent", "--at", iso(60.0), "--amount", typed)
        ran = filmcall(*words, "--db", db)
        assert ran.code == 0, ran.err
        told = filmcall("clocks", "--json", "--at", iso(25 * MINUTE_S), "--db", db)
        (pot,) = (c for c in json.loads(told.out)["clocks"] if c["name"] == "pot life")
        left_s[typed] = pot["left_s"]
    assert left_s["3000"] < left_s["500"] - 600.0
    assert left_s["500 ML"] == left_s["500 mL"] == left_s["0.5 l"] == left_s["500"]


def test_500_ml_in_a_spec_is_half_a_litre(tmp_path: Path) -> None:
    mix = '[mix]\nby = "volume"\nratio = "2:1"\nmax_batch = "{}"\n'
    mix += 'solids_by_volume = "50 %"\nthinner_max = "10 %"\n'
    found = []
    for name, typed in (("capitals", "500 ML"), ("litres", "0.5 l")):
        file = tmp_path / f"{name}.toml"
        file.write_text(spec_text("trial", more=mix.format(typed)))
        shown = filmcall("spec", "show", str(file), "--json")
        assert shown.code == 0, shown.err
        found.append(json.loads(shown.out)["mix"])
    assert found[0] == found[1]


def test_a_review_shows_a_worst_that_is_worse_than_its_bound(tmp_path: Path) -> None:
    near, db = noisy(14), str(tmp_path / "log.db")
    rows = [
        (
            MINUTE_S * minute,
            {
                "t_bow": near(20.0),
                "rh_bow": near(85.3 if 150 <= minute < 270 else 60.0, 0.02),
                "plank": near(22.0),
            },
        )
        for minute in range(420)
    ]
    play(tmp_path, rows, tent(BOW, PLANK, spec="two-pack-epoxy-primer"), "--db", db)
    for kind, after_s in (("coat-started", HOUR_S), ("coat-ended", 1.5 * HOUR_S)):
        ran = filmcall("event", kind, "--enclosure", "tent", "--at", iso(after_s), "--db", db)
        assert ran.code == 0, ran.err
    said = filmcall("review", "--defect", "amine bloom", "--db", db).out
    over = [line for line in said.splitlines() if "over 85" in line]
    assert over, said
    for line in over:
        figures = [float(each) for each in re.findall(r"([\d.]+) ?%", line)]
        assert any(figure > 85.0 for figure in figures), line
