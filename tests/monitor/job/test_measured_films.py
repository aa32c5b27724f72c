"""A film that lies goes by what the log measured of it: its clocks, and what it went through.

The sheets are invented, and their times stand on paper. That a clock is a function of its start
and the whole log, gets no credit below its sheet's table where it opens, and counts as at the
coldest row there where it closes, is DEVELOPERS.md, "Clocks".
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from command import filmcall
from plan_brute import when
from plan_jobs import (
    FAIR,
    FLAT,
    PRIMER,
    SOLO,
    SPECS,
    TOPCOAT,
    Trial,
    hours_from,
    job_text,
    section,
    spec_text,
)

from monitor.job.make import JobAtHand, job_at_hand, made_from
from monitor.job.today import today_text
from monitor.log.log import Store
from rules.job.plan import PlannedStep
from sensors.reading import Quantity

ROWS = {
    "touch_dry": {"10 degC": "6 h", "20 degC": "3 h"},
    "recoat_opens": {"10 degC": "12 h", "20 degC": "6 h"},
    "recoat_closes": {"10 degC": "48 h", "20 degC": "24 h"},
}
DRY = (18.0, 18.0, 50.0)
LAID = (("coat-started", "19T17:30"), ("coat-ended", "19T18:30"))


def log(folder: Path, weather: Callable[[float], tuple[float, float, float]], until: str) -> None:
    """A log of surface, air and humidity in steps of 5 min from Monday 17:00 on."""
    times = np.arange(
        when("2026-10-19T17:00+00:00"), when(f"2026-10-{until}:00+00:00") + 1.0, 300.0
    )
    told = [weather(time_s) for time_s in times.tolist()]
    with Store.open(folder / "log.db", now_s=lambda: float(times[-1])) as store:
        for n, (point, quantity) in enumerate(
            (
                ("plank", Quantity.SURFACE_TEMP),
                ("bow", Quantity.AIR_TEMP),
                ("bow", Quantity.HUMIDITY),
            )
        ):
            rows = [
                (round(t * 1e6), None, each[n], None, 0)
                for t, each in zip(times.tolist(), told, strict=True)
            ]
            store.add_reading_rows("polytunnel", point, quantity, rows)
        store.flush()


def record(folder: Path, *events: tuple[str, str]) -> None:
    for kind, at in events:
        named = ("--spec", str(folder / PRIMER)) if kind in ("coat-started", "mixed") else ()
        ran = filmcall(
            *("event", kind, "--enclosure", "polytunnel", "--section", "hull-port", *named),
            *("--at", f"2026-10-{at}:00Z", "--db", str(folder / "log.db")),
        )
        assert ran.code == 0, ran.err


def hand(folder: Path, at: str | None) -> JobAtHand:
    return job_at_hand(
        folder / "job.toml",
        forecast=folder / "forecast.csv",
        weather_year=None,
        db=folder / "log.db",
        at=None if at is None else f"2026-10-{at}:00Z",
    )


def steps(found: JobAtHand, *kinds: str) -> list[PlannedStep]:
    return [step for step in made_from(found, 0.0).plan.steps if step.step in kinds]


def test_a_cold_night_that_was_measured_keeps_the_next_coat_back(tmp_path: Path) -> None:
    """17 1/2 h at 5 °C bring an opens clock nowhere; the forecast has 20 °C from then on.

    It opens 6 h after Tuesday 12:00. It closes when 18.5 of 48 h have passed as at 10 °C and the
    rest of 24 h at 20 °C: 14 h 45 min after 12:00.
    """
    mild = hours_from("2026-10-19", lambda _: (20.0, 50.0))
    Trial(job_text(SOLO, hours='"12:00-24:00"'), {PRIMER: spec_text("quick-primer", rows=ROWS)},
          mild).write(tmp_path)  # fmt: skip
    record(tmp_path, *LAID)
    log(tmp_path, lambda _: (5.0, 5.0, 50.0), "20T12:00")
    found = hand(tmp_path, "20T12:00")
    (coat,) = steps(found, "coat")
    assert coat.start_s == coat.earliest_s == when("2026-10-20T18:00+00:00")
    # `plan` begins at the log's last word, which is a reading of 12:00.
    assert steps(hand(tmp_path, None), "coat")[0].start_s == coat.start_s
    film = found.followed.laid["hull-port"]
    ahead = found.ahead["polytunnel"]
    spec = film.coat.spec
    clocks = ahead.film_clocks(spec, spec, "cured")
    closes_s = film.ends_s(ahead, clocks, "closes", latest=False)
    assert abs(closes_s - when("2026-10-21T02:45+00:00")) < 60.0


@pytest.mark.parametrize(("hour", "is_blind"), [("21:00", True), ("20:05", False)])
def test_a_coat_on_a_film_that_nobody_measures_is_given_no_time_to_start(
    hour: str, is_blind: bool, tmp_path: Path
) -> None:
    """Read every 5 min until 20:00, so until 20:15; at 10 °C it opens after 12 h, at 06:30.

    The forecast's 20 °C would have it open sooner: that is said to hang on readings that come.
    """
    mild = hours_from("2026-10-19", lambda _: (20.0, 50.0))
    Trial(job_text(SOLO), {PRIMER: spec_text("quick-primer", rows=ROWS)}, mild).write(tmp_path)
    record(tmp_path, *LAID)
    log(tmp_path, lambda _: (10.0, 10.0, 50.0), "19T20:00")
    found = hand(tmp_path, f"19T{hour}")
    told = " ".join(today_text(found, made_from(found, 0.0)).split())
    waits = (
        "coat hull-port, coat 2 of Invented: quick-primer; no reading since 20:00: not before "
        "filmcall clocks says that coat 1 may be coated over"
    )
    blind = "no reading since 20:00. Begin nothing until the probes are read again"
    mix = "mix hull-port, for coat 2, not before that may go on:"
    for words in (mix, waits, blind, "every hour without a reading puts them back"):
        assert (words in told) is is_blind


def test_a_film_that_was_wet_while_soft_is_washed_first_and_today_says_why(tmp_path: Path) -> None:
    """Surface at 8 °C under air of 12 °C and 90 % (dew point 10.4 °C by Magnus) from 20 to 22 h."""
    Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    record(tmp_path, *LAID)
    wet = [when(f"2026-10-19T{hour}:00+00:00") for hour in (20, 22)]
    log(tmp_path, lambda t: (8.0, 12.0, 90.0) if wet[0] <= t <= wet[1] else DRY, "20T12:00")
    found = hand(tmp_path, "20T12:00")
    assert [step.step for step in steps(found, "wash", "coat")] == ["wash", "coat"]
    (told,) = [
        line for line in today_text(found, made_from(found, 0.0)).splitlines() if "Wet" in line
    ]
    assert told.startswith("  hull-port: Wet Mon 20:00 to Mon 22:0")
    assert steps(found, "wash")[0].what == "after dew on the soft film"
    assert "by the log until now, then by the hours" in today_text(found, made_from(found, 0.0))
    record(tmp_path, ("washed", "20T12:30"))
    found = hand(tmp_path, "20T13:00")
    # The last reading is of 12:00, and one in 5 min counts for three of them.
    told = today_text(found, made_from(found, 0.0))
    assert "by the log until 12:00, at the safe end of what can have been" in told
    assert "not before filmcall clocks" not in told
    assert [step.step for step in steps(found, "wash", "coat")] == ["coat"]
    assert "soft" not in today_text(found, made_from(found, 0.0))


def test_a_coat_whose_end_is_not_recorded_has_not_ended_yet(tmp_path: Path) -> None:
    """It takes an hour by the job; four hours on, touch dry is 3 h from now at the earliest."""
    Trial(job_text(SOLO), {PRIMER: spec_text("quick-primer", times=FLAT)}, FAIR).write(tmp_path)
    record(tmp_path, LAID[0])
    film = hand(tmp_path, "19T21:30").followed.laid["hull-port"]
    assert film.ended_s == when("2026-10-19T21:30+00:00")


def pot(folder: Path, times: dict[str, str]) -> None:
    """A pot that lives two hours, mixed on Monday at 17:00."""
    specs = {PRIMER: spec_text("quick-primer", times={**FLAT, **times})}
    Trial(job_text(SOLO), specs, FAIR).write(folder)
    ran = filmcall(
        *("event", "mixed", "--enclosure", "polytunnel", "--section", "hull-port"),
        *("--spec", str(folder / PRIMER), "--batch", "B1", "--amount", "580"),
        *("--at", "2026-10-19T17:00:00Z", "--db", str(folder / "log.db")),
    )
    assert ran.code == 0, ran.err


@pytest.mark.parametrize(("times", "from_"), [({}, "17:15"), ({"induction": "30 min"}, "17:30")])
def test_a_pot_that_is_mixed_is_used_and_not_mixed_again(
    times: dict[str, str], from_: str, tmp_path: Path
) -> None:
    """A coat takes an hour, so that it begins at 18:00 at the latest; 722 ml by hand, see
    `test_today_says_what_is_next_and_how_much_of_it`."""
    pot(tmp_path, times)
    found = hand(tmp_path, "19T17:10")
    assert [step.coat for step in steps(found, "mix")] == [2]
    coat = steps(found, "coat")[0]
    assert coat.start_s == coat.earliest_s == when(f"2026-10-19T{from_}+00:00")
    assert coat.latest_s == when("2026-10-19T18:00+00:00")
    told = today_text(found, made_from(found, 0.0))
    assert "hull-port, coat 1: pot B1 is mixed: use it 17:" in told
    assert " to 19:00\n      580 ml of the 722 ml that the coat takes: mix the rest" in told


def test_a_pot_that_dies_before_its_coat_is_done_is_not_planned_with(tmp_path: Path) -> None:
    """At 18:30 half an hour of it is left."""
    pot(tmp_path, {})
    found = hand(tmp_path, "19T18:30")
    assert [step.coat for step in steps(found, "mix")] == [1, 2]
    told = today_text(found, made_from(found, 0.0))
    assert "pot B1 is mixed, but no coat can be laid whole before its life is over" in told


def test_a_second_pot_of_a_coat_that_is_being_laid_is_not_for_the_next_one(tmp_path: Path) -> None:
    Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    record(tmp_path, LAID[0], ("mixed", "19T17:50"))
    found = hand(tmp_path, "19T18:00")
    assert found.followed.pots == {}
    assert [step.coat for step in steps(found, "mix")] == [2]


@pytest.mark.parametrize(
    ("mixed_ml", "coats", "says"),
    [
        # 6.5 m2 at 50 µm of 50 % solids are 722 ml with 10 % loss, for either section.
        ("1000", [1, 2], "about 278 ml of the 722 ml that the coat takes are left; its life ends"),
        (None, [1, 2], "how much is left is not known: measure it; its life ends"),
        ("1450", [2], "hull-stbd, coat 1: pot B1 is mixed: use it"),
        ("700", [1, 2], None),
    ],
)
def test_a_pot_that_another_section_was_coated_from_holds_what_is_left(
    mixed_ml: str | None, coats: list[int], says: str | None, tmp_path: Path
) -> None:
    sections = section("hull-port", "primer*2"), section("hull-stbd", "primer*2")
    Trial(job_text(*sections), SPECS, FAIR).write(tmp_path)
    amount = () if mixed_ml is None else ("--amount", mixed_ml)
    of_port = ("--section", "hull-port", "--batch", "B1")
    for kind, hour, named in (
        ("mixed", "17:00", ("--batch", "B1", *amount)),
        ("coat-started", "17:05", of_port),
        ("coat-ended", "17:15", of_port[:2]),
        ("coat-started", "17:20", (*of_port, "--coat", "1")),  # the same coat, after a pause
        ("coat-ended", "17:35", of_port[:2]),
    ):
        spec = () if kind == "coat-ended" else ("--spec", str(tmp_path / PRIMER))
        ran = filmcall(
            *("event", kind, "--enclosure", "polytunnel", *named, *spec),
            *("--at", f"2026-10-19T{hour}:00Z", "--db", str(tmp_path / "log.db")),
        )
        assert ran.code == 0, ran.err
    found = hand(tmp_path, "19T17:40")
    mixes = [step.coat for step in steps(found, "mix") if step.section == "hull-stbd"]
    assert mixes == coats
    told = today_text(found, made_from(found, 0.0))
    if says is None:
        assert "B1" not in told
    else:
        assert says in told
        assert ("hull-port had paint from pot B1" in told) is (1 in coats)


def test_a_pot_of_another_paint_is_named_and_not_used(tmp_path: Path) -> None:
    Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    ran = filmcall(
        *("event", "mixed", "--enclosure", "polytunnel", "--section", "hull-port"),
        *("--spec", str(tmp_path / TOPCOAT), "--at", "2026-10-19T17:00:00Z"),
        *("--db", str(tmp_path / "log.db")),
    )
    assert ran.code == 0, ran.err
    found = hand(tmp_path, "19T17:10")
    assert [step.coat for step in steps(found, "mix")] == [1, 2]
    told = today_text(found, made_from(found, 0.0))
    assert "a pot of quick-topcoat is mixed, the next coat of hull-port is another" in told


def test_a_pot_for_a_film_that_does_not_open_in_its_life_does_not_stop_the_plan(
    tmp_path: Path,
) -> None:
    """Coat 1 opens on Tuesday at 00:30, when the pot of Monday 19:00 is dead."""
    Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    record(tmp_path, *LAID, ("mixed", "19T19:00"))
    assert [step.coat for step in steps(hand(tmp_path, "19T19:10"), "mix")] == [2]


def test_a_film_that_lies_is_wet_into_the_night_as_one_that_is_planned(tmp_path: Path) -> None:
    """Touch dry three hours after 18:30."""
    Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    record(tmp_path, *LAID)
    for at, is_told in (("19T19:30", True), ("19T21:45", False)):
        found = hand(tmp_path, at)
        told = today_text(found, made_from(found, 0.0))
        assert ("hull-port is wet into it, touch dry about 21:30" in told) is is_told


def test_after_midnight_tonight_is_the_night_that_runs_and_from_six_the_coming_one(
    tmp_path: Path,
) -> None:
    """Touch dry three hours after 22:30."""
    Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    record(tmp_path, ("coat-started", "19T22:00"), ("coat-ended", "19T22:30"))
    nights = {}
    for at in ("19T23:50", "20T00:10", "20T05:50", "20T06:10", "20T12:10"):
        found = hand(tmp_path, at)
        nights[at] = today_text(found, made_from(found, 0.0)).split("Tonight:")[1]
        wet = re.search("hull-port is wet into it, touch dry about (Tue )?01:30", nights[at])
        assert bool(wet) is (at in ("19T23:50", "20T00:10")), nights[at]
    of_the_air = {at: told.split(".\n")[0] for at, told in nights.items()}
    assert of_the_air["20T06:10"] == of_the_air["20T12:10"]


def test_what_is_laid_early_tomorrow_is_no_film_of_tonight(tmp_path: Path) -> None:
    """Coat 1 is touch dry at 21:30 and opens at 00:30; work begins at 06:00."""
    Trial(job_text(SOLO, hours='"06:00-11:00"'), SPECS, FAIR).write(tmp_path)
    record(tmp_path, *LAID)
    found = hand(tmp_path, "19T21:45")
    assert steps(found, "coat")[0].start_s < when("2026-10-20T08:00+00:00")
    assert "wet into it" not in today_text(found, made_from(found, 0.0))


def test_a_coat_laid_on_the_eve_of_the_jobs_start_is_named_and_one_of_last_month_is_not(
    tmp_path: Path,
) -> None:
    Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    for eve, is_named in (("2026-09-01T18:00", False), ("2026-10-18T18:00", True)):
        ran = filmcall(
            *("event", "coat-started", "--enclosure", "polytunnel", "--section", "hull-port"),
            *("--at", f"{eve}:00Z", "--db", str(tmp_path / "log.db"), "--spec"),
            str(tmp_path / PRIMER),
        )
        assert ran.code == 0, ran.err
        found = hand(tmp_path, "19T06:00")
        told = today_text(found, made_from(found, 0.0))
        assert ("has a coat on hull-port of Sun 2026-10-18 18:00, before the" in told) is is_named


def test_a_start_that_was_put_right_to_a_later_hour_is_none_before_it(tmp_path: Path) -> None:
    """Typed for 17:30 and put right to 21:00: at 19:00 nothing is laid."""
    Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    record(tmp_path, ("coat-started", "19T17:30"))
    ran = filmcall(
        *("event", "coat-started", "--enclosure", "polytunnel", "--section", "hull-port"),
        *("--spec", str(tmp_path / PRIMER), "--corrects", "1", "--at", "2026-10-19T21:00:00Z"),
        *("--db", str(tmp_path / "log.db")),
    )
    assert ran.code == 0, ran.err
    assert not hand(tmp_path, "19T19:00").followed.laid
    assert hand(tmp_path, "19T21:30").followed.laid
