"""How logger files are read: a part of the tuning set, tried whole, and the score's own tests.

`python -m benchmarks.layouts` tries every layout, the held ones too. The truth of each file comes
with it (`tests/support/logger_files.py`); the dew point by which a GO is judged is the Magnus form
of Alduchov and Eskridge (1996), not the program's own.
"""

from __future__ import annotations

import contextlib
import io
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tests.support import layout_score, strangers
from tests.support.command import Ran, filmcall
from tests.support.layout_score import (
    ASKED,
    CRASHED,
    MORE,
    MUTE,
    ONE,
    PART,
    REFUSED,
    RIGHT,
    WRONG,
    Exported,
    Played,
    Question,
    Try,
    Verdict,
    is_right,
    prompt,
    questions,
    tally,
    try_replay,
    try_setup,
    verdict,
)
from tests.support.logger_files import Layout, dew_point_c
from tests.support.logger_layouts import TUNING
from tests.support.logger_layouts_held import HELD
from tests.support.strangers import Stranger, by_setup
from tests.system.conftest import MakeBroker

NAMED = {layout.name: layout for layout in (*TUNING, *HELD)}
QUICK = tuple(
    NAMED[name]
    for name in (
        "tuning_01_plain", "tuning_02_german", "tuning_04_norwegian", "tuning_15_header_zone",
        "tuning_18_units_row", "tuning_19_mute_cold", "tuning_23_ambiguous_order",
        "tuning_27_board_temp", "tuning_28_fraction", "tuning_31_ext_temp",
        "tuning_35_bare_names", "tuning_37_long_units", "tuning_39_gzip", "tuning_43_compact",
        "tuning_47_many_dates", "tuning_52_quoted_notes",
    )
)  # fmt: skip


def wrong(found: Sequence[Verdict]) -> list[str]:
    return [f"{one.layout}: {one.why}" for one in found if one.category in (WRONG, CRASHED)]


def test_a_bare_recording_is_never_wrong_in_silence() -> None:
    assert not wrong(tally(QUICK, try_replay))


def test_setup_is_never_wrong_in_silence_and_mostly_right() -> None:
    found = tally(QUICK, try_setup)
    assert not wrong(found)
    pairs = list(zip(QUICK, found, strict=True))
    amiss = [f"{each.layout}: {each.category}: {each.why}" for _, each in pairs]
    right = sum(is_right(layout, each, 1) for layout, each in pairs)
    assert right >= 0.95 * len(pairs), "\n".join(amiss)


def test_the_layouts_are_many_and_each_is_its_own() -> None:
    assert len(TUNING) >= 50
    assert len(HELD) >= 40
    assert len(NAMED) == len(TUNING) + len(HELD)
    assert all(layout.name.startswith("tuning_") for layout in TUNING)
    assert all(layout.name.startswith("held_") for layout in HELD)
    contents = {content for layout in NAMED.values() for _, content in layout.files}
    assert len(contents) == sum(len(layout.files) for layout in NAMED.values())


def test_the_dew_point_that_judges_is_a_handbooks() -> None:
    """20 degC at 50 % has a dew point of 9.3 degC (ASHRAE Fundamentals, from memory)."""
    assert dew_point_c(20.0, 50.0) == pytest.approx(9.3, abs=0.05)


# The score's own tests: a program that reads rightly is called right, each fault its name.

PLAIN = NAMED["tuning_01_plain"]
DAMP = NAMED["tuning_36_dew_first"]
MUTE_UNITS = NAMED["tuning_19_mute_cold"]


def channels(layout: Layout) -> list[Exported]:
    """Return what a reader without fault would put into the log."""
    return [
        Exported(f"{series.body}-{number}", series.quantity, dict(series.values))
        for number, series in enumerate(layout.series)
    ]


def judged(
    layout: Layout,
    found: Sequence[Exported],
    *,
    printed: str = "",
    go_at: Sequence[datetime] = (),
    answered: bool = False,
    asked: Sequence[Question] = (),
) -> Verdict:
    told = (*questions(printed), *asked)
    played = Played(Ran(0, "", printed), tuple(found), tuple(go_at))
    return verdict(layout, Try(printed, played, told, answered), 0.0)


def with_values(one: Exported, change: float = 0.0, hours: float = 0.0) -> Exported:
    shift = timedelta(hours=hours)
    return replace(one, values={at + shift: value + change for at, value in one.values.items()})


def as_fahrenheit(one: Exported) -> Exported:
    return replace(one, values={at: v * 1.8 + 32.0 for at, v in one.values.items()})


def test_what_is_read_rightly_is_right() -> None:
    assert judged(PLAIN, channels(PLAIN)).category == RIGHT
    noon = PLAIN.series[0].values[10][0]
    assert judged(PLAIN, channels(PLAIN), go_at=[noon]).category == RIGHT


def test_a_wrong_hour_a_wrong_unit_and_a_small_error_are_seen() -> None:
    late = [with_values(one, hours=4.0) for one in channels(PLAIN)]
    assert "+4 h off" in judged(PLAIN, late).why
    air, rh, hull = channels(PLAIN)
    assert "°F taken for °C" in judged(PLAIN, [as_fahrenheit(air), rh, hull]).why
    for off, category in ((0.15, RIGHT), (0.25, WRONG)):
        assert judged(PLAIN, [with_values(air, off), rh, hull]).category == category
    for off, category in ((0.9, RIGHT), (1.1, WRONG)):
        assert judged(PLAIN, [air, with_values(rh, off), hull]).category == category


def test_hull_and_air_confused_are_seen() -> None:
    air, rh, hull = channels(PLAIN)
    swapped = [replace(hull, quantity="air_temp"), rh, replace(air, quantity="surface_temp")]
    found = judged(PLAIN, swapped)
    assert found.category == WRONG
    assert "taken for" in found.why


def test_a_column_of_no_use_that_is_used_is_seen() -> None:
    board = Exported("board", "surface_temp", dict(channels(PLAIN)[0].values))
    found = judged(PLAIN, [*channels(PLAIN), board])
    assert (found.category, "none of the truth" in found.why) == (WRONG, True)


def test_rows_lost_must_be_told_of() -> None:
    air, rh, hull = channels(PLAIN)
    some = replace(hull, values=dict(list(hull.values.items())[:100]))
    assert judged(PLAIN, [air, rh, some]).category == WRONG
    assert judged(PLAIN, [air, rh, some], printed="100 rows played").category == WRONG
    assert judged(PLAIN, [air, rh, some], printed="20 rows were left out").category == PART
    told = "line 101 skipped: a quote is not closed\nin all 1 row was skipped"
    assert judged(PLAIN, [air, rh, some], printed=told).category == WRONG
    assert judged(PLAIN, [air, rh, some], printed="0 rows were skipped").category == WRONG
    ends = "the recording ends at line 102: a quote is open to its end"
    assert judged(PLAIN, [air, rh, some], printed=ends).category == PART
    but_one = replace(hull, values=dict(list(hull.values.items())[1:]))
    told = "line 2 skipped: a quote is not closed"
    assert judged(PLAIN, [air, rh, but_one], printed=told).category == RIGHT


def test_a_column_dropped_must_be_named() -> None:
    air, rh, _ = channels(PLAIN)
    assert judged(PLAIN, [air, rh]).category == WRONG
    told = "'Hull temp (°C)' is left out: it is empty"
    assert judged(PLAIN, [air, rh], printed=told).category == PART


def test_a_go_that_the_truth_forbids_is_seen() -> None:
    at = DAMP.series[0].values[30][0]
    found = judged(DAMP, channels(DAMP), go_at=[at])
    assert (found.category, "the truth forbids" in found.why) == (WRONG, True)
    without_hull = NAMED["tuning_27_board_temp"]
    at = without_hull.series[0].values[30][0]
    assert judged(without_hull, channels(without_hull), go_at=[at]).category == WRONG


def test_what_a_file_does_not_say_must_be_asked() -> None:
    right_by_luck = judged(MUTE_UNITS, channels(MUTE_UNITS))
    assert (right_by_luck.category, "without a word" in right_by_luck.why) == (WRONG, True)
    line = "? unit of 'Temp' and 'Hull': took degC (32 to 35 may be either; HOLD until answered)"
    air, rh, hull = channels(MUTE_UNITS)
    taken = [as_fahrenheit(air), rh, as_fahrenheit(hull)]
    assert judged(MUTE_UNITS, taken, printed=line).category == ASKED
    assert judged(MUTE_UNITS, channels(MUTE_UNITS), printed=line).category == ONE
    at = MUTE_UNITS.series[0].values[9][0]
    assert judged(MUTE_UNITS, taken, printed=line, go_at=[at]).category == WRONG
    zone = "? zone of the times: took Asia/Tokyo (the file says none)"
    both = judged(MUTE_UNITS, channels(MUTE_UNITS), printed=f"{line}\n{zone}")
    assert both.category == MORE
    german = NAMED["tuning_02_german"]
    assert judged(german, channels(german)).category == WRONG
    asked = judged(german, channels(german), printed=zone)
    assert (asked.category, asked.zone_only, is_right(german, asked, 0)) == (ONE, True, True)


def test_spec_and_section_are_asked_of_everyone_and_do_not_count() -> None:
    printed = "? spec: took polyurethane-topcoat\n? section of 'Hull': took hull (no other named)"
    assert [one.kind for one in questions(printed)] == ["spec", "section"]
    assert judged(PLAIN, channels(PLAIN), printed=printed).category == RIGHT


@pytest.mark.parametrize(
    ("line", "kind", "guess"),
    [
        ("? zone of the times: took Europe/Berlin (this computer's)", "zone", "Europe/Berlin"),
        ("? unit of 'Temp': took degF (32 to 35 °C or °F)", "unit", "degF"),
        ("? what 'Ext Temp, °F' measures: took surface_temp", "role", "surface_temp"),
        ("? which probe lies on the hull: took 'Probe 1 (°C)'", "role", "'Probe 1 (°C)'"),
        ("? date order of 'Time': took day first (04/05)", "order", "day first"),
        ("? spec: took polyurethane-topcoat (shipped, generic)", "spec", "polyurethane-topcoat"),
    ],
)
def test_a_question_is_read_from_its_line(line: str, kind: str, guess: str) -> None:
    (found,) = questions(f"looked at 120 rows\n{line}\nwrote filmcall.toml")
    assert (found.kind, found.guess) == (kind, guess)
    asked = prompt(f"looked at 120 rows\n{line.split(':')[0]} [{guess}]: ")
    assert asked is not None
    assert (asked.kind, asked.guess) == (kind, guess)


def test_a_refusal_must_name_the_trouble(monkeypatch: pytest.MonkeyPatch) -> None:
    packed = NAMED["tuning_39_gzip"]
    for words, category in (
        ("FILE: this is no text file", MUTE),
        ("tuning_39_gzip.csv.gz: this is no text file", MUTE),
        ("tuning_39_gzip.csv.gz is compressed by gzip; unpack it", REFUSED),
        ("Traceback (most recent call last)\nValueError", CRASHED),
    ):
        monkeypatch.setattr(layout_score, "filmcall", lambda *_, words=words: Ran(2, "", words))
        assert try_replay(packed).category == category
    assert is_right(packed, Verdict("", REFUSED), 0)


CONFIG = """
[replay]
time = "Time"
[[enclosure]]
name = "shed"
spec = "polyurethane-topcoat"
timezone = "Etc/UTC"
[[enclosure.point]]
name = "air"
quantity = "air_temp"
unit = "{unit}"
column = "Temp"
[[enclosure.point]]
name = "air"
quantity = "humidity"
unit = "%"
column = "Humidity"
[[enclosure.point]]
name = "hull"
quantity = "surface_temp"
unit = "{unit}"
column = "Hull"
"""


@pytest.mark.parametrize(("guess", "category"), [("degF", ONE), ("degC", WRONG)])
def test_setup_is_tried_with_its_guess_and_with_a_persons_answer(
    guess: str, category: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pretended setup asks for the unit; the replay with its config is the program's own."""
    heard: list[str] = []

    def pretended(*words: str) -> Ran:
        if words[0] != "setup":
            return filmcall(*words)
        if "--yes" in words:
            unit, out = guess, f"? unit of 'Temp' and 'Hull': took {guess} (either is possible)\n"
        else:
            with_answer = ask_for_unit()
            unit, out = {"F": "degF"}.get(with_answer, "degC"), ""
        Path("filmcall.toml").write_text(CONFIG.format(unit=unit), encoding="utf-8")
        return Ran(0, out, "")

    def ask_for_unit() -> str:
        with contextlib.redirect_stdout(io.StringIO()):
            heard.append(input("looked at 120 rows\n? unit of 'Temp' and 'Hull' [degC]: "))
        return heard[-1]

    monkeypatch.setattr(layout_score, "filmcall", pretended)
    found = try_setup(MUTE_UNITS)
    assert found.category == category, found.why
    assert heard == (["F"] if category == ONE else [])


# Strangers: five with a file, five with a broker.

STRANGER = {stranger.layout.name: stranger for stranger in strangers.STRANGERS}
FILES = [name for name, stranger in STRANGER.items() if stranger.rounds is None]
LIVE = [name for name, stranger in STRANGER.items() if stranger.rounds is not None]


def hand_written(stranger: Stranger, port: int) -> Callable[..., Ran]:
    """Return a program whose setup writes what a person would; the rest is the program's own."""

    def program(*words: str) -> Ran:
        if words[0] != "setup":
            return filmcall(*words)
        Path("filmcall.toml").write_text(stranger.by_hand.format(port=port), encoding="utf-8")
        return Ran(0, "wrote filmcall.toml", "")

    return program


def test_there_are_ten_strangers() -> None:
    assert (len(FILES), len(LIVE)) == (5, 5)


def test_a_stranger_with_a_file_gets_an_answer_by_the_config_typed_for_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    stranger = STRANGER["stranger_german"]
    monkeypatch.setattr(strangers, "command", hand_written(stranger, 0))
    went = by_setup(stranger)
    assert (went.right, went.commands, went.answers, went.before) == (True, 2, 0, 0), went.why
    wrong = replace(stranger, by_hand=stranger.by_hand.replace('Luft"', 'Rumpf"'))
    monkeypatch.setattr(strangers, "command", hand_written(wrong, 0))
    went = by_setup(wrong)
    assert (went.right, went.before) == (False, 1)


def test_a_stranger_with_a_broker_gets_an_answer_by_the_config_typed_for_it(
    make_broker: MakeBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    stranger = STRANGER["nested"]
    port = make_broker().port
    monkeypatch.setattr(strangers, "command", hand_written(stranger, port))
    went = by_setup(stranger, port)
    assert (went.right, went.commands, went.before) == (True, 2, 0), went.why


@pytest.mark.parametrize("name", FILES)
def test_setup_leads_a_stranger_with_a_file_to_the_answer(name: str) -> None:
    went = by_setup(STRANGER[name])
    assert went.right, went.why
    assert went.before == 0
    assert went.minutes <= 2.0


@pytest.mark.parametrize("name", LIVE)
def test_setup_leads_a_stranger_with_a_broker_to_the_answer(
    name: str, make_broker: MakeBroker
) -> None:
    went = by_setup(STRANGER[name], make_broker().port)
    assert went.right, went.why
    assert went.before == 0
    assert went.minutes <= 2.0
