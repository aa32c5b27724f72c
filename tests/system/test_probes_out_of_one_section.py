"""Probes carried out of one section: the others, and the air, are measured and count as before.

DEVELOPERS.md: an event touches the sections that it names, and what a believed probe measures
counts, in call, alarm, gate and review alike. One recording, played and looked back at by public
commands; saturation is Magnus' form with the coefficients of WMO-No. 8 (2018), annex 4.B.
"""

from __future__ import annotations

import json
import math
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import pytest
from command import filmcall
from recorded import BOW, HOUR_S, MINUTE_S, iso, point, seconds_after, tent, write_rows

PORT, STBD = "hull-port", "hull-stbd"
TENT = tent(
    BOW,
    point("plank", "surface_temp", "plank", section=PORT),
    point("plank-2", "surface_temp", "plank2", section=STBD),
)
OUT_H, BACK_H, END_H = 1.8, 7.0, 9.0
DEW_H = (3.5, 5.5)
HULL_C, AIR_C = 19.0, 20.0

Events = tuple[tuple[str, float, str | None], ...]
COATED: Events = (("coat-started", 1.2, STBD), ("coat-ended", 1.7, STBD))
CARRIED: Events = (("probes-out", OUT_H, PORT), ("probes-in", BACK_H, PORT))
ALL: Events = (("probes-out", OUT_H, None), ("probes-in", BACK_H, None))
LAID_ON: Events = (("coat-started", 2.2, PORT), ("coat-ended", 2.5, PORT))


def dew_point_c(rh_pct: float) -> float:
    """Return the dew point of the tent's air [degC], by Magnus' form."""
    log = math.log(rh_pct / 100.0) + 17.62 * AIR_C / (243.12 + AIR_C)
    return 243.12 * log / (17.62 - log)


def rh_pct(at_h: float) -> float:
    return 96.0 if DEW_H[0] <= at_h < DEW_H[1] else 55.0


@cache
def told(
    events: Events, damp: bool = True, carried_c: float = 5.0, end_h: float = END_H
) -> tuple[list[dict[str, Any]], dict[str, Any], str]:
    """Play the day beside these events: every call, the review, and where the log is."""
    folder = Path(mkdtemp(prefix="one-section-"))
    (folder / "tent.toml").write_text(TENT)
    rows = []
    for minute in range(int(end_h * 60)):
        at_h = minute / 60.0
        carried = OUT_H < at_h < BACK_H  # the logger goes on where plank was carried to
        rows.append((MINUTE_S * minute, {
            "t_bow": AIR_C + 0.01 * (minute % 3), "rh_bow": rh_pct(at_h) if damp else 55.0,
            "plank": carried_c if carried else HULL_C + 0.01 * (minute % 5),
            "plank2": HULL_C + 0.01 * (minute % 4),
        }))  # fmt: skip
    db, config = str(folder / "log.db"), ("--config", str(folder / "tent.toml"))
    session = ("session-started", 1.0, None)
    for kind, at_h, section in (session, *events):
        where = () if section is None else ("--section", section)
        at = ("--enclosure", "tent", "--at", iso(at_h * HOUR_S))
        ran = filmcall("event", kind, *at, *where, "--db", db)
        assert ran.code == 0, ran.err
    recording = write_rows(folder / "tent.csv", rows)
    ran = filmcall("replay", str(recording), *config, "--db", db, "--jsonl", "--all")
    assert ran.code in (0, 10, 20), ran.err
    looked = filmcall("review", "--db", db, *config, "--json")
    assert looked.code == 0, looked.err
    calls = [json.loads(line) for line in ran.out.splitlines()]
    return calls, json.loads(looked.out), db


def calls_of(
    events: Events, section: str, from_h: float, to_h: float, **more: Any
) -> list[dict[str, Any]]:
    return [
        each
        for call in told(events, **more)[0]
        for each in call["sections"]
        if each["section"] == section
        and from_h * HOUR_S < seconds_after(each["time"]) < to_h * HOUR_S
    ]


def texts(call: dict[str, Any]) -> str:
    return " ".join(str(each["text"]) for each in call["reasons"])


def test_the_tent_is_damp_enough() -> None:
    assert dew_point_c(96.0) > HULL_C > dew_point_c(55.0) + 6.0


def test_the_other_sections_film_is_judged_by_what_is_measured() -> None:
    events = (*COATED, *CARRIED)
    assert {each["call"] for each in calls_of(events, STBD, DEW_H[0] + 0.05, DEW_H[1])} == {"STOP"}
    for each in calls_of(events, STBD, OUT_H, BACK_H):
        assert "on purpose" not in texts(each)
        assert "missing" not in texts(each)
    courses = []
    for played in (events, COATED):
        answers = calls_of(played, STBD, 0.0, END_H)
        courses.append({e["time"]: (e["call"], e["start"]["call"]) for e in answers})
    common = courses[0].keys() & courses[1].keys()
    assert len(common) >= END_H * 60 - 1
    assert all(courses[0][at] == courses[1][at] for at in common)
    after = calls_of(events, STBD, 8.0, END_H)
    assert after[-1]["start"]["call"] == "HOLD"
    assert "while soft" in json.dumps(after[-1]["start"])


def test_the_review_convicts_as_if_nothing_had_been_carried() -> None:
    reviews = [told(events)[1]["sections"] for events in (COATED, (*COATED, *CARRIED))]
    found = [next(each for each in one if each["section"] == STBD) for one in reviews]
    for each in found:
        del each["calls"]
    assert found[0] == found[1]
    assert found[0]["coats"][0]["outcome"].startswith("Outside its spec: dew margin")


def test_the_carried_sections_surface_is_out_and_its_air_still_counts() -> None:
    events = (*LAID_ON, *CARRIED)
    calm = calls_of(events, PORT, 2.5, DEW_H[0])
    assert {each["call"] for each in calm} == {"HOLD"}
    assert all("on purpose" in each["reasons"][0]["text"] for each in calm)
    assert all("humidity of air-bow" not in texts(each) for each in calm)
    # 5 degC on the table that the plank lies on is no hull's: it neither stops nor convicts.
    damp = calls_of(events, PORT, DEW_H[0] + 0.05, DEW_H[1])
    # By the sheet a laid film waits for humidity, and a coat in it would be a STOP.
    assert {(each["films"]["call"], each["start"]["call"]) for each in damp} == {("HOLD", "STOP")}
    assert all("umidity 96" in texts(each) for each in damp)
    dry = calls_of(events, PORT, OUT_H, BACK_H, damp=False, end_h=BACK_H)
    assert {each["call"] for each in dry} == {"HOLD"}


@pytest.mark.parametrize(
    "events",
    [
        (*COATED, *CARRIED),
        (*COATED, *ALL),
        (*COATED, ("probes-out", OUT_H, None), ("probes-in", 3.0, STBD), ("probes-in", 4.0, None)),
    ],
)
def test_check_now_says_what_the_last_call_said(events: Events) -> None:
    *_, db = told(events)
    ran = filmcall("check", "--now", "--db", db, "--config", str(Path(db).parent / "tent.toml"),
                   "--json")  # fmt: skip
    now = json.loads(ran.out)
    last = calls_of(events, now["section"], 0.0, END_H)[-1]
    assert (now["call"], now["start"]["call"]) == (last["call"], last["start"]["call"])


def test_without_a_section_everything_is_out() -> None:
    for section in (PORT, STBD):
        held = calls_of((*COATED, *ALL), section, OUT_H, BACK_H)
        assert {each["call"] for each in held} == {"HOLD"}
        assert all("on purpose" in each["reasons"][0]["text"] for each in held)


def test_what_was_carried_out_together_can_come_back_one_by_one() -> None:
    one_by_one = (("probes-out", OUT_H, None), ("probes-in", 2.5, PORT))
    held = calls_of((*COATED, *one_by_one), PORT, 2.5, END_H, carried_c=HULL_C)
    assert {each["call"] for each in held} == {"HOLD"}, "the air's are out until all come back"
    both = (("probes-out", OUT_H, PORT), ("probes-out", 2.0, STBD), ("probes-in", 2.5, STBD))
    for section, is_back in ((PORT, False), (STBD, True)):
        held = calls_of((*COATED, *both), section, 2.6, DEW_H[0], end_h=DEW_H[0])
        assert len(held) > 50
        assert all(("on purpose" in texts(each)) is not is_back for each in held)
    all_in = (*COATED, *both, ("probes-in", 3.0, None))
    back = calls_of(all_in, PORT, 3.1, DEW_H[0], end_h=DEW_H[0])
    assert len(back) > 20
    assert not any("on purpose" in texts(each) for each in back)


def test_the_reply_says_what_is_out(tmp_path: Path) -> None:
    *_, db = told(COATED)
    log = tmp_path / "log.db"
    log.write_bytes(Path(db).read_bytes())

    def said(kind: str, at_h: float, *more: str) -> str:
        at = ("--enclosure", "tent", "--at", iso(at_h * HOUR_S))
        ran = filmcall("event", kind, *at, *more, "--db", str(log))
        assert ran.code == 0, ran.err
        return ran.out

    one = said("probes-out", 8.0, "--section", PORT)
    assert "out now: surface temperature of plank" in one
    assert "plank-2" not in one
    assert "air-bow" not in one
    every = said("probes-out", 8.1)
    assert "out now: every probe inside" in every
    left = said("probes-in", 8.2, "--section", PORT)
    assert "air-bow" in left
    assert "plank-2" in left
    assert "out now: no probe" in said("probes-in", 8.3)


def test_the_reply_names_the_section_where_no_config_is_known(tmp_path: Path) -> None:
    words = ("--enclosure", "tent", "--db", str(tmp_path / "log.db"))
    one = filmcall("event", "probes-out", "--section", PORT, *words).out
    assert f"out now: surface of {PORT}" in one
    every = filmcall("event", "probes-out", *words).out.partition("out now: ")[2].splitlines()
    assert every == ["every probe inside"]
    back = filmcall("event", "probes-in", "--section", PORT, *words).out
    assert f"out now: every probe inside but the surface of {PORT}" in back
    assert "out now: no probe" in filmcall("event", "probes-in", *words).out
