"""What cooking does: which published row is taken, what stays, and what the food weighs afterwards.

Factors are those printed in the USDA Table of Nutrient Retention Factors, Release 6 (2007), and yields those of the
USDA Table of Cooking Yields for Meat and Poultry, Release 2 (2014), written out here again; the arithmetic is by hand.
"""

import math
from functools import cache

import numpy as np
import pandas as pd
import pytest

from swaptable.amounts.cooking import Cooking, cook_food, retention_for
from swaptable.amounts.yields import find_yield
from swaptable.basics.errors import SwaptableError
from swaptable.foods.cooking_factors import processes_for
from swaptable.foods.release import FoodRelease, open_release

CARROTS, POTATOES, BLACK_BEANS, COOKED_BLACK_BEANS, CANNED_BEANS = "11124", "11352", "16014", "16015", "16051"
SHOULDER_STEAK, GROUND_BEEF, CHICKEN_BREAST, HADDOCK, KALE = "23057", "13498", "05057", "15033", "11233"
PORK_ROAST, SALT, CANNED_POTATOES, WINE = "10225", "02047", "11374", "14084"


@cache
def sr28() -> FoodRelease:
    """Open SR28 once."""
    return open_release("sr28")


def cooked(code: str, cook: str | None, **stated: object) -> Cooking:
    """Cook a food of SR28."""
    return cook_food(sr28().food(code), sr28(), cook, **stated)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("food_class", "cook", "liquid", "detail", "process", "rows", "component", "share"),
    [
        ("root vegetable", "boiled", 0.0, None, "boiled", ("3455",), "VITC", 0.65),
        ("leafy vegetable", "boiled", 0.0, None, "boiled", ("3005",), "FOL", 0.60),
        ("leafy vegetable", "boiled", 0.0, "little water", "boiled", ("3004",), "FOL", 0.65),
        ("leafy vegetable", "boiled", 1.0, None, "boiled", ("3006",), "FOL", 0.75),
        ("leafy vegetable", "steamed", None, None, "steamed", ("3006-steamed",), "FOL", 0.75),
        ("potato", "baked", None, None, "baked", ("3302",), "FOL", 0.75),
        ("potato", "baked", None, "in skin", "baked", ("3301",), "FOL", 0.90),
        ("legume", "boiled", 0.0, None, "boiled", ("501",), "THIA", 0.65),
        ("legume", "boiled", 0.0, "cooked 45-75 min", "boiled", ("521",), "THIA", 0.60),
        ("rice", "boiled", 0.0, None, "cooked", ("431",), "K", 0.85),
        ("pasta", "boiled", 0.0, None, "boiled", ("381",), "NA", 0.50),
        ("breakfast cereal", "simmered", None, None, "cooked", ("358",), "FOL", 0.70),
        ("beef", "grilled", None, None, "broiled", ("602",), "THIA", 0.70),
        ("beef", "roasted", None, None, "roasted", ("601",), "THIA", 0.55),
        ("beef", "slow-cooked", 0.0, None, "braised", ("651",), "THIA", 0.45),
        ("chicken", "poached", 0.0, None, "simmered", ("855",), "NIA", 0.60),
        ("lean fish", "roasted", 0.0, None, "baked", ("2301",), "VITB12", 0.90),
        ("canned legume", "drained", None, None, "drained", ("canned-legume-drained",), "NA", 0.64),
        ("canned legume", "rinsed", None, None, "rinsed", ("canned-legume-rinsed",), "NA", 0.59),
        ("canned legume", "heated", None, None, "reheated", ("550-canned-legume",), "THIA", 0.95),
        ("alcoholic beverage", "simmered", None, None, "simmered", ("5005",), "ALC", 0.35),
        ("alcoholic beverage", "simmered", None, "1.5 h", "simmered", ("5007",), "ALC", 0.20),
    ],
)
def test_published_row_is_found(
    food_class: str, cook: str, liquid: float | None, detail: str | None, process: str, rows: tuple[str, ...],
    component: str, share: float,
) -> None:  # fmt: skip
    """Class, process, liquid and detail lead to the printed row and its factor (USDA Release 6, 2007)."""
    found = retention_for(food_class, cook, liquid, detail)
    assert found[:2] == (process, rows)
    assert found[2][component] == pytest.approx(share)


@pytest.mark.parametrize(
    ("food_class", "cook", "detail", "liquid", "rows", "component", "share"),
    [
        ("chicken", "simmered", None, 0.25, ("855", "856"), "K", 0.60 + 0.25 * (1.00 - 0.60)),  # 0.70
        ("legume", "boiled", None, 0.5, ("501", "502"), "K", 0.75 + 0.5 * (0.80 - 0.75)),  # 0.775
        ("legume", "boiled", "cooked 45-75 min", 0.2, ("521", "522"), "FOL", 0.45 + 0.2 * (0.50 - 0.45)),  # 0.46
        ("leafy vegetable", "boiled", None, 0.1, ("3005", "3006"), "VITC", 0.55 + 0.1 * (0.70 - 0.55)),  # 0.565
        ("lean fish", "simmered", None, 0.5, ("2401", "2402"), "CA", 0.90),  # as printed, less is kept with the liquid
    ],
)
def test_liquid_kept_in_part_is_interpolated(
    food_class: str, cook: str, detail: str | None, liquid: float, rows: tuple[str, str], component: str, share: float
) -> None:
    """Of what leached out, the share of the liquid that is kept stays: halfway between the rows at one half."""
    _, used, factors = retention_for(food_class, cook, liquid, detail)
    assert used == rows
    assert factors[component] == pytest.approx(share)


def test_a_liquid_that_does_not_matter_is_not_asked_for() -> None:
    """Where one row is printed without a word on the liquid it is taken whatever the recipe says."""
    found = [retention_for("beef", "broiled", liquid, None)[1] for liquid in (None, 0.0, 0.5, 1.0)]
    assert found == [("602",)] * 4


def test_class_none_has_no_factors() -> None:
    """Salt, water and fats have no row and no factor."""
    process, rows, factors = retention_for("none", "boiled", None, None)
    assert (process, rows) == ("boiled", ())
    assert factors.isna().all()


def test_salt_of_water_that_is_eaten_is_an_ingredient() -> None:
    """Where the liquid is kept, its salt is in the dish whole, and is no uptake."""
    with pytest.raises(SwaptableError, match=r"found 7 g/l, but the liquid is kept: list the salt") as raised:
        cooked("11352", "boiled", liquid=1.0, salted_water=7.0)
    assert raised.value.about == "salted_water"


@pytest.mark.parametrize(
    ("asked", "problem", "about"),
    [
        (
            ("legumes", "boiled", 0.0, None),
            r"found 'legumes'; expected a class: .*did you mean 'legume'\?",
            "food_class",
        ),
        (("legume", "boild", 0.0, None), r"found 'boild'; expected one of .*did you mean 'boiled'\?", ""),
        (("pasta", "fried", None, None), r"found 'fried'; factors for pasta are published for: baked, boiled", ""),
        (("legume", "boiled", None, None), r"'liquid' is missing for legume, boiled; expected kept, discarded", ""),
        (
            ("legume", "boiled", 0.0, "cooked 45 min"),
            r"found detail 'cooked 45 min'; expected for legume, boiled: cooked 15.*did you mean 'cooked 45-75 min'",
            "detail",
        ),
        (
            ("chicken", "roasted", None, "in skin"),
            "found detail 'in skin'; expected for chicken, roasted: no detail",
            "detail",
        ),
        (("shellfish", "baked", 0.0, None), "liquid discarded: shellfish, baked is published only for kept", "liquid"),
    ],
    ids=["class", "word", "process", "liquid missing", "detail", "no detail", "liquid"],
)
def test_what_is_not_published_is_named(
    asked: tuple[str, str, float | None, str | None], problem: str, about: str
) -> None:
    """An error names what was found, what is published and the field it is about."""
    with pytest.raises(SwaptableError, match=problem) as raised:
        retention_for(*asked)
    assert raised.value.about == about


def test_words_of_the_kitchen_lead_to_published_ones() -> None:
    """A cook's word is tried in the order of the table; a published word without an entry stands for itself."""
    assert processes_for("poached")[:2] == ("poached", "simmered")
    assert processes_for("grilled")[0] == "broiled"
    with pytest.raises(SwaptableError, match="found 'Boiled'; expected one of"):
        processes_for("Boiled")


def test_factors_are_handed_to_the_components_of_a_release() -> None:
    """Retinol takes the factor of vitamin A, added vitamin B-12 that of B-12; what is not published is NaN."""
    factors = pd.Series({"VITA_RAE": 0.75, "VITB12": 0.8, "K": 0.9})
    cooking = Cooking("beef", "roasted", None, ("601",), factors, 1.0, "", "", 0.0)
    shares = cooking.factor_for(pd.Index(["RETOL", "VITB12_ADDED", "K", "SE"]))
    assert shares[:3].tolist() == [0.75, 0.8, 0.9]
    assert np.isnan(shares[3])


@pytest.mark.parametrize("cook", [None, "not cooked"])
def test_a_food_that_is_not_cooked_keeps_all(cook: str | None) -> None:
    """Without cooking there is no row, no factor and no change of weight, as a fact."""
    cooking = cooked(CARROTS, cook)
    assert (cooking.rows, cooking.process, cooking.yield_factor) == ((), "", 1.0)
    assert cooking.yield_evidence == "measured"
    assert cooking.factors.isna().all()


@pytest.mark.parametrize("cook", ["boiled", "steamed", "baked", "fried"])
def test_cooked_data_are_not_cooked_again(cook: str) -> None:
    """A food whose data are for the cooked food is refused, with the ways out."""
    with pytest.raises(SwaptableError, match="are for the cooked food: its losses would count twice") as raised:
        cooked("11125", cook, liquid=0.0)  # carrots, boiled
    assert "say reheated" in str(raised.value)
    assert "sr28:11124 Carrots, raw" in str(raised.value)


def test_cooked_data_may_be_reheated() -> None:
    """Reheating has factors of its own, 95 % for thiamin in legumes (USDA Release 6, row 550)."""
    cooking = cooked(COOKED_BLACK_BEANS, "reheated")
    assert cooking.rows == ("550",)
    assert cooking.factors["THIA"] == pytest.approx(0.95)


def test_canned_beans_are_drained_rinsed_or_warmed() -> None:
    """Canned legumes are a class of their own: rinsing changes their sodium, heat only warms them through."""
    cooking = cooked(CANNED_BEANS, "rinsed")
    assert (cooking.food_class, cooking.rows) == ("canned legume", ("canned-legume-rinsed",))
    assert cooking.factors["NA"] == pytest.approx(0.59)
    assert cooking.factors.drop("NA").isna().all()
    assert cooked(CANNED_BEANS, "baked").rows == ("550-canned-legume",)  # warmed through: the row for reheating


def test_cooking_a_canned_food_says_that_factors_come_on_top() -> None:
    """Factors for a raw food used on canned data are noted, factors published from canned are not."""
    note = "data are for the canned food; the factors for boiled come on top"
    assert note in cooked(CANNED_POTATOES, "boiled", liquid=0.0).notes
    from_canned = cooked(CANNED_POTATOES, "boiled", liquid=1.0, detail="from canned")
    assert from_canned.rows == ("3371",)
    assert note not in from_canned.notes


def test_a_word_that_was_read_as_another_is_noted() -> None:
    """A published word that stands in for the cook's is said; the cook's own word is not."""
    assert "'grilled' read as the published 'broiled'" in cooked(SHOULDER_STEAK, "grilled").notes
    assert not any("read as" in note for note in cooked(SHOULDER_STEAK, "broiled").notes)


def test_a_food_without_factors_says_so() -> None:
    """Salt that is boiled with the rest keeps all, with a note."""
    cooking = cooked(SALT, "boiled", liquid=0.0)
    assert (cooking.food_class, cooking.rows, cooking.yield_factor) == ("none", (), 1.0)
    assert "no retention factors apply to this food; all components taken as kept" in cooking.notes


def test_food_class_of_the_recipe_wins() -> None:
    """A class stated in the recipe is used in place of the rule's."""
    cooking = cooked(CARROTS, "boiled", liquid=0.0, food_class="leafy vegetable")
    assert (cooking.food_class, cooking.rows) == ("leafy vegetable", ("3005",))


@pytest.mark.parametrize(
    ("code", "cook", "yield_factor"),
    [
        (SHOULDER_STEAK, "broiled", 0.76),
        (SHOULDER_STEAK, "grilled", 0.76),
        (CHICKEN_BREAST, "roasted", 0.72),
        (GROUND_BEEF, "roasted", 0.63),
        (GROUND_BEEF, "fried", (0.62 + 0.69) / 2),  # crumbles and patty
    ],
)
def test_a_cut_has_its_own_measured_yield(code: str, cook: str, yield_factor: float) -> None:
    """A cut that USDA weighed raw and cooked has that yield (USDA Cooking Yields, Release 2, 2014)."""
    cooking = cooked(code, cook)
    assert cooking.yield_factor == pytest.approx(yield_factor)
    assert (cooking.yield_evidence, "this cut" in cooking.yield_origin) == ("measured", True)


@pytest.mark.parametrize(
    ("code", "raw_water", "cooked_water"),
    [(BLACK_BEANS, 11.02, 65.74), (CARROTS, 88.29, 90.17)],
    ids=["black beans", "carrots"],
)
def test_a_food_with_raw_and_cooked_entries_has_its_own_yield(code: str, raw_water: float, cooked_water: float) -> None:
    """Solids stay: 100 g black beans with 88.98 g solids give 88.98 / 0.3426 = 259.7 g (water as in SR28, 2015)."""
    cooking = cooked(code, "boiled", liquid=0.0)
    assert cooking.yield_factor == pytest.approx((100 - raw_water) / (100 - cooked_water))
    assert (cooking.yield_evidence, "this food" in cooking.yield_origin) == ("calculated", True)


def test_other_foods_take_the_yield_of_their_class() -> None:
    """Haddock is in no pair; it takes the 85.5191 % of lean fish that are baked."""
    cooking = cooked(HADDOCK, "baked", liquid=0.0)
    assert cooking.yield_factor == pytest.approx(0.855191)
    assert "this food" not in cooking.yield_origin


def test_liquid_kept_leaves_the_weight_as_it_was() -> None:
    """With the liquid in the dish nothing is lost but what evaporates, which is assumed to be nothing."""
    for code in (BLACK_BEANS, CHICKEN_BREAST):
        cooking = cooked(code, "simmered", liquid=1.0)
        assert (cooking.yield_factor, cooking.yield_evidence) == (1.0, "assumed")


def test_liquid_kept_in_part_keeps_that_part_of_the_weight_lost() -> None:
    """Haddock that simmers down to 78 % and keeps half of its liquid weighs 0.78 + 0.5 × 0.22 = 0.89."""
    cooking = cooked(HADDOCK, "simmered", liquid=0.5)
    assert cooking.yield_factor == pytest.approx(0.89)
    assert "50% of the liquid kept" in cooking.yield_origin


def test_liquid_kept_in_part_counts_for_a_cut_too() -> None:
    """Chicken breast simmered to 77 % with half of the liquid kept weighs 0.77 + 0.5 × 0.23 = 0.885."""
    assert cooked(CHICKEN_BREAST, "simmered", liquid=0.5).yield_factor == pytest.approx(0.885)


def test_what_dry_heat_drives_off_is_gone() -> None:
    """Haddock baked weighs 85.5191 % whether or not the drippings are kept: the rest went up as steam."""
    found = [cooked(HADDOCK, "baked", liquid=liquid).yield_factor for liquid in (0.0, 0.5, 1.0)]
    assert found == pytest.approx([0.855191] * 3)


def test_braised_meat_without_a_cut_takes_the_simmered_yield_of_its_class() -> None:
    """Pork has no row for braising; braised it loses weight as simmered, 75.5 %, and does not stay as it was."""
    assert cooked(PORK_ROAST, "braised", liquid=0.0).yield_factor == pytest.approx(0.755)


def test_without_a_published_yield_the_weight_is_unchanged_and_assumed() -> None:
    """Stir-fried kale has no yield; that the weight stays is an assumption and says so."""
    cooking = cooked(KALE, "stir-fried")
    assert (cooking.yield_factor, cooking.yield_evidence) == (1.0, "assumed")
    assert cooking.yield_origin == "no yield published for leafy vegetable, stir-fried: weight unchanged"


@pytest.mark.parametrize("cook", ["broiled", None])
def test_a_yield_that_was_weighed_wins(cook: str | None) -> None:
    """A yield stated in the recipe is used in place of the published one and counts as measured."""
    cooking = cooked(SHOULDER_STEAK, cook, yield_factor=0.7)
    assert (cooking.yield_factor, cooking.yield_origin, cooking.yield_evidence) == (0.7, "recipe", "measured")


def test_find_yield_agrees_with_cooking() -> None:
    """The yield found by itself is the one that cooking uses."""
    food = sr28().food(POTATOES)
    factor, origin, evidence, _ = find_yield(food, sr28(), "potato", "boiled", "boiled", 0.0)
    cooking = cooked(POTATOES, "boiled", liquid=0.0)
    assert (factor, origin, evidence) == (cooking.yield_factor, cooking.yield_origin, cooking.yield_evidence)
    assert math.isfinite(factor)


def test_alcohol_leaves_wine_but_no_other_component() -> None:
    """Half an hour of simmering leaves 35 % of the alcohol and all of the potassium (USDA Release 6, row 5005)."""
    cooking = cooked(WINE, "simmered")
    assert (cooking.food_class, cooking.rows) == ("alcoholic beverage", ("5005",))
    assert (cooking.factors["ALC"], cooking.factors["K"]) == (0.35, 1.0)
