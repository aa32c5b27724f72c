"""What a sheet says that no figure has a place for: repeated in its words, never judged."""

from __future__ import annotations

import json
from pathlib import Path

from command import filmcall
from sheet_doors import SHEETS, batch
from trade_tent import Air, Tent, steady

from rules.spec.read import check_spec

ZINC = SHEETS / "fresh" / "zinc-rich.toml"
DRY = "humidity at most 50 % from blasting until the coat"
IDEAL = "75 µm dry is best; over 125 µm it cracks"


def test_a_sheets_own_words_are_repeated_and_change_no_call(tmp_path: Path) -> None:
    file = tmp_path / "sheet.toml"
    file.write_text(f'{ZINC.read_text()}\n[advice]\nnotes = ["{DRY}", "{IDEAL}"]\n')
    shown = filmcall("spec", "show", str(file)).out
    words = ("check", "--air", "20", "--rh", "60", "--surface", "19.5", "--spec")
    without, said = (filmcall(*words, str(each), "--json") for each in (ZINC, file))
    assert without.code == said.code == 0
    told = [each for each in json.loads(said.out)["reasons"] if each["limit"] == "sheet"]
    assert [(each["state"], each["text"]) for each in told] == [("ok", DRY), ("ok", IDEAL)]
    assert all(each in shown and each in filmcall(*words, str(file)).out for each in (DRY, IDEAL))


def test_notes_that_are_no_list_of_words_are_a_fault() -> None:
    for written, key in (('"dry"', "advice.notes"), ('["?"]', "advice.'notes[1]'"), ("[3]", "")):
        faults = check_spec(f"{ZINC.read_text()}\n[advice]\nnotes = {written}\n", "x")
        assert len(faults) == 1
        assert faults[0].key == (key or "advice.'notes[1]'")


def test_a_batch_says_what_else_goes_in_with_a_hardener() -> None:
    words = ("batch", "--spec", str(SHEETS / "fresh" / "gloss-accelerator.toml"), "--area", "1",
             "--dry-um", "50", "--temp", "18")  # fmt: skip
    dose = "1 % of accelerator, never over 20 degC"
    assert dose not in filmcall(*words).out
    assert dose in " ".join(filmcall(*words, "--hardener", "accelerated").out.split())
    assert batch("fresh/gloss-accelerator", *words[3:])["present"]["total"]["hardener_ml"] > 0.0


def test_the_next_coat_waits_for_a_rub_of_the_film(tmp_path: Path) -> None:
    """SHEET K: recoat only where it passes the solvent rub, class 4 or better."""
    made = Tent(tmp_path, "polyurethane-topcoat", steady(Air(23.5, 18.0, 23.0)), 3.0, step_min=10)
    made.event("coat-started", 0.5, "--spec", str(ZINC))
    made.event("coat-ended", 1.0)
    asked = [
        each["text"]
        for call in made.evaluations()[-1:]
        for each in (call.get("sections") or [call])[0]["start"]["reasons"]
        if each["limit"] == "ground"
    ]
    assert len(asked) == 1
    assert asked[0].startswith("Solvent rub class is not measured yet: at least class 4")
