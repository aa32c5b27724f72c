"""What a film went through stays beside every later answer until a person has dealt with it.

Written by another hand than the rule's, without sight of its code. The shipped primer's own times
are generic. Water on a film that has not set: mechanism common practice, no source; 3 K over the
dew point is the guidance of ISO 8502-4:2017, as other documents quote it.
"""

from __future__ import annotations

import json
import re
import shutil
from copy import copy
from pathlib import Path
from typing import Any

import pytest
from trade_tent import Air, Tent, at, between, ramp, reasons, steady, words_of

# Hour 0 is 06:00. The hull stands at 16.0 degC from 19:00 on; the dew point climbs through 16.0 at
# hour 14.0 (20:00) and falls through it at hour 22 1/3 (04:20): water for 8 h 20 min, on a film
# whose coat ended at hour 8, six hours before. At 18 degC and 17.5 the primer is touch dry some
# 5 h after (4 h at 20, 9 h at 10) and handled long after the night (24 h at 20), so it was soft.
COAT_END, WET, DRY_AGAIN = 8.0, 14.0, 22.0 + 1.0 / 3.0
MORNING = 26.0  # 08:00: recoat has opened, at about 25 h


def dewy_night(hour: float) -> Air:
    dew = ramp(hour, (WET - 0.4, 8.0), (WET + 0.1, 18.0), (DRY_AGAIN - 0.1, 18.0), (22.733, 8.0))
    hull = ramp(hour, (12.0, 17.5), (13.0, 16.0), (DRY_AGAIN + 0.2, 16.0), (24.0, 17.5))
    return Air(18.2, dew, hull)


def tent(folder: Path, hours: float) -> Tent:
    made = Tent(folder, "two-pack-epoxy-primer", dewy_night, hours, step_min=10)
    made.event("session-started", 0.0, section=None)
    made.coat(7.0, COAT_END)
    return made


Played = tuple[Tent, list[dict[str, Any]]]


@pytest.fixture(scope="module")
def unwashed(tmp_path_factory: pytest.TempPathFactory) -> Played:
    """Play the night and the day after it, on which nobody washes; it is only read."""
    made = tent(tmp_path_factory.mktemp("unwashed"), 34.0)
    return made, made.evaluations()


def minutes(clock: str) -> int:
    hour, minute = clock.split(":")
    return 60 * int(hour) + int(minute)


def test_a_night_of_dew_holds_the_next_morning_with_times_and_what_to_do(unwashed: Played) -> None:
    call = at(unwashed[1], MORNING)
    assert call["call"] == "HOLD"
    (memory,) = reasons(call, "memory")
    assert memory["state"] == "near"
    assert re.search(r"\bwash\b", memory["text"], re.IGNORECASE), memory["text"]
    begin, end = re.findall(r"\b\d\d:\d\d\b", memory["text"])[:2]
    # Rows come every 10 min, and 0.5 K of hull and dew point are 1.5 min of these ramps.
    assert abs(minutes(begin) - minutes("20:00")) <= 15
    assert abs(minutes(end) - minutes("04:20")) <= 15


def test_no_go_comes_the_whole_day_while_nobody_washed(unwashed: Played) -> None:
    words = {call["call"] for call in between(unwashed[1], 23.5, 34.0)}
    assert words == {"HOLD"}


@pytest.mark.parametrize("answer", ["washed", "inspected", "sanded"])
def test_what_answers_it_ends_the_hold(tmp_path: Path, answer: str) -> None:
    made = tent(tmp_path, 29.0)
    made.event(answer, 26.5)
    calls = made.evaluations()
    assert at(calls, 26.4)["call"] == "HOLD"
    assert reasons(at(calls, 26.4), "memory")
    # The dwell is 10 min and the air is fair: an hour later nothing holds it.
    after = at(calls, 28.0)
    assert [each for each in reasons(after, "memory") if each["state"] != "ok"] == []
    assert after["call"] == "GO"


def test_washing_another_section_answers_nothing_here(tmp_path: Path) -> None:
    def both(hour: float) -> Air:
        air = dewy_night(hour)
        return Air(air.air_c, air.dew_point_c, air.port_c, stbd_c=air.port_c + 0.1)

    made = Tent(tmp_path, "two-pack-epoxy-primer", both, 28.0, step_min=10)
    for section in ("port", "stbd"):
        made.coat(7.0, COAT_END, section=section)
    made.event("washed", 26.0, section="stbd")
    calls = made.evaluations()
    assert reasons(at(calls, 27.9, "port"), "memory")
    assert [r for r in reasons(at(calls, 27.9, "stbd"), "memory") if r["state"] != "ok"] == []


def test_a_washing_before_the_dew_answers_nothing(tmp_path: Path) -> None:
    made = tent(tmp_path, 27.0)
    made.event("washed", 13.0)
    assert reasons(at(made.evaluations(), MORNING), "memory")


def test_the_next_coat_over_it_is_spoken_of_when_it_is_recorded(tmp_path: Path) -> None:
    made = tent(tmp_path, 26.0)
    made.evaluations()
    said = made.event("coat-started", 26.0, "--coat", "2", "--spec", made.spec)
    assert re.search(r"\bwash", said.out + said.err, re.IGNORECASE), said.out


def test_the_review_calls_nothing_unwashed_that_was_washed(
    tmp_path: Path, unwashed: Played
) -> None:
    made = copy(unwashed[0])
    made.db = str(shutil.copy(made.db, tmp_path))
    made.event("washed", 26.5)
    made.event("coat-started", 27.0, "--coat", "2", "--spec", made.spec)
    made.event("coat-ended", 28.0, "--coat", "2")
    told = json.dumps(made.review("--defect", "peeling"))
    assert "not washed off" not in told
    assert "washed" in told


def test_a_dry_night_leaves_nothing_to_remember(tmp_path: Path) -> None:
    def dry(hour: float) -> Air:
        return Air(18.2, 8.0, dewy_night(hour).port_c)

    made = Tent(tmp_path, "two-pack-epoxy-primer", dry, 27.0, step_min=10)
    made.coat(7.0, COAT_END)
    call = at(made.evaluations(), MORNING)
    assert call["call"] == "GO"
    assert reasons(call, "memory") == []


# Carbon dioxide: 5,000 ppm is what 0.2 kg of burnt propane leaves in a sealed 60 m3 tent (computed
# from its stoichiometry: 1 kg gives 2.99 kg of CO2); outdoors it is some 420 ppm, from memory.
fuel_heated = steady(Air(17.0, 12.0, 16.5, co2_ppm=5000.0))


@pytest.fixture(scope="module")
def gassed(tmp_path_factory: pytest.TempPathFactory) -> Played:
    folder = tmp_path_factory.mktemp("gassed")
    made = Tent(folder, "two-pack-epoxy-primer", fuel_heated, 20.0, step_min=10)
    made.event("session-started", 0.0, section=None)
    made.event("heater-on", 1.0, "--note", "propane, no flue", section=None)
    made.coat(2.0, 3.0)
    return made, made.evaluations()


def gas_texts(value: Any) -> list[str]:
    """Return every sentence of a JSON value that speaks of carbon dioxide."""
    if isinstance(value, str):
        return [value] if re.search(r"CO2|CO₂|carbon dioxide", value, re.IGNORECASE) else []
    inside = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return [text for each in inside for text in gas_texts(each)]


def test_carbon_dioxide_is_said_beside_the_call_as_air_and_never_as_safe(gassed: Played) -> None:
    call = at(gassed[1], 10.0)
    said = " ".join(gas_texts(call))
    assert re.search(r"5[,\s]?0\d\d|4[,\s]?9\d\d", said), words_of(call)
    assert re.search(r"\bair\b|breathe|people", said, re.IGNORECASE), said
    assert not re.search(r"(?<!not )\b(safe|harmless|fine)\b", said, re.IGNORECASE), said


def test_a_heater_without_a_flue_gets_a_remark_when_it_is_recorded(tmp_path: Path) -> None:
    made = Tent(tmp_path, "two-pack-epoxy-primer", fuel_heated, 1.0)
    said = made.event("heater-on", 0.5, "--note", "propane, no flue", section=None)
    assert re.search(r"water|carbon", said.out + said.err, re.IGNORECASE), said.out


def test_carbon_dioxide_over_a_soft_epoxy_counts_for_bloom(gassed: Played) -> None:
    (verdict,) = gassed[0].review("--defect", "amine bloom")["sections"][0]["verdicts"]
    (gas,) = [each for each in verdict["causes"] if "co2" in each["cause"]]
    assert gas["lowest_h"] > 0.0


# Bloom by what makes it: polyamides are slow to bloom, fast amines worst (common practice, no
# source). The same cold, damp, dewless night must weigh more on a fast amine than on a polyamide.
cold_damp = steady(Air(12.5, 9.5, 12.0))  # 82 %: colder than 15 degC, damp, margin 2.5 K


def bloom_weight_h(folder: Path, hardener_class: str) -> float:
    text = (Path(__file__).parents[2] / "sheets" / "primer-plain.toml").read_text()
    folder.mkdir()
    sheet = folder / "primer.toml"
    sheet.write_text(
        re.sub(r'hardener_class = "[a-z-]*"', f'hardener_class = "{hardener_class}"', text)
    )
    made = Tent(folder, str(sheet), cold_damp, 24.0, step_min=10)
    made.event("session-started", 0.0, section=None)
    made.coat(1.0, 2.0)
    made.evaluations()
    (verdict,) = made.review("--defect", "amine bloom")["sections"][0]["verdicts"]
    weights: list[float] = [each["weight_h"] for each in verdict["causes"] + verdict["open"]]
    return max(weights, default=0.0)


def test_a_fast_amine_blooms_worst(tmp_path: Path) -> None:
    slow, fast = (bloom_weight_h(tmp_path / name, name) for name in ("polyamide", "fast-amine"))
    assert fast > slow
    assert fast > 0.0


# Outgassing: a hull that warms under a fresh film breathes out through it; one that cools does not.
# Common practice for timber and filled hulls, no source.
def warming(hour: float) -> Air:
    return Air(ramp(hour, (2.0, 13.0), (7.0, 25.0)), 6.0, ramp(hour, (2.0, 12.0), (7.0, 23.0)))


def cooling(hour: float) -> Air:
    return Air(ramp(hour, (2.0, 25.0), (7.0, 13.5)), 6.0, ramp(hour, (2.0, 23.0), (7.0, 12.5)))


def breathed(folder: Path, weather: Any) -> Tent:
    made = Tent(folder, "two-pack-epoxy-primer", weather, 20.0, step_min=10)
    made.event("session-started", 0.0, section=None)
    made.coat(2.0, 2.5)
    made.evaluations()
    return made


def pinhole_causes(made: Tent, defect: str) -> dict[str, Any]:
    (verdict,) = made.review("--defect", defect)["sections"][0]["verdicts"]
    return dict(verdict)


@pytest.fixture(scope="module")
def warmed(tmp_path_factory: pytest.TempPathFactory) -> Tent:
    return breathed(tmp_path_factory.mktemp("warmed"), warming)


@pytest.mark.parametrize("defect", ["blisters", "pinholes"])
def test_a_hull_that_warms_after_coating_may_have_breathed_through_the_film(
    warmed: Tent, defect: str
) -> None:
    causes = json.dumps(pinhole_causes(warmed, defect)["causes"])
    assert re.search(r"outgas|warm(s|ed|ing)\b", causes), causes


def test_a_hull_that_cools_after_coating_did_not_breathe_out(tmp_path: Path) -> None:
    verdict = pinhole_causes(breathed(tmp_path, cooling), "blisters")
    assert "blister" in verdict["defect"]
    assert not re.search(r"outgas", json.dumps(verdict["causes"]))
    assert re.search(r"outgas|warm(s|ed|ing)\b", json.dumps(verdict)), "it was looked at"


# A second coat 1 h after the first, whose window opens after 8 h at 20 degC: solvents of the
# second lift the first. Sags: cold paint runs. Both common practice, no source.
def test_wrinkling_is_laid_to_an_early_recoat(tmp_path: Path) -> None:
    made = Tent(tmp_path, "two-pack-epoxy-primer", steady(Air(20.5, 8.0, 20.0)), 20.0, step_min=10)
    made.event("session-started", 0.0, section=None)
    made.coat(2.0, 3.0, "--coat", "1")
    made.event("coat-started", 4.0, "--coat", "2", "--spec", made.spec)
    made.event("coat-ended", 5.0, "--coat", "2")
    made.evaluations()
    (verdict,) = made.review("--defect", "wrinkling")["sections"][0]["verdicts"]
    assert verdict["answer"] == "supported"
    assert re.search(r"early|before .*open|too soon", json.dumps(verdict["causes"][0]))


@pytest.mark.parametrize(
    ("defect", "hull_c", "words"),
    [
        ("sags", 7.0, r"\bcold"),
        ("dry patches", 34.0, r"\bhot|\bheat|\bwarm|\bdry"),
    ],
)
def test_sags_and_dry_patches_have_their_causes(
    tmp_path: Path, defect: str, hull_c: float, words: str
) -> None:
    made = Tent(
        tmp_path, "two-pack-epoxy-primer", steady(Air(hull_c + 0.5, 1.0, hull_c)), 20.0,
        step_min=10,
    )  # fmt: skip
    made.event("session-started", 0.0, section=None)
    made.coat(2.0, 3.0)
    made.evaluations()
    (verdict,) = made.review("--defect", defect)["sections"][0]["verdicts"]
    assert verdict["causes"], verdict["text"]
    assert re.search(words, json.dumps(verdict["causes"][0])), verdict["causes"][0]


# An oil paint dries by the oxygen of moving air and stays soft in damp (common practice, no
# source): 12 degC at 93 % for a day and more, on a varnish.
def test_a_soft_varnish_is_laid_to_damp_air(tmp_path: Path) -> None:
    made = Tent(tmp_path, "varnish", steady(Air(12.0, 10.9, 12.2)), 30.0, step_min=15)
    made.event("session-started", 0.0, section=None)
    made.coat(2.0, 3.0)
    made.evaluations()
    (verdict,) = made.review("--defect", "soft cure")["sections"][0]["verdicts"]
    assert any("damp" in json.dumps(each) for each in verdict["causes"]), verdict["causes"]
