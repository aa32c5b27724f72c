"""The outlook beside the watch: the forecast goes in; limits, bands and clocks come out."""

from __future__ import annotations

import json
import math
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from tent_weeks import TentWeek, tent_week

from monitor.cli.clocks import clocks_in_log
from monitor.cli.outlook import run as run_outlook
from monitor.config.load import load_config_file
from monitor.config.model import EnclosureConfig, ForecastConfig
from monitor.films import FilmKeeper
from monitor.live.alarms import Alarms
from monitor.log.log import Store
from monitor.logged_films import film_basis
from monitor.outlook import make as outlook_run
from monitor.outlook.forecast import ForecastKeeper
from monitor.outlook.keeper import OutlookKeeper, OutlookReply, TooOld, look_ahead
from monitor.snapshots import SnapshotMaker
from monitor.specs import find_spec
from rules.clocks.clock import Clock, ClockState
from rules.events import Event
from rules.trend import AHEAD_COUNTS_S
from rules.vocabulary import ClockName, EventKind
from sensors.forecast import read_forecast
from sensors.reading import Quantity
from tests.support.live import Live

DAYS = 3.3
SEED = 2011
WARMER_K = 16.0  # the week is one of winter, and a film that stands still has no clock to show
SPEC = "two-pack-epoxy-primer"
CONFIG = """
[forecast]
file = "hours.csv"
[forecast.columns]
time = "valid"
temp = "T2"
dew_point = "D2"
[[enclosure]]
name = "tent"
spec = "two-pack-epoxy-primer"
"""
POINTS = (
    ("air-bow", Quantity.AIR_TEMP, "degC"),
    ("air-bow", Quantity.HUMIDITY, "%"),
    ("plank-port", Quantity.SURFACE_TEMP, "degC"),
)


@pytest.fixture(scope="module")
def week() -> TentWeek:
    return tent_week(SEED, 5)


@pytest.fixture(scope="module")
def end_s(week: TentWeek) -> float:
    times = week.time_s[week.time_s <= week.time_s[0] + DAYS * 86_400.0]
    return float(times[-1])


@pytest.fixture(scope="module")
def folder(week: TentWeek, end_s: float, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log of 3.3 days, a coat that was laid two hours before its end, config and forecast."""
    folder = tmp_path_factory.mktemp("keeper")
    kept = week.time_s <= end_s
    values = (week.air_temp_c + WARMER_K, week.rh_pct, week.surface_temp_c + WARMER_K)
    with Store.open(folder / "log.db", now_s=lambda: 1_795_000_000.0) as store:
        for (point, quantity, _), column in zip(POINTS, values, strict=True):
            rows = zip(week.time_s[kept].tolist(), column[kept].tolist(), strict=True)
            store.add_reading_rows(
                "tent", point, quantity, [(round(t * 1e6), None, v, None, 0) for t, v in rows]
            )
        for kind, hours in ((EventKind.COAT_STARTED, 2.0), (EventKind.COAT_ENDED, 1.5)):
            store.add_event(Event(kind, end_s - 3600.0 * hours, "tent", spec=SPEC))
    points = "".join(
        f'[[enclosure.point]]\nname = "{name}"\nquantity = "{quantity.value}"\nunit = "{unit}"\n'
        f'column = "{place}"\n'
        for place, (name, quantity, unit) in enumerate(POINTS)
    )
    (folder / "tent.toml").write_text(CONFIG + points)
    lines = ["valid,T2,D2"]
    for at in range(0, len(week.time_s), 60):
        stamp = datetime.fromtimestamp(week.time_s[at], UTC).isoformat()
        temp, dew = week.outside_c[at] + WARMER_K, week.outside_dew_c[at] + WARMER_K
        lines.append(f"{stamp},{temp:.2f},{dew:.2f}")
    (folder / "hours.csv").write_text("\n".join(lines))
    return folder


@pytest.fixture
def config(folder: Path) -> EnclosureConfig:
    return load_config_file(folder / "tent.toml").enclosures[0]


def answers(keeper: OutlookKeeper, wanted: int) -> list[OutlookReply]:
    found: list[OutlookReply] = []
    until_s = time.monotonic() + 60.0
    while len(found) < wanted and time.monotonic() < until_s:
        found += keeper.answers()
        time.sleep(0.02)
    assert len(found) == wanted
    return found


def test_the_forecast_goes_into_the_outlook(
    folder: Path, config: EnclosureConfig, end_s: float
) -> None:
    columns = (("time", "valid"), ("temp", "T2"), ("dew_point", "D2"))
    forecast = ForecastKeeper(
        ForecastConfig(file=folder / "hours.csv", columns=columns), None, lambda: end_s
    )
    keeper = OutlookKeeper(
        folder / "log.db", {"tent": config}, folder, lambda: end_s, forecast, 0.0
    )
    keeper.start()
    try:
        keeper.ask("tent", "all")
        (made,) = answers(keeper, 1)
    finally:
        keeper.stop()
    assert made.why == ""
    assert made.ahead is not None
    assert made.ahead.source.startswith("the forecast and ")
    assert made.bands is not None
    assert made.bands.forecast.startswith("forecast of unknown age, to ")
    assert made.surface is not None


def test_a_changed_forecast_is_asked_about_at_once(
    folder: Path, config: EnclosureConfig, end_s: float, tmp_path: Path
) -> None:
    path = tmp_path / "hours.csv"
    forecast = ForecastKeeper(ForecastConfig(file=path), None, lambda: end_s)
    keeper = OutlookKeeper(
        folder / "log.db", {"tent": config}, folder, lambda: end_s, forecast, 0.0
    )
    keeper.start()
    try:
        keeper.ask("tent", "all")
        (first,) = answers(keeper, 1)
        keeper.ask("tent", "all")  # not due for ten minutes
        assert keeper.answers() == []
        path.write_text((folder / "hours.csv").read_text().replace("valid,T2,D2", "time,temp,dew"))
        keeper.ask("tent", "all", at_once=True)  # wakes the thread, which sees the new file
        answers(keeper, 1)
        keeper.ask("tent", "all")
        (third,) = answers(keeper, 1)
    finally:
        keeper.stop()
    assert first.ahead is not None
    assert "forecast" not in first.ahead.source
    assert third.ahead is not None
    assert "forecast" in third.ahead.source


def test_bands_hold_the_outlook_that_was_made(
    folder: Path, config: EnclosureConfig, end_s: float
) -> None:
    with Store.open(folder / "log.db", now_s=lambda: 0.0, read_only=True) as store:
        looked = look_ahead(store, config, "all", folder, end_s)
    bands = looked.bands
    assert bands.made_s == pytest.approx(end_s, abs=1.0)
    assert bands.time_s[0] == bands.made_s
    for band in (bands.dew_margin_k, bands.rh_pct, bands.air_temp_c, bands.surface_temp_c):
        assert band is not None
        low, middle, high = (np.array(row) for row in band)
        assert len(low) == len(bands.time_s)
        assert (low <= middle).all()
        assert (middle <= high).all()
    assert bands.forecast == ""
    # Beside the clocks' own band of the same outlook, rounded as it is.
    assert np.array(bands.surface_temp_c)[1] == pytest.approx(looked.surface.surface_c, abs=0.006)


def test_a_clock_in_the_log_tells_what_is_left_by_the_outlook(
    folder: Path, config: EnclosureConfig, end_s: float
) -> None:
    def reckon(look: bool, at_s: float = end_s) -> dict[ClockName, Clock]:
        with Store.open(folder / "log.db", now_s=lambda: 0.0, read_only=True) as store:
            basis = film_basis(store, "tent", config, folder)
            found = clocks_in_log(store, "tent", at_s, basis, look_ahead=look)
        return {clock.name: clock for clock in found if clock.state is ClockState.RUNNING}

    plain, ahead = reckon(False), reckon(True)
    opens = ClockName.RECOAT_OPENS
    assert plain[opens].left_outlook_s is None
    left_s = ahead[opens].left_outlook_s
    assert left_s is not None
    assert ahead[opens].left_s == plain[opens].left_s, "at the present temperature as before"
    assert ahead[opens].ends_at_s == pytest.approx(end_s + left_s)
    # An hour after the last datum there is no outlook for then.
    assert all(c.left_outlook_s is None for c in reckon(True, end_s + 3600.0).values())


def test_the_keepers_clocks_follow_the_outlook_for_half_an_hour(
    folder: Path, config: EnclosureConfig, end_s: float
) -> None:
    with Store.open(folder / "log.db", now_s=lambda: 0.0, read_only=True) as store:
        looked = look_ahead(store, config, "all", folder, end_s)
        events = store.events("tent")
    keeper = FilmKeeper(find_spec(SPEC)[0], {})
    keeper.set_events(events)
    for minutes in range(-130, 1):
        at_s = end_s + 60.0 * minutes
        said = [(each, at_s) for each in (12.0, 13.0, math.nan, math.nan)]
        keeper.samples("all").take(at_s, said)

    def left(at_s: float) -> float | None:
        return next(
            c.left_outlook_s for c in keeper.clocks("all", at_s) if c.name is ClockName.TOUCH_DRY
        )

    assert left(end_s) is None
    keeper.look_ahead("all", looked.surface)
    assert left(end_s) is not None
    assert left(end_s + AHEAD_COUNTS_S + 61.0) is None
    keeper.look_ahead("all", None)
    assert left(end_s) is None


def test_the_command_takes_the_configs_forecast_where_none_is_given(folder: Path) -> None:
    def told(forecast: Path | None) -> dict[str, object]:
        text = run_outlook(
            enclosure="tent",
            hours=6.0,
            forecast=forecast,
            config_file=folder / "tent.toml",
            as_json=True,
            db=folder / "log.db",
        )
        found: dict[str, object] = json.loads(text)
        return found

    own = told(None)
    assert "'the forecast and " in str(own)
    assert "forecast of unknown age, to " in str(own["notes"])
    (folder / "none.csv").unlink(missing_ok=True)
    with pytest.raises(outlook_run.ForecastRefused, match=r"none\.csv"):
        told(folder / "none.csv")


def test_an_old_outlook_is_not_on_the_screen(
    folder: Path, config: EnclosureConfig, end_s: float
) -> None:
    from monitor.enclosure import Enclosure, constant_film
    from rules.section import Film

    with Store.open(folder / "log.db", now_s=lambda: 0.0, read_only=True) as store:
        bands = look_ahead(store, config, "all", folder, end_s).bands
    spec = find_spec(SPEC)[0]
    enclosure = Enclosure(config, constant_film(Film(spec)), end_s)
    enclosure.evaluate_now(end_s)
    maker = SnapshotMaker(enclosure, FilmKeeper(spec, {}), recorded=False)
    assert maker.make(end_s, outlook={"all": bands}).outlook == {"all": bands}
    assert maker.make(end_s + AHEAD_COUNTS_S + 1.0, outlook={"all": bands}).outlook == {}
    assert maker.make(end_s).outlook == {}


def test_no_outlook_rests_on_a_log_that_ended_hours_ago(
    folder: Path, config: EnclosureConfig, end_s: float
) -> None:
    with Store.open(folder / "log.db", now_s=time.time, read_only=True) as store:
        with pytest.raises(TooOld, match="last reading is 14 h"):
            look_ahead(store, config, "all", folder, end_s + 14 * 3600.0)
        looked = look_ahead(store, config, "all", folder, end_s + 600.0)
    assert looked.ahead.made_s <= end_s, "it is as old as its data"


def test_the_screen_is_told_why_there_is_no_outlook(tmp_path: Path) -> None:
    keeper = OutlookKeeper(tmp_path / "log.db", {}, tmp_path, time.time, least_s=0.0)
    live = Live(tmp_path, outlooks=keeper)
    keeper._configs["tent"] = live.watch.rooms["tent"].enclosure.config
    alarms = Alarms(live.watch, None)
    keeper.start()
    try:
        live.run(600.0, live.climate())
        until_s = time.monotonic() + 30.0
        while not live.watch.rooms["tent"].outlook_why and time.monotonic() < until_s:
            time.sleep(0.02)
            live.run(10.0, live.climate())
        alarms.look()
    finally:
        keeper.stop()
        live.end()
    (why,) = alarms.snapshots["tent"].outlook_why.values()
    assert "no outlook" in why or "none is made" in why


def test_a_forecast_that_is_not_used_says_why(
    folder: Path, config: EnclosureConfig, end_s: float, tmp_path: Path
) -> None:
    rows = (folder / "hours.csv").read_text().splitlines()
    until = datetime.fromtimestamp(end_s + 7200.0, UTC)
    kept = [row for row in rows[1:] if datetime.fromisoformat(row.split(",")[0]) < until]
    path = tmp_path / "hours.csv"
    path.write_text("\n".join(["time,temp,dew", *kept]))
    hours = read_forecast(path)
    with Store.open(folder / "log.db", now_s=lambda: 0.0, read_only=True) as store:
        looked = look_ahead(store, config, "all", folder, end_s, forecast=hours)
        plain = look_ahead(store, config, "all", folder, end_s)
    assert "under the 3 h that are of use" in looked.bands.by_log_why
    assert plain.bands.by_log_why == ""


def test_the_first_outlooks_of_many_come_one_by_one_and_go_on_so(tmp_path: Path) -> None:
    """Those of 100 enclosures together took 28 s of a core."""
    now_s = 5000.0
    names = [f"tent-{number}" for number in range(100)]
    configs = dict.fromkeys(names, EnclosureConfig("tent", ()))
    keeper = OutlookKeeper(tmp_path / "log.db", configs, None, time.time, steady_s=lambda: now_s)
    asked = []
    for _ in range(1200):
        before = keeper._asked.qsize()
        for name in names:
            keeper.ask(name, "all")
        asked.append(keeper._asked.qsize() - before)
        now_s += 1.0
    assert asked[0] == 1, "one alone need not wait"
    assert sum(asked[:300]) == 100, "each has its first within five minutes"
    assert sum(asked[:600]) == 100
    assert sum(asked) == 200, "and its next ten minutes later"
    assert max(sum(asked[at : at + 10]) for at in range(len(asked))) <= 4
