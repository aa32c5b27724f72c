"""`filmcall outlook` from a log with a simulated week in it, with and without a forecast."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from tent_weeks import TentWeek, tent_week

from monitor.config.load import load_config
from monitor.log.log import Store
from monitor.log.rows import LogMissing
from monitor.outlook.clocks import temperature_outlook
from monitor.outlook.make import make, run
from monitor.outlook.read import choose_source, read_track
from rules.errors import FilmcallError, SpecFault
from rules.events import Event
from rules.outlook.track import CELLS_A_DAY, TooLittleLog
from rules.vocabulary import EventKind, LimitName
from sensors.reading import Quantity

DAYS = 3.3
CONFIG = """
[[enclosure]]
name = "tent"
spec = "two-pack-epoxy-primer"
timezone = "Europe/Brussels"
[[enclosure.point]]
name = "air-bow"
quantity = "air_temp"
unit = "degC"
column = "a"
[[enclosure.point]]
name = "air-bow"
quantity = "humidity"
unit = "%"
column = "b"
[[enclosure.point]]
name = "plank-port"
quantity = "surface_temp"
section = "hull-port"
unit = "degC"
column = "c"
[[enclosure.point]]
name = "plank-stbd"
quantity = "surface_temp"
section = "hull-stbd"
unit = "degC"
column = "d"
"""


@pytest.fixture(scope="module")
def week() -> TentWeek:
    return tent_week(2007, 5)


@pytest.fixture(scope="module")
def log(week: TentWeek, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("outlook") / "log.db"
    kept = week.time_s <= week.time_s[0] + DAYS * 86_400.0
    with Store.open(path, now_s=lambda: 1_795_000_000.0) as store:
        for point, quantity, values in (
            ("air-bow", Quantity.AIR_TEMP, week.air_temp_c),
            ("air-bow", Quantity.HUMIDITY, week.rh_pct),
            ("plank-port", Quantity.SURFACE_TEMP, week.surface_temp_c),
            ("plank-stbd", Quantity.SURFACE_TEMP, week.surface_temp_c + 1.0),
        ):
            rows = zip(week.time_s[kept].tolist(), values[kept].tolist(), strict=True)
            store.add_reading_rows(
                "tent", point, quantity, [(round(t * 1e6), None, v, None, 0) for t, v in rows]
            )
    return path


def event(week: TentWeek, kind: EventKind, hours_before_end: float, **more: object) -> Event:
    end_s = week.time_s[0] + DAYS * 86_400.0
    return Event(kind, end_s - 3600.0 * hours_before_end, "tent", **more)  # type: ignore[arg-type]


def copied(log: Path, tmp_path: Path, *events: Event) -> Path:
    path = tmp_path / "log.db"
    path.write_bytes(log.read_bytes())
    with Store.open(path, now_s=lambda: 1_795_000_000.0) as store:
        for each in events:
            store.add_event(each)
    return path


def forecast_file(week: TentWeek, folder: Path) -> Path:
    path = folder / "forecast.csv"
    rows = ["time,temperature,dew_point"]
    for at in range(0, len(week.time_s), 60):
        stamp = datetime.fromtimestamp(week.time_s[at], UTC).isoformat()
        rows.append(f"{stamp},{week.outside_c[at]:.2f},{week.outside_dew_c[at]:.2f}")
    path.write_text("\n".join(rows), "utf-8")
    return path


def test_the_log_is_read_onto_the_grid_that_was_measured(log: Path, week: TentWeek) -> None:
    with Store.open(log, now_s=lambda: 0.0, read_only=True) as store:
        assert choose_source(store, None) == (1, "tent")
        told = read_track(store, "tent", None)
    assert told.air_point == "air-bow"
    assert told.track.count == pytest.approx(DAYS * CELLS_A_DAY, abs=2)
    assert told.track.surface_temp_c is not None
    last = week.time_s <= told.track.end_s
    mean = week.surface_temp_c[last][-5:].mean()  # the colder of the two sides
    assert told.track.surface_temp_c[-1] == pytest.approx(mean, abs=1e-9)
    assert not told.sections_known


def test_the_clocks_of_an_outlook_know_of_a_hole_what_every_clock_knows(tmp_path: Path) -> None:
    hole = (20.0 * 3600.0, 20.0 * 3600.0 + 1200.0)  # 20 min of readings that came each minute
    begin_s = 1_795_000_200.0
    times = np.arange(0.0, 86_400.0, 60.0)
    kept = begin_s + times[(times < hole[0]) | (times >= hole[1])]
    with Store.open(tmp_path / "log.db", now_s=lambda: 1_795_000_000.0) as store:
        for point, quantity, value in (
            ("air-bow", Quantity.AIR_TEMP, 20.0),
            ("air-bow", Quantity.HUMIDITY, 50.0),
            ("plank-port", Quantity.SURFACE_TEMP, 18.0),
        ):
            store.add_reading_rows(
                "tent", point, quantity, [(round(t * 1e6), None, value, None, 0) for t in kept]
            )
    stated = CONFIG.replace('column = "c"', 'column = "c"\naccuracy = "0.8 K"')
    config = load_config(stated, tmp_path).enclosures[0]
    with Store.open(tmp_path / "log.db", now_s=lambda: 0.0, read_only=True) as store:
        told = read_track(store, "tent", "hull-port", config=config)
    history = told.history
    assert told.track.surface_temp_c is not None
    assert np.isfinite(told.track.table()).all()  # the statistics take the middle
    inside = (history.time_s > begin_s + hole[0]) & (history.time_s <= begin_s + hole[1])
    assert inside.sum() == 4
    assert np.isnan(history.coldest_c[inside]).all()
    logged = history.time_s > begin_s
    assert np.isfinite(history.coldest_c[logged & ~inside]).all()
    assert history.accuracy_k == 0.8  # as the config states it
    assert history.rh_low_pct is not None
    assert np.nanmin(history.rh_low_pct) == pytest.approx(47.0)


def test_text_has_bands_breaks_and_windows(log: Path) -> None:
    text = run(log)
    assert text.startswith("Outlook for tent, made ")
    assert "from 3 d 7 h of record" in text
    assert "dew margin K" in text
    assert re.search(r"probably too \w+|too \w+( \w+)* now|Should stay inside every limit", text)
    assert "general-guidance" in text
    assert "give the config" in text


def test_the_table_is_in_the_units_that_were_asked_for(
    log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def figures(text: str) -> list[float]:
        row = next(line for line in text.splitlines() if "%" not in line and " to " in line[:40])
        return [float(each) for each in re.findall(r"-?\d+\.\d", row)]

    celsius = run(log)
    monkeypatch.setenv("FILMCALL_UNITS", "us")
    fahrenheit = run(log)
    assert "hull °F" in fahrenheit
    assert "dew margin °F" in fahrenheit
    assert not re.search(r"(air|hull) °C|margin K", fahrenheit)
    # t/°F = 1.8 t/°C + 32, a difference 1.8 by its K (NIST SP 811, B.8, from memory).
    metric, us = figures(celsius), figures(fahrenheit)
    assert us[:3] == pytest.approx([1.8 * each + 32.0 for each in metric[:3]], abs=0.15)
    assert us[3:6] == metric[3:6]
    assert us[-3:] == pytest.approx([1.8 * each for each in metric[-3:]], abs=0.15)


def test_json_carries_what_the_text_says(log: Path) -> None:
    told = json.loads(run(log, json_wanted=True, hours=6.0, spec="two-pack-epoxy-primer"))
    assert told["enclosure"] == "tent"
    assert told["spec"] == "two-pack-epoxy-primer"
    assert told["ahead_s"][0] == 0.0
    assert told["ahead_s"][-1] == 6 * 3600.0
    low, middle, high = (np.array(row) for row in told["dew_margin_k"])
    assert (low <= middle).all()
    assert (middle <= high).all()
    for each in told["breaks"]:
        assert 0.2 <= each["probability"] <= 1.0
        assert each["at_range"][0] <= each["at"] <= each["at_range"][1]


def test_a_section_takes_its_own_planks_by_the_config(log: Path) -> None:
    config = load_config(CONFIG, Path()).enclosures[0]
    margins = {}
    for section in ("hull-port", "hull-stbd"):
        told = json.loads(run(log, config=config, section=section, json_wanted=True))
        margins[section] = told["dew_margin_k"][1][0]
        assert told["section"] == section
        assert not any("give the config" in note for note in told["notes"])
    assert margins["hull-stbd"] - margins["hull-port"] == pytest.approx(1.0, abs=0.01)


def test_with_a_forecast_it_rests_on_that_and_says_that_its_age_is_not_known(
    log: Path, week: TentWeek, tmp_path: Path
) -> None:
    text = run(log, forecast=forecast_file(week, tmp_path))
    assert "from the forecast and " in text.splitlines()[0]
    assert "goes by the log alone" not in text
    assert "when it was made" in text


def test_an_open_film_gets_no_suggestion_but_the_reminder(
    log: Path, week: TentWeek, tmp_path: Path
) -> None:
    path = copied(
        log,
        tmp_path,
        event(week, EventKind.COAT_STARTED, 2.0, spec="two-pack-epoxy-primer"),
        event(week, EventKind.COAT_ENDED, 1.0, spec="two-pack-epoxy-primer"),
    )
    text = run(path, spec="two-pack-epoxy-primer")
    assert "A film gives off vapour: wait." in text
    assert "would help" not in text
    told = json.loads(run(path, spec="two-pack-epoxy-primer", json_wanted=True))
    assert told["gives_off_vapour"]
    assert told["would_help"] == []
    assert told["stage"] in ("flash", "cure")


def test_a_film_on_another_section_forbids_suggestions_here_too(
    log: Path, week: TentWeek, tmp_path: Path
) -> None:
    path = copied(
        log,
        tmp_path,
        event(week, EventKind.COAT_STARTED, 2.0, section="hull-stbd"),
        event(week, EventKind.COAT_ENDED, 1.0, section="hull-stbd"),
    )
    config = load_config(CONFIG, Path()).enclosures[0]
    told = json.loads(run(path, section="hull-port", config=config, json_wanted=True))
    assert told["stage"] == "prep"
    assert told["gives_off_vapour"]
    assert {each["what"] for each in told["would_help"]} <= {"wait"}


def test_the_clocks_can_read_the_outlook(log: Path) -> None:
    with Store.open(log, now_s=lambda: 0.0, read_only=True) as store:
        made = make(store)
    ahead = temperature_outlook(made.outlook)
    assert ahead.time_s[0] == made.outlook.made_s
    assert (ahead.low_c <= ahead.surface_c).all()
    assert (ahead.surface_c <= ahead.high_c).all()
    assert LimitName.DEW_MARGIN_MIN in made.limits


@pytest.mark.parametrize(
    ("more", "fault", "says"),
    [
        ({"hours": 30.0}, FilmcallError, "hours 30 is outside 0.25 to 24"),
        ({"enclosure": "barn"}, TooLittleLog, "enclosure 'barn' has no reading.*it holds: tent"),
        ({"spec": "nobody's"}, SpecFault, "neither a shipped spec nor a file"),
        ({"forecast": Path("nowhere.csv")}, FilmcallError, "so there is no forecast"),
    ],
)
def test_what_a_user_can_get_wrong(
    log: Path, more: dict[str, object], fault: type[Exception], says: str
) -> None:
    with pytest.raises(fault, match=says):
        run(log, **more)  # type: ignore[arg-type]


def test_without_a_log_or_with_half_a_day_there_is_none(
    tmp_path: Path, week: TentWeek, log: Path
) -> None:
    with pytest.raises(LogMissing):
        run(tmp_path / "none.db")
    with (
        Store.open(log, now_s=lambda: 0.0, read_only=True) as store,
        pytest.raises(TooLittleLog, match=r"the log has 12 h( \d+ min)? of the 24 h"),
    ):
        make(store, now_s=float(week.time_s[0]) + 43_200.0)
