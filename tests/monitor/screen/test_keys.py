"""The key desk: one key and one confirming key an event, shown, and taken back for a minute."""

from __future__ import annotations

from dataclasses import replace

import pytest

from examples.screens.scenes import SCENES, TOPCOAT
from monitor.screen.keys import (
    BACKSPACE,
    ENTER,
    ESC,
    FORMS,
    KEYS,
    WITHOUT_KEY,
    Choices,
    KeyDesk,
    Outcome,
)
from monitor.screen.layout import Size, render
from monitor.screen.phrases import FIELD_WORDS, QUANTITY_WORDS
from monitor.screen.theme import Colours, Theme
from rules.events import Event, in_force
from rules.reasons import LIMIT_WORDS
from rules.vocabulary import (
    EventKind,
    LimitName,
    Method,
)
from sensors.reading import Quantity

NOW_S = 1_791_898_800.0  # 13 October 2026, 13:40 UTC


def desk_of(scene: str = "go", theme: Theme | None = None) -> KeyDesk:
    desk = KeyDesk("polytunnel", theme)
    desk.look(SCENES[scene]())
    return desk


def press(desk: KeyDesk, *keys: str, now_s: float = NOW_S) -> list[Outcome]:
    found = [desk.press(key, now_s) for key in keys]
    return [outcome for outcome in found if outcome != Outcome()]


def shown(desk: KeyDesk, now_s: float = NOW_S) -> str:
    return " | ".join(desk.view(now_s).lines)


def test_every_event_has_one_key() -> None:
    assert sorted([*KEYS.values(), *WITHOUT_KEY]) == sorted(EventKind)
    assert len(set(KEYS)) == len(KEYS)
    assert not {"u", "q", "g", ".", "?"} & set(KEYS)


@pytest.mark.parametrize("key", KEYS)
def test_no_key_alone_records_anything(key: str) -> None:
    """Gloves slip: a key twice, or with any other but Enter, records nothing."""
    desk = desk_of()
    assert press(desk, key) == []
    assert desk.view(NOW_S).asking
    assert press(desk, key, " ", BACKSPACE) == []
    assert press(desk, ESC) == []
    assert not desk.view(NOW_S).asking


def test_a_key_and_enter_record_an_event() -> None:
    desk = desk_of()
    assert press(desk, "h") == []
    assert shown(desk).startswith("heater on?  Enter records, Esc drops")
    (outcome,) = press(desk, ENTER)
    event = outcome.record
    assert event is not None
    assert (event.kind, event.time_s, event.enclosure) == (EventKind.HEATER_ON, NOW_S, "polytunnel")
    assert event.recorded_s == NOW_S
    desk.kept(replace(event, row=7), NOW_S)
    assert "recorded: heater on at 13:40" in shown(desk)
    assert "u takes it back (60 s)" in shown(desk)


def test_coat_started_asks_what_matters_and_offers_it_again() -> None:
    desk = desk_of()
    assert press(desk, "c") == []
    assert "1 hull-port  2 hull-starboard  3 all of it" in shown(desk)
    assert press(desk, "1") == []
    assert "1 brush  2 roller  3 gun" in shown(desk)
    (outcome,) = press(desk, "2", ENTER)
    event = outcome.record
    assert event is not None
    assert event.section == "hull-port"
    assert event.method is Method.ROLLER
    assert event.spec == TOPCOAT.name
    assert event.batch == "A"  # the last batch mixed in the scene
    press(desk, "c")
    assert shown(desk).startswith("coat started hull-port, batch A, polyurethane-topcoat, roller?")
    assert "change: 1 section  2 spec  3 method  4 batch  5 minutes ago" in shown(desk)
    (again,) = press(desk, "1", "2", ENTER)
    assert again.record is not None
    assert again.record.section == "hull-starboard"
    press(desk, "f")
    assert shown(desk).startswith("coat ended hull-starboard?")


def test_mixed_asks_the_amount_and_names_the_batch_anew() -> None:
    desk = desk_of()
    press(desk, "x")
    assert "mixed, amount [mL]:" in shown(desk)
    (first,) = press(desk, *"45", BACKSPACE, *"00,5", ENTER, ENTER)
    assert first.record is not None
    assert first.record.amount_ml == 400.5
    assert first.record.batch == "B"  # A stands in the log already
    (second,) = press(desk, "x", ENTER)
    assert second.record is not None
    assert (second.record.amount_ml, second.record.batch) == (400.5, "C")


@pytest.mark.parametrize(
    ("typed", "says"),
    [("0", "'0' is no number over zero"), ("abc", "'abc' is no number"), ("1e9", "over 100000")],
)
def test_an_amount_that_cannot_be_is_asked_again(typed: str, says: str) -> None:
    desk = desk_of()
    assert press(desk, "x", *typed, ENTER) == []
    assert says in shown(desk)
    (outcome,) = press(desk, *"250", ENTER, ENTER)
    assert outcome.record is not None
    assert outcome.record.amount_ml == 250.0


def test_a_hand_measurement_keeps_what_value_and_unit() -> None:
    desk = desk_of()
    (wood,) = press(desk, "m", "1", *"14.5", ENTER, ENTER)
    assert wood.record is not None
    assert (wood.record.what, wood.record.value, wood.record.unit) == ("wood-moisture", 14.5, "pct")
    (mix,) = press(desk, "m", "2", *"-2", ENTER, ENTER)
    assert mix.record is not None
    assert (mix.record.value, mix.record.unit, mix.record.batch) == (-2.0, "degC", "A")
    warm = desk_of(theme=Theme(fahrenheit=True))
    (outcome,) = press(warm, "m", "2", *"70", ENTER, ENTER)
    assert outcome.record is not None
    assert outcome.record.unit == "degF"


def test_a_probe_is_vouched_for_by_its_number_the_doubtful_one_first() -> None:
    desk = desk_of("probe-dead")
    assert press(desk, "v") == []
    assert "vouched, probe: 1 plank-port" in shown(desk)
    (outcome,) = press(desk, "1", ENTER)
    event = outcome.record
    assert event is not None
    assert (event.kind, event.what, event.unit) == (EventKind.VOUCHED, "plank-port", None)


def test_words_are_asked_for_a_note_and_letters_in_them_are_no_keys() -> None:
    desk = desk_of()
    (outcome,) = press(desk, "n", *"quit c u", ENTER, ENTER)
    assert outcome.record is not None
    assert outcome.record.note == "quit c u"
    assert press(desk, "n", ENTER) == []
    assert "words is empty" in shown(desk)


def test_a_late_entry_has_its_own_time_and_is_called_late() -> None:
    desk = desk_of()
    (outcome,) = press(desk, "w", "2", *"45", ENTER, ENTER)
    event = outcome.record
    assert event is not None
    assert (event.time_s, event.recorded_s) == (NOW_S - 2700.0, NOW_S)
    desk.kept(replace(event, row=1), NOW_S)
    assert "recorded late: washed at 12:55" in shown(desk)


def test_what_the_record_lacks_for_an_event_is_shown_with_it() -> None:
    desk = desk_of()
    (outcome,) = press(desk, "t", ENTER)
    assert outcome.record is not None
    desk.kept(replace(outcome.record, row=1), NOW_S, "no tape was on, so\x1b it is not known")
    assert "; no tape was on, so" in shown(desk)
    assert "\x1b" not in shown(desk)


def test_what_was_recorded_can_be_taken_back_for_a_minute() -> None:
    desk = desk_of()
    (outcome,) = press(desk, "t", ENTER)
    assert outcome.record is not None
    kept = replace(outcome.record, row=12)
    desk.kept(kept, NOW_S)
    assert press(desk, "u", now_s=NOW_S + 59.0) == []
    assert shown(desk, NOW_S + 59.0).startswith("take back tape on")
    (back,) = press(desk, ENTER, now_s=NOW_S + 59.5)
    assert back.withdraw is not None
    assert (back.withdraw.corrects, back.withdraw.withdrawn) == (12, True)
    assert in_force((kept, replace(back.withdraw, row=13))) == ()
    desk.taken_back(back.withdraw, NOW_S + 59.5)
    assert "taken back: tape on" in shown(desk, NOW_S + 59.5)
    assert press(desk, "u", ENTER, now_s=NOW_S + 59.6) == []


def test_after_a_minute_nothing_is_taken_back() -> None:
    desk = desk_of()
    (outcome,) = press(desk, "t", ENTER)
    assert outcome.record is not None
    desk.kept(replace(outcome.record, row=12), NOW_S)
    assert press(desk, "u", ENTER, now_s=NOW_S + 60.0) == []
    assert "nothing of the last minute to take back" in shown(desk, NOW_S + 60.0)


def test_an_event_that_was_not_kept_is_said_and_cannot_be_taken_back() -> None:
    desk = desk_of()
    press(desk, "t", ENTER)
    desk.refused("the disk is full", NOW_S)
    assert "NOT recorded: the disk is full" in shown(desk)
    assert press(desk, "u", ENTER) == []


def test_a_question_without_an_answer_is_dropped() -> None:
    desk = desk_of()
    press(desk, "b")
    assert desk.view(NOW_S + 59.0).asking
    assert not desk.view(NOW_S + 60.0).asking
    assert "nothing recorded" in shown(desk, NOW_S + 60.0)
    assert press(desk, ENTER, now_s=NOW_S + 61.0) == []


def test_quit_wants_its_confirming_key() -> None:
    desk = desk_of()
    assert press(desk, "q", "q", ESC) == []
    assert press(desk, "q", ENTER) == [Outcome(quit=True)]


def test_dim_glance_and_the_list_of_keys() -> None:
    desk = desk_of()
    assert press(desk, ".") == [Outcome(dim=True)]
    assert press(desk, "g") == [Outcome(glance=True)]
    press(desk, "?")
    page = desk.view(NOW_S).keys_page
    assert any("coat started" in line for line in page)
    assert len(page) == len(KEYS) + 5
    press(desk, "?")
    assert desk.view(NOW_S).keys_page == ()


def test_a_key_without_an_event_says_so() -> None:
    desk = desk_of()
    assert press(desk, "z") == []
    assert "no event has the key z" in shown(desk)
    assert press(desk, "up", "\x01") == []


def test_a_recording_that_is_played_offers_and_takes_no_event() -> None:
    snapshot = replace(SCENES["go"](), recorded=True)
    desk = KeyDesk("polytunnel", records=False)
    desk.look(snapshot)
    for key in (*KEYS, "u"):
        assert press(desk, key) == []
        assert "a recording is played: no event is recorded" in shown(desk)
        assert not desk.busy
    press(desk, "?")
    assert [entry[0] for entry in desk.view(NOW_S).keys_page] == ["g", ".", "?", "q"]
    drawn = render(snapshot, Size(80, 24), Theme(Colours.NONE))
    assert "coat started" not in "".join(line.plain for line in drawn)


def test_an_enclosure_without_sections_asks_for_none() -> None:
    snapshot = SCENES["go"]()
    whole = replace(snapshot, calls=(replace(snapshot.calls[0], section="all"),), specs={})
    desk = KeyDesk("polytunnel")
    desk.look(whole)
    (outcome,) = press(desk, "f", ENTER)
    assert outcome.record is not None
    assert outcome.record.section is None


def test_specs_are_offered_by_the_names_that_an_event_can_give() -> None:
    """The log keeps a film's spec by the hash of its text, which nobody can name."""
    snapshot = SCENES["go"]()
    own = replace(TOPCOAT, name="from-a-file")
    event = replace(snapshot.events[0], spec="/boat/primer.toml", spec_sha256="ab" * 32)
    specs = {own.name: own, "cd" * 32: TOPCOAT, "ab" * 32: replace(TOPCOAT, name="primer")}
    offers = Choices()
    offers.learn(replace(snapshot, specs=specs, events=(event,)))
    assert offers.choices("spec") == (own.name, TOPCOAT.name, "/boat/primer.toml")


def test_every_name_that_the_program_can_show_has_its_word() -> None:
    assert [quantity for quantity in Quantity if quantity not in QUANTITY_WORDS] == []
    assert [name for name in LimitName if name not in LIMIT_WORDS] == []
    asked = {name for fields, _ in FORMS.values() for name in fields}
    assert {*asked, "ago"} == set(FIELD_WORDS)


def test_what_speaks_against_an_event_stands_in_the_prompt_before_it_is_confirmed() -> None:
    asked: list[Event] = []

    def against(event: Event) -> tuple[str, ...]:
        asked.append(event)
        return ("the pot life is over", "it is late") if event.section == "hull-port" else ()

    desk = KeyDesk("polytunnel", against=against)
    desk.look(SCENES["go"]())
    assert press(desk, "c", "1") == []
    assert asked == [], "not before the questions are answered"
    assert press(desk, "2") == []
    first, then = desk.view(NOW_S).lines[:2]
    assert first == "! the pot life is over (1 more)"
    assert "Enter records, Esc drops" in then
    desk.view(NOW_S)
    assert len(asked) == 1, "reckoned once a key, not at each turn of the screen"
    (outcome,) = press(desk, ENTER)
    assert outcome.record is not None, "it is recorded all the same"
