"""What a review may say of time that nobody measured, through a real log: jobs written by hand.

The dew points here are those of the WMO-No. 8 form (annex 4.B), worked out in each case by hand.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path

import pytest
from kept_logs import kept_log
from planted_store import NOW_S

from monitor.log.log import Store
from monitor.review.chart import WIDE, coat_chart, panels_of
from monitor.review.figures import TimeStamp
from monitor.review.json import review_dict
from monitor.review.report import html_report
from monitor.review.review import Review, choose_session, review
from monitor.review.text import plain_text
from rules.events import Event
from rules.review.causes import Finding
from rules.vocabulary import EventKind
from sensors.reading import Quantity

HOUR = 3600.0
MIDNIGHT = 1_790_380_800.0  # 2026-09-26, UTC
EPOXY, TOPCOAT = "two-pack-epoxy-primer", "polyurethane-topcoat"

# Air 12 °C, 96 %, dew point 11.4 °C; hull 10.9 °C: wet by half a kelvin.
DEW = {Quantity.AIR_TEMP: 12.0, Quantity.HUMIDITY: 96.0, Quantity.SURFACE_TEMP: 10.9}
# Air 20 °C, 50 %, dew point 9.3 °C; hull 20 °C: 10.7 K clear.
GOOD = {Quantity.AIR_TEMP: 20.0, Quantity.HUMIDITY: 50.0, Quantity.SURFACE_TEMP: 20.0}
POINT = {Quantity.AIR_TEMP: "air", Quantity.HUMIDITY: "air", Quantity.SURFACE_TEMP: "plank"}

Said = Callable[[float, Quantity], float | None]


def job(
    path: Path,
    events: Sequence[tuple[EventKind, float, dict[str, object]]],
    *,
    hours: float = 204.0,
    dew: Sequence[tuple[float, float]] = (),
    silent: Sequence[tuple[float, float]] = (),
    silent_of: Sequence[Quantity] = tuple(POINT),
    begin_h: float = 0.0,
    **wanted: object,
) -> Review:
    """A tent at 20 °C and 50 % but for some hours of dew and of silence; read every two minutes."""

    def readings(store: Store) -> None:
        for quantity, point in POINT.items():
            rows = []
            for k in range(round(begin_h * 30), round(hours * 30) + 1):
                hour = k / 30.0
                if quantity in silent_of and any(a <= hour < b for a, b in silent):
                    continue
                wet = any(a <= hour < b for a, b in dew)
                value = (DEW if wet else GOOD)[quantity]
                rows.append((round((MIDNIGHT + hour * HOUR) * 1e6), None, value, None, 0))
            store.add_reading_rows("tent", point, quantity, rows)

    said = (hours, tuple(dew), tuple(silent), tuple(silent_of) if silent else (), begin_h)
    store = kept_log(path, said, readings, NOW_S)
    store.add_event(Event(EventKind.SESSION_STARTED, MIDNIGHT + begin_h * HOUR, "tent"))
    for kind, hour, more in events:
        store.add_event(Event(kind, MIDNIGHT + hour * HOUR, "tent", **more))  # type: ignore[arg-type]
    store.add_event(Event(EventKind.SESSION_ENDED, MIDNIGHT + hours * HOUR, "tent"))
    with store:
        return review(store, choose_session(store.sessions(), None), **wanted)  # type: ignore[arg-type]


def coat(number: int, at_h: float, spec: str = TOPCOAT) -> list:
    return [
        (EventKind.MIXED, at_h - 0.6, {"spec": spec, "amount_ml": 500.0}),
        (EventKind.COAT_STARTED, at_h, {"spec": spec, "coat": number}),
        (EventKind.COAT_ENDED, at_h + 1.0, {"coat": number}),
    ]


def answer(found: Review, at: int = 0) -> Finding:
    return found.sections[0].verdicts[at].answer


# --- what nobody measured acquits nobody -------------------------------------------------------


def test_a_log_that_ends_an_hour_after_laying_clears_nothing(tmp_path: Path) -> None:
    found = job(tmp_path / "log.db", coat(1, 8.0), hours=10.0, defect="moisture-blush")
    assert answer(found) is Finding.NOT_KNOWN
    text = plain_text(found)
    assert "the log ends at 2026-09-26 10:00, while the film was still open" in text
    assert "never under" not in text
    assert "The air does not explain it" not in text
    assert "let the log run on until the film is safe" in text


def test_a_gap_of_two_and_a_half_hours_that_can_hide_dew_leaves_it_open(tmp_path: Path) -> None:
    found = job(tmp_path / "log.db", coat(1, 8.0), silent=[(11.0, 13.5)], defect="moisture-blush")
    assert answer(found) is Finding.NOT_KNOWN
    text = plain_text(found)
    assert "never under 3 K" not in text
    # The last reading holds for six minutes, three of the usual intervals.
    assert "not known: 2026-09-26 11:0" in text
    assert "to 13:30" in text
    assert "another logger's record of hull and humidity for 2026-09-26 11:0" in text
    spans = review_dict(found)["sections"][0]["verdicts"][0]["open"][0]["not_known"]
    assert [span[1] for span in spans] == ["2026-09-26T13:30:00Z"]


def test_the_head_counts_unknown_time_once_over_all_limits_and_stages(tmp_path: Path) -> None:
    """No humidity from the coat's first quarter hour to the end of the log: both damp limits.

    The last reading, of 08:14, holds for six minutes, three of the usual intervals.
    """
    found = job(
        tmp_path / "log.db", coat(1, 8.0), silent=[(8.25, 20.0)],
        silent_of=[Quantity.HUMIDITY], hours=20.0,
    )  # fmt: skip
    (record,) = found.sections[0].coats
    assert record.unknown_s == pytest.approx(11 * HOUR + 40 * 60.0, abs=60.0)
    assert max(each.unknown_s for each in record.limits) < 7 * HOUR, "no stage is so long"
    assert re.search(r"; 11 h (39|40|41) min are not known", plain_text(found))


def test_a_gap_of_minutes_in_good_air_hides_nothing(tmp_path: Path) -> None:
    found = job(tmp_path / "log.db", coat(1, 8.0), silent=[(11.0, 11.25)], defect="moisture-blush")
    assert answer(found) is Finding.AGAINST


def test_a_hull_probe_that_was_silent_all_night_clears_no_dew(tmp_path: Path) -> None:
    found = job(
        tmp_path / "log.db", coat(1, 8.0), silent=[(12.0, 20.0)],
        silent_of=[Quantity.SURFACE_TEMP], defect="moisture-blush",
    )  # fmt: skip
    assert answer(found) is Finding.NOT_KNOWN
    assert "not known at not known" not in plain_text(found)


def test_a_hull_that_was_never_known_under_a_coat_acquits_no_heat(tmp_path: Path) -> None:
    """It stood still at 20 °C for a day before, which is no promise that it stayed there."""
    found = job(
        tmp_path / "log.db",
        coat(1, 30.0),
        silent=[(27.0, 60.0)],
        silent_of=[Quantity.SURFACE_TEMP],
        hours=60.0,
        defect="wrinkling",
    )
    assert answer(found) is Finding.NOT_KNOWN
    told = plain_text(found)
    assert "open: a hot surface: coat 1: not known in any of" in told
    assert "not shown: a hot surface" not in told
    assert "To settle it: another logger's record of the hull's temperature for" in told


def test_dew_before_a_gap_is_accused_all_the_same(tmp_path: Path) -> None:
    found = job(
        tmp_path / "log.db", coat(1, 8.0), dew=[(10.0, 12.0)], silent=[(12.0, 20.0)],
        defect="moisture-blush",
    )  # fmt: skip
    assert answer(found) is Finding.SUPPORTED
    text = plain_text(found)
    assert "This log points to dew on the film before it had set" in text
    # The last reading holds for six minutes, three of the usual intervals.
    assert "of them not known) under 3 K" in text
    assert "harmless; not known: 2026-09-26 12:0" in text


def test_little_dew_is_not_pointed_to_where_it_speaks_for_nothing(tmp_path: Path) -> None:
    # 20 min at 3.5 K under the bound, the last reading held for six of them: 0.33 h * (3.5 / 3)^1.5
    # = 0.42 h, and with a guard near 0.8 K 0.28 h; 0.25 h is harmless, which speaks for nothing.
    found = job(
        tmp_path / "log.db", coat(1, 8.0), dew=[(9.1, 9.34)], silent=[(9.34, 12.0)],
        defect="moisture-blush",
    )  # fmt: skip
    text = plain_text(found)
    assert "Says nothing either way" in text
    assert "This log shows dew on the film before it had set, but by itself" in text
    assert "What is not known can hold more." in text
    assert "This log points to" not in text


def test_a_whole_log_of_good_air_clears_it_and_says_what_it_did_not_look_at(tmp_path: Path) -> None:
    found = job(tmp_path / "log.db", coat(1, 8.0, EPOXY), defect="amine-bloom")
    assert answer(found) is Finding.AGAINST
    text = plain_text(found)
    assert "The air does not explain it. See the causes below, which no sensor sees." in text
    assert "Not looked at: carbon dioxide in the air (it was not measured)" in text
    assert "never under 3 K" in text


def test_a_pot_that_nobody_recorded_is_not_cleared(tmp_path: Path) -> None:
    unmixed = [each for each in coat(1, 8.0) if each[0] is not EventKind.MIXED]
    found = job(tmp_path / "log.db", unmixed, defect="brush-marks")
    assert answer(found) is Finding.NOT_KNOWN
    assert "no pot life is recorded for it" in plain_text(found)


# --- the age of the film ------------------------------------------------------------------------


def first(found: Review):
    return found.sections[0].verdicts[0].ranked[0]


def test_dew_on_a_film_of_minutes_weighs_more_than_the_same_dew_on_one_of_a_day(
    tmp_path: Path,
) -> None:
    young = job(tmp_path / "a.db", coat(1, 8.0), dew=[(9.2, 11.2)], defect="moisture-blush")
    old = job(tmp_path / "b.db", coat(1, 8.0), dew=[(29.0, 31.0)], defect="moisture-blush")
    assert first(young).weight > 3.0 * first(old).weight
    assert first(young).age_s == pytest.approx(12 * 60.0, abs=61.0)
    assert "on a film 12 min old" in plain_text(young)
    assert "on a film 20 h old" in plain_text(old)
    told = review_dict(young)["sections"][0]["verdicts"][0]["causes"][0]
    assert list(told["susceptibility"]) == ["laid", "touch dry", "handled", "cured"]


# --- order in time and place --------------------------------------------------------------------


def test_dew_after_the_sighting_does_not_explain_it(tmp_path: Path) -> None:
    seen = "dull and milky on 2026-09-27 at ten in the morning"
    found = job(tmp_path / "log.db", coat(1, 14.0), dew=[(36.9, 39.0)], seen=seen)
    assert answer(found) is Finding.AGAINST
    verdict = found.sections[0].verdicts[0]
    assert verdict.ranked == ()
    text = plain_text(found)
    assert "cannot be it: dew on the film, or close to it: coat 1: 2026-09-27 12:5" in text
    assert "it came after the defect was seen" in text
    assert "at 2026-09-27 10:00" in text


def test_dew_before_the_sighting_does_explain_it(tmp_path: Path) -> None:
    seen = "dull and milky on 2026-09-27 at ten in the morning"
    found = job(tmp_path / "log.db", coat(1, 8.0), dew=[(26.0, 30.0)], seen=seen)
    assert answer(found) is Finding.SUPPORTED


def test_an_hour_without_a_day_vetoes_but_does_not_acquit(tmp_path: Path) -> None:
    seen = "dull and milky at ten in the morning"
    found = job(tmp_path / "log.db", coat(1, 8.0), dew=[(29.5, 31.5)], seen=seen)
    assert answer(found) is Finding.NOT_KNOWN
    text = plain_text(found)
    assert "at 2026-09-26 10:00, the first such time after the coat" in text
    assert "the day of the sighting was not said" in text


def test_dew_on_the_second_coat_does_not_explain_a_dull_third(tmp_path: Path) -> None:
    three = [*coat(1, 8.0), *coat(2, 32.0), *coat(3, 56.0)]
    dew = [(36.0, 40.0)]
    found = job(tmp_path / "a.db", three, dew=dew, hours=252.0, seen="the third coat is dull")
    assert answer(found) is Finding.AGAINST
    assert "it reached coat 2, and coat 3 was looked at" in plain_text(found)
    found = job(tmp_path / "b.db", three, dew=dew, hours=252.0, seen="the second coat is dull")
    assert answer(found) is Finding.SUPPORTED


def test_a_wash_before_the_dew_does_not_excuse_it(tmp_path: Path) -> None:
    two = [*coat(1, 8.0, EPOXY), *coat(2, 32.0, EPOXY)]
    for name, washed_h, excused in (("a.db", 10.0, False), ("b.db", 30.0, True)):
        found = job(
            tmp_path / name, [*two, (EventKind.WASHED, washed_h, {})], dew=[(13.0, 17.0)],
            hours=228.0, defect="poor-adhesion",
        )  # fmt: skip
        causes = [e.cause.name for e in found.sections[0].verdicts[0].ranked]
        assert ("bloom-below" not in causes) == excused


def test_what_was_seen_on_one_side_is_not_looked_for_on_the_other(tmp_path: Path) -> None:
    both = [
        (kind, hour, {**more, "section": section})
        for section in ("hull-port", "hull-stbd")
        for kind, hour, more in coat(1, 8.0)
    ]
    found = job(tmp_path / "log.db", both, dew=[(10.0, 14.0)], seen="dull to starboard")
    answers = {each.section: each.verdicts[0].answer for each in found.sections}
    assert answers == {"hull-port": Finding.ELSEWHERE, "hull-stbd": Finding.SUPPORTED}
    assert "it was seen on hull-stbd, not here" in plain_text(found)


# --- no cliffs ----------------------------------------------------------------------------------


def test_a_pot_of_seconds_over_accuses_nobody(tmp_path: Path) -> None:
    # 3.5 h at 20 °C (the generic topcoat's); used until 12 s past that.
    late_s = 3.5 * HOUR + 12.0
    events = [
        (EventKind.MIXED, 8.0, {"spec": TOPCOAT, "amount_ml": 500.0}),
        (EventKind.COAT_STARTED, 8.2, {"spec": TOPCOAT, "coat": 1}),
        (EventKind.COAT_ENDED, 8.0 + late_s / HOUR, {"coat": 1}),
    ]
    found = job(tmp_path / "log.db", events, defect="brush-marks")
    assert found.sections[0].verdicts[0].ranked == ()
    assert "by 0 min" not in plain_text(found)


def test_support_grows_with_the_dose(tmp_path: Path) -> None:
    ratios = []
    for at, hours in enumerate((0.3, 0.6, 1.2, 2.4, 4.8)):
        found = job(
            tmp_path / f"{at}.db", coat(1, 8.0), dew=[(10.0, 10.0 + hours)], defect="moisture-blush"
        )
        ratios.append(first(found).ratio)
    assert ratios == sorted(ratios)
    # Twice the time never more than trebles it.
    assert all(b < 3.0 * a for a, b in pairwise(ratios))


def test_the_rows_that_counted_and_what_would_tell_the_first_two_apart_are_printed(
    tmp_path: Path,
) -> None:
    found = job(tmp_path / "log.db", coat(1, 8.0), dew=[(10.0, 14.0)], seen="milky low down")
    dew = first(found)
    assert math.prod(row.ratio for row in dew.rows) == pytest.approx(dew.ratio)
    text = plain_text(found)
    assert "against a cause that the log does not show: dose ×" in text
    assert "seen: low ×3" in text
    assert "judgement, no outside cases" in text
    assert "To tell the first two apart, look: if it is worst low down" in text
    stayed = "Had the hull stayed 3 K over the dew point, 2026-09-26 10:00 to 14:00, nothing would"
    assert stayed in text


# --- the drawing --------------------------------------------------------------------------------


def test_a_drawing_shades_each_bound_only_while_it_matters_to_the_film(tmp_path: Path) -> None:
    # The generic topcoat: 3 K while it is laid, 1 K until touch dry (5 h at 20 °C), water until
    # handled (24 h); 80 % until handled. Half a kelvin of surface error makes both a little later.
    found = job(tmp_path / "log.db", coat(1, 8.0), hours=120.0).sections[0]
    panels = {panel.title: panel for panel in panels_of(found, found.coats[0])}
    margin, humid = panels["dew margin"].bounds, panels["humidity"].bounds
    assert [each.value for each in margin] == [3.0, 1.0, 0.0]
    assert [each.value for each in humid] == [80.0]
    hours = [(each.from_s - MIDNIGHT) / HOUR for each in (*margin, *humid)]
    assert hours == pytest.approx([8.0, 9.0, 14.1, 8.0], abs=0.25)
    ends = [(each.to_s - MIDNIGHT) / HOUR for each in (*margin, *humid)]
    assert ends == pytest.approx([9.0, 14.1, 33.7, 33.7], abs=0.4)
    drawn = coat_chart(found, found.coats[0], (), TimeStamp("Etc/UTC"), "c")
    dew = re.findall(r'<rect x="([0-9.]+)"[^>]* width="([0-9.]+)"[^>]* class="wrong"/>', drawn)[1:]
    for (left, wide), (following, _) in pairwise(dew[:3]):
        assert float(left) + float(wide) == pytest.approx(float(following), abs=0.2)
    assert float(dew[2][0]) + float(dew[2][1]) < WIDE.right - 100.0


# --- the headline -------------------------------------------------------------------------------


def outcome(found: Review) -> str:
    return str(review_dict(found)["sections"][0]["coats"][0]["outcome"])


def test_a_pot_two_hours_over_is_not_inside_its_spec(tmp_path: Path) -> None:
    events = [
        (EventKind.MIXED, 8.0, {"spec": TOPCOAT, "amount_ml": 500.0}),
        (EventKind.COAT_STARTED, 8.2, {"spec": TOPCOAT, "coat": 1}),
        (EventKind.COAT_ENDED, 13.5, {"coat": 1}),
    ]
    said = outcome(job(tmp_path / "log.db", events))
    assert said.startswith("Outside its spec: pot used 2 h too late")


def test_a_coat_over_one_that_had_hardened_is_not_inside_its_spec(tmp_path: Path) -> None:
    # The generic epoxy primer closes 72 h after the start at 20 °C.
    two = [*coat(1, 8.0, EPOXY), *coat(2, 8.0 + 72.0 + 30.0)]
    said = outcome(job(tmp_path / "log.db", two, hours=300.0))
    assert said.startswith("Outside its spec: coated over 30 h too late")


def test_a_breach_and_the_early_end_of_the_log_are_both_said(tmp_path: Path) -> None:
    said = outcome(job(tmp_path / "log.db", coat(1, 8.0), dew=[(10.0, 12.0)], hours=14.0))
    assert said.startswith("Outside its spec: dew margin")
    assert said.endswith("; the log ends before it has cured.")


def test_what_was_not_known_is_in_the_headline(tmp_path: Path) -> None:
    said = outcome(job(tmp_path / "log.db", coat(1, 8.0), silent=[(11.0, 13.5)]))
    assert said.startswith("Inside its spec as far as is known; 2 h 2")


def test_a_coat_that_ended_seven_hours_before_the_log_is_looked_at(tmp_path: Path) -> None:
    found = job(
        tmp_path / "log.db", coat(1, 8.0), begin_h=16.0, dew=[(18.0, 22.0)], defect="moisture-blush"
    )
    assert [each.number for each in found.sections[0].coats] == [1]
    assert answer(found) is Finding.SUPPORTED
    text = plain_text(found)
    assert "No coat is recorded" not in text
    assert "A coat was laid before this session" in text


# --- mechanisms that were missing ---------------------------------------------------------------


def test_dew_on_the_bare_hull_before_the_first_coat_is_seen(tmp_path: Path) -> None:
    # The very case of ISO 8502-4: condensation before paint.
    found = job(tmp_path / "log.db", coat(1, 8.0, EPOXY), dew=[(4.0, 8.3)], defect="poor-adhesion")
    assert first(found).cause.name == "wet-bare"
    blisters = job(tmp_path / "b.db", coat(1, 8.0, EPOXY), dew=[(4.0, 8.3)], defect="blisters")
    assert first(blisters).cause.name == "wet-bare"


def test_a_hull_that_dried_for_four_hours_is_not_blamed(tmp_path: Path) -> None:
    found = job(tmp_path / "log.db", coat(1, 8.0, EPOXY), dew=[(2.5, 4.0)], defect="poor-adhesion")
    assert "wet-bare" not in {e.cause.name for e in found.sections[0].verdicts[0].ranked}


def test_wrinkles_by_an_early_recoat_are_seen(tmp_path: Path) -> None:
    found = job(
        tmp_path / "log.db", [*coat(1, 8.0), *coat(2, 11.0)], hours=204.0, defect="wrinkling"
    )
    assert first(found).cause.name == "lifted-by-recoat"


@pytest.mark.parametrize("page", [plain_text, html_report])
def test_cautions_of_first_aid_stand_beside_every_review(
    tmp_path: Path, page: Callable[[Review], str]
) -> None:
    text = page(job(tmp_path / "log.db", coat(1, 8.0), defect="moisture-blush"))
    for words in (
        "gloves and goggles",
        "a sensitised person stays away, mask or not",
        "in the same building and downwind",
        "light themselves: spread them out flat outside, or drown them",
        "Never dry-sand antifouling, or paint that may hold lead",
        "5,000 ppm of carbon dioxide is the eight-hour limit in many countries",
    ):
        assert words in text, words


def test_tape_that_nobody_took_off_is_still_on_and_not_off_at_the_end(tmp_path: Path) -> None:
    """The only tape-off was withdrawn; the topcoat's tape is off by 24 h of film at 20 degC."""
    told = [
        (EventKind.TAPE_ON, 9.0, {}),
        *coat(1, 10.0),
        (EventKind.TAPE_OFF, 18.0, {}),
        (EventKind.TAPE_OFF, 18.0, {"corrects": 6, "withdrawn": True}),
    ]
    found = job(tmp_path / "log.db", told, hours=96.0)
    text = plain_text(found)
    assert "tape off" not in text
    assert "tape: still on at 2026-09-30 00:00 (" in text
    assert "past its time" in text
    windows = review_dict(found)["sections"][0]["coats"][0]["windows"]
    (tape,) = [each for each in windows if each["window"] == "tape"]
    assert (tape["kept"], tape["done"]) == ("too late", None)


def test_a_probe_that_is_silent_at_the_begin_or_the_end_has_a_gap_and_its_minutes_are_named(
    tmp_path: Path,
) -> None:
    """Read every two minutes, so that a value counts for 6 min; the hull speaks from 9 to 20 h."""
    found = job(
        tmp_path / "log.db",
        coat(1, 10.0),
        hours=24.0,
        silent=((0.0, 9.0), (20.1, 25.0)),
        silent_of=(Quantity.SURFACE_TEMP,),
    )
    text = plain_text(found)
    assert "plank, surface temperature: 333 readings, every 120 s; 2 gaps, the longest 9 h" in text
    assert text.count("no gap") == 2, "the air's"
    assert (
        "  plank told nothing from 2026-09-26 00:00 to 2026-09-26 09:00, the longest of 2 times."
    ) in text
