"""Density indices, quality, mineral ratios and the acid load, each by hand."""

from dataclasses import replace

import numpy as np
import pytest

from swaptable.amounts.certainty import certainty_of
from swaptable.amounts.nutrients import compute
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import DATA
from swaptable.foods.reference import index_terms
from swaptable.judging.density import chosen_density, nutrient_rich_foods_index
from swaptable.judging.index_table import index_table
from swaptable.judging.indices import (
    calcium_to_phosphorus,
    index_target,
    nutritional_quality,
    renal_acid_load,
    sodium_to_potassium,
)

MILK = 'title: Milk\nservings: 2\ningredients: {milk: {amount: 488 g, food: "sr28:01079"}}\n'
SALT = 'title: Salt\nservings: 1\ningredients: {salt: {amount: 1 g, food: "sr28:02047"}}\n'
OIL = 'title: Oil\nservings: 1\ningredients: {oil: {amount: 1 g, food: "sr28:04582"}}\n'
SQUASH = """
title: Squash
servings: 2
ingredients: {squash: {amount: 200 g, food: "sr28:11090"}}
choices:
  squash:
    broccoli: as written
    squash without a value for phosphorus: {squash: {food: "sr28:11870"}}
"""
POT = """
title: Pot
servings: 2
cooked weight: 300 g
ingredients:
  carrot: {amount: 200 g, food: "sr28:11124"}
  salt: {amount: 2 g, food: "sr28:02047"}
  milk: {amount: 100 g, food: "sr28:01079"}
choices:
  salt:
    salted: as written
    none: {salt: {amount: 0}}
"""


def test_index_by_hand(computed):
    """Index 9.3 of 2 % milk per 100 kcal (50 kcal in 100 g), each term from SR28's printed values.

    protein 3.30 g, fibre 0, vitamin A 190 IU, vitamin C 0.2 mg, vitamin E 0.03 mg, calcium 120 mg, iron 0.02 mg,
    magnesium 11 mg, potassium 140 mg; saturated fat 1.257 g, sugars 5.06 g, sodium 47 mg.
    """
    encouraged = 100 * (3.30 / 50 + 190 / 5000 + 0.2 / 60 + 0.03 / 20 + 120 / 1000 + 0.02 / 18 + 11 / 400 + 140 / 3500)
    limited = 100 * (1.257 / 20 + 5.06 / 125 + 47 / 2400)
    index = float(nutrient_rich_foods_index(computed(MILK)))
    assert index == pytest.approx(2 * (encouraged - limited), rel=1e-12)


def test_index_caps_what_is_encouraged(computed):
    """Carrots hold over 100 % of vitamin A in 100 kcal; it counts as 100, so doubling it changes nothing."""
    text = 'title: Carrots\nservings: 1\ningredients: {carrot: {amount: 100 g, food: "sr28:11124"}}\n'
    amounts = computed(text)
    per = amounts.per("100 kcal")
    assert float(per.sel(component="VITA_IU")) > 5000
    before = float(nutrient_rich_foods_index(amounts))
    amounts.data["per_batch"].loc[{"component": "VITA_IU"}] *= 2
    assert float(nutrient_rich_foods_index(amounts)) == pytest.approx(before)


def test_index_of_a_dish_without_energy_is_not_known(computed):
    """Per 100 kcal of nothing there is no number, rather than zero or infinity."""
    assert np.isnan(float(nutrient_rich_foods_index(computed(SALT))))


def test_chosen_density_by_hand(computed):
    """Mean of calcium (240 of 1300 mg) and potassium (280 of 4700 mg) in 100 kcal, 200 g, of milk."""
    density = float(chosen_density(computed(MILK), ["CA", "K"], "US"))
    assert density == pytest.approx(100 * (240 / 1300 + 280 / 4700) / 2)


def test_chosen_density_caps_each_component(computed):
    """100 kcal of carrots, 243.9 g, hold 226 % of vitamin A, which counts as 100, and potassium 780 of 4700 mg."""
    text = 'title: Carrots\nservings: 1\ningredients: {carrot: {amount: 100 g, food: "sr28:11124"}}\n'
    density = float(chosen_density(computed(text), ["VITA_RAE", "K"], "US"))
    assert density == pytest.approx((100 + 100 * 320 / 0.41 / 4700) / 2)


def test_chosen_density_is_not_known_where_a_component_is_missing(computed):
    """What has no value is not left out of the mean: over the others alone a dish could look better than it is."""
    amounts = computed(MILK)
    amounts.data["per_batch"].loc[{"component": "VITC"}] = np.nan
    assert np.isnan(float(chosen_density(amounts, ["CA", "VITC"], "US")))


def test_unknown_form_of_the_index(computed):
    """An unknown form of the index is named with those there are."""
    with pytest.raises(SwaptableError, match="found form 'newest'; expected one of published 2009, 2016 daily values"):
        nutrient_rich_foods_index(computed(MILK), "newest")


def test_density_needs_a_daily_value(computed):
    """Water has no daily value in either regime."""
    with pytest.raises(SwaptableError, match="none of WATER has a daily value in Canada"):
        chosen_density(computed(MILK), ["WATER"], "CA")


def test_quality_by_hand(computed):
    """Calcium of 2 % milk, 120 mg in 50 kcal, against 1300 mg in 2000 kcal; and against 1000 mg in 1800."""
    milk = computed(MILK)
    assert float(nutritional_quality(milk, "CA", 1300)) == pytest.approx((120 / 1300) / (50 / 2000), rel=1e-12)
    assert float(nutritional_quality(milk, "CA", 1000, 1800)) == pytest.approx((120 / 1000) / (50 / 1800), rel=1e-12)


def test_quality_is_1_where_nutrient_and_energy_go_together(computed):
    """An allowance of 40 times what 50 kcal hold, in 2000 kcal: just 1."""
    assert float(nutritional_quality(computed(MILK), "CA", 40 * 120)) == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize(
    ("component", "allowance", "energy", "message"),
    [
        ("CALCIUM", 1300, 2000, "found 'CALCIUM'; expected a component of the release"),
        ("CA", 0, 2000, "found allowance 0; expected a number above 0"),
        ("CA", float("nan"), 2000, "found allowance nan; expected a number above 0"),
        ("CA", 1300, -1, "found energy allowance -1; expected a number above 0"),
    ],
)
def test_quality_refuses_what_is_no_allowance(computed, component, allowance, energy, message):
    """What was found and what is allowed are named."""
    with pytest.raises(SwaptableError, match=message):
        nutritional_quality(computed(MILK), component, allowance, energy)


def test_sodium_to_potassium_by_hand(computed):
    """2 % milk: 47 mg sodium (22.98977 g/mol) and 140 mg potassium (39.0983 g/mol) in 100 g."""
    expected = (47 / 22.98977) / (140 / 39.0983)
    assert float(sodium_to_potassium(computed(MILK))) == pytest.approx(expected, rel=1e-12)


def test_calcium_to_phosphorus_by_hand(computed):
    """2 % milk: 120 and 92 mg in 100 g."""
    assert float(calcium_to_phosphorus(computed(MILK))) == pytest.approx(120 / 92, rel=1e-12)


def test_ratios_to_nothing_are_not_known(computed):
    """Salt has no phosphorus; canola oil no potassium."""
    assert np.isnan(float(calcium_to_phosphorus(computed(SALT))))
    assert np.isnan(float(sodium_to_potassium(computed(OIL))))


def test_acid_load_by_hand(computed):
    """2 % milk in 100 g: protein 3.3 g, phosphorus 92, potassium 140, magnesium 11, calcium 120 mg."""
    milk = computed(MILK)
    per_100_g = 0.49 * 3.3 + 0.037 * 92 - 0.021 * 140 - 0.026 * 11 - 0.013 * 120
    assert float(renal_acid_load(milk, "100 g")) == pytest.approx(per_100_g, rel=1e-9)
    assert float(renal_acid_load(milk)) == pytest.approx(2.44 * per_100_g, rel=1e-9)


def test_an_index_of_what_is_not_wholly_known_is_not_known(computed):
    """One food has no value for phosphorus: no ratio with it and no acid load, but all else."""
    amounts = computed(SQUASH)
    for values in (calcium_to_phosphorus(amounts), renal_acid_load(amounts), renal_acid_load(amounts, "100 g")):
        assert np.isnan(values.to_numpy()).tolist() == [False, True]
    assert np.isfinite(sodium_to_potassium(amounts).to_numpy()).all()
    assert np.isfinite(nutritional_quality(amounts, "CA", 1300).to_numpy()).all()
    assert np.isnan(nutritional_quality(amounts, "P", 1250).to_numpy()).tolist() == [False, True]


def test_a_part_without_a_value_makes_an_index_unknown(computed):
    """10 g without a value for phosphorus in 200 g broccoli: the sum is a lower bound, so there is no index."""
    text = """
title: Mixed
servings: 1
ingredients:
  broccoli: {amount: 200 g, food: "sr28:11090"}
  squash: {amount: 10 g, food: "sr28:11870"}
"""
    assert np.isnan(float(renal_acid_load(computed(text))))
    assert np.isnan(float(nutritional_quality(computed(text), "P", 1250)))


def test_table_has_every_index_of_every_variant(computed):
    """Seven rows a variant: two forms of 9.3, one quality asked for, two ratios, acid load on two bases."""
    amounts = computed(POT)
    table = index_table(amounts, {"CA": (1300.0, "21 CFR 101.9")})
    assert len(table) == 7 * 2
    assert table["variant"].unique().tolist() == ["as written", "salt none"]
    assert (table["source"] != "").all()
    found = table[table["variant"] == "salt none"].set_index(["index", "unit"])
    ratio = found.loc[("sodium to potassium", "mol/mol")]
    none = {"salt": "none"}
    assert ratio["value"] == pytest.approx(float(sodium_to_potassium(amounts).sel(none)))
    assert ratio["reference_value"] == 1
    assert np.isnan(found.loc[("potential renal acid load", "mEq per serving"), "reference_value"])
    quality = found.loc[("index of nutritional quality, calcium", "-")]
    assert quality["value"] == pytest.approx(float(nutritional_quality(amounts, "CA", 1300).sel(none)))
    assert "21 CFR 101.9" in quality["source"]


def test_table_of_some_variants(computed):
    """Only the variants asked for; an unknown one is named."""
    amounts = computed(POT)
    assert set(index_table(amounts, labels=["salt none"])["variant"]) == {"salt none"}
    with pytest.raises(SwaptableError, match=r"found variant 'salt non'; expected one of .*; did you mean 'salt none'"):
        index_table(amounts, labels=["salt non"])


def test_interval_is_90_percent_and_no_ratio_falls_below_0(computed):
    """1.645 standard errors to either side; a ratio stops at 0, an acid load does not."""
    table = index_table(computed(POT))
    half = 1.6448536269514722 * table["standard_error"]
    assert table["high_90"].to_numpy() == pytest.approx((table["value"] + half).to_numpy())
    ratios = table["index"].isin(["sodium to potassium", "calcium to phosphorus"])
    assert (table.loc[ratios, "low_90"] >= 0).all()
    acid = table["unit"] == "mEq per serving"
    assert table.loc[acid, "low_90"].to_numpy() == pytest.approx((table["value"] - half)[acid].to_numpy())
    assert (table.loc[acid, "low_90"] < 0).all()


def test_error_of_a_ratio_of_one_food(computed):
    """Milk alone: weighing cancels in a ratio, so its relative error is that of both values, squares added."""
    milk = computed(MILK)
    known = certainty_of(milk, "batch")
    relative = {}
    for tag in ("CA", "P"):
        error, amount = (float(values.sel(component=tag)) for values in (known.error, known.amount))
        relative[tag] = np.sqrt((error / amount) ** 2 - 0.02**2)  # 2 % is the scale's
    row = index_table(milk).set_index("index").loc["calcium to phosphorus"]
    assert row["standard_error"] / row["value"] == pytest.approx(np.hypot(*relative.values()), rel=1e-3)


def test_no_target_where_none_is_published():
    """The acid load is read against nothing."""
    value, source = index_target("potential renal acid load")
    assert np.isnan(value)
    assert source == ""


def test_terms_of_the_indices_are_whole():
    """Every term names its source and how far it was seen, and no index has a component twice in one role."""
    table = index_terms()
    assert (table["source"] != "").all()
    assert set(table["checked"]) <= {"seen", "from memory"}
    assert not table.duplicated(["index", "component", "role"]).any()
    assert table["value"].notna().all()


def test_an_index_of_components_that_were_not_computed_is_refused(sr28):
    """An amount that is not there is no other component's amount."""
    grid = build_grid(read_recipe(DATA / "recipes" / "oat_pancakes.yaml"), sr28)
    with pytest.raises(KeyError):
        nutrient_rich_foods_index(compute(grid, ("NA", "ENERC_KCAL")))


def test_quality_is_not_given_where_energy_is_not_wholly_known(computed):
    """Less energy than there is would make a dish look denser than it is."""
    amounts = computed(MILK)
    shares = amounts.data["valued_share"].copy(deep=True)
    shares.loc[{"component": "ENERC_KCAL"}] = 0.5
    gap = replace(amounts, data=amounts.data.assign(valued_share=shares))
    assert np.isfinite(float(nutritional_quality(amounts, "CA", 1300)))
    assert np.isnan(float(nutritional_quality(gap, "CA", 1300)))
