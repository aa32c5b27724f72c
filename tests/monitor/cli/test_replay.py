"""Replay of real recordings, judged again row by row with an independent library.

Recordings: L. M. Candanedo, V. Feldheim, Energy and Buildings 112 (2016) 28-39 (CC BY 4.0); NOAA
SURFRAD network (public domain). Dew points: CoolProp HAPropsSI over water above freezing; below
it, saturation over water and ice after Sonntag, Z. Meteorol. 70(5) (1990) 340-344.
"""

from __future__ import annotations

import csv
import json
import math
import re
from contextlib import nullcontext
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path

import pytest
from command import Ran, filmcall
from CoolProp.HumidAirProp import HAPropsSI

from monitor.screen.theme import Theme
from monitor.snapshot import DeskView, Snapshot

RECORDINGS = Path(__file__).parents[3] / "examples" / "recordings"
ROOM = RECORDINGS / "office-occupancy-2015-02.csv"
SNOW = RECORDINGS / "snow-2016-01-01.csv"
WORKBOAT = RECORDINGS.parent / "workboat"


def objects(ran: Ran) -> list[dict[str, object]]:
    assert ran.code == 0, ran.err
    return [json.loads(line) for line in ran.out.splitlines()]


def seconds(iso: str) -> float:
    return datetime.fromisoformat(iso.replace("Z", "+00:00")).replace(tzinfo=UTC).timestamp()


def _sonntag_pa(temp_c: float, ice: bool) -> float:
    t = temp_c + 273.15
    if ice:
        ln = -6024.5282 / t + 24.7219 + 1.0613868e-2 * t - 1.3198825e-5 * t * t
        ln -= 0.49382577 * math.log(t)
    else:
        ln = -6096.9385 / t + 16.635794 - 2.711193e-2 * t + 1.673952e-5 * t * t
        ln += 2.433502 * math.log(t)
    return 100.0 * math.exp(ln)


def _inverse_c(pressure_pa: float, ice: bool) -> float:
    low, high = -60.0, 60.0
    while high - low > 1e-5:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _sonntag_pa(middle, ice) < pressure_pa else (low, middle)
    return 0.5 * (low + high)


def wetting_c(air_c: float, rh_pct: float) -> float:
    """The higher of dew and frost point by other equations than the program's."""
    if air_c > 5.0:
        dew = float(HAPropsSI("D", "T", air_c + 273.15, "P", 101_325, "R", rh_pct / 100)) - 273.15
        if dew > 0.05:
            return dew
    pressure_pa = rh_pct / 100 * _sonntag_pa(air_c, ice=False)
    dew = _inverse_c(pressure_pa, ice=False)
    return dew if dew >= 0.0 else max(dew, _inverse_c(pressure_pa, ice=True))


def slopes(air_c: float, rh_pct: float) -> tuple[float, float]:
    per_k = (wetting_c(air_c + 0.1, rh_pct) - wetting_c(air_c - 0.1, rh_pct)) / 0.2
    per_pct = (wetting_c(air_c, rh_pct + 0.1) - wetting_c(air_c, rh_pct - 0.1)) / 0.2
    return per_k, per_pct


def margin_state(
    air_c: float, rh_pct: float, surface_c: float, surface_variance: float, air_share: float
) -> tuple[float, str, float]:
    """Margin, its state by 3 K and the guard, and the distance to the nearest boundary."""
    per_k, per_pct = slopes(air_c, rh_pct)
    variance = surface_variance + ((air_share - per_k) * 0.3) ** 2 + (per_pct * 3.0) ** 2
    guard = 1.645 * math.sqrt(variance / 3)
    margin = surface_c - wetting_c(air_c, rh_pct)
    state = "broken" if margin < 3.0 else "near" if margin < 3.0 + guard else "ok"
    return margin, state, min(abs(margin - 3.0), abs(margin - 3.0 - guard))


def reason(told: dict[str, object], name: str) -> dict[str, object]:
    reasons = told["reasons"]
    assert isinstance(reasons, list)
    return next(each for each in reasons if each["limit"] == name)


def test_the_room_never_gives_go_without_a_stated_surface() -> None:
    told = objects(filmcall("replay", str(ROOM), "--jsonl", "--all"))
    assert len(told) >= 8_143, "one for every row, and one where an age ran out"
    assert {each["call"] for each in told} == {"HOLD"}
    assert all(each["dew_margin_k"] is None for each in told)
    assert "no surface temperature" in str(reason(told[0], "dew_margin_min")["text"])


def test_the_room_gives_go_with_a_stated_surface_and_every_row_can_be_reckoned_again() -> None:
    ran = filmcall("replay", str(ROOM), "--jsonl", "--all", "--assumed-surface-offset", "-0.5 K")
    told = {str(each["time"]): each for each in objects(ran)}
    with ROOM.open() as file:
        next(file)
        rows = list(csv.reader(file))
    assert len(rows) == 8_143
    settled_since: float | None = None
    checked = goes = 0
    for row in rows:
        time = row[1].replace(" ", "T") + "Z"
        air_c, rh_pct = float(row[2]), float(row[3])
        found = told[time]
        assert found["air_temp_c"] == pytest.approx(air_c, abs=1e-4)
        margin, state, room = margin_state(air_c, rh_pct, air_c - 0.5, 4.0, 1.0)
        assert found["dew_margin_k"] == pytest.approx(margin, abs=0.03)
        if room > 0.05:
            assert reason(found, "dew_margin_min")["state"] == state
            checked += 1
        guard = 1.645 * math.sqrt((0.3**2 + 2.0**2) / 3)
        settled = (
            state == "ok" and room > 0.4 and rh_pct < 80.0 and 10.0 + guard < air_c - 0.8 < 34.0
        )
        settled_since = (settled_since or seconds(time)) if settled else None
        if settled_since is not None and seconds(time) - settled_since >= 660.0:
            assert found["call"] == "GO"
            goes += 1
        assert "assumed" in str(reason(found, "surface")["text"])
    assert checked > 8_000
    assert goes > 8_000


def test_the_snow_never_gives_go_and_names_frost() -> None:
    told = {
        str(each["time"]): each
        for each in objects(filmcall("replay", str(SNOW), "--jsonl", "--all"))
    }
    with SNOW.open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 1_440
    named = 0
    for row in rows:
        found = told[row["time"]]
        assert found["call"] == "STOP"
        if not all(row[name] for name in ("air_temp_c", "rh_pct", "snow_surface_c")):
            continue
        air_c, rh_pct = float(row["air_temp_c"]), float(row["rh_pct"])
        surface_c = float(row["snow_surface_c"])
        margin, state, room = margin_state(air_c, rh_pct, surface_c, 0.25, 0.0)
        assert found["dew_margin_k"] == pytest.approx(margin, abs=0.03)
        if room > 0.05:
            assert reason(found, "dew_margin_min")["state"] == state
        assert reason(found, "air_temp_min")["state"] == "broken"
        named += "frost" in str(reason(found, "dew_margin_min")["text"])
    assert named > 1_400


def test_plain_lines_say_that_it_is_a_recording_and_of_which_day() -> None:
    ran = filmcall("replay", str(SNOW))
    lines = ran.out.splitlines()
    assert lines[0] == "REPLAY of 2016-01-01: nothing here is now"
    assert all(line.startswith("REPLAY") for line in lines)
    assert "nothing about the air that people breathe" in ran.err


def beginning_of_room(folder: Path, rows: int) -> Path:
    """Write the first rows of the room: what is told of a recording does not rest on its length."""
    file = folder / ROOM.name
    with ROOM.open() as whole:
        file.write_text("".join(islice(whole, 1 + rows)))
    return file


@pytest.mark.parametrize(("valid", "is_told"), [("1 day", True), ("3652 days", False)])
def test_a_calibration_that_has_run_out_is_told(
    tmp_path: Path, valid: str, *, is_told: bool
) -> None:
    db, room = str(tmp_path / "log.db"), tmp_path / "room.csv"
    begins = datetime.now(UTC).replace(microsecond=0) + timedelta(days=3)
    rows = "".join(
        f"{begins + timedelta(minutes=at):%Y-%m-%dT%H:%M:%SZ},20.0,60.{at % 10},19.0\n"
        for at in range(30)
    )
    room.write_text("time,Air (°C),RH (%),Hull (°C)\n" + rows, encoding="utf-8")
    words = ("--point", "air", "--enclosure", "recording", "--salt", "NaCl", "--temp", "20")
    made = filmcall("calibrate", "salt", *words, "--reading", "70", "--valid", valid, "--db", db)
    assert made.code == 0, made.err
    ran = filmcall("replay", str(room), "--plain", "--db", db)
    told = (
        "At the recording's end: calibration of recording/air humidity ran out 2 days ago; it "
        "still corrects, and its accuracy is widened by the whole correction."
    )
    assert (told in ran.err) is is_told


def test_a_replay_is_kept_once_and_can_be_exported(tmp_path: Path) -> None:
    db, room = str(tmp_path / "log.db"), beginning_of_room(tmp_path, 2_000)
    words = ("replay", str(room), "--assumed-surface-offset", "-0.5 K", "--jsonl", "--db", db)
    first = filmcall(*words)
    readings = filmcall("export", "readings", "--db", db)
    calls = filmcall("export", "calls", "--format", "jsonl", "--db", db)
    assert len(readings.out.splitlines()) == 1 + 3 * 2_000
    assert len(calls.out.splitlines()) == len(first.out.splitlines())
    again = filmcall(*words)
    assert again.out == first.out
    assert "nothing was added" in again.err
    assert filmcall("export", "readings", "--db", db).out == readings.out
    assert filmcall("export", "calls", "--format", "jsonl", "--db", db).out == calls.out
    assert filmcall("sessions", "verify", "--db", db).code == 0
    listed = json.loads(filmcall("sessions", "--db", db, "--json").out)
    assert [each["title"] for each in listed] == [ROOM.name]


@pytest.mark.parametrize("form", ["csv", "jsonl"])
def test_an_export_takes_the_place_of_an_older_one_and_of_nothing_else(
    tmp_path: Path, form: str
) -> None:
    log, out, readings = tmp_path / "log.db", tmp_path / "calls", tmp_path / "readings"
    room = beginning_of_room(tmp_path, 300)
    filmcall("replay", str(room), "--assumed-surface-offset", "-0.5 K", "--jsonl", "--db", str(log))
    of_log = ("--format", form, "--db", str(log), "--out")
    assert filmcall("export", "readings", *of_log, str(readings)).code == 0
    assert filmcall("export", "calls", *of_log, str(out)).code == 0
    first = out.read_bytes()
    assert filmcall("export", "calls", *of_log, str(out)).code == 0
    assert out.read_bytes() == first
    for other in (log, room, readings):
        before = other.read_bytes()
        ran = filmcall("export", "calls", *of_log, str(other))
        assert (ran.code, f"{other} is there already" in ran.err) == (2, True)
        assert other.read_bytes() == before
    assert filmcall("sessions", "verify", "--db", str(log)).code == 0


def test_the_workboat_night_gives_every_call_and_the_loose_plug_never_go() -> None:
    folder = RECORDINGS.parent / "workboat"
    ran = filmcall(
        "replay", str(folder / "night.csv"), "--config", str(folder / "polytunnel.toml"),
        "--jsonl", "--all",
    )  # fmt: skip
    told = objects(ran)
    assert {each["call"] for each in told} == {"GO", "HOLD", "STOP"}
    for each in told:
        sections = each["sections"]
        assert isinstance(sections, list)
        assert {part["section"] for part in sections} == {"hull-port", "hull-stbd"}
        order = ["STOP", "HOLD", "GO"]
        assert each["call"] == min((part["call"] for part in sections), key=order.index)
        if "T02:05" <= str(each["time"])[10:] < "T02:20":
            starboard = next(part for part in sections if part["section"] == "hull-stbd")
            assert starboard["call"] != "GO"


def test_of_two_sections_that_stop_the_one_with_a_wet_film_speaks(tmp_path: Path) -> None:
    """A bare side is only not begun; what lies wet on the other is being harmed."""
    night = WORKBOAT / "night.csv"
    log = str(tmp_path / "night.db")
    for kind, at in (("coat-started", "22:30"), ("coat-ended", "23:40")):
        words = ("--section", "hull-stbd", "--spec", "polyurethane-topcoat")
        when = ("--enclosure", "polytunnel", "--at", f"2026-10-13T{at}Z")
        assert filmcall("event", kind, *words, *when, "--db", log).code == 0
    config = str(WORKBOAT / "polytunnel.toml")
    ran = filmcall("replay", str(night), "--config", config, "--db", log, "--jsonl")
    told = [json.loads(line) for line in ran.out.splitlines()]
    both = [
        each
        for each in told
        if each["time"] > "2026-10-13T22:30"
        and {part["call"] for part in each["sections"]} == {"STOP"}
    ]
    assert both
    assert {(each["section"], each["question"]) for each in both} == {
        ("hull-stbd", "is the film safe?")
    }


@pytest.fixture(scope="module")
def beside_own_log(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[str], Ran, list[str]]:
    """Run the demo where a painter has a log: what that said before, the demo, and what after."""

    def own() -> list[str]:
        return [filmcall("sessions").out, filmcall("export", "calls", "--format", "jsonl").out]

    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("FILMCALL_DB", str(tmp_path_factory.mktemp("own") / "own.db"))
        assert filmcall("event", "coat-started", "--enclosure", "polytunnel").code == 0
        return own(), filmcall("demo"), own()


def test_the_demo_shows_every_call_with_reasons(
    beside_own_log: tuple[list[str], Ran, list[str]],
) -> None:
    _, ran, _ = beside_own_log
    assert ran.code == 0
    for call in ("GO", "HOLD", "STOP"):
        assert any(f"Z  {call}" in line and ":" in line for line in ran.out.splitlines())
    assert "coat-started" in ran.out
    assert not re.search(r":\d\d\.\d", ran.out), "nobody reads fractions of a second"


def test_the_demo_leaves_a_painters_own_log_as_it_is(
    beside_own_log: tuple[list[str], Ran, list[str]],
) -> None:
    before, _, after = beside_own_log
    assert [re.sub(r"\d{4}-\S+Z", "", each) for each in after] == [
        re.sub(r"\d{4}-\S+Z", "", each) for each in before
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("air,rh\n1,2\n", "time"),
        ("time,colour\n2026-01-01T00:00:00Z,red\n", "column"),
    ],
)
def test_a_file_that_cannot_be_played_is_one_sentence(tmp_path: Path, text: str, said: str) -> None:
    file = tmp_path / "odd.csv"
    file.write_text(text)
    ran = filmcall("replay", str(file))
    assert ran.code == 2
    assert said in ran.err.lower()
    assert "Traceback" not in ran.err


def test_a_missing_file_and_a_warm_surface_are_refused() -> None:
    assert filmcall("replay", "nowhere.csv").code == 2
    ran = filmcall("replay", str(ROOM), "--assumed-surface-offset", "1 K")
    assert (ran.code, "above 0" in ran.err) == (2, True)
    assert filmcall("replay", str(ROOM), "--speed", "0").code == 2


def test_a_recording_without_a_surface_is_told_what_it_lacks(tmp_path: Path) -> None:
    room = beginning_of_room(tmp_path, 500)
    assert "No surface was measured, so there is no dew margin and no GO" in replayed(room)
    assert "No surface was measured" not in replayed(room, "--assumed-surface-offset", "-0.5 K")
    whole = tmp_path / "whole.csv"
    whole.write_text("time,air,rh,surface\n2026-01-01T00:00:00Z,20,60,18\n")
    assert "No surface was measured" not in replayed(whole)


def replayed(path: Path, *more: str) -> str:
    ran = filmcall("replay", str(path), "--plain", *more)
    assert ran.code == 0
    return ran.err


def test_rows_that_cannot_be_read_are_counted_with_their_line(tmp_path: Path) -> None:
    file = tmp_path / "some.csv"
    rows = ["time,air,rh,surface"]
    rows += [f"2026-01-01T00:{k:02d}:00Z,20,60,18" for k in range(20)]
    rows[7] = "not a time,20,60,18"
    rows[9] = "2026-01-01T00:08:00Z,20,sixty,18"
    file.write_text("\n".join(rows) + "\n")
    ran = filmcall("replay", str(file), "--jsonl")
    assert ran.code == 0
    assert "line 8 skipped" in ran.err
    assert "line 10" in ran.err


def test_a_replay_finds_the_spec_that_the_log_keeps_of_a_coat(tmp_path: Path) -> None:
    """A coat keeps the text of its spec; the log gives it back when the recording is played."""
    db = tmp_path / "job.db"
    night = tmp_path / "evening.csv"  # to 18:30, with the coat of 16:30 in it
    night.write_text("".join((WORKBOAT / "night.csv").read_text().splitlines(True)[:301]))
    config = WORKBOAT / "polytunnel.toml"
    laid = ("event", "coat-started", "--enclosure", "polytunnel", "--at", "2026-10-13T16:30Z")
    assert filmcall(*laid, "--spec", "polyurethane-topcoat", "--db", str(db)).code == 0
    ran = filmcall("replay", str(night), "--config", str(config), "--db", str(db), "--plain")
    assert ran.code == 0, ran.err
    assert "GO " in ran.out
    assert "cannot be found" not in ran.out


def test_a_demo_that_a_skip_sends_on_is_no_longer_paused_and_takes_no_event(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    class Glass:
        """A terminal on which somebody presses one key after each picture."""

        theme = Theme()
        arrows = glance = gone = False
        stopped_by = None

        def __init__(self) -> None:
            self.waiting = [" ", "right", "c", "q"]
            self.pictures: list[tuple[tuple[str, ...], tuple[str, ...]]] = []

        def show(self, snapshot: Snapshot, desk: DeskView) -> None:
            self.pictures.append((snapshot.notices, desk.lines))

        def keys(self, _wait_s: float) -> list[str]:
            return [self.waiting.pop(0)]

        def last_picture(self) -> list[str]:
            return []

    glass = Glass()
    monkeypatch.setenv("FILMCALL_DB", str(tmp_path / "demo.db"))
    monkeypatch.setattr("monitor.cli.replay.is_screen", lambda *_: True)
    monkeypatch.setattr("monitor.cli.replay.LiveScreen", lambda *_, **__: nullcontext(glass))
    assert filmcall("demo").code == 0
    assert [any("paused" in each for each in said) for said, _ in glass.pictures] == [
        *(False, True, False, False),
    ]
    assert glass.pictures[-1][1] == ("a recording is played: no event is recorded",)


# A long file, in order of arrival -----------------------------------------------------------

LONG_BEGIN = datetime(2026, 9, 10, 6, tzinfo=UTC)


def hull_c(minute: int) -> float:
    return 19.0 - 0.15 * max(0, minute - 40) + 0.01 * (minute % 3)


def long_file(folder: Path, off_h: float, *, by_sensor: bool = False) -> Path:
    """Two hours of three sensors, a reading a minute; the plank's clock is off by some hours."""
    rows = []
    for minute in range(121):
        for sensor, what, value, unit in (
            ("air", "air temperature", 20.0 + 0.01 * (minute % 7), "C"),
            ("air", "humidity", 55.0 + 0.1 * (minute % 5), "%"),
            # From 06:40 on it falls towards the dew point of 10.7.
            ("plank", "surface temperature", hull_c(minute), "C"),
        ):
            off = timedelta(minutes=minute, hours=off_h if sensor == "plank" else 0.0)
            stamp = (LONG_BEGIN + off).strftime("%Y-%m-%dT%H:%M:%SZ")
            rows.append(f"{stamp},{sensor},{what},{value:.2f},{unit}")
    if by_sensor:
        rows.sort(key=lambda row: row.split(",")[1])
    file = folder / f"long{off_h:g}{by_sensor}.csv"
    file.write_text("\n".join(["time,sensor,quantity,value,unit", *rows, ""]))
    return file


def played_long(file: Path) -> tuple[list[tuple[str, str]], str]:
    ran = filmcall("replay", str(file), "--jsonl")
    assert ran.code == 0, ran.err
    calls = [json.loads(line) for line in ran.out.splitlines()]
    return [(each["time"], each["call"]) for each in calls], ran.err


def test_a_bodys_wrong_clock_pairs_its_rows_with_the_air_that_stood_beside_them(
    tmp_path: Path,
) -> None:
    """Judge: the same readings with the right clock."""
    right, said = played_long(long_file(tmp_path, 0.0))
    assert [call for _, call in right if call != "HOLD"] == ["GO", "STOP"]
    assert "clocks differ" not in said
    slow, said = played_long(long_file(tmp_path, -1.0))
    assert "the rows of 'plank-surface' stand about 1 h behind the others': clocks differ" in said
    assert [call for _, call in slow] == [call for _, call in right]
    # The plank's row comes after the air's, and not with it: a reading later at most.
    for (slow_at, _), (right_at, _) in zip(slow, right, strict=True):
        assert 0.0 <= seconds(slow_at) - seconds(right_at) <= 60.0


def test_a_file_by_sensors_tells_nothing_of_clocks(tmp_path: Path) -> None:
    mixed, _ = played_long(long_file(tmp_path, 0.0))
    for off_h in (0.0, -1.0):
        apart, said = played_long(long_file(tmp_path, off_h, by_sensor=True))
        assert "clocks differ" not in said
        if off_h == 0.0:
            assert apart == mixed
