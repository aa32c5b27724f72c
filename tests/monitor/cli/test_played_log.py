"""Commands that look at a log which a recording was played into: its events are seen there too."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from command import filmcall

from monitor.log.log import Store
from rules.clocks.history import TemperatureOutlook
from rules.text import duration_text
from sensors.reading import Quality, Quantity, Reading

BEGIN = datetime(2026, 6, 2, tzinfo=UTC)
HOURS = 36
CONFIG = """
[[enclosure]]
name = "shed"
spec = "polyurethane-topcoat"
timezone = "Etc/UTC"
[replay]
time = "time"
"""
POINT = """
[[enclosure.point]]
name = "{name}"
quantity = "{quantity}"
unit = "{unit}"
column = "{column}"
"""


OUT_H, BACK_H, TOLD_H = 21.0, 28.0, 24.0


def at(hour: float) -> str:
    return (BEGIN + timedelta(hours=hour)).strftime("%Y-%m-%dT%H:%M:%SZ")


def played(
    folder: Path, course: Callable[[float], float | None] = lambda _: 0.0, hull: float = 0.5
) -> list[str]:
    """Play 36 h of a shed whose air is warmer by a course of the hour, its hull by a share of that.

    Where the course is None nothing is told. Returned are the words for commands.
    """
    config, recording = folder / "shed.toml", folder / "shed.csv"
    points = (
        ("air", "air_temp", "degC", "t"),
        ("air", "humidity", "%", "rh"),
        ("plank", "surface_temp", "degC", "hull"),
    )
    names = ("name", "quantity", "unit", "column")
    config.write_text(
        CONFIG + "".join(POINT.format(**dict(zip(names, each, strict=True))) for each in points)
    )
    rows = ["time,t,rh,hull"]
    for minute in range(HOURS * 60 + 1):
        off_k = course(minute / 60.0)
        if off_k is not None:
            rows.append(
                f"{at(minute / 60.0)},{20.0 + off_k + 0.01 * (minute % 7):.2f},"
                f"{55.0 + 0.1 * (minute % 5):.1f},{19.0 + hull * off_k + 0.01 * (minute % 3):.2f}"
            )
    recording.write_text("\n".join([*rows, ""]))
    words = ["--config", str(config), "--db", str(folder / "log.db")]
    ran = filmcall("replay", str(recording), *words)
    assert ran.code == 0, ran.err
    return words


def noted(words: list[str], *kinds: tuple[str, float, *tuple[str, ...]]) -> None:
    for kind, hour, *more in kinds:
        ran = filmcall("event", kind, "--at", at(hour), "--enclosure", "shed", *more, *words[2:])
        assert ran.code == 0, ran.err


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """The words for a log whose coat is one hour old at its end."""
    words = played(tmp_path_factory.mktemp("shed"))
    noted(words, ("coat-started", HOURS - 2.0), ("coat-ended", HOURS - 1.0))
    return words


def test_check_now_answers_for_the_film_that_was_recorded_and_says_of_when(
    shed: list[str],
) -> None:
    ran = filmcall("check", "--now", *shed)
    assert "may I start" not in ran.out
    assert ran.out.startswith("By readings that end 2026-06-03 12:00; of now nothing is known")
    told = json.loads(filmcall("check", "--now", *shed, "--json").out)
    assert told["stage"] != "prep"
    assert told["time"] == at(HOURS)


def test_a_go_of_a_recording_that_ended_long_ago_is_none_of_now(tmp_path: Path) -> None:
    words = played(tmp_path)
    ran = filmcall("check", "--now", *words)
    end = "By readings that end 2026-06-03 12:00; of now nothing is known."
    assert ran.out.startswith(f"{end}\nHOLD: Do not start yet")
    assert f"{end} By them it was GO" in ran.out
    assert ran.code == 10
    ran = filmcall("check", "--now", *words, "--json")
    told = json.loads(ran.out)
    assert ran.code == 10
    # The JSON is of its own time, which it names; the exit status is of now.
    assert (told["of_now"], told["time"], told["call"]) == (end, at(HOURS), "GO")


@pytest.mark.parametrize(("old_s", "call"), [(0.0, "GO"), (70.0, "GO"), (200.0, "HOLD")])
def test_a_recording_counts_as_long_as_a_reading_of_its_does(
    old_s: float, call: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows each minute: three of their intervals, as in a watch."""
    words = played(tmp_path)
    end_s = datetime.fromisoformat(at(HOURS)).timestamp()
    monkeypatch.setattr("time.time", lambda: end_s + old_s)
    assert filmcall("check", "--now", *words).out.splitlines()[old_s > 60.0].startswith(call)


@pytest.mark.parametrize("age_s", [7_200.0, 86_400.0])
def test_check_now_holds_where_the_watch_ended_long_ago(tmp_path: Path, age_s: float) -> None:
    log, config = tmp_path / "log.db", tmp_path / "shed.toml"
    points = (("air", "air_temp", "degC", "t"), ("plank", "surface_temp", "degC", "hull"))
    names = ("name", "quantity", "unit", "column")
    config.write_text(
        CONFIG + "".join(POINT.format(**dict(zip(names, each, strict=True))) for each in points)
    )
    last_s = time.time() - age_s
    with Store.open(log, now_s=time.time) as store:
        last = Reading("shed", "air", Quantity.AIR_TEMP, last_s, 20.0, Quality.OK, last_s)
        store.add_readings([last], [20.0])
    ran = filmcall("check", "--now", "--config", str(config), "--db", str(log))
    assert (ran.code, ran.out[:5]) == (10, "HOLD:")


def test_an_outlook_knows_the_film_that_gives_off_vapour(shed: list[str]) -> None:
    """Of safety: nothing that switches equipment inside is suggested then."""
    told = json.loads(filmcall("outlook", *shed, "--json").out)
    assert told["stage"] != "prep"
    assert told["gives_off_vapour"] is True


def test_a_coat_between_the_likely_and_the_sure_opening_is_neither_early_nor_in_time(
    tmp_path: Path,
) -> None:
    """The clock goes by the sure one and warns; who looks back says no more than is known."""
    words = played(tmp_path)
    noted(words, ("coat-started", 1.0), ("coat-ended", 2.0))
    told = json.loads(filmcall("clocks", "--json", "--at", at(6.0), *words[2:]).out)
    (sure,) = [each["ends_at"] for each in told["clocks"] if each["name"] == "recoat opens"]
    hour = (datetime.fromisoformat(sure.replace("Z", "+00:00")) - BEGIN).total_seconds() / 3600.0
    noted(words, ("coat-started", hour - 0.1), ("coat-ended", hour + 0.5))
    said = " ".join(filmcall("review", *words).out.split())
    assert "Inside its spec; recoat too near for the sensors to tell." in said
    assert f", {sure[:16].replace('T', ' ')} to be sure): too near for these sensors" in said


SPEC = ("--spec", "polyurethane-topcoat")


def test_a_pot_that_was_waste_long_before_is_not_said_to_have_been_used(tmp_path: Path) -> None:
    """Its life is 3.5 h at 20 degC (generic), and nobody named it as the coat's."""
    words = played(tmp_path)
    noted(words, ("mixed", 1.0, *SPEC), ("coat-started", 30.0), ("coat-ended", 31.0))
    assert "pot used" not in filmcall("review", *words).out


def test_a_coat_that_goes_on_was_begun_from_its_pot(tmp_path: Path) -> None:
    words = played(tmp_path)
    batch = ("--batch", "A")
    noted(words, ("mixed", 20.0, *SPEC, *batch), ("coat-started", 26.0, *batch))
    said = filmcall("review", *words).out
    assert "Outside its spec: pot used" in said


def test_tape_pulled_off_a_film_that_still_flows_is_said_to_have_been(tmp_path: Path) -> None:
    """The time of the sheet begins later; wet tape comes off clean: common practice, no source."""
    words = played(tmp_path)
    noted(words, ("tape-on", 1.0), ("coat-started", 2.0), ("coat-ended", 3.0), ("tape-off", 4.5))
    assert "in time, while the film still flowed" in filmcall("review", *words).out


def in_a_house(hour: float) -> float:
    """Warmer by up to 4 K, and so slowly that no jump is seen."""
    return 4.0 * min(max(min(hour - OUT_H, BACK_H - hour), 0.0) / 2.0, 1.0)


def test_what_probes_say_in_a_house_is_nothing_of_the_film(tmp_path: Path) -> None:
    """A logger that goes on where the probes were carried to tells as much as one switched off."""
    courses: dict[str, Callable[[float], float | None]] = {
        "house": in_a_house,
        "off": lambda hour: None if OUT_H < hour < BACK_H else 0.0,
    }
    told = []
    for name, course in courses.items():
        (tmp_path / name).mkdir()
        words = played(tmp_path / name, course)
        noted(
            words,
            *(("coat-started", 19.0), ("coat-ended", 20.0)),
            *(("probes-out", OUT_H), ("probes-in", BACK_H)),
        )
        clocks = filmcall("clocks", "--json", "--at", at(TOLD_H), *words[2:])
        review = json.loads(filmcall("review", "--json", *words).out)
        ran = filmcall("outlook", "--json", *words)
        assert ran.code == 0, ran.err + ran.out
        outlook = json.loads(ran.out)
        (section,) = review["sections"]
        del section["calls"]  # of the replay, before anything was recorded
        told.append((json.loads(clocks.out)["clocks"], section, outlook["air_temp_c"]))
        basis = {each["name"]: each["basis"] for each in told[-1][0]}["touch dry"]
        assert basis.startswith("1 h of measured film temperature, 3 h not measured")
        assert "not known" in filmcall("review", *words).out
    house, off = told
    assert house[:2] == off[:2]
    assert np.array(house[2]) == pytest.approx(np.array(off[2]), abs=0.01)


def test_a_house_that_is_damp_gives_no_stop(tmp_path: Path) -> None:
    words = played(tmp_path, lambda hour: in_a_house(hour) / 4.0 * 18.0)
    noted(words, ("coat-started", 19.0), ("coat-ended", 20.0), ("probes-out", OUT_H))
    ran = filmcall("replay", str(tmp_path / "shed.csv"), *words, "--jsonl")
    calls = [json.loads(line) for line in ran.out.splitlines()]
    after = [each for each in calls if each["time"] > at(OUT_H)]
    assert {each["call"] for each in after} <= {"HOLD"}
    assert calls[-1]["reasons"][0]["limit"] == "probes"
    now = json.loads(filmcall("check", "--now", *words, "--json").out)
    assert (now["call"], now["reasons"][0]["limit"]) == ("HOLD", "probes")


def test_a_step_into_a_warm_house_is_held_against_no_probe(tmp_path: Path) -> None:
    """Who carries a probe moves it as no hull can move; back in place it begins anew."""
    courses: dict[str, Callable[[float], float | None]] = {
        "house": lambda hour: 9.0 if OUT_H < hour < BACK_H else 0.0,
        "off": lambda hour: None if OUT_H < hour < BACK_H else 0.0,
    }
    told = []
    for name, course in courses.items():
        (tmp_path / name).mkdir()
        words = played(tmp_path / name, course)
        noted(words, ("probes-out", OUT_H), ("probes-in", BACK_H))
        ran = filmcall("replay", str(tmp_path / name / "shed.csv"), *words, "--jsonl")
        calls = [json.loads(line) for line in ran.out.splitlines()]
        told.append([(each["time"], each["call"]) for each in calls if each["time"] >= at(BACK_H)])
    house, off = told
    assert house == off
    assert "GO" in {call for _, call in house}


def test_check_now_takes_a_persons_word_for_a_probe(tmp_path: Path) -> None:
    """A hull that jumped is doubted until somebody says that it is right."""
    words = played(tmp_path, lambda hour: 5.0 if hour > HOURS - 1.0 else 0.0, 1.0)
    assert "jumped" in filmcall("check", "--now", *words).out
    noted(words, ("vouched", HOURS - 0.5, "--point", "plank"))
    assert "jumped" not in filmcall("check", "--now", *words).out


def test_a_coat_that_names_a_pot_of_another_spec_is_judged_by_the_pots_own_times(
    tmp_path: Path,
) -> None:
    """The primer has to stand for half an hour at 20 degC (generic), the topcoat has not."""
    words = played(tmp_path)
    primer = ("--spec", "two-pack-epoxy-primer", "--batch", "A")
    noted(
        words,
        *(("mixed", 10.0, *primer), ("coat-started", 10.1, "--batch", "A", *SPEC)),
        ("coat-ended", 11.0),
    )
    said = filmcall("review", *words).out
    assert re.search(r"Outside its spec: mix used \d+ min too early", said)


def test_a_corrected_coat_is_warned_of_as_if_it_were_typed_at_first(tmp_path: Path) -> None:
    words = played(tmp_path)
    noted(words, ("coat-started", 1.0, *SPEC), ("coat-ended", 1.2), ("coat-started", 3.0, *SPEC))
    for row, hour in (("3", 3.5), ("4", 2.5)):
        when = ("--enclosure", "shed", "--corrects", row, "--at", at(hour))
        said = filmcall("event", "coat-started", *when, *SPEC, *words[2:]).out
        assert "this coat goes over a wet film: coat 1's recoat window opens in" in said
        assert "has not been ended" not in said


def test_a_coat_over_a_wet_film_is_told_the_opening_that_clocks_tells(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the outlook is colder than now, the window opens later, and both say when."""
    words = played(tmp_path)
    noted(words, ("coat-started", 28.0, *SPEC), ("coat-ended", 29.0))
    hours_s = BEGIN.timestamp() + 3600.0 * np.arange(33.0, 100.0)
    cold = np.full(hours_s.size, 12.0)
    ahead = TemperatureOutlook(hours_s, cold, cold, cold)
    monkeypatch.setattr("monitor.outlook.clocks.surface_ahead", lambda *_, **__: ahead)
    told = json.loads(filmcall("clocks", "--at", at(33.0), "--json", *words[2:]).out)["clocks"]
    (opens,) = [each for each in told if each["name"] == "recoat opens"]
    assert opens["left_outlook_s"] > opens["left_s"] + 3600.0
    coat = ("coat-started", "--enclosure", "shed", "--at", at(33.0), *SPEC)
    said = filmcall("event", *coat, *words[2:]).out
    when = datetime.fromisoformat(opens["ends_at"]).strftime("%H:%M")
    assert f"opens in {duration_text(opens['left_outlook_s'])}, about" in said
    assert f" {when}; it may wrinkle or trap solvent" in said


def test_check_now_of_several_enclosures_asks_which(shed: list[str], tmp_path: Path) -> None:
    config = tmp_path / "two.toml"
    text = Path(shed[1]).read_text()
    booth = text.replace('"shed"', '"booth"').replace('[replay]\ntime = "time"\n', "")
    config.write_text(text + booth)
    ran = filmcall("check", "--now", "--config", str(config), *shed[2:])
    assert ran.code == 2
    assert "the config has 2 enclosures, and none was named" in ran.err
    assert "give one with --enclosure: shed, booth" in ran.err
    ran = filmcall("check", "--now", "--config", str(config), "--enclosure", "boat", *shed[2:])
    assert "enclosure 'boat' is not one of the config's" in ran.err
