"""Clocks out of a log with holes, other work and odd tables, through the command line.

What is expected is integrated here, apart from the program: progress is the sum of dt / time(T),
ln(time) linear in 1/T between a sheet's rows, the form of ASTM C1074's equivalent age (Arrhenius).
Its constants are checked below against the exact integral of a published form. A probe's 0.5 K
may be taken off or put on; the brackets say how much room that leaves. Above a sheet's hottest
row 65 kJ/mol is common practice for two-pack coatings, no source.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path

import pytest
from command import Ran, filmcall
from recorded import (
    BOW,
    HOUR_S,
    PLANK,
    Row,
    iso,
    seconds_after,
    spec_text,
    tent,
    write_rows,
)

R_J_MOL_K = 8.314462618  # CODATA 2018
ZERO_C_K = 273.15
TAPE = {
    "tape_not_before": '{ "10 degC" = "8 h", "20 degC" = "4 h", "30 degC" = "2 h" }',
    "tape_not_after": '{ "10 degC" = "48 h", "20 degC" = "24 h", "30 degC" = "12 h" }',
    "wipe_dry": '{ "10 degC" = "30 min", "20 degC" = "15 min", "30 degC" = "10 min" }',
}
POT = ((10.0, 6.0), (20.0, 4.0), (30.0, 2.0))  # [degC], [h], as spec_text has them
DRY = ((10.0, 8.0), (20.0, 4.0), (30.0, 2.0))


def hours_at(
    temp_c: float, rows: Sequence[tuple[float, float]], above_kj_mol: float = 0.0
) -> float:
    """Return a clock's whole length at one temperature [h]."""
    cold, warm = next(
        ((one, other) for one, other in pairwise(rows) if temp_c <= other[0] or other is rows[-1]),
        (rows[0], rows[0]),
    )
    x, x1, x2 = (1.0 / (each + ZERO_C_K) for each in (temp_c, cold[0], warm[0]))
    slope = math.log(warm[1] / cold[1]) / (x2 - x1) if x2 != x1 else 0.0
    if temp_c > warm[0]:
        slope = max(slope, above_kj_mol * 1000.0 / R_J_MOL_K)
    return warm[1] * math.exp(slope * (x - x2))


def end_h(
    rows: Sequence[tuple[float, float]], temp_c: Callable[[float], float], start_h: float
) -> float:
    """Return when a clock that starts then ends, by steps of 2 s [h]."""
    done, at_h, step_h = 0.0, start_h, 2.0 / 3600.0
    while done < 1.0:
        done += step_h / hours_at(temp_c(at_h + step_h / 2.0), rows)
        at_h += step_h
        assert at_h < start_h + 1000.0
    return at_h


class Log:
    """A recording in a log of its own, and what was done beside it."""

    def __init__(
        self,
        folder: Path,
        rows: Sequence[Row],
        *events: tuple[str, float] | tuple[str, float, str, str],
        text: str = "",
        name: str = "log",
    ) -> None:
        home = folder / name
        home.mkdir()
        (home / "trial.toml").write_text(text or spec_text(**TAPE))
        self.db = str(home / "log.db")
        (home / "tent.toml").write_text(tent(BOW, PLANK, spec="trial.toml"))
        file = write_rows(home / "tent.csv", rows)
        words = ("--config", str(home / "tent.toml"), "--db", self.db, "--jsonl")
        ran = filmcall("replay", str(file), *words)
        assert ran.code == 0, ran.err
        for kind, after_h, *words in events:
            at = iso(after_h * HOUR_S)
            ran = filmcall(
                "event", kind, "--enclosure", "tent", "--at", at, "--db", self.db, *words
            )
            assert ran.code == 0, ran.err

    def clocks(self, after_h: float, section: str = "all") -> dict[str, dict[str, object]]:
        """Return the clocks of a section by their names."""
        ran = filmcall("clocks", "--json", "--at", iso(after_h * HOUR_S), "--db", self.db)
        assert ran.code == 0, ran.err
        listed = json.loads(ran.out)["clocks"]
        return {each["name"]: each for each in listed if each["section"] == section}

    def ends_h(self, after_h: float, name: str) -> float:
        """Return when a clock ends, as told at a time [h after the recording's beginning]."""
        told = self.clocks(after_h)[name]
        assert told["ends_at"] is not None, told
        return seconds_after(told["ends_at"]) / HOUR_S

    def review(self) -> Ran:
        return filmcall("review", "--db", self.db)


def steady(
    temp_c: float | Callable[[float], float],
    hours: float,
    *,
    every_s: float = 60.0,
    hole: tuple[float, float] = (0.0, 0.0),
) -> list[Row]:
    """Air and hull at one temperature, or at a function of the hour; nothing inside the hole."""
    found: list[Row] = []
    for row in range(round(hours * HOUR_S / every_s) + 1):
        after_h = every_s * row / HOUR_S
        if not hole[0] < after_h < hole[1]:
            now_c = round(temp_c(after_h) if callable(temp_c) else temp_c, 2)
            found.append((every_s * row, {"t_bow": now_c, "rh_bow": 50.0, "plank": now_c}))
    return found


def test_the_integrator_here_agrees_with_a_worked_example() -> None:
    """12 h from 5 to 35 degC with 50 kJ/mol are 14.049786 h at 20 degC (exact integral).

    Equivalent age after ASTM C1074, exp[-Q (1/T - 1/Ts)]; the figure by scipy's quad.
    """
    ratio = math.exp(50_000.0 / R_J_MOL_K * (1.0 / 278.15 - 1.0 / 308.15))
    rows = ((5.0, ratio), (35.0, 1.0))
    at_20 = hours_at(20.0, rows)
    aged = sum(at_20 / hours_at(5.0 + 30.0 * (k + 0.5) / 7200.0, rows) for k in range(7200)) / 600.0
    assert aged == pytest.approx(14.049786, rel=3e-4)  # the example's R is 8.314


def heated(after_h: float) -> float:
    """A heater on a timer: 15 to 27 degC and back every two hours."""
    return 21.0 - 6.0 * math.cos(math.pi * after_h)


def test_a_hole_that_began_before_the_mix_never_makes_a_pot_last_longer(tmp_path: Path) -> None:
    """Silent from 16:01 to 17:56 over a peak of 27 degC, between two lows of 15; mixed at 17:00."""
    log = Log(
        tmp_path,
        steady(heated, 14.0, hole=(8.01, 9.94)),
        ("mixed", 9.0, "--amount", "500"),
    )
    true_h = end_h(POT, heated, 9.0)
    told_h = log.ends_h(10.5, "pot life")
    assert told_h <= true_h + 1.0 / 60.0
    # One hole of an hour in a tent that never passed 27 degC does not use up a pot of 2 h at 30.
    assert told_h > 10.0


def test_a_hole_never_makes_an_opens_clock_end_sooner(tmp_path: Path) -> None:
    """The same by the cold: silent over a low of 15 degC, between two peaks of 27."""
    log = Log(
        tmp_path,
        steady(heated, 20.0, hole=(9.01, 10.94)),
        ("coat-started", 9.5),
        ("coat-ended", 9.6),
    )
    assert log.ends_h(19.0, "touch dry") >= end_h(DRY, heated, 9.6) - 1.0 / 60.0


@pytest.fixture(scope="module")
def coated(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Log]:
    """Return a maker of logs: a coat on the hull in the middle of a hole, and other work."""

    def make(name: str, *other: tuple[str, float] | tuple[str, float, str, str]) -> Log:
        return Log(
            tmp_path_factory.mktemp("logs"),
            steady(20.5, 12.0, every_s=120.0, hole=(6.0, 7.9)),
            *other,
            ("mixed", 7.0, "--batch", "B"),
            ("coat-started", 7.0, "--section", "hull"),
            ("coat-ended", 7.5, "--section", "hull"),
            name=name,
        )

    return make


@pytest.mark.parametrize(
    "other",
    [
        pytest.param(("wiped", 1.0), id="a wipe"),
        pytest.param(("mixed", 1.0, "--batch", "test-cup"), id="another pot"),
        pytest.param(("coat-started", 1.0, "--section", "rudder"), id="another section's coat"),
        pytest.param(("floor-wetted", 1.0), id="a wet floor"),
    ],
)
def test_other_work_six_hours_earlier_moves_no_clock(
    coated: Callable[..., Log], other: tuple[str, float] | tuple[str, float, str, str]
) -> None:
    alone, beside = coated("alone"), coated("beside", other)
    before, after = alone.clocks(9.0, "hull"), beside.clocks(9.0, "hull")
    assert {"touch dry", "tape not after", "recoat closes"} <= set(before)
    for name, told in before.items():
        assert after[name]["ends_at"] == told["ends_at"], name
        assert after[name]["ends_at_range"] == told["ends_at_range"], name


def test_a_closes_clock_runs_faster_above_equal_rows(tmp_path: Path) -> None:
    rows = '{ "10 degC" = "72 h", "20 degC" = "72 h" }'
    log = Log(
        tmp_path,
        steady(60.0, 6.0),
        ("coat-started", 1.0),
        ("coat-ended", 1.1),
        text=spec_text(recoat_closes=rows),
    )
    # 72 h at 20 degC by 65 kJ/mol: 2.93 h at 60 degC, 2.73 h at 61.
    slow, fast = (hours_at(t, ((10.0, 72.0), (20.0, 72.0)), 65.0) for t in (60.0, 61.0))
    assert slow == pytest.approx(2.93, abs=0.01)
    assert 1.0 + fast - 0.02 <= log.ends_h(2.0, "recoat closes") <= 1.0 + slow + 0.02
    assert log.clocks(5.0)["recoat closes"]["state"] == "ended"


def one_row(folder: Path, temp_c: float) -> Log:
    return Log(
        folder,
        steady(temp_c, 20.0),
        ("coat-started", 1.0),
        ("coat-ended", 1.0),
        text=spec_text(touch_dry='{ "20 degC" = "4 h" }'),
        name=f"at-{temp_c}",
    )


def test_a_sheet_with_one_temperature_dries_a_film_near_it(tmp_path: Path) -> None:
    # No faster than the row; at 19.8 degC by 100 kJ/mol, more than any coating's, 4.12 h.
    slow_h = 4.0 * math.exp(100_000.0 / R_J_MOL_K * (1.0 / 292.95 - 1.0 / 293.15))
    log = one_row(tmp_path, 20.3)
    assert 5.0 - 0.02 <= log.ends_h(3.0, "touch dry") <= 1.0 + slow_h + 0.05
    assert log.clocks(6.0)["touch dry"]["state"] == "ended"


def test_a_sheet_with_one_temperature_is_slowed_by_cold_and_says_how(tmp_path: Path) -> None:
    # From 20 to 12 degC (11 to be sure) by 40 to 100 kJ/mol, where all two-pack coatings lie.
    def slowed_h(temp_c: float, kj_mol: float) -> float:
        x = 1.0 / (temp_c + ZERO_C_K) - 1.0 / 293.15
        return 4.0 * math.exp(kj_mol * 1000.0 / R_J_MOL_K * x)

    log = one_row(tmp_path, 12.0)
    assert 1.0 + slowed_h(12.0, 40.0) <= log.ends_h(4.0, "touch dry") <= 1.0 + slowed_h(11.0, 100.0)
    assert "kJ/mol" in str(log.clocks(4.0)["touch dry"]["basis"])


def test_a_sheet_with_one_temperature_dries_nothing_below_its_application_minimum(
    tmp_path: Path,
) -> None:
    told = one_row(tmp_path, 3.0).clocks(19.0)["touch dry"]
    assert told["state"] != "ended"
    assert told["ends_at"] is None
    assert "below" in str(told["basis"])


@pytest.mark.parametrize(
    ("key", "rows"),
    [
        ("touch_dry", '{ "20 degC" = "4 h" }'),
        ("recoat_closes", '{ "10 degC" = "72 h", "20 degC" = "72 h" }'),
    ],
)
def test_spec_check_says_what_a_single_row_or_equal_rows_will_do(
    tmp_path: Path, key: str, rows: str
) -> None:
    file = tmp_path / "trial.toml"
    file.write_text(spec_text(**{key: rows}))
    ran = filmcall("spec", "check", str(file))
    assert ran.code == 0, "a warning and no fault: " + ran.err
    assert key in ran.out + ran.err


def test_an_hourly_logger_opens_a_window(tmp_path: Path) -> None:
    log = Log(
        tmp_path,
        steady(20.5, 30.0, every_s=3600.0),
        ("coat-started", 6.0),
        ("coat-ended", 6.0),
    )
    # Twenty hours and more within 0.1 K: the hull was not under 10 degC between two of them.
    told = log.clocks(9.5)["touch dry"]
    assert float(str(told["left_s"])) < 3.5 * HOUR_S
    ended = log.clocks(14.1)["touch dry"]
    assert ended["state"] == "ended"
    assert seconds_after(ended["ends_at"]) / HOUR_S >= 10.0 - 0.02, "and never before its time"


def test_an_hourly_logger_that_moves_never_opens_a_window_too_soon(tmp_path: Path) -> None:
    """It falls by 5 K between two rows, at once after the first for all that anybody knows."""
    log = Log(
        tmp_path,
        steady(lambda h: 20.0 - 5.0 * (h > 8.0), 40.0, every_s=3600.0),
        ("coat-started", 6.0),
        ("coat-ended", 6.0),
    )
    true_h = end_h(DRY, lambda h: 20.0 - 5.0 * (h > 8.0), 6.0)
    # A straight line through that hour would be 0.2 h ahead of the truth.
    assert log.ends_h(20.0, "touch dry") >= true_h - 0.25


TOPCOAT_OPENS = ((10.0, 30.0), (20.0, 16.0), (30.0, 9.0))  # the shipped topcoat's, no source


@pytest.mark.parametrize("hours", [12.0, 40.0])
def test_how_much_too_early_a_coat_came_does_not_hang_on_where_the_log_ends(
    tmp_path: Path, hours: float
) -> None:
    log = Log(
        tmp_path,
        steady(21.5, hours),
        ("coat-started", 2.0, "--spec", "polyurethane-topcoat"),
        ("coat-ended", 3.0),
        ("coat-started", 10.0, "--spec", "polyurethane-topcoat"),
        ("coat-ended", 11.0),
    )
    said = log.review().out
    found = re.search(r"too early by (?:(\d+) h)? ?(?:(\d+) min)?", said)
    assert found, said
    early_h = int(found.group(1) or 0) + int(found.group(2) or 0) / 60.0
    # Seven hours of 14.65 have passed at 21.5 degC, of 15.08 at 21.0.
    least_h, most_h = (hours_at(t, TOPCOAT_OPENS) - 7.0 for t in (21.5, 21.0))
    assert least_h - 0.05 <= early_h <= most_h + 0.05
