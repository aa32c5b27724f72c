"""A plan goes by the columns of a sheet: its times by method and by hardener.

The sheet is invented, the same from 0 to 40 °C, so that every time is reckoned on paper.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from command import Ran, filmcall
from plan_jobs import FAIR, PRIMER, SOLO, Trial, job_text, spec_text


def when(condition: str, times: dict[str, str], more: str = "") -> str:
    rows = "".join(
        f'{key} = {{ "0 degC" = "{time}", "40 degC" = "{time}" }}\n' for key, time in times.items()
    )
    return f"[[when]]\n{condition}\n{more}[when.times]\n{rows}"


SLOW = when('hardener = "slow"', {"recoat_opens": "26 h", "pot_life": "4 h"})
FAST = when('hardener = "fast"', {"recoat_closes": "20 h", "pot_life": "45 min"})
GUN = when('method = "gun"', {"pot_life": "45 min"})
BRUSH = when('method = "brush"', {"recoat_opens": "26 h"})
THINNED = """
[[mix.thinner]]
method = "gun"
from = "0 degC"
to = "40 degC"
min = "10 %"
max = "10 %"
[[mix.thinner]]
method = "brush"
from = "0 degC"
to = "40 degC"
min = "0 %"
max = "0 %"
"""


def trial(columns: str, keys: str) -> Trial:
    text = SOLO.replace('takes = "1 h"', f'takes = "1 h"{keys}')
    return Trial(job_text(text), {PRIMER: spec_text("quick-primer") + columns}, FAIR)


def ask(folder: Path, made: Trial, *words: str) -> Ran:
    job, forecast = made.write(folder)
    db = () if "--db" in words else ("--db", str(folder / "none.db"))
    kind, *more = words
    solve = ("--solve", "0") if kind == "plan" else ()
    return filmcall(kind, "--job", str(job), "--forecast", str(forecast), *solve, *more, *db)


def coats(ran: Ran) -> list[str]:
    assert ran.code == 0, ran.err
    steps: list[dict[str, Any]] = json.loads(ran.out)["steps"]
    return [step["start"] for step in steps if step["step"] == "coat"]


MON, TUE, WED = (f"2026-10-{day}T17:15:00Z" for day in (19, 20, 21))


@pytest.mark.parametrize(
    ("columns", "keys", "second"),
    [
        # The first ends on Monday at 18:15: the standard one opens after 6 h, the slow one after
        # 26 h on Tuesday at 20:15, too late for an hour's work before 21:00.
        (SLOW, ', hardener = "standard"', TUE),
        (SLOW, ', hardener = "slow"', WED),
        (SLOW, "", WED),
        (BRUSH, ', method = "roller"', TUE),
        (BRUSH, ', method = "brush"', WED),
        (BRUSH, "", WED),
    ],
)
def test_the_next_coat_waits_as_long_as_its_column_says(
    columns: str, keys: str, second: str, tmp_path: Path
) -> None:
    assert coats(ask(tmp_path, trial(columns, keys), "plan", "--json")) == [MON, second]


@pytest.mark.parametrize(
    ("columns", "keys", "fits"),
    [
        (FAST, ', hardener = "standard"', True),
        (FAST, ', hardener = "fast"', False),
        (FAST, "", False),
        (GUN, ', method = "brush"', True),
        (GUN, ', method = "gun"', False),
        (GUN, "", False),
    ],
)
def test_a_pot_lives_as_long_as_its_column_says(
    columns: str, keys: str, fits: bool, tmp_path: Path
) -> None:
    ran = ask(tmp_path, trial(columns, keys), "plan", "--json")
    assert ran.code == (0 if fits else 2), ran.err
    if not fits:
        assert "a pot of it can be used for 45 min at most" in ran.err
    # What the job leaves open stands in the refusal too: it is what may help.
    assert ("not given" in ran.err) == (not fits and not keys)


@pytest.mark.parametrize("command", ["plan", "today"])
def test_what_the_job_leaves_open_is_said_with_the_words_to_write(
    command: str, tmp_path: Path
) -> None:
    at = ("--at", "2026-10-19T12:00Z") if command == "today" else ()
    asked = ('hardener = "standard" or "slow"', 'method = "roller", "brush" or "gun"')
    told = ', method = "roller", hardener = "slow"'
    for columns, keys, said in ((SLOW + BRUSH, "", asked), (SLOW + BRUSH, told, ()), ("", "", ())):
        ran = ask(tmp_path, trial(columns, keys), command, *at)
        assert ran.code == 0, ran.err
        assert ("safe side" in ran.out) == bool(said)
        assert all(each in ran.out for each in said), ran.out
    found = json.loads(ask(tmp_path, trial(SLOW, ""), "plan", "--json").out)["not_given"]
    assert len(found) == 1
    assert found[0].startswith("quick-primer: hardener not given")


def test_cups_are_thinned_for_the_method(tmp_path: Path) -> None:
    for keys, thinned in ((', method = "gun"', True), (', method = "brush"', False), ("", False)):
        out = ask(tmp_path, trial(THINNED, keys), "today", "--at", "2026-10-19T16:00Z").out
        assert "cups)" in out
        assert ("thinner" in out.split("Tonight:")[0]) == thinned
        assert ("thinned for a roller: the job gives this coat no method" in out) == (not keys)


def test_a_hardener_that_the_sheet_has_not_is_refused_with_those_it_has(tmp_path: Path) -> None:
    ran = ask(tmp_path, trial(SLOW, ', hardener = "winter"'), "plan")
    assert ran.code == 2
    assert "'winter' is not in spec 'quick-primer', which has slow" in ran.err


def test_the_mixed_pot_says_which_hardener_the_next_coat_has(tmp_path: Path) -> None:
    """As the log's clocks do: what was recorded goes before what the job has."""
    made = trial(SLOW, ', hardener = "standard"')
    made.write(tmp_path)
    db = ("--db", str(tmp_path / "log.db"))
    ran = filmcall(
        *("event", "mixed", "--enclosure", "polytunnel", "--section", "hull-port"),
        *("--spec", str(tmp_path / PRIMER), "--hardener", "slow", "--at", "2026-10-19T17:15Z", *db),
    )
    assert ran.code == 0, ran.err
    assert coats(ask(tmp_path, made, "plan", "--json", *db)) == [MON, WED]
    told = ask(tmp_path, made, "today", "--at", "2026-10-19T17:15Z", *db).out
    assert "a pot with the slow hardener is mixed for hull-port, the job has standard" in told


def test_a_film_laid_with_another_hardener_than_the_jobs_is_named(tmp_path: Path) -> None:
    made = trial(SLOW, ', hardener = "slow"')
    made.write(tmp_path)
    db = ("--db", str(tmp_path / "log.db"))
    for kind, at in (("coat-started", "17:15"), ("coat-ended", "18:15")):
        named = ("--spec", str(tmp_path / PRIMER)) if kind == "coat-started" else ()
        ran = filmcall(
            *("event", kind, "--enclosure", "polytunnel", "--section", "hull-port"),
            *("--at", f"2026-10-19T{at}Z", *named, *db),
        )
        assert ran.code == 0, ran.err
    assert coats(ask(tmp_path, made, "plan", "--json", *db)) == [TUE]
    told = ask(tmp_path, made, "today", "--at", "2026-10-19T19:00Z", *db).out
    assert "coat 1 of hull-port was laid with the standard hardener, the job has slow" in told
