"""`filmcall clocks`: countdowns out of a log that holds a recording and the events beside it.

Times are the shipped topcoat's own rows (generic, no source): touch dry 5 h, pot life 3.5 h at
20 degC and 2 h at 30 degC; between rows ln(time) is linear in 1/T (Arrhenius; ASTM C1074 has the
same law), worked out anew here.
"""

from __future__ import annotations

import csv
import json
import math
import re
import shutil
import time
import tracemalloc
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from command import Ran, filmcall

from monitor.cli.clocks import clock_line, clocks_in_log
from monitor.log.log import Store
from monitor.log.read import Queries
from monitor.logged_films import film_basis
from monitor.logged_samples import history_rows
from monitor.samples import TemperatureChannel, Temperatures, ends_of
from monitor.specs import find_spec
from monitor.times import zone_or_local
from rules.clocks.all_clocks import clocks_of
from rules.clocks.clock import Clock, ClockState
from rules.events import Event
from rules.vocabulary import AIR_ACCURACY_K, SURFACE_ACCURACY_K, ClockName, EventKind
from sensors.reading import Quality, Quantity, Reading

HOUR_S = 3600.0
KEYS = {"name", "section", "state", "left_s", "ends_at", "ends_at_range", "basis"}
CONFIG = """
[[enclosure]]
name = "tent"
spec = "polyurethane-topcoat"
[[enclosure.point]]
name = "air"
quantity = "air_temp"
unit = "degC"
column = "air"
[[enclosure.point]]
name = "air"
quantity = "humidity"
unit = "%"
column = "rh"
[[enclosure.point]]
name = "plank-port"
quantity = "surface_temp"
unit = "degC"
column = "port"
section = "hull-port"
[[enclosure.point]]
name = "plank-stbd"
quantity = "surface_temp"
unit = "degC"
column = "stbd"
section = "hull-stbd"
"""


def iso(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, tz=UTC).isoformat().replace("+00:00", "Z")


def seconds(text: object) -> float:
    return datetime.fromisoformat(str(text).replace("Z", "+00:00")).timestamp()


class Log:
    """A log with a recording of 24 h: port at 20.5 degC, starboard at 10.5, air at 20.0."""

    def __init__(self, folder: Path, begin_s: float) -> None:
        self.begin_s = begin_s
        self.db = str(folder / "log.db")
        self.config = folder / "tent.toml"

    def play(
        self, recording: Path, damp: bool = False, port: str = "18.5", stbd: str = "10.5"
    ) -> None:
        """Play the day; damp at will: port as given, and 97 % (dew point 19.5) till 4 h."""
        self.config.write_text(CONFIG)
        with recording.open("w", newline="") as file:
            rows = csv.writer(file)
            rows.writerow(["time", "air", "rh", "port", "stbd"])
            for minute in range(24 * 60):
                at = iso(self.begin_s + 60.0 * minute)
                humidity = 97.0 - max(minute - 240, 0) if damp else 50.0
                rows.writerow(
                    [at, "20.0", f"{max(humidity, 50.0):.0f}", port if damp else "20.5", stbd]
                )
        ran = filmcall("replay", str(recording), "--config", str(self.config), "--db", self.db)
        assert ran.code == 0, ran.err

    def event(self, kind: str, after_h: float, *words: str) -> Ran:
        at = iso(self.begin_s + after_h * HOUR_S)
        ran = filmcall("event", kind, "--enclosure", "tent", "--at", at, "--db", self.db, *words)
        assert ran.code == 0, ran.err
        return ran

    def at(self, after_h: float) -> str:
        return iso(self.begin_s + after_h * HOUR_S)

    def clocks(
        self, after_h: float, *words: str
    ) -> dict[tuple[str, str | None], dict[str, object]]:
        ran = filmcall("clocks", "--json", "--at", self.at(after_h), "--db", self.db, *words)
        assert ran.code == 0, ran.err
        listed = json.loads(ran.out)["clocks"]
        assert all(set(each) >= KEYS for each in listed)
        return {(each["name"], each["section"]): each for each in listed}


@pytest.mark.parametrize("words", [(), ("--known", "then")], ids=["all", "then"])
def test_an_open_window_says_that_its_film_is_to_be_washed_first(
    tmp_path: Path, words: tuple[str, ...]
) -> None:
    log = Log(tmp_path, time.time() // 3600.0 * 3600.0 - 3 * 86_400.0)
    log.play(tmp_path / "day.csv", damp=True)
    log.event("coat-started", 2.0, "--section", "hull-port")
    log.event("coat-ended", 2.5, "--section", "hull-port")
    said = log.clocks(23.0)["recoat opens", "hull-port"]
    assert said["state"] == "ended"
    assert re.match(r"Wet .* while soft: wash, look, sand", str(said["advice"]))
    told = filmcall("clocks", "--at", log.at(23.0), "--db", log.db).out
    (line,) = re.findall(r"recoat open since .*\n(?: .*\n)*", told)
    assert "while soft: wash" in line
    soon = log.clocks(10.0)["recoat opens", "hull-port"]
    assert (soon["state"], soon["advice"]) == ("running", "")
    assert not [key for key in log.clocks(23.0, *words) if words], "no coat was known of then"
    log.event("washed", 22.0, "--section", "hull-port")
    assert log.clocks(23.0)["recoat opens", "hull-port"]["advice"] == ""


def test_times_and_what_holds_a_coat_go_by_one_config_and_one_look_at_the_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the config given both planks are on port, and the one that was wet counts for both."""
    log = Log(tmp_path, time.time() // 3600.0 * 3600.0 - 3 * 86_400.0)
    log.play(tmp_path / "day.csv", damp=True, port="24.0", stbd="18.5")
    for section in ("hull-port", "hull-stbd"):
        log.event("coat-started", 2.0, "--section", section)
        log.event("coat-ended", 2.5, "--section", section)
    looks: list[str] = []
    looked = Queries.calls
    monkeypatch.setattr(
        Queries, "calls", lambda *of, **more: looks.append("calls") or looked(*of, **more)
    )
    own = log.clocks(23.0)
    assert looks == ["calls"], "months of calls are read once"
    both = tmp_path / "both.toml"
    both.write_text(CONFIG.replace('section = "hull-stbd"', 'section = "hull-port"'))
    given = log.clocks(23.0, "--config", str(both))
    for found, is_wet in ((own, False), (given, True)):
        port = found["recoat opens", "hull-port"]
        assert ("while soft: wash" in str(port["advice"])) is is_wet
    ends = [seconds(each["recoat opens", "hull-port"]["ends_at"]) for each in (own, given)]
    assert ends[0] < ends[1] - HOUR_S, "the colder plank opens later"


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Log:
    folder = tmp_path_factory.mktemp("played")
    made = Log(folder, time.time() // 3600.0 * 3600.0 - 3 * 86_400.0)
    made.play(folder / "day.csv")
    return made


@pytest.fixture
def log(played: Log, tmp_path: Path) -> Log:
    """Yield a copy of the recording's log and config for one test's events."""
    made = Log(tmp_path, played.begin_s)
    shutil.copy(played.db, made.db)
    shutil.copy(played.config, made.config)
    return made


def coat(log: Log, section: str) -> None:
    log.event("coat-started", 1.0, "--section", section, "--spec", "polyurethane-topcoat")
    log.event("coat-ended", 2.0, "--section", section)


def arrhenius_s(temp_c: float, cold: tuple[float, float], warm: tuple[float, float]) -> float:
    x, x1, x2 = (1.0 / (t + 273.15) for t in (temp_c, cold[0], warm[0]))
    share = (x - x1) / (x2 - x1)
    return math.exp(math.log(cold[1]) + share * (math.log(warm[1]) - math.log(cold[1])))


def test_each_section_dries_at_its_own_surface(log: Log) -> None:
    coat(log, "hull-port")
    coat(log, "hull-stbd")
    found = log.clocks(4.0, "--config", str(log.config))
    port, stbd = found["touch dry", "hull-port"], found["touch dry", "hull-stbd"]
    # From the coat's end at 2 h; 20.5 and 10.5 degC less the probes' 0.5 K are rows of the table.
    assert port["left_s"] == pytest.approx(3 * HOUR_S, abs=90.0)
    assert seconds(port["ends_at"]) == pytest.approx(log.begin_s + 7 * HOUR_S, abs=90.0)
    assert stbd["left_s"] == pytest.approx(7 * HOUR_S, abs=90.0)
    assert port["state"] == stbd["state"] == "running"
    early, late = (seconds(each) for each in port["ends_at_range"])  # type: ignore[attr-defined]
    assert early <= seconds(port["ends_at"]) <= late
    assert (
        log.clocks(8.0, "--config", str(log.config))["touch dry", "hull-port"]["state"] == "ended"
    )


def test_without_a_config_the_log_tells_which_surface_belongs_to_which_section(log: Log) -> None:
    coat(log, "hull-port")
    coat(log, "hull-stbd")
    found = log.clocks(4.0)
    assert found["touch dry", "hull-port"]["left_s"] == pytest.approx(3 * HOUR_S, abs=90.0)
    assert found["touch dry", "hull-stbd"]["left_s"] == pytest.approx(7 * HOUR_S, abs=90.0)


def test_a_section_that_no_point_belongs_to_has_no_temperature(log: Log) -> None:
    coat(log, "deck")
    found = log.clocks(4.0)["touch dry", "deck"]
    assert "not measured" in str(found["basis"])
    assert found["left_s"] is None


def test_pot_life_runs_at_the_warmest_of_air_and_surface(log: Log) -> None:
    log.event("mixed", 1.0, "--batch", "B7", "--amount", "500")  # a small pot keeps its whole life
    found = log.clocks(2.0, "--config", str(log.config))["pot life", "all"]
    # The warmest is the port plank plus its 0.5 K.
    whole_s = arrhenius_s(21.0, (20.0, 3.5 * HOUR_S), (30.0, 2.0 * HOUR_S))
    assert found["left_s"] == pytest.approx(whole_s - HOUR_S, abs=60.0)
    assert found["batch"] == "B7"
    assert found["enclosure"] == "tent"


def test_a_corrected_event_moves_its_clocks_and_a_withdrawn_one_stops_them(log: Log) -> None:
    log.event("mixed", 1.0)
    before = log.clocks(2.0)["pot life", "all"]["left_s"]
    log.event("mixed", 0.5, "--corrects", "1")
    after = log.clocks(2.0)["pot life", "all"]["left_s"]
    assert isinstance(before, float)
    assert after == pytest.approx(before - 1800.0, abs=60.0)
    log.event("mixed", 0.5, "--corrects", "2", "--withdraw")
    assert log.clocks(2.0) == {}


def test_known_then_leaves_out_what_was_written_down_later(log: Log) -> None:
    log.event("mixed", 1.0)  # written down now, three days after
    assert ("pot life", "all") in log.clocks(2.0)
    assert log.clocks(2.0, "--known", "then") == {}


def coated(store: Store, at_s: float) -> None:
    """Record a coat that takes no time."""
    for kind in (EventKind.COAT_STARTED, EventKind.COAT_ENDED):
        store.add_event(Event(kind, at_s, "tent", spec="polyurethane-topcoat", recorded_s=at_s))


def test_known_then_leaves_out_readings_that_arrived_later(log: Log, tmp_path: Path) -> None:
    path = tmp_path / "live.db"
    begin_s = log.begin_s
    with Store.open(path, now_s=lambda: begin_s) as store:
        for minute in range(120):
            at_s = begin_s + 60.0 * minute
            # An hour of it came a day late, by a logger.
            received_s = at_s if not 30 <= minute < 90 else at_s + 86_400.0
            store.add_readings(
                [Reading("tent", "p", Quantity.SURFACE_TEMP, at_s, 20.5, Quality.OK, received_s)]
            )
        coated(store, begin_s)
    log.db = str(path)
    now = log.clocks(2.0)["touch dry", "all"]["left_s"]
    then = log.clocks(2.0, "--known", "then")["touch dry", "all"]["left_s"]
    assert now == pytest.approx(3 * HOUR_S, abs=120.0)
    # A gap of an hour, taken at the coldest that it can have been.
    assert 3.05 * HOUR_S < then < 4 * HOUR_S


@pytest.mark.parametrize(("every_s", "hole_s"), [(10, 700), (60, 1800), (300, 3000), (600, 4200)])
def test_a_hole_in_the_record_never_makes_a_clock_open_sooner_or_close_later(
    log: Log, tmp_path: Path, every_s: int, hole_s: int
) -> None:
    path, begin_s = tmp_path / "holed.db", log.begin_s
    with Store.open(path, now_s=lambda: begin_s) as store:
        for after_s in range(0, 4 * 3600 + 1, every_s):
            at_s = begin_s + after_s
            if not 3600 < after_s < 3600 + hole_s:
                store.add_readings(
                    [Reading("tent", "p", Quantity.SURFACE_TEMP, at_s, 20.5, Quality.OK, at_s)]
                )
        coated(store, begin_s)
    log.db = str(path)
    found = log.clocks(4.0)
    # 20.5 less 0.5 is the table's row at 20 °C, 5 h; what nobody measured can have been colder.
    dry = found["touch dry", "all"]
    assert HOUR_S < dry["left_s"] <= HOUR_S + hole_s + 121.0
    assert "not measured, taken at the coldest it can have been" in str(dry["basis"])
    closes = found["recoat closes", "all"]
    assert "not measured, taken at the warmest it can have been" in str(closes["basis"])


def test_lines_for_people_and_no_clock_at_all(log: Log) -> None:
    ran = filmcall("clocks", "--at", log.at(4.0), "--db", log.db)
    assert ran.out == f"No clock runs at {log.at(4.0)}: no mix and no coat is recorded\n"
    coat(log, "hull-port")
    ran = filmcall("clocks", "--at", log.at(4.0), "--config", str(log.config), "--db", log.db)
    assert re.search(r"^touch dry from +hull-port +(2 h 59 min|3 h) left, until", ran.out, re.M)
    assert "recoat by" in ran.out


def test_a_recoat_window_is_that_of_the_paint_in_hand_and_says_so(log: Log) -> None:
    """The shipped primer at its row of 20 degC: 8 h before a primer, 12 h before a polyurethane."""
    words = ("--section", "hull-port")
    log.event("coat-started", 1.0, *words, "--spec", "two-pack-epoxy-primer")
    log.event("coat-ended", 2.0, *words)
    text = ("clocks", "--at", log.at(11.0), "--db", log.db)
    # The enclosure's own spec is the topcoat.
    assert re.search(
        r"(?m)^recoat for polyurethane-topcoat from +hull-port +(2 h 59 min|3 h) left",
        filmcall(*text).out,
    )
    primer = ("--batch", "P", "--spec", "two-pack-epoxy-primer")
    log.event("mixed", 10.5, *primer)
    assert re.search(
        r"(?m)^recoat open for two-pack-epoxy-primer since +hull-port ", filmcall(*text).out
    )
    told = log.clocks(11.0)["recoat opens", "hull-port"]
    assert (told["state"], told["next_spec"]) == ("ended", "two-pack-epoxy-primer")
    assert log.clocks(11.0)["touch dry", "hull-port"]["next_spec"] is None
    # The reply to a coat goes by the paint that it is of, whether named or from the pot.
    named = log.event("coat-started", 11.0, *words, "--spec", "polyurethane-topcoat")
    assert "recoat window opens in " in named.out
    log.event("coat-started", 11.0, *words, "--corrects", "4", "--withdraw")
    assert "recoat window" not in log.event("coat-started", 11.0, *words).out


def test_work_on_a_soft_film_is_recorded_and_warned_of_by_its_own_clocks(log: Log) -> None:
    coat(log, "hull-port")
    coat(log, "hull-stbd")
    found = log.clocks(3.0, "--config", str(log.config))
    zone = zone_or_local(None)  # the log names none
    dry, sandable = (
        f"{datetime.fromtimestamp(seconds(found[name, 'hull-port']['ends_at']), tz=zone):%H:%M}"
        for name in ("touch dry", "sand")
    )
    washed = log.event("washed", 3.0, "--section", "hull-port").out
    assert washed.startswith("recorded washed at ")
    assert re.search(
        rf"warning: hull-port: coat 1 is not touch dry before about (\w+ )?{dry}: washing", washed
    )
    assert "hull-stbd" not in washed
    # Touch dry after 5 h at 20 degC and 9 h at 10: at 8 h port is, starboard is not.
    assert "warning" not in log.event("wiped", 8.0, "--section", "hull-port").out
    both = log.event("wiped", 8.0).out
    assert re.search(r"(?m)^warning: hull-stbd: coat 1 is not touch dry .*: wiping", both)
    assert "warning: hull-port" not in both
    sanded = log.event("sanded", 8.0, "--section", "hull-port").out
    assert re.search(rf"hull-port: coat 1 is not sandable before about (\w+ )?{sandable}: ", sanded)
    assert "hull-stbd is not touch dry, and sanding dust settles on it" in sanded


@pytest.mark.parametrize("after_h", [-20 * 365 * 24.0, 900 * 365 * 24.0])
def test_a_year_far_from_the_log_is_answered_in_little_memory(log: Log, after_h: float) -> None:
    coat(log, "hull-port")
    tracemalloc.start()
    try:
        found = log.clocks(after_h)
        _, peak_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak_bytes < 200 * 2**20  # judgement, no source
    if after_h < 0.0:
        assert found == {}
    else:
        assert found["recoat closes", "hull-port"]["state"] == "ended"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--at", "soon"), "time 'soon' cannot be read"),
        (("--known", "never"), "known 'never' is neither now nor then"),
        (("--config", "nowhere.toml"), "nowhere.toml"),
    ],
)
def test_what_cannot_be_is_refused(log: Log, words: tuple[str, ...], said: str) -> None:
    ran = filmcall("clocks", "--db", log.db, *words)
    assert (ran.code, ran.out) == (2, "")
    assert said in ran.err
    assert "Traceback" not in ran.err


def test_without_a_log_there_is_nothing_to_show(tmp_path: Path) -> None:
    ran = filmcall("clocks", "--db", str(tmp_path / "none.db"))
    assert ran.code == 2
    assert "there is no such file, so there is nothing to show" in ran.err


def test_the_clocks_of_a_film_without_a_surface_probe_run_as_assumed_and_say_so(
    tmp_path: Path,
) -> None:
    db = str(tmp_path / "log.db")
    recording = tmp_path / "air.csv"
    rows = [f"2015-02-06T{k // 60:02}:{k % 60:02}:00Z,22.0,50\n" for k in range(8 * 60, 18 * 60)]
    recording.write_text("time,temp_air degC,rh_air %\n" + "".join(rows))
    for words in (
        ("replay", str(recording), "--assumed-surface-offset", "-2 K"),
        ("event", "coat-started", "--at", "2015-02-06T09:00Z", "--spec", "polyurethane-topcoat"),
        ("event", "coat-ended", "--at", "2015-02-06T10:00Z"),
    ):
        ran = filmcall(*words, "--db", db)
        assert ran.code == 0, ran.err
    shown = filmcall("clocks", "--at", "2015-02-06T12:00Z", "--db", db).out
    said = "2 h of measured film temperature; no surface probe: surface assumed 2 K under the air"
    assert said in shown
    assert "ended" not in shown.splitlines()[-1], "a time in the recording was asked for"
    now = filmcall("clocks", "--db", db).out.splitlines()
    assert now[-1].startswith("The recording ended ")
    assert now[-1].endswith("For a time in it: filmcall clocks --at 2015-02-06T17:59:00Z")
    found = filmcall("clocks", "--at", "2015-02-06T12:00Z", "--json", "--db", db).out
    dry = next(each for each in json.loads(found)["clocks"] if each["name"] == "touch dry")
    assert dry["basis"] == said
    # The film at 20 - 2.02 °C, of a table with 9 h at 10 and 5 h at 20 °C: ln(time) in 1/T.
    cold_k = 273.15 + 20.0 - math.hypot(0.3, 2.0)
    slope = math.log(9 / 5) / (1 / 283.15 - 1 / 293.15)
    whole_s = 5 * HOUR_S * math.exp(slope * (1 / cold_k - 1 / 293.15))
    assert dry["left_s"] == pytest.approx(whole_s - 2 * HOUR_S, abs=1.0)


@pytest.mark.parametrize(
    ("zone", "shown"),
    [("America/New_York", "EDT"), ("Europe/Oslo", "CEST"), ("Etc/UTC", "UTC"), (None, "")],
)
def test_a_clocks_end_is_read_in_the_zone_of_the_place(zone: str | None, shown: str) -> None:
    """July has summer time on both shores (IANA tz): four hours behind UTC, two before it."""
    hours = {"America/New_York": 8, "Europe/Oslo": 14, "Etc/UTC": 12}
    noon_s = datetime(2026, 7, 1, 12, tzinfo=UTC).timestamp()
    ended = Clock(ClockName.CURED, "hull", None, ClockState.ENDED, ended_at_s=noon_s)
    line = clock_line(ended, "", zone_or_local(zone), noon_s)
    own = datetime.fromtimestamp(noon_s).astimezone()
    assert line.endswith(f"{hours[zone]:02}:00 {shown}" if zone else f"{own:%H:%M %Z}")


def test_a_clock_of_the_coat_below_names_its_coat() -> None:
    films = (Clock(ClockName.CURED, "hull", None, ClockState.RUNNING, coat=1, buried=True),
             Clock(ClockName.CURED, "hull", None, ClockState.RUNNING, coat=2))  # fmt: skip
    below, newest = (clock_line(film, "", None, 0.0) for film in films)
    assert "hull/coat 1 below" in below
    assert "coat" not in newest


def test_what_most_clocks_rest_on_is_said_once(log: Log) -> None:
    coat(log, "hull-port")
    ran = filmcall("clocks", "--at", log.at(4.0), "--db", log.db)
    said = ran.out.splitlines()
    assert said[-1].startswith("Where nothing else is said, by ")
    basis = said[-1].removeprefix("Where nothing else is said, by ").rstrip(".")
    assert not any(line.strip() == basis for line in said[:-1])
    listed = json.loads(filmcall("clocks", "--json", "--at", log.at(4.0), "--db", log.db).out)
    assert sum(each["basis"] == basis for each in listed["clocks"]) >= 3, "JSON has it at each"


def test_the_first_minute_after_an_event_is_known_as_a_running_watch_knows_it(
    tmp_path: Path,
) -> None:
    # A hull that the sun reaches in the middle of a minute; the watch samples it every 30 s.
    begin_s, spec = 1_790_380_800.0, find_spec("polyurethane-topcoat", None)[0]
    seen = [(begin_s + 10.0 * k, 20.0 if k < 367 else 30.0) for k in range(380)]
    live = Temperatures(SURFACE_ACCURACY_K, AIR_ACCURACY_K)
    with Store.open(tmp_path / "log.db", now_s=lambda: begin_s + 2 * HOUR_S) as store:
        rows = [(round(at_s * 1e6), None, temp_c, None, 0) for at_s, temp_c in seen]
        store.add_reading_rows("tent", "air", Quantity.AIR_TEMP, rows)
        store.add_reading_rows("tent", "plank", Quantity.SURFACE_TEMP, rows)
        store.flush()
        store.add_event(
            Event(EventKind.COAT_STARTED, begin_s + HOUR_S + 45.0, "tent", None, spec=spec.name)
        )
        now_s = begin_s + HOUR_S + 90.0
        for at_s, temp_c in seen:
            if at_s <= now_s:
                live.take(at_s, [(each, at_s) for each in (temp_c, temp_c, math.nan, math.nan)])
        events, specs = store.events("tent"), {spec.name: spec}
        told = clocks_in_log(store, "tent", now_s, film_basis(store, "tent"))
    watched = clocks_of(None, events, specs, spec, live.history(), now_s)
    assert {each.name for each in told} == {each.name for each in watched}
    for mine, its in zip(told, watched, strict=True):
        assert (mine.name, mine.state) == (its.name, its.state)
        if its.left_s is not None:
            assert mine.left_s == pytest.approx(its.left_s, rel=0.001)


def test_the_last_word_of_a_probe_is_kept_however_short_it_spoke(tmp_path: Path) -> None:
    begin_s = 1_790_380_800.0
    with Store.open(tmp_path / "log.db", now_s=lambda: begin_s + HOUR_S) as store:
        for point, temp_c, until_s in (("aft", 18.5, 600.0), ("fore", 16.5, 50.0)):
            rows = [
                (round((begin_s + at_s) * 1e6), None, temp_c, None, 0)
                for at_s in np.arange(0.0, until_s, 2.0).tolist()
            ]
            store.add_reading_rows("tent", point, Quantity.SURFACE_TEMP, rows)
        store.flush()
        channels = [TemperatureChannel(each, Quantity.SURFACE_TEMP) for each in ("fore", "aft")]
        rows = history_rows(store, "tent", channels, begin_s - HOUR_S, begin_s + 600.0)
    spoke = np.isfinite(rows[:, 1])
    assert (rows[spoke, 0] - begin_s).tolist() == [28.0, 48.0]
    assert np.isfinite(rows[:, 3]).all()
    coldest_c = ends_of(channels, rows, {})[1]
    assert 15.0 < coldest_c[-1] < 16.5, "it has been silent for nine minutes"


def test_a_log_is_sampled_as_often_as_a_running_watch_samples(tmp_path: Path) -> None:
    # DESIGN: call, gates and review read the same film memory: a dip of one reading is in it.
    begin_s = 1_790_380_800.0
    seen = [(30.0 * k, 7.0 if k == 11 else 9.0) for k in range(40)]
    channel = TemperatureChannel("hull", Quantity.SURFACE_TEMP)
    live = Temperatures(SURFACE_ACCURACY_K, AIR_ACCURACY_K, None, (channel,))
    for at_s, temp_c in seen:
        live.take(begin_s + at_s, [(temp_c, begin_s + at_s)])
    with Store.open(tmp_path / "log.db", now_s=lambda: begin_s + HOUR_S) as store:
        rows = [(round((begin_s + at_s) * 1e6), None, temp_c, None, 0) for at_s, temp_c in seen]
        store.add_reading_rows("tent", "hull", Quantity.SURFACE_TEMP, rows)
        store.flush()
        logged = history_rows(store, "tent", (channel,), begin_s, begin_s + 1170.0)
    mine = live.history()
    assert logged[:, 0].tolist() == mine.time_s.tolist()
    assert logged[:, 1].tolist() == mine.coldest_c.tolist()
    assert logged[:, 1].min() == 7.0


def test_what_no_probe_said_is_not_called_measured(log: Log) -> None:
    """The recording speaks each minute until 23:59, so a value counts for 3 min.

    DESIGN: max_age is "three of the point's usual intervals"; the display "says since when it has
    been blind".
    """
    log.event("coat-started", 23.0, "--section", "hull-port", "--spec", "polyurethane-topcoat")
    log.event("coat-ended", 23.5, "--section", "hull-port")
    basis = {
        minute: str(log.clocks(24.0 + minute / 60.0)["touch dry", "hull-port"]["basis"])
        for minute in (1.0, 15.0)
    }
    assert basis[1.0] == "31 min of measured film temperature"
    assert basis[15.0] == (
        "29 min of measured film temperature, 16 min not measured, taken at the coldest it can "
        "have been, no reading that counts for the last 16 min"
    )


def test_memory_has_a_probes_last_word_before_a_silence_as_the_log_has_it(tmp_path: Path) -> None:
    # The hull speaks last between two of the watch's samples, and is then silent; the air goes on.
    begin_s, last_s, max_age_s = 1_790_380_800.0, 47.0, 60.0
    hull, air = (
        TemperatureChannel(name, quantity, max_age_s)
        for name, quantity in (("hull", Quantity.SURFACE_TEMP), ("air", Quantity.AIR_TEMP))
    )
    live = Temperatures(SURFACE_ACCURACY_K, AIR_ACCURACY_K, None, (hull, air))
    seen = [(at_s, 18.0 + 0.01 * at_s) for at_s in np.arange(0.0, 300.0, 1.0).tolist()]
    with Store.open(tmp_path / "log.db", now_s=lambda: begin_s + HOUR_S) as store:
        for channel, until_s in ((hull, last_s), (air, 300.0)):
            rows = [
                (round((begin_s + at_s) * 1e6), None, temp_c, None, 0)
                for at_s, temp_c in seen
                if at_s <= until_s
            ]
            store.add_reading_rows("tent", channel.point, channel.quantity, rows)
        store.flush()
        logged = history_rows(store, "tent", (hull, air), begin_s, begin_s + 300.0)
    for at_s, temp_c in seen:
        told_s = min(at_s, last_s)
        silent = at_s - told_s > max_age_s
        hull_said = (math.nan, math.nan) if silent else (18.0 + 0.01 * told_s, begin_s + told_s)
        if live.is_due(begin_s + at_s):
            live.take(begin_s + at_s, [hull_said, (temp_c, begin_s + at_s)])
    mine = live.history()
    spoke = np.flatnonzero(np.isfinite(mine.coldest_c))
    logged_spoke = np.flatnonzero(np.isfinite(logged[:, 1]))
    assert mine.time_s[spoke[-1]] == logged[logged_spoke[-1], 0] == begin_s + last_s
    assert mine.coldest_c[spoke[-1]] == logged[logged_spoke[-1], 1] == 18.47


@pytest.mark.parametrize("after_h", [-6.0, 6.0])
def test_a_time_of_day_is_the_nearest_that_a_clock_shows_and_is_said(
    tmp_path: Path, after_h: float
) -> None:
    db, asked_s = str(tmp_path / "log.db"), time.time() + after_h * HOUR_S
    for kind, before_h in (("coat-started", 9.0), ("coat-ended", 8.0)):
        at = iso(time.time() - before_h * HOUR_S)
        assert filmcall("event", kind, "--enclosure", "tent", "--at", at, "--db", db).code == 0
    typed = datetime.fromtimestamp(asked_s).strftime("%H:%M")
    ran = filmcall("clocks", "--at", typed, "--db", db)
    first, second, *_ = ran.out.splitlines()
    assert re.fullmatch(rf"At (... )?{typed} .*:", first)
    assert second.split()[0] != "No"
    listed = json.loads(filmcall("clocks", "--json", "--at", typed, "--db", db).out)
    assert seconds(listed["time"]) == pytest.approx(asked_s, abs=61.0)
