"""What a job takes, by arithmetic on paper."""

from __future__ import annotations

import math
from datetime import UTC, date

import pytest
from plan_jobs import FLAT, spec_text

from rules.batch.amount import Film
from rules.job.model import Chore, CoatToLay, Job, JobSection, WorkingHours
from rules.job.shopping import Paint, shopping_of, tins
from rules.spec.read import load_spec
from rules.vocabulary import Method, Step

AT_18 = {("hull-port", number): 18.0 for number in (1, 2, 3)}


def job(*coats: CoatToLay) -> Job:
    hours = WorkingHours(UTC, ((),) * 7)
    section = JobSection("hull-port", "polytunnel", 9.0, coats)
    first, last = date(2026, 5, 4), date(2026, 6, 4)
    return Job("the boat", first, last, Step.CURED, hours, 1, (section,))


SPEC = load_spec(spec_text("quick-primer", times={**FLAT, "pot_life": "6 h"}), "quick-primer")


def test_paint_is_area_by_film_with_loss_and_what_stays_in_the_pot() -> None:
    # 9 m2 at 50 µm dry of 50 % solids: 9 x 50 / 0.5 = 900 ml on the hull, 1,000 ml with 10 % loss.
    # One pot a coat, 40 ml of each left in it: 1,040 ml a coat, 3 : 1.
    coat = CoatToLay(1, SPEC, 3600.0, Film(50.0, wet=False), Method.ROLLER)
    (paint,) = shopping_of(job(coat, coat), AT_18).paints
    assert paint.pots == 2
    assert paint.base_ml == pytest.approx(2 * 1040.0 * 0.75, rel=1e-6)
    assert paint.hardener_ml == pytest.approx(2 * 1040.0 * 0.25, rel=1e-6)


def test_a_gun_loses_what_the_batch_sheet_says_that_it_loses() -> None:
    # 900 ml on the hull are 1,500 ml with 40 % loss, and 40 ml stay in the pot (common practice).
    coat = CoatToLay(1, SPEC, 3600.0, Film(50.0, wet=False), Method.GUN)
    shopping = shopping_of(job(coat), AT_18)
    assert shopping.paints[0].base_ml == pytest.approx(1540.0 * 0.75, rel=1e-6)
    assert shopping.losses_pct == (40.0,)


def test_each_coat_takes_the_thinner_of_its_own_hour() -> None:
    # The invented sheet thins by 5 % from 25 °C on: 1,000 ml and 50 ml, and 40 of 1,050 ml more.
    band = '[[mix.thinner]]\nfrom = "25 degC"\nto = "35 degC"\nmin = "5 %"\nmax = "8 %"\n'
    thinned = load_spec(spec_text("quick-primer", times=FLAT) + band, "quick-primer")
    coats = [CoatToLay(n, thinned, 3600.0, Film(50.0, wet=False), Method.ROLLER) for n in (1, 2)]
    temps_c = {("hull-port", 1): 18.0, ("hull-port", 2): 28.0}
    (paint,) = shopping_of(job(*coats), temps_c).paints
    assert paint.thinner_ml == pytest.approx(50.0 * 1090.0 / 1050.0, rel=1e-6)


def test_a_coat_without_a_film_is_named_and_not_guessed() -> None:
    (paint,) = shopping_of(job(CoatToLay(1, SPEC, 3600.0, None, Method.ROLLER)), AT_18).paints
    assert paint.base_ml == 0.0
    assert paint.unknown == ("hull-port",)


def test_abrasive_and_tape_go_by_the_stated_rates() -> None:
    # 2 sheets a m2: 18 for each sanding. A square of 9 m2 has 12 m of edge, 14.4 m of tape.
    before = (Chore("sand", "320", 7200.0), Chore("tape", "sheer line", 900.0))
    coat = CoatToLay(1, SPEC, 3600.0, Film(50.0, wet=False), Method.ROLLER, before)
    shopping = shopping_of(job(coat), AT_18, ["hull-port"])
    assert shopping.sheets == (("320", 18), ("recoat", 18))
    assert shopping.tape_m == 15


def test_what_is_laid_is_not_bought_again() -> None:
    before = (Chore("sand", "320", 7200.0),)
    coats = [
        CoatToLay(number, SPEC, 3600.0, Film(50.0, wet=False), Method.ROLLER, before)
        for number in (1, 2, 3)
    ]
    whole = shopping_of(job(*coats), AT_18)
    left = shopping_of(job(*coats), AT_18, laid={"hull-port": 2})
    assert (whole.paints[0].pots, left.paints[0].pots) == (3, 1)
    assert left.paints[0].base_ml == pytest.approx(whole.paints[0].base_ml / 3.0)
    assert (whole.sheets, left.sheets) == ((("320", 54),), (("320", 18),))
    assert (whole.begun, left.begun) == (False, True)
    assert shopping_of(job(*coats), AT_18, laid={"hull-port": 3}).paints == ()


def test_what_stands_mixed_is_not_bought_again() -> None:
    coats = [
        CoatToLay(number, SPEC, 3600.0, Film(50.0, wet=False), Method.ROLLER) for number in (1, 2)
    ]
    (whole,) = shopping_of(job(*coats), AT_18).paints
    (one,) = shopping_of(job(coats[0]), AT_18).paints

    def left(mixed_ml: float) -> Paint:
        (paint,) = shopping_of(job(*coats), AT_18, mixed_ml={"hull-port": mixed_ml}).paints
        return paint

    def total_ml(paint: Paint) -> float:
        return paint.base_ml + paint.hardener_ml + paint.thinner_ml

    assert total_ml(left(500.0)) == pytest.approx(total_ml(whole) - 500.0)
    assert left(500.0).pots == whole.pots
    assert total_ml(left(math.inf)) == pytest.approx(total_ml(whole) - total_ml(one))
    assert left(math.inf).pots == whole.pots - one.pots
    last = job(coats[0])
    assert shopping_of(last, AT_18, mixed_ml={"hull-port": math.inf}).paints == ()


@pytest.mark.parametrize("volume_ml", [1.0, 999.0, 1001.0, 4200.0, 5000.0, 12_400.0])
def test_the_tins_hold_what_is_needed_and_less_than_a_large_one_over(volume_ml: float) -> None:
    held = 1000.0 * sum(count * size for count, size in tins(volume_ml))
    assert volume_ml <= held < volume_ml + 2500.0
