"""The job beside the watch: planned in a process of its own, anew after each event."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from command import filmcall
from plan_brute import when
from plan_jobs import FAIR, SOLO, SPECS, Trial, job_text

from monitor.config.load import Config, ConfigFault, config_defaults, load_config
from monitor.job.beside import JobKeeper
from monitor.log.log import Store
from rules.errors import FilmcallError
from rules.events import Event
from rules.vocabulary import EventKind

CONFIG = """
[job]
file = "job.toml"
[forecast]
file = "forecast.csv"
[[enclosure]]
name = "polytunnel"
[[enclosure.point]]
name = "air-bow"
quantity = "air_temp"
unit = "degC"
topic = "shed/bow"
"""
NOW_S = when("2026-10-19T12:00+00:00")


def config_in(folder: Path, job: str = "") -> tuple[Config, Path]:
    Trial(job or job_text(SOLO), SPECS, FAIR).write(folder)
    path = folder / "config.toml"
    path.write_text(CONFIG, "utf-8")
    return load_config(CONFIG, folder), path


def keeper_in(folder: Path, now_s: float = NOW_S) -> JobKeeper:
    config, path = config_in(folder)
    keeper = JobKeeper.of(config, path, folder / "log.db", lambda: now_s)
    assert keeper is not None
    return keeper


def planned(keeper: JobKeeper, events: int) -> None:
    """Look, wait until the plan is there, and look again."""
    keeper.look(events)
    assert keeper._child is not None, "a plan was begun"
    keeper._child.wait(60.0)
    keeper.look(events)


def test_the_next_coat_is_the_plans_and_moves_with_the_log(tmp_path: Path) -> None:
    keeper = keeper_in(tmp_path)
    planned(keeper, 0)
    assert keeper.why == ""
    step = keeper.steps["polytunnel"]
    assert (step.section, step.what) == ("hull-port", "first primer")
    # Mixed from 17:00, so the first start is Monday 17:15; 6.5 m2 x 50 um / 50 % is 650 mL, and
    # there is some loss.
    assert step.best_s == step.from_s == when("2026-10-19T17:15+00:00")
    assert 650.0 < (step.mix_ml or 0.0) < 900.0
    with Store.open(tmp_path / "log.db", now_s=lambda: NOW_S) as store:
        for kind, hour in ((EventKind.COAT_STARTED, "17:15"), (EventKind.COAT_ENDED, "18:15")):
            at_s = when(f"2026-10-19T{hour}+00:00")
            store.add_event(Event(kind, at_s, "polytunnel", section="hull-port"))
    keeper._now_s = lambda: when("2026-10-19T18:20+00:00")
    planned(keeper, 2)
    step = keeper.steps["polytunnel"]
    assert step.what == "second primer"
    # Opens Tuesday 00:15, closes Wednesday 17:15: by the evenings Tuesday 17:15 to Wednesday 17:15.
    assert (step.from_s, step.until_s) == tuple(
        when(f"2026-10-{day}T17:15+00:00") for day in (20, 21)
    )


def test_a_coat_whose_pot_is_mixed_asks_for_no_other(tmp_path: Path) -> None:
    """A pot of 17:00 lives two hours."""
    keeper = keeper_in(tmp_path, when("2026-10-19T17:05+00:00"))
    with Store.open(tmp_path / "log.db", now_s=lambda: NOW_S) as store:
        at_s = when("2026-10-19T17:00+00:00")
        store.add_event(Event(EventKind.MIXED, at_s, "polytunnel", section="hull-port"))
    planned(keeper, 1)
    step = keeper.steps["polytunnel"]
    assert (step.what, step.best_s) == ("first primer", when("2026-10-19T17:15+00:00"))
    assert step.mix_ml is None


def test_it_is_planned_again_after_an_event_or_an_hour_and_not_else(tmp_path: Path) -> None:
    keeper = keeper_in(tmp_path)
    planned(keeper, 5)
    keeper.look(5)
    assert keeper._child is None
    keeper._due_s = 0.0  # the hour is over
    keeper.look(5)
    assert keeper._child is not None
    keeper.stop()
    assert keeper._child is None


def test_why_there_is_no_plan_is_one_sentence(tmp_path: Path) -> None:
    keeper = keeper_in(tmp_path, when("2026-12-19T12:00+00:00"))
    planned(keeper, 0)
    assert keeper.steps == {}
    assert "forecast" in keeper.why
    assert "\n" not in keeper.why


def test_a_process_that_fails_is_said_and_never_raises(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keeper = keeper_in(tmp_path)
    monkeypatch.setattr(sys, "executable", "/bin/false")
    planned(keeper, 0)
    assert "planning failed" in keeper.why
    monkeypatch.setattr(sys, "executable", "/no/such/program")
    keeper.look(1)
    assert "no plan can be made" in keeper.why


def test_a_job_is_checked_before_the_watch_begins(tmp_path: Path) -> None:
    config, path = config_in(tmp_path, job_text(SOLO).replace("people = 1", "peeple = 1"))
    with pytest.raises(FilmcallError, match=r"line \d+, job.peeple"):
        JobKeeper.of(config, path, tmp_path / "log.db", lambda: NOW_S)
    config, path = config_in(tmp_path, job_text(SOLO.replace("polytunnel", "shed")))
    with pytest.raises(FilmcallError, match="'shed', which the config"):
        JobKeeper.of(config, path, tmp_path / "log.db", lambda: NOW_S)


def test_a_config_names_its_faults_with_their_line(tmp_path: Path) -> None:
    with pytest.raises(ConfigFault, match=r"line 3, job.file: .* is no file"):
        load_config(CONFIG, tmp_path)
    with pytest.raises(ConfigFault, match=r"job.file: is missing"):
        load_config(CONFIG.replace('file = "job.toml"', 'weather_year = "creek.epw"'), tmp_path)


def test_its_defaults_are_printed_and_without_it_there_is_none(tmp_path: Path) -> None:
    assert {"job.file", "job.weather_year"} <= config_defaults().keys()
    assert "job.file" in filmcall("doctor", "--defaults").out
    config = load_config(CONFIG.replace('[job]\nfile = "job.toml"\n', ""), tmp_path)
    assert JobKeeper.of(config, tmp_path / "c", tmp_path / "log.db", lambda: NOW_S) is None
