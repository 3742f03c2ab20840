"""Claims and the front-of-package screen, at the edge of every threshold of both regimes.

The amounts are made by hand: a dish of two variants whose weight and amounts a test sets, wholly known and without
error unless the test says otherwise.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from swaptable.amounts.nutrients import Amounts, compute
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import SwaptableError
from swaptable.foods.reference import (
    claim_conditions,
    claims_not_judged,
    component_label,
    daily_values,
    front_of_pack_rules,
)
from swaptable.judging import claim_measures
from swaptable.judging.claims import (
    COMPARATIVE,
    NO_REFERENCE_AMOUNT,
    NOTHING_TO_COMPARE,
    claim_verdicts,
    judge_claims,
    not_judged,
)
from swaptable.judging.front_of_pack import front_of_pack, front_of_pack_exemptions
from swaptable.judging.verdicts import OPERATORS, Verdict

TWO = """
title: Two
servings: 1
ingredients: {milk: {amount: 100 g, food: "sr28:01079"}}
choices: {kind: {plain: as written, other: {milk: {food: "sr28:01085"}}}}
"""
WRITTEN, OTHER = "as written", "other"
A_LITTLE = 1e-6  # relative


@pytest.fixture(scope="module")
def two(tmp_path_factory, sr28) -> Amounts:
    """Compute the dish once."""
    path = tmp_path_factory.mktemp("claims") / "two.yaml"
    path.write_text(TWO, encoding="utf-8")
    return compute(build_grid(read_recipe(path), sr28))


def dish(two, other, written=None, *, weight=100.0, reference=100.0, judged_as="food", gaps=(), missing=()) -> Amounts:
    """Make a dish of one serving: amounts by component in the serving of each variant, 0 where not named."""
    amounts = two
    recipe = amounts.recipe.model_copy(update={"reference_amount": reference, "judged_as": judged_as})
    batch, share = amounts.data["per_batch"] * 0.0, amounts.data["valued_share"] * 0.0 + 1.0
    batch, share = batch.fillna(0.0), share.fillna(1.0)
    for variant, held in (("plain", other if written is None else written), ("other", other)):
        for component, value in held.items():
            batch.loc[{"kind": variant, "component": component}] = value
    for component in (*gaps, *missing):
        share.loc[{"component": component}] = 0.5
    for component in missing:
        batch.loc[{"component": component}] = np.nan
    cooked = amounts.data["cooked_g"] * 0.0 + weight
    data = amounts.data.assign(per_batch=batch, valued_share=share, cooked_g=cooked)
    return replace(amounts, grid=replace(amounts.grid, recipe=recipe), data=data)


@pytest.fixture
def exact(monkeypatch):
    """Take every amount as known exactly, or with the relative standard error that a test sets."""
    errors = {"relative": 0.0}

    def certain(amounts, basis="serving", question="mean"):
        per = amounts.per(basis)
        error = per * errors["relative"]
        return SimpleNamespace(amount=per, error=error, difference_error=2**0.5 * error)

    def certain_index(amounts, index, components, question="mean"):
        value = index(amounts)
        return SimpleNamespace(amount=value, error=value * errors["relative"])

    monkeypatch.setattr(claim_measures, "certainty_of", certain)
    monkeypatch.setattr(claim_measures, "index_certainty", certain_index)
    return errors


def row(amounts, regime, claim, variant=OTHER):
    """Give the verdict on one claim of one variant."""
    table = judge_claims(amounts, regime)
    found = claim_verdicts(table[(table["variant"] == variant) & (table["claim"] == claim)])
    assert len(found) == 1
    return found.iloc[0]


def word(amounts, regime, claim, variant=OTHER) -> str:
    """Give the verdict in a word."""
    return row(amounts, regime, claim, variant)["word"]


def at_most(limit):
    """Give what keeps an upper limit and what does not."""
    return (limit, "met"), (limit * (1 + A_LITTLE), "not met")


def below(limit):
    """Give what keeps a strict upper limit and what does not."""
    return (limit * (1 - A_LITTLE), "met"), (limit, "not met")


def at_least(limit):
    """Give what keeps a lower limit and what does not."""
    return (limit, "met"), (limit * (1 - A_LITTLE), "not met")


def above(limit):
    """Give what keeps a strict lower limit and what does not."""
    return (limit * (1 + A_LITTLE), "met"), (limit, "not met")


def edges(*rows):
    """Write out (regime, food, claim, component, edge, limit) as one case for each side of the limit."""
    return [
        pytest.param(regime, food, claim, component, value, expected, id=f"{regime} {food} {claim} {value:.9g}")
        for regime, foods, claim, component, edge, limit in rows
        for food in foods
        for value, expected in edge(limit)
    ]


FOOD, DISHES = ("food",), ("main dish", "meal")
CA_FOOD, CA_MEAL = ("food", "main dish"), ("meal",)
ALL = ("food", "main dish", "meal")


@pytest.mark.parametrize(
    ("regime", "food", "claim", "component", "value", "expected"),
    edges(
        ("US", FOOD, "calorie_free", "ENERC_KCAL", below, 5),
        ("US", FOOD, "low_calorie", "ENERC_KCAL", at_most, 40),
        ("US", DISHES, "low_calorie", "ENERC_KCAL", at_most, 120),
        ("US", ALL, "sugar_free", "SUGAR", below, 0.5),
        ("US", ALL, "fat_free", "FAT", below, 0.5),
        ("US", ALL, "low_fat", "FAT", at_most, 3),
        ("US", ALL, "saturated_fat_free", "FASAT", below, 0.5),
        ("US", ALL, "saturated_fat_free", "FATRN", below, 0.5),
        ("US", ALL, "low_saturated_fat", "FASAT", at_most, 1),
        ("US", ALL, "cholesterol_free", "CHOLE", below, 2),
        ("US", ALL, "cholesterol_free", "FASAT", at_most, 2),
        ("US", ALL, "low_cholesterol", "CHOLE", at_most, 20),
        ("US", ALL, "low_cholesterol", "FASAT", at_most, 2),
        ("US", ALL, "sodium_free", "NA", below, 5),
        ("US", ALL, "very_low_sodium", "NA", at_most, 35),
        ("US", ALL, "low_sodium", "NA", at_most, 140),
        ("US", DISHES, "light_in_sodium", "NA", at_most, 140),
        ("US", FOOD, "high_ca", "CA", at_least, 260),
        ("US", FOOD, "good_source_ca", "CA", at_least, 130),
        ("US", FOOD, "good_source_ca", "CA", below, 260),
        ("US", FOOD, "high_fibtg", "FIBTG", at_least, 5.6),
        ("US", FOOD, "good_source_fibtg", "FIBTG", at_least, 2.8),
        ("US", FOOD, "good_source_fibtg", "FIBTG", below, 5.6),
        ("US", FOOD, "disclosure_fat", "FAT", above, 13),
        ("US", FOOD, "disclosure_saturated_fat", "FASAT", above, 4),
        ("US", FOOD, "disclosure_cholesterol", "CHOLE", above, 60),
        ("US", FOOD, "disclosure_sodium", "NA", above, 480),
        ("US", ("main dish",), "disclosure_fat", "FAT", above, 19.5),
        ("US", ("main dish",), "disclosure_saturated_fat", "FASAT", above, 6),
        ("US", ("main dish",), "disclosure_cholesterol", "CHOLE", above, 90),
        ("US", ("main dish",), "disclosure_sodium", "NA", above, 720),
        ("US", ("meal",), "disclosure_fat", "FAT", above, 26),
        ("US", ("meal",), "disclosure_saturated_fat", "FASAT", above, 8),
        ("US", ("meal",), "disclosure_cholesterol", "CHOLE", above, 120),
        ("US", ("meal",), "disclosure_sodium", "NA", above, 960),
        ("CA", ALL, "free_of_energy", "ENERC_KCAL", below, 5),
        ("CA", CA_FOOD, "low_in_energy", "ENERC_KCAL", at_most, 40),
        ("CA", CA_MEAL, "low_in_energy", "ENERC_KCAL", at_most, 120),
        ("CA", ALL, "source_of_energy", "ENERC_KCAL", at_least, 100),
        ("CA", ALL, "low_in_protein", "PROCNT", at_most, 1),
        ("CA", ALL, "free_of_fat", "FAT", below, 0.5),
        ("CA", ALL, "low_in_fat", "FAT", at_most, 3),
        ("CA", ALL, "free_of_saturated", "FASAT", below, 0.2),
        ("CA", ALL, "free_of_saturated", "FATRN", below, 0.2),
        ("CA", ALL, "low_in_saturated", "FASAT", at_most, 2),
        ("CA", ALL, "low_in_saturated", "FATRN", at_most, 2),
        ("CA", ALL, "free_of_trans", "FATRN", below, 0.2),
        ("CA", ALL, "free_of_trans", "FASAT", at_most, 2),
        ("CA", ALL, "free_of_cholesterol", "CHOLE", below, 2),
        ("CA", ALL, "free_of_cholesterol", "FASAT", at_most, 2),
        ("CA", ALL, "low_in_cholesterol", "CHOLE", at_most, 20),
        ("CA", ALL, "low_in_cholesterol", "FASAT", at_most, 2),
        ("CA", ALL, "free_of_sodium", "NA", below, 5),
        ("CA", ALL, "low_in_sodium", "NA", at_most, 140),
        ("CA", CA_FOOD, "free_of_sugars", "SUGAR", below, 0.5),
        ("CA", CA_FOOD, "free_of_sugars", "ENERC_KCAL", below, 5),
        ("CA", ALL, "source_of_fibre", "FIBTG", at_least, 2),
        ("CA", ALL, "high_source_of_fibre", "FIBTG", at_least, 4),
        ("CA", ALL, "very_high_source_of_fibre", "FIBTG", at_least, 6),
        ("CA", ALL, "source_of_ca", "CA", at_least, 65),
        ("CA", ALL, "good_source_of_ca", "CA", at_least, 195),
        ("CA", ALL, "excellent_source_of_ca", "CA", at_least, 325),
        ("CA", ALL, "source_of_vitc", "VITC", at_least, 4.5),
        ("CA", ALL, "good_source_of_vitc", "VITC", at_least, 27),
        ("CA", ALL, "excellent_source_of_vitc", "VITC", at_least, 45),
    ),
)
def test_edge_of_an_amount(two, exact, regime, food, claim, component, value, expected):
    """100 g are serving, reference amount and 100 g at once; energy is high enough for every share, but where judged.

    At 1000 kcal, 3 g fat bring 2.7 % and 2 g saturated fat 1.8 % of the energy. Calcium: 130 mg are 10 % of the daily
    value of 1300 mg. Vitamin C: 4.5 mg are 5 % of 90 mg; Canada asks twice as much of it, 30 and 50 %. Fibre: 28 g.
    """
    needs_little = claim in ("free_of_sugars",)
    energy = {"ENERC_KCAL": 1.0 if needs_little else 1000.0}
    amounts = dish(two, energy | {component: value}, judged_as=food)
    assert word(amounts, regime, claim) == expected


@pytest.mark.parametrize(
    ("regime", "food", "claim", "component", "value", "expected"),
    edges(
        ("US", DISHES, "low_fat", "FAT", at_most, 3.0),
        ("CA", CA_MEAL, "low_in_fat", "FAT", at_most, 3.0),
    ),
)
def test_edge_of_the_share_of_fat(two, exact, regime, food, claim, component, value, expected):
    """3 g fat bring 27 kcal, 30 % of 90 kcal; the same share, whatever the weight."""
    amounts = dish(two, {"ENERC_KCAL": 90.0, component: value}, weight=200, reference=200, judged_as=food)
    assert word(amounts, regime, claim) == expected


@pytest.mark.parametrize(
    ("regime", "food", "claim", "component", "value", "expected"),
    edges(
        ("US", FOOD, "low_saturated_fat", "FASAT", at_most, 0.5),
        ("US", DISHES, "low_saturated_fat", "FASAT", below, 1 / 3),
        ("CA", ALL, "low_in_saturated", "FASAT", at_most, 0.5),
        ("CA", ALL, "free_of_cholesterol", "FATRN", at_most, 0.5),
    ),
)
def test_edge_of_the_share_of_saturated_fat(two, exact, regime, food, claim, component, value, expected):
    """At 30 kcal, 0.5 g bring 4.5 kcal, 15 %; 1/3 g brings 3 kcal, 10 %. Canada counts trans fat in."""
    assert word(dish(two, {"ENERC_KCAL": 30.0, component: value}, judged_as=food), regime, claim) == expected


REDUCED = [
    # regime, foods, claim, component, limit of low, percent
    ("US", FOOD, "reduced_calorie", "ENERC_KCAL", 40, 25),
    ("US", DISHES, "reduced_calorie", "ENERC_KCAL", 120, 25),
    ("US", ALL, "reduced_fat", "FAT", 3, 25),
    ("US", ALL, "reduced_saturated_fat", "FASAT", 1, 25),
    ("US", ALL, "reduced_cholesterol", "CHOLE", 20, 25),
    ("US", ALL, "reduced_sodium", "NA", 140, 25),
    ("US", ALL, "reduced_sugar", "SUGAR", None, 25),
    ("US", FOOD, "light_in_sodium", "NA", 140, 50),
    ("CA", CA_FOOD, "reduced_in_energy", "ENERC_KCAL", 40, 25),
    ("CA", CA_MEAL, "reduced_in_energy", "ENERC_KCAL", 120, 25),
    ("CA", ALL, "reduced_in_fat", "FAT", 3, 25),
    ("CA", ALL, "reduced_in_saturated", "FASAT", 2, 25),
    ("CA", ALL, "reduced_in_cholesterol", "CHOLE", 20, 25),
    ("CA", ALL, "reduced_in_sodium", "NA", 140, 25),
]


@pytest.mark.parametrize(
    ("regime", "food", "claim", "component", "low", "percent"),
    [(regime, food, *rest) for regime, foods, *rest in REDUCED for food in foods],
)
def test_edge_of_a_reduction(two, exact, regime, food, claim, component, low, percent):
    """A quarter (or half) less than a recipe as written that is itself just above low, or at low."""
    energy = {"ENERC_KCAL": 5000.0}
    written = 8.0 if low is None else low * (1 + A_LITTLE)
    kept = 1 - percent / 100

    def judged(other, base):
        amounts = dish(two, energy | {component: other}, energy | {component: base}, judged_as=food)
        return word(amounts, regime, claim)

    assert judged(kept * written, written) == "met"
    assert judged(kept * written * (1 + 2 * A_LITTLE), written) == "not met"
    if low is not None:
        assert judged(0.0, low) == "not met"


def test_a_reference_food_is_low_in_saturated_fat_only_with_its_share(two, exact):
    """Canada: 1 g saturated fat is low at 1000 kcal (0.9 %), not at 30 kcal (30 %)."""
    for energy, expected in ((1000.0, "not met"), (30.0, "met")):
        written = {"ENERC_KCAL": energy, "FASAT": 1.0}
        assert word(dish(two, written | {"FASAT": 0.5}, written), "CA", "reduced_in_saturated") == expected


def test_less_saturated_fat_must_not_be_more_trans_fat(two, exact):
    """Canada: 25 % less saturated fat, and no more trans fat than as written."""
    written = {"ENERC_KCAL": 1000.0, "FASAT": 8.0, "FATRN": 1.0}
    for trans, expected in ((1.0, "met"), (1.0 + A_LITTLE, "not met")):
        other = written | {"FASAT": 6.0, "FATRN": trans}
        assert word(dish(two, other, written), "CA", "reduced_in_saturated") == expected


@pytest.mark.parametrize(("sugars", "expected"), [(15.0, "met"), (15.0001, "not met")])
def test_reduced_sugars_in_canada_are_5_g_less_as_well(two, exact, sugars, expected):
    """20 g as written: 15 g are 25 % and 5 g less. Of 16 g, 12 g are 25 % less, but only 4 g."""
    assert word(dish(two, {"SUGAR": sugars}, {"SUGAR": 20.0}), "CA", "reduced_in_sugars") == expected
    assert word(dish(two, {"SUGAR": 12.0}, {"SUGAR": 16.0}), "CA", "reduced_in_sugars") == "not met"


@pytest.mark.parametrize("food", ALL)
@pytest.mark.parametrize(
    ("claim", "component", "written", "enough"),
    [("more_fibre", "FIBTG", 8.0, 10.0), ("more_fibre", "FIBTG", 2.0, 3.0),
     ("more_energy", "ENERC_KCAL", 800.0, 1000.0), ("more_energy", "ENERC_KCAL", 200.0, 300.0)],
)  # fmt: skip
def test_edge_of_more_in_canada(two, exact, food, claim, component, written, enough):
    """25 % more, and at least 1 g fibre or 100 kcal more: whichever is the greater."""
    for value, expected in at_least(enough):
        amounts = dish(two, {component: value}, {component: written}, judged_as=food)
        assert word(amounts, "CA", claim) == expected


@pytest.mark.parametrize("food", ALL)
@pytest.mark.parametrize(("component", "tenth"), [("CA", 130.0), ("FIBTG", 2.8)])
def test_edge_of_more_in_the_us(two, exact, food, component, tenth):
    """10 % of the daily value more than as written: 130 mg of 1300 mg calcium, 2.8 of 28 g fibre."""
    for value, expected in at_least(50 + tenth):
        amounts = dish(two, {component: value}, {component: 50.0}, judged_as=food)
        assert word(amounts, "US", f"more_{component.lower()}") == expected


@pytest.mark.parametrize(
    ("fat", "energy", "written_fat", "written_energy", "expected"),
    [
        (10.0, 100.0, 20.0, 200.0, "met"),  # half the fat; 90 % of the energy is fat
        (10.0001, 100.0, 20.0, 200.0, "not met"),  # so a third of the energy less does not help
        (8.0, 200.0, 10.0, 300.0, "met"),  # 36 % of the energy is fat, and a third of the energy less
        (8.0, 200.001, 10.0, 300.0, "not met"),
        (10.0, 180.0, 12.0, 360.0, "not met"),  # exactly 50 % of the energy is fat: not less
        (1.5, 20.0, 3.0, 40.0, "not met"),  # low in both as written
        (1.5, 20.0, 3.0, 40.01, "met"),  # not low in calories
        (1.5005, 20.0, 3.001, 40.0, "met"),  # not low in fat
    ],
)
def test_light_in_the_us(two, exact, fat, energy, written_fat, written_energy, expected):
    """21 CFR 101.56(b): the fat halved; or a third of the energy less, where less than half of it is fat."""
    written = {"FAT": written_fat, "ENERC_KCAL": written_energy}
    assert word(dish(two, {"FAT": fat, "ENERC_KCAL": energy}, written), "US", "light") == expected


@pytest.mark.parametrize(
    ("fat", "energy", "expected"),
    [(9.0, 120.0, "met"), (3.0, 120.01, "met"), (3.01, 120.01, "not met"), (5.0, 90.0, "met"), (4.0, 121.0, "not met")],
)
def test_a_light_meal_is_low_in_calories_or_in_fat(two, exact, fat, energy, expected):
    """21 CFR 101.56(d): 120 kcal, or 3 g fat that bring at most 30 % of the energy, in 100 g."""
    assert word(dish(two, {"FAT": fat, "ENERC_KCAL": energy}, judged_as="meal"), "US", "light") == expected


@pytest.mark.parametrize(
    ("fat", "energy", "expected"),
    [(7.5, 500.0, "met"), (7.51, 500.0, "not met"), (10.0, 375.0, "met"), (10.0, 375.1, "not met")],
)
@pytest.mark.parametrize("food", ALL)
def test_light_in_canada_is_reduced_in_fat_or_in_energy(two, exact, food, fat, energy, expected):
    """A quarter less than 10 g fat or 500 kcal."""
    amounts = dish(two, {"FAT": fat, "ENERC_KCAL": energy}, {"FAT": 10.0, "ENERC_KCAL": 500.0}, judged_as=food)
    assert word(amounts, "CA", "light") == expected


@pytest.mark.parametrize(
    ("regime", "claim", "other", "edge", "component", "limit"),
    [
        ("CA", "calcium_and_bone", {}, at_least, "CA", 200),
        ("CA", "high_calcium_and_bone", {}, at_least, "CA", 275),
        ("CA", "calcium_vitamin_d_and_bone", {"CA": 200}, at_least, "VITD", 1.25),
        ("CA", "potassium_and_blood_pressure", {}, at_least, "K", 350),
        ("CA", "potassium_and_blood_pressure", {"K": 350}, at_most, "NA", 140),
        ("CA", "saturated_fat_and_heart", {}, at_most, "NA", 480),
        ("CA", "saturated_fat_and_heart", {}, at_most, "CHOLE", 100),
        ("CA", "saturated_fat_and_heart", {}, at_most, "FASAT", 2),
    ],
)
def test_a_health_claim_is_never_called_met(two, exact, regime, claim, other, edge, component, limit):
    """The regulation asks for more than the numbers; that the numbers fail can be told."""
    for value, expected in edge(limit):
        found = row(dish(two, {"ENERC_KCAL": 1000.0} | other | {component: value}), regime, claim)
        assert found["word"] == {"met": "cannot tell"}.get(expected, expected)
        assert ("its numbers are met; not judged:" in found["why"]) == (expected == "met")


@pytest.mark.parametrize(
    ("claim", "component", "limit"),
    [("calcium_and_bone", "CA", 300), ("high_calcium_and_bone", "CA", 400), ("saturated_fat_and_heart", "NA", 960)],
)
def test_health_claims_of_a_meal(two, exact, claim, component, limit):
    """Meals have limits of their own, per serving."""
    edge = at_most if component == "NA" else at_least
    for value, expected in edge(limit):
        found = row(dish(two, {"ENERC_KCAL": 1000.0, component: value}, judged_as="meal"), "CA", claim)
        assert (found["word"] == "cannot tell") == (expected == "met")


@pytest.mark.parametrize(
    ("regime", "claim", "sodium", "weight", "reference", "expected"),
    [
        ("CA", "low_in_sodium", 140.0, 200.0, 100.0, "met"),  # 140 a serving, 70 in the reference amount
        ("CA", "low_in_sodium", 140.0, 50.0, 100.0, "not met"),  # 140 a serving, 280 in the reference amount
        ("CA", "low_in_sodium", 150.0, 200.0, 100.0, "not met"),  # 75 in the reference amount, but 150 a serving
        ("US", "low_sodium", 150.0, 200.0, 100.0, "met"),  # the US asks for the reference amount only
        ("US", "sodium_free", 6.0, 200.0, 100.0, "not met"),  # free: both
        ("US", "disclosure_sodium", 500.0, 200.0, 100.0, "met"),  # disclosure: either
        ("US", "disclosure_sodium", 250.0, 50.0, 100.0, "met"),
        ("US", "disclosure_sodium", 470.0, 100.0, 100.0, "not met"),
    ],
)
def test_serving_and_reference_amount(two, exact, regime, claim, sodium, weight, reference, expected):
    """Sodium [mg] in a serving of a weight [g], and a reference amount [g]."""
    amounts = dish(two, {"NA": sodium}, weight=weight, reference=reference)
    assert word(amounts, regime, claim) == expected


@pytest.mark.parametrize(
    ("reference", "sodium", "expected"),
    [(30.0, 84.0, "met"), (30.0, 84.01, "not met"), (30.01, 84.01, "met"), (30.01, 139.0, "met")],
)
def test_small_reference_amounts_are_judged_per_50_g(two, exact, reference, sodium, expected):
    """84 mg in 30 g are 140 mg in 50 g. Beyond 30 g only the reference amount counts."""
    amounts = dish(two, {"NA": sodium}, weight=30.0, reference=reference)
    assert word(amounts, "US", "low_sodium") == word(amounts, "CA", "low_in_sodium") == expected


def test_a_disclosure_of_a_small_food_is_judged_per_50_g(two, exact):
    """300 mg sodium in 30 g are 500 mg in 50 g: more than 480."""
    assert word(dish(two, {"NA": 300.0}, weight=30, reference=30.0), "US", "disclosure_sodium") == "met"
    assert word(dish(two, {"NA": 300.0}, weight=31, reference=31.0), "US", "disclosure_sodium") == "not met"


def test_without_a_reference_amount_nobody_can_tell(two, exact):
    """The numbers per serving are shown; that a serving exceeds a limit suffices to fail or to disclose."""
    amounts = dish(two, {"NA": 100.0}, reference=None)
    found = row(amounts, "US", "low_sodium")
    assert (found["word"], found["why"]) == ("cannot tell", NO_REFERENCE_AMOUNT)
    assert found["numbers"] == (
        "Sodium: 100 mg per serving (reference amount not stated) (90 % interval 100 to 100), "
        "the rule says at most 140 mg"
    )
    assert word(dish(two, {"NA": 141.0}, reference=None), "CA", "low_in_sodium") == "not met"
    assert word(dish(two, {"NA": 481.0}, reference=None), "US", "disclosure_sodium") == "met"
    assert word(dish(two, {"NA": 400.0}, reference=None), "US", "disclosure_sodium") == "cannot tell"
    assert word(dish(two, {"NA": 140.0}, reference=None, judged_as="meal"), "US", "low_sodium") == "met"


@pytest.mark.parametrize(
    ("claim", "component", "value", "expected"),
    [
        ("low_in_sodium", "NA", 100.0, "cannot tell"),  # more may come
        ("low_in_sodium", "NA", 141.0, "not met"),  # a lower bound above a maximum
        ("source_of_fibre", "FIBTG", 2.0, "met"),  # a lower bound above a minimum
        ("source_of_fibre", "FIBTG", 1.9, "cannot tell"),
        ("low_in_saturated", "FATRN", 0.0, "cannot tell"),
        ("low_in_saturated", "FATRN", 2.1, "not met"),
    ],
)
def test_a_lower_bound(two, exact, claim, component, value, expected):
    """What is missing can only add."""
    amounts = dish(two, {"ENERC_KCAL": 1000.0, component: value}, gaps=[component])
    assert word(amounts, "CA", claim) == expected


def test_nothing_known(two, exact):
    """A component without any value tells nothing, alone or in a sum, unless what is known of the sum exceeds."""
    found = row(dish(two, {}, missing=["NA"]), "US", "low_sodium")
    assert (found["verdict"], found["why"]) == (Verdict.GAPS, "some values are missing")
    assert found["numbers"] == "Sodium: not known, the rule says at most 140 mg"
    held = {"ENERC_KCAL": 1000.0, "FASAT": 1.0}
    assert word(dish(two, held, missing=["FATRN"]), "CA", "low_in_saturated") == "cannot tell"
    assert word(dish(two, held | {"FASAT": 2.1}, missing=["FATRN"]), "CA", "low_in_saturated") == "not met"


def test_ratios_and_differences_of_lower_bounds_tell_nothing(two, exact):
    """Unknown energy may dilute a share; unknown sodium may be in either of two variants."""
    held = {"ENERC_KCAL": 100.0, "FAT": 3.0}
    assert word(dish(two, held, gaps=["ENERC_KCAL"], judged_as="meal"), "US", "low_fat") == "cannot tell"
    amounts = dish(two, {"NA": 10.0}, {"NA": 900.0}, gaps=["NA"])
    assert word(amounts, "US", "reduced_sodium") == "cannot tell"


def test_less_than_nothing(two, exact):
    """A percentage of 0 says nothing, and the table says why."""
    found = row(dish(two, {"SUGAR": 0.0}), "US", "reduced_sugar")
    assert (found["word"], found["why"]) == ("cannot tell", NOTHING_TO_COMPARE)


@pytest.mark.parametrize(
    ("sodium", "verdict", "why"),
    [
        (119.0, Verdict.MET, ""),  # 119 + 1.645 × 11.9 = 138.6
        (130.0, Verdict.MEAN_HOLDS, "the mean holds, but not safely: the limit lies within the interval"),
        (150.0, Verdict.MEAN_FAILS, "the mean fails, but the limit lies within the interval"),
        (170.0, Verdict.NOT_MET, ""),  # 170 - 1.645 × 17 = 142.0
    ],
)
def test_the_interval_decides(two, exact, sodium, verdict, why):
    """140 mg against a mean with a standard error of a tenth."""
    exact["relative"] = 0.1
    found = row(dish(two, {"NA": sodium}), "US", "low_sodium")
    assert (found["verdict"], found["why"]) == (verdict, why)


def test_a_percentage_of_a_daily_value_has_the_error_of_the_amount(two, exact):
    """390 ± 39 mg calcium of 1300 mg are 30 ± 3 %, and so are 300 ± 30 mg of another variant 23.1 ± 2.3 %."""
    exact["relative"] = 0.1
    amounts = dish(two, {"CA": 300.0}, {"CA": 390.0})
    table = judge_claims(amounts, "US")
    of = table[(table["claim"] == "high_ca") & (table["measure"] == "percent of daily value")].set_index("variant")
    assert of.loc[WRITTEN, ["amount", "standard_error"]].tolist() == pytest.approx([30.0, 3.0])
    assert of.loc[OTHER, ["amount", "standard_error"]].tolist() == pytest.approx([3000 / 130, 300 / 130])


def test_the_error_of_a_reduction_by_hand(two, exact):
    """As written 400 mg ± 40, the other 200 mg ± 20; their difference ± √(40² + 20²): the two share nothing.

    Against 25 %: margin 200 - 0.75 · 400 = -100 mg, error √(20² + (0.75 · 40)²) = 36.06 mg: of 400 mg, 25 % more
    than the 25 % asked for, with an error of 9.014 %. 50 - 1.645 · 9.014 = 35.2 %: met.
    """
    exact["relative"] = 0.1
    amounts = dish(two, {"NA": 200.0}, {"NA": 400.0})
    meter = claim_measures.Meter(amounts, "US")
    basis = meter.bases["serving"]
    apart = np.array([0.0, (40**2 + 20**2) ** 0.5])
    meter.bases["serving"] = replace(basis, difference_error={"NA": apart})
    less = meter.percent_apart("NA", "serving", 25.0, -1)
    assert less.value[1] == pytest.approx(50.0)
    assert less.error[1] == pytest.approx(100 * (20**2 + 30**2) ** 0.5 / 400)


def test_an_energy_share_of_nothing_known_is_missing(two, exact):
    """Of 100 kcal with 2 g saturated fat, 18 % come from it; with no value for either part it is not 0 %."""
    held = {"ENERC_KCAL": 100.0, "FASAT": 2.0}
    known = claim_measures.Meter(dish(two, held, missing=("FATRN",)), "US").energy_share("FASAT+FATRN")
    assert known.value == pytest.approx([18.0, 18.0])
    missing = claim_measures.Meter(dish(two, held, missing=("FASAT", "FATRN")), "US").energy_share("FASAT+FATRN")
    assert np.isnan(missing.value).all()


def test_what_two_variants_share_cancels_in_a_reduction(two, exact):
    """Errors that move both alike (v = w/2, difference ± 20) leave a margin ± (0.75 · 40 - 20) = 10 mg."""
    exact["relative"] = 0.1
    meter = claim_measures.Meter(dish(two, {"NA": 200.0}, {"NA": 400.0}), "US")
    basis = meter.bases["serving"]
    meter.bases["serving"] = replace(basis, difference_error={"NA": np.array([0.0, 20.0])})
    less = meter.percent_apart("NA", "serving", 25.0, -1)
    assert less.error[1] == pytest.approx(100 * 10 / 400)


def test_errors_of_a_real_recipe(computed):
    """The amounts of a claim are those of the recipe, with its errors: 100 g milk, whose food has 47 mg sodium."""
    table = judge_claims(computed(TWO.replace("servings: 1", "servings: 1\nreference amount: 250 g")), "US")
    of = table[(table["claim"] == "low_sodium") & (table["variant"] == WRITTEN)].iloc[0]
    assert (of["amount"], of["basis"], of["unit"]) == (pytest.approx(2.5 * 47), "reference amount", "mg")
    assert of["low_90"] < of["amount"] < of["high_90"]
    assert of["high_90"] - of["amount"] == pytest.approx(1.6448536 * of["standard_error"])


def test_the_recipe_as_written_is_not_compared_with_itself(two, exact):
    """Comparative claims are listed for the others only."""
    table = judge_claims(dish(two, {"NA": 1.0}), "US")
    assert set(table.loc[table["kind"] == COMPARATIVE, "variant"]) == {OTHER}
    assert set(table["variant"]) == {WRITTEN, OTHER}


def test_only_some_variants(two, exact):
    """Labels choose what is listed, in their order; the verdicts are the same."""
    amounts = dish(two, {"NA": 150.0}, {"NA": 100.0})
    whole = judge_claims(amounts, "US")
    some = judge_claims(amounts, "US", labels=[OTHER])
    assert some.equals(whole[whole["variant"] == OTHER].reset_index(drop=True))
    assert list(front_of_pack(amounts, labels=[OTHER])["variant"]) == [OTHER] * 3
    with pytest.raises(SwaptableError, match="found variant 'othr'; expected one of as written, other; did you mean"):
        judge_claims(amounts, "US", labels=["othr"])


def test_daily_values_make_claims_on_vitamins_and_minerals(two, exact):
    """Each that has a daily value, but sodium; potassium has rules of its own in Canada; protein needs its quality."""
    amounts = dish(two, {})
    for regime, claim in (("US", "high"), ("CA", "excellent_source_of")):
        named = {name for name in judge_claims(amounts, regime)["claim"] if name.startswith(f"{claim}_")}
        assert f"{claim}_ca" in named
        assert (f"{claim}_k" in named) == (regime == "US")
        assert f"{claim}_na" not in named
        assert f"{claim}_procnt" not in named
    assert row(amounts, "US", "high_vita_rae")["title"] == "high in vitamin A (RAE)"


def test_a_dish_is_no_good_source(two, exact):
    """Of a US meal or main dish only one food in it may be called a good source: no verdict, but a reason."""
    for food in DISHES:
        named = set(judge_claims(dish(two, {"CA": 1300.0}, judged_as=food), "US")["claim"])
        assert not {name for name in named if name.startswith(("high_", "good_source_"))}
        reasons = not_judged("US", food).set_index("claim")
        assert reasons.loc["high", "status"] == "not judged"
        assert "one food in it" in reasons.loc["good_source", "reason"]
    assert "high" not in set(not_judged("US", "food")["claim"])


def test_what_is_not_permitted_is_told():
    """Canada has no very low sodium and no excellent source of fibre; low sugar is defined in neither country."""
    status = not_judged("CA", "food").set_index("claim")["status"]
    assert status["very_low_sodium"] == status["good_or_excellent_source_of_fibre"] == "not permitted"
    assert not_judged("US", "meal").set_index("claim").loc["low_sugar", "status"] == "not permitted"


@pytest.mark.parametrize(
    ("population", "component", "daily_value"),
    [
        ("age 4 and over", "FASAT", 20.0), ("age 4 and over", "SUGAR", 100.0), ("age 4 and over", "NA", 2300.0),
        ("age 1 to 3", "FASAT", 10.0), ("age 1 to 3", "SUGAR", 50.0), ("age 1 to 3", "NA", 1200.0),
    ],
)  # fmt: skip
@pytest.mark.parametrize(
    ("category", "judged_as", "percent"), [("small", "food", 10), ("general", "food", 15), ("main dish", "meal", 30)]
)
def test_edge_of_the_symbol(two, exact, population, component, daily_value, category, judged_as, percent):
    """At the threshold the symbol is needed, below it is not."""
    reference = {"small": 30.0, "general": 30.01, "main dish": 200.0}[category]
    for share, expected in ((percent, "met"), (percent * (1 - A_LITTLE), "not met")):
        held = {component: daily_value * share / 100}
        amounts = dish(two, held, weight=reference, reference=reference, judged_as=judged_as)
        found = front_of_pack(amounts, population).set_index(["variant", "component"]).loc[(OTHER, component)]
        assert (found["category"], found["word"]) == (category, expected)
        assert found["percent"] == pytest.approx(share)


@pytest.mark.parametrize(
    ("population", "reference", "judged_as", "category"),
    [
        ("age 4 and over", 199.99, "main dish", "general"), ("age 4 and over", 200.0, "main dish", "main dish"),
        ("age 4 and over", 200.0, "food", "general"), ("age 1 to 3", 170.0, "main dish", "main dish"),
        ("age 1 to 3", 169.99, "meal", "general"), ("age 4 and over", 30.0, "main dish", "small"),
    ],
)  # fmt: skip
def test_category_of_the_symbol(two, exact, population, reference, judged_as, category):
    """Small: at most 30 g. Main dish: from 200 g, or from 170 g for the youngest."""
    table = front_of_pack(dish(two, {}, reference=reference, judged_as=judged_as), population)
    assert set(table["category"]) == {category}


def test_the_greater_of_serving_and_reference_amount(two, exact):
    """300 mg sodium in a serving of 100 g: 600 mg in a reference amount of 200 g, 300 mg where that is 50 g."""
    for reference, sodium, basis in ((200.0, 600.0, "reference amount"), (50.0, 300.0, "serving")):
        table = front_of_pack(dish(two, {"NA": 300.0}, reference=reference))
        found = table.set_index(["variant", "component"]).loc[(OTHER, "NA")]
        assert (found["amount"], found["basis"], found["unit"]) == (pytest.approx(sodium), basis, "mg")
        assert found["percent"] == pytest.approx(100 * sodium / 2300)


def test_the_symbol_without_a_reference_amount(two, exact):
    """Neither threshold nor basis is known: the numbers of the serving, and no verdict."""
    table = front_of_pack(dish(two, {"NA": 2300.0}, reference=None)).set_index(["variant", "component"])
    found = table.loc[(OTHER, "NA")]
    assert (found["word"], found["why"]) == ("cannot tell", NO_REFERENCE_AMOUNT)
    assert (found["percent"], found["basis"]) == (pytest.approx(100.0), "serving")
    assert np.isnan(found["limit"])


def test_gaps_and_errors_of_the_symbol(two, exact):
    """A lower bound may reach the threshold, never stay below it; an interval across it tells nothing."""
    table = front_of_pack(dish(two, {"NA": 345.0, "SUGAR": 14.0}, gaps=["NA", "SUGAR"]))
    words = table[table["variant"] == OTHER].set_index("component")["word"]
    assert (words["NA"], words["SUGAR"]) == ("met", "cannot tell")
    exact["relative"] = 0.1
    table = front_of_pack(dish(two, {"NA": 346.0}))
    assert table.set_index(["variant", "component"]).loc[(OTHER, "NA"), "verdict"] == Verdict.MEAN_HOLDS


def test_exemptions_are_told(two, exact):
    """Each component names what may need no symbol all the same."""
    table = front_of_pack(dish(two, {})).set_index(["variant", "component"])
    assert "cheese" in table.loc[(OTHER, "NA"), "note"]
    assert set(front_of_pack_exemptions()["component"]) == {"FASAT", "SUGAR", "NA"}


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda a: judge_claims(a, "UK"), "found regime 'UK'; expected one of US, CA"),
        (lambda a: not_judged("us", "food"), "found regime 'us'; expected one of US, CA; did you mean 'US'"),
        (lambda a: front_of_pack(a, "age 2"), "found population 'age 2'; expected age 4 and over or age 1 to 3"),
    ],
)
def test_unknown_words(two, call, message):
    """What is not known is named with what is."""
    with pytest.raises(SwaptableError, match=message):
        call(two)


def test_the_tables_can_be_read():
    """Every row can be measured: known words, units and components; a rule appears once."""
    table = claim_conditions()
    assert not table.duplicated([c for c in table.columns if c not in ("note", "source", "checked")]).any()
    assert set(table["regime"]) == {"US", "CA"}
    assert set(table["operator"]) <= set(OPERATORS)
    assert set(table["checked"]) == {"seen", "from memory"}
    assert set(table["kind"]) == {"nutrient content", "comparative", "health", "disclosure"}
    assert table["value"].notna().all()
    assert (table["source"] != "").all()
    foods = {food for words in table["food"] for food in words.split(" or ")}
    assert foods == {"food", "main dish", "meal"}
    bases = {b for words in table["basis"] for b in words.replace(" and ", " or ").split(" or ")}
    assert bases == {"", "serving", "reference amount", "100 g", "50 g if small"}
    for tags in set(table["component"]) - {"*"}:
        assert component_label(tags) != tags
    assert ((table["unit"] == "%") == table["measure"].str.startswith("percent")).all()
    assert ((table["basis"] == "") == table["measure"].str.startswith("percent of energy")).all()
    assert set(claims_not_judged()["status"]) == {"not judged", "not permitted"}


def test_the_symbol_has_daily_values():
    """Each threshold names a daily value that both populations have."""
    rules = front_of_pack_rules()
    rules = rules[rules["kind"] == "threshold"]
    assert len(rules) == 18
    known = daily_values()
    for row_ in rules.itertuples():
        canada = known[(known["regime"] == "CA") & (known["population"] == row_.population)]
        assert row_.daily_value in set(canada["component"])
