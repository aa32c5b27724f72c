"""A wet film is judged by the spec that it was laid with, whatever config and files say later.

The real program on a real broker. Air of 20 degC at 50 % has a dew point of 9.3 degC (ASHRAE
Fundamentals, psychrometric chart), so a hull at 11.3 stands 2 K over it: STOP by a spec that asks
3 K, and no STOP by one that asks 0.2. Both specs are made up for the test.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from command import Ran, filmcall
from recorded import spec_text
from watched import Bench, wait_for

from tests.system.broker import mosquitto
from tests.system.conftest import need

QUICK = '[call]\ndwell = "1 s"\nre_entry = "2 s"\n'
DRY_C, DAMP_C = 19.0, 11.3
ENDLESS = '{ "20 degC" = "9999 years" }'


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    need("mosquitto", mosquitto() is not None)
    (tmp_path / "strict.toml").write_text(spec_text("strict", more=QUICK))
    (tmp_path / "laxer.toml").write_text(spec_text("laxer", margin="0.2 K", more=QUICK))
    made = Bench(tmp_path)
    try:
        made.feeds()
        yield made
    finally:
        made.close()


def event(bench: Bench, kind: str, *words: str) -> Ran:
    return filmcall(
        "event", kind, "--enclosure", "tent", "--section", "hull", *words, "--db", str(bench.db)
    )


def coat(bench: Bench, *words: str) -> None:
    """Have the program say GO, and lay a coat."""
    assert wait_for(lambda: bench.lamp.word() == "GO")
    for kind, said in (("coat-started", words), ("coat-ended", ())):
        ran = event(bench, kind, *said)
        assert ran.code == 0, ran.err
    assert wait_for(lambda: "film" in str(bench.lamp.last().get("question")))


def hull_said(bench: Bench, since_s: float) -> list[str]:
    """Return what was told of the hull since then, repeated words once."""
    told: list[str] = []
    for call in bench.lamp.calls(since_s):
        for section in call.json()["sections"]:
            if section["section"] == "hull" and told[-1:] != [section["call"]]:
                told.append(section["call"])
    return told


def restart(bench: Bench, spec: str) -> float:
    """Kill the program and start it with that spec; return when."""
    assert bench.program is not None
    bench.program.end()
    since_s = time.monotonic()
    bench.watch(spec)
    return since_s


def judged_strictly(bench: Bench, since_s: float) -> None:
    """The hull's film gets STOP once the hull is damp, and is never let go."""
    assert wait_for(lambda: bench.lamp.calls(since_s))
    bench.hull_c = DAMP_C
    assert wait_for(lambda: "STOP" in hull_said(bench, since_s)), bench.program.said
    assert hull_said(bench, since_s)[-1] == "STOP"


def test_a_film_keeps_the_spec_that_still_stands_in_the_config(bench: Bench) -> None:
    bench.watch("strict.toml")
    coat(bench)
    judged_strictly(bench, restart(bench, "strict.toml"))


def test_a_film_that_named_no_spec_keeps_the_one_it_was_laid_with(bench: Bench) -> None:
    bench.watch("strict.toml")
    coat(bench)
    judged_strictly(bench, restart(bench, "laxer.toml"))


def test_a_film_that_named_its_spec_keeps_it_when_the_file_is_edited(bench: Bench) -> None:
    mine = bench.folder / "mine.toml"
    mine.write_text(spec_text("mine", more=QUICK))
    bench.watch("strict.toml")
    coat(bench, "--spec", str(mine))
    mine.write_text(spec_text("mine", margin="0.2 K", more=QUICK))
    since_s = restart(bench, "laxer.toml")
    judged_strictly(bench, since_s)


def test_a_program_that_starts_with_another_spec_says_so_and_what_to_do(bench: Bench) -> None:
    bench.watch("strict.toml")
    coat(bench)
    restart(bench, "laxer.toml")
    program = bench.program
    assert program is not None
    assert wait_for(lambda: "respec" in program.said)
    (line,) = {line for line in program.lines if "respec" in line}
    assert "strict" in line
    assert "laxer" in line


def test_respec_is_the_one_way_to_change_a_films_spec_and_is_in_the_report(bench: Bench) -> None:
    bench.watch("strict.toml")
    assert event(bench, "session-started").code == 0  # a review is of a session
    coat(bench)
    bench.hull_c = DAMP_C
    assert wait_for(lambda: bench.lamp.word() == "STOP")
    ran = event(bench, "respec", "--spec", str(bench.folder / "laxer.toml"))
    assert ran.code == 0, ran.err
    since_s = time.monotonic()
    # By 0.2 K, 1.2 K to be sure, 2 K are inside by the re-entry band, which has 2 s to run.
    assert wait_for(lambda: hull_said(bench, since_s)[-1:] in (["HOLD"], ["GO"]))
    assert bench.program is not None
    bench.program.end()
    for words in ((), ("--defect", "moisture blush")):
        said = filmcall("review", *words, "--db", str(bench.db)).out
        told = [line for line in said.splitlines() if "laxer" in line]
        assert any("strict" in line for line in told), said


def test_respec_without_a_film_or_a_spec_changes_nothing(bench: Bench) -> None:
    bench.watch("strict.toml")
    assert wait_for(lambda: bench.lamp.word() == "GO")
    ran = event(bench, "respec")
    assert ran.code == 2
    assert ran.err.count("\n") == 1
    assert "Traceback" not in ran.err


@pytest.mark.parametrize("told", ['"9999 years"', ENDLESS])
def test_spec_check_refuses_a_window_of_9999_years_and_names_the_word(
    tmp_path: Path, told: str
) -> None:
    file = tmp_path / "trial.toml"
    file.write_text(spec_text(recoat_closes=told))
    ran = filmcall("spec", "check", str(file))
    assert ran.code == 2
    fault = next(line for line in (ran.out + ran.err).splitlines() if "recoat_closes" in line)
    assert "9999 years" in fault
    assert "unlimited" in fault


def test_an_unlimited_window_has_no_end_and_stops_nothing(tmp_path: Path, bench: Bench) -> None:
    (tmp_path / "open.toml").write_text(spec_text("open", recoat_closes='"unlimited"', more=QUICK))
    assert filmcall("spec", "check", str(tmp_path / "open.toml")).code == 0
    shown = filmcall("spec", "show", str(tmp_path / "open.toml"))
    assert "unlimited" in shown.out
    bench.watch("open.toml")
    coat(bench)
    years = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(time.time() + 3 * 365 * 86_400))
    for words in ((), ("--at", years)):
        ran = filmcall("clocks", "--json", *words, "--db", str(bench.db))
        assert ran.code == 0, ran.err
        for clock in json.loads(ran.out)["clocks"]:
            if clock["name"] == "recoat closes":
                assert clock["state"] != "ended"
                assert clock["ends_at"] is None


def test_a_spec_of_9999_years_never_ends_a_running_watch(bench: Bench) -> None:
    (bench.folder / "endless.toml").write_text(
        spec_text("endless", recoat_closes=ENDLESS, more=QUICK)
    )
    program = bench.watch("strict.toml")
    assert wait_for(lambda: bench.lamp.word() == "GO")
    # Refused or recorded: the program goes on, and so does the next one on this log.
    ran = event(bench, "coat-started", "--spec", str(bench.folder / "endless.toml"))
    assert "Traceback" not in ran.err
    goes_on(bench)
    bench.program = program
    restart(bench, "strict.toml")
    goes_on(bench)


def test_no_time_that_can_be_typed_ends_a_running_watch(bench: Bench) -> None:
    bench.watch("strict.toml")
    assert wait_for(lambda: bench.lamp.word() == "GO")
    for at in ("9999-12-31T23:59:59Z", "0001-01-01T00:00:00Z"):
        for kind in ("coat-started", "coat-ended", "mixed"):
            ran = event(bench, kind, "--at", at)
            assert ran.code in (0, 2)
            assert "Traceback" not in ran.err
        for words in (("clocks",), ("clocks", "--json"), ("clocks", "--at", at)):
            assert "Traceback" not in filmcall(*words, "--db", str(bench.db)).err
    goes_on(bench)


def goes_on(bench: Bench) -> None:
    """The program runs, and tells of what its sensors say."""
    assert bench.program is not None
    time.sleep(1.5)
    assert bench.program.alive(), bench.program.said[-400:]
    since_s = time.monotonic()
    bench.hull_c = 8.0 if bench.hull_c > 9.0 else DRY_C
    assert wait_for(lambda: bench.lamp.calls(since_s)), bench.program.said[-400:]
    assert "Traceback" not in bench.program.said
