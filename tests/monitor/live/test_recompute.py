"""Whether verify tells honest calls from forged ones: nights with every trouble, then one forged.

The nights are drawn; what must hold of each is the law in DEVELOPERS.md ("What a log proves"): an
honest log is never accused, and a call that does not follow from the readings is named.
"""

from __future__ import annotations

import json
import random
import re
import shutil
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from command import filmcall
from forgeries import on_file, rebuild
from rig import PORT, PRIMER, STBD, TOPCOAT, Rig

from monitor.live.recompute import recompute
from monitor.log.files import Recomputed
from monitor.log.given_up import GivenUp
from monitor.log.log import Store
from rules.call import Call
from rules.outlook.draws import OutlookBreak
from rules.trend import EarlierOutlook
from rules.vocabulary import LimitName, Stage

DEEDS = (
    "coat", "cold", "damp", "mild", "silent", "restart", "kill", "late", "link", "disk", "clock",
    "probes", "wash", "taken back", "strange section", "late readings",
)  # fmt: skip


def deed(rig: Rig, name: str, draw: random.Random) -> None:
    """Let one thing happen that a night can bring."""
    if name == "coat":
        rig.coat(draw.choice((PORT, STBD)), 10.0, spec=draw.choice((None, TOPCOAT)))
    elif name == "cold":
        rig.hull(draw.choice((8.0, 9.5, 11.0)), draw.choice(("", PORT)))
    elif name == "damp":
        rig.air(rh_pct=draw.choice((60.0, 80.0, 90.0)))
    elif name == "mild":
        rig.hull(15.0)
        rig.air(18.0, 55.0)
    elif name in ("silent", "probes"):
        if name == "probes":
            rig.event("probes-out")
        rig.kill("plank-port", *(["air-bow"] if name == "probes" else []))
        rig.run(draw.choice((2.0, 8.0)))
        if name == "probes":
            rig.event("probes-in")
        rig.revive()
    elif name in ("restart", "kill"):
        rig.restart(draw.choice((30.0, 600.0)), kill=name == "kill")
    elif name == "late":
        for kind, ago_s in (("coat-started", 1800.0), ("coat-ended", 1200.0)):
            rig.event(kind, PORT, time_s=rig.wall_s - ago_s, recorded_s=rig.wall_s)
    elif name == "link":
        rig.lose_link()
        rig.run(draw.choice((1.0, 10.0)))
        rig.find_link()
    elif name == "disk":
        rig.fill_disk()
        rig.run(draw.choice((1.0, 6.0)))
        if draw.random() < 0.7:
            rig.free_disk()
        else:
            rig.restart(60.0, kill=True)
    elif name == "clock":
        rig.set_clock(draw.choice((600.0, -300.0, 3600.0)))
    elif name == "wash":
        rig.event("washed", PORT)
    elif name == "taken back":
        begun = rig.event("coat-started", STBD)
        rig.run(3.0)
        if begun is not None:
            rig.event("coat-started", STBD, corrects=begun.row, withdrawn=True)
    elif name == "strange section":
        rig.event("mixed", "locker", batch="B1")
    else:
        rig.live.hear(rig.sensed(), age_s=draw.choice((300.0, 3600.0)))


def looked_at(path: Path) -> Recomputed:
    with Store.open(path, now_s=lambda: 0.0, read_only=True) as store:
        assert [str(each) for each in store.verify()] == []
        return recompute(store)


@pytest.mark.parametrize("seed", [6, 27])
def test_an_honest_night_is_never_accused(tmp_path: Path, seed: int) -> None:
    draw = random.Random(seed)
    rig = Rig(tmp_path, step_s=10.0, seed=seed)
    for _ in range(8):
        deed(rig, draw.choice(DEEDS), draw)
        rig.run(draw.choice((2.0, 12.0)))
    rig.live.end()
    found = looked_at(tmp_path / "log.db")
    assert found.problems == []
    with Store.open(tmp_path / "log.db", now_s=lambda: 0.0, read_only=True) as store:
        assert found.follow + found.left_out.total() == len(list(store.calls()))


@pytest.mark.parametrize("restarted", [False, True])
def test_a_reading_that_ran_out_sooner_by_its_way_here_is_no_forgery(
    restarted: bool, tmp_path: Path
) -> None:
    """The delay of the broker's line is added to its age; the log has only when it came."""
    rig = Rig(tmp_path, step_s=10.0)
    rig.run(20.0)
    rig.machine.monotonic_s += 10.0
    rig.live.hear(rig.sensed())
    script = rig.live.script
    script.arrivals = [replace(each, delay_s=0.3) for each in script.arrivals]
    rig.live.watch.turn(0.0)
    for _ in range(450):  # to 90 s
        rig.machine.monotonic_s += 0.2
        rig.live.watch.turn(0.0)
    assert {call.call for call in rig.live.watch.rooms["tent"].enclosure.explain()} == {Call.HOLD}
    if restarted:
        rig.restart(600.0)
        rig.run(15.0)
    rig.live.end()
    with Store.open(tmp_path / "log.db", now_s=lambda: 0.0, read_only=True) as store:
        assert [row.call for row in store.calls(section=PORT)][1:3] == ["GO", "HOLD"]
    assert looked_at(tmp_path / "log.db").problems == []


QUICK = (
    'induction = { "10 degC" = "4 min", "30 degC" = "2 min" }',
    'pot_life = { "10 degC" = "30 min", "30 degC" = "8 min" }',
)


@pytest.mark.parametrize("seed", [11, 12, 24])
def test_an_honest_night_of_pots_is_not_accused_whoever_looks_at_its_clocks(
    tmp_path: Path, seed: int
) -> None:
    """A screen asks for clocks at times of its own, of which the log knows nothing."""
    text = Path(PRIMER).read_text()
    for line in QUICK:
        text = re.sub(rf"(?m)^{line.split(' ')[0]} = .*$", line, text)
    (tmp_path / "quick.toml").write_text(text)
    draw = random.Random(seed)
    rig = Rig(tmp_path, step_s=draw.choice((5.0, 10.0)), seed=seed)
    for number in range(8):
        if draw.random() < 0.4:
            section = draw.choice((PORT, STBD))
            rig.event("mixed", section, batch=f"P{number}", spec=str(tmp_path / "quick.toml"))
        deed(rig, draw.choice(DEEDS), draw)
        for _ in range(draw.choice((4, 24))):
            rig.run(0.5)
            if draw.random() < 0.5:
                for room in rig.live.watch.rooms.values():
                    room.keeper.all_clocks(room.enclosure)
    rig.live.end()
    assert looked_at(tmp_path / "log.db").problems == []


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An evening: GO, a coat, a cold hull that is STOP, a restart, and what came after."""
    folder = tmp_path_factory.mktemp("evening")
    rig = Rig(folder, step_s=10.0)
    rig.run(15.0)
    rig.coat(PORT, 10.0)
    rig.hull(8.0)
    rig.run(15.0)
    rig.hull(15.0)
    rig.restart(30.0)
    rig.run(25.0)
    rig.live.end()
    return folder / "log.db"


def test_every_call_of_an_evening_follows(kept: Path) -> None:
    found = looked_at(kept)
    with Store.open(kept, now_s=lambda: 0.0, read_only=True) as store:
        words = [each.call for each in store.calls()]
    assert {"GO", "HOLD", "STOP"} == set(words)
    assert (found.follow, found.problems, found.left_out.total()) == (len(words), [], 0)


FORGED = {
    "a STOP made GO": "UPDATE calls SET call = 'GO' WHERE id = "
    "(SELECT min(id) FROM calls WHERE call = 'STOP')",
    "a GO made STOP": "UPDATE calls SET call = 'STOP' WHERE id = "
    "(SELECT min(id) FROM calls WHERE call = 'GO')",
    "every STOP taken out": "DELETE FROM calls WHERE call = 'STOP'",
    "all of a section taken out": "DELETE FROM calls WHERE section = 'hull-port'",
    "a coat begun half an hour earlier": "UPDATE events SET time_us = time_us - 1800000000, "
    "recorded_us = recorded_us - 1800000000 WHERE kind = 'coat-started'",
    "a coat ended ten minutes later": "UPDATE events SET time_us = time_us + 600000000, "
    "recorded_us = recorded_us + 600000000 WHERE kind = 'coat-ended'",
    "a hull made warmer": "UPDATE readings SET raw = raw + 6 WHERE channel IN "
    "(SELECT id FROM channels WHERE point = 'plank-port')",
}


@pytest.mark.parametrize("name", FORGED)
def test_a_log_forged_with_its_chain_rebuilt_is_named(
    kept: Path, tmp_path: Path, name: str
) -> None:
    path = tmp_path / "log.db"
    shutil.copyfile(kept, path)

    def forge(connection: sqlite3.Connection) -> None:
        connection.execute(FORGED[name])
        connection.execute("DELETE FROM chain WHERE kind = 'call' AND row NOT IN "
                           "(SELECT id FROM calls)")  # fmt: skip
        rebuild(connection)

    on_file(path, forge)
    found = looked_at(path)
    assert found.problems
    assert "in the log" in found.problems[0]


def test_verify_says_the_first_call_that_does_not_follow(kept: Path, tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    shutil.copyfile(kept, path)

    def forge(connection: sqlite3.Connection) -> None:
        connection.execute(FORGED["a STOP made GO"])
        rebuild(connection)

    on_file(path, forge)
    said = filmcall("sessions", "verify", "--db", str(path))
    assert said.code == 1
    assert "says GO; STOP follows from the readings, events and spec in the log." in said.out
    assert filmcall("sessions", "verify", "--db", str(path), "--no-calls").code == 0


def test_a_recording_is_played_again(tmp_path: Path) -> None:
    rows = [
        f"2026-10-03T{10 + k // 60:02}:{k % 60:02}:00Z,20.0,{50.0 + 0.5 * (k % 7)},"
        f"{19.0 - (9.0 if 40 <= k < 60 else 0.1 * (k % 3))}\n"
        for k in range(120)
    ]
    rows[20], rows[27] = rows[27], rows[20]  # one row early, seven late
    recording = tmp_path / "plank.csv"
    recording.write_text("time,temp_air_c,rh_air,plank_temp_c\n" + "".join(rows))
    path = tmp_path / "log.db"
    played = filmcall("replay", str(recording), "--db", str(path), "--plain")
    assert played.code == 0, played.err
    found = looked_at(path)
    assert (found.problems, found.left_out.total()) == ([], 0)
    assert found.follow >= 3

    def forge(connection: sqlite3.Connection) -> None:
        connection.execute("UPDATE calls SET call = 'GO' WHERE call = 'STOP'")
        rebuild(connection)

    on_file(path, forge)
    assert "says GO" in looked_at(path).problems[0]


def test_calls_of_an_older_program_are_counted_and_not_accused(kept: Path, tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    shutil.copyfile(kept, path)

    def older(connection: sqlite3.Connection) -> None:
        connection.execute("UPDATE calls SET body = json_remove(body, '$.facts.made_by', "
                           "'$.begun', '$.beside')")  # fmt: skip
        rebuild(connection)

    on_file(path, older)
    found = looked_at(path)
    assert (found.follow, found.problems) == (0, [])
    assert "older filmcall" in " ".join(found.left_out)


@pytest.mark.parametrize(("days", "left_out"), [(0.0, True), (29.0, True), (31.0, False)])
def test_calls_whose_readings_a_copy_gave_up_are_not_accused(
    kept: Path, tmp_path: Path, days: float, left_out: bool
) -> None:
    path = tmp_path / "log.db"
    shutil.copyfile(kept, path)
    with Store.open(path, now_s=lambda: 0.0, read_only=True) as store:
        calls = list(store.calls())
    before_s = (calls[0].time_s + calls[-1].time_s) / 2.0 if not days else calls[0].time_s
    before_s -= days * 86_400.0

    def give_up(connection: sqlite3.Connection) -> None:
        connection.execute("DELETE FROM readings WHERE time_us < ?", (round(before_s * 1e6),))
        connection.execute("DELETE FROM leaves")
        connection.execute(FORGED["a STOP made GO"])

    on_file(path, give_up)
    with Store.open(path, now_s=lambda: 0.0, read_only=True) as store:
        assert recompute(store).problems
        store.file.given_up = GivenUp(before_s, before_s, "owner", {})
        found = recompute(store)
    assert (found.problems == []) == left_out
    assert (found.left_out.total() == len(calls)) == left_out


def test_an_outlook_that_held_go_is_in_the_log_and_its_calls_follow(tmp_path: Path) -> None:
    rig = Rig(tmp_path, step_s=10.0)
    rig.run(15.0)
    section = rig.live.watch.rooms["tent"].enclosure.sections[PORT]
    breaks = OutlookBreak(LimitName.HUMIDITY_MAX, 0.4, 3600.0, 1800.0, 7200.0, 14_400.0)
    section.ahead = EarlierOutlook(rig.wall_s, Stage.PREP, 14_400.0, (breaks,), "the log")
    rig.run(60.0)  # it counts for half an hour
    rig.live.end()
    with Store.open(tmp_path / "log.db", now_s=lambda: 0.0, read_only=True) as store:
        kept = [each for each in store.calls() if each.section == PORT]
        beside = [json.loads(each.body)["beside"] for each in kept]
    assert [each.call for each in kept] == ["HOLD", "GO", "HOLD", "HOLD", "GO"]
    assert beside == [[], [], ["outlook"], [], []]
    found = looked_at(tmp_path / "log.db")
    assert (found.problems, found.left_out.total()) == ([], 0)
