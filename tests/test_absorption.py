"""Forms and absorption beside the totals: hand arithmetic, what is missing, and foods that only sound alike."""

import re

import numpy as np
import pandas as pd
import pytest

from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import DATA
from swaptable.foods.reference import calcium_absorption_of, haem_share_of
from swaptable.foods.release import FoodRelease
from swaptable.judging.absorption import (
    KINDS,
    absorbable_calcium,
    calcium_by_ingredient,
    folate_forms,
    iron_forms,
    vitamin_a_forms,
)

BOWL = """
title: Bowl
servings: 2
cooked weight: 400 g
ingredients:
  milk: {amount: 200 g, food: "sr28:01079"}
  greens: {amount: 100 g, food: "sr28:11457"}
  onion: {amount: 100 g, food: "sr28:11282"}
choices:
  greens:
    spinach: as written
    mustard greens: {greens: {food: "sr28:11270"}}
    nothing green: {greens: {amount: 0}}
  milk:
    milk: as written
    without: {milk: {amount: 0}}
"""
PLAIN = 'title: Plain\nservings: 1\ningredients: {food: {amount: 100 g, food: "sr28:%s"}}\n'


def rules(name: str) -> pd.DataFrame:
    """Read a table of rules as text."""
    return pd.read_csv(DATA / "reference" / f"{name}.csv", dtype=str, keep_default_na=False, encoding="utf-8")


def test_absorbable_calcium_by_hand(computed):
    """A serving: 100 g milk (120 mg, 32.1 %) and 50 g spinach (99 mg in 100 g, 5.1 %); 50 g onion has no figure."""
    row = absorbable_calcium(computed(BOWL)).loc["as written"]
    with_figure = 120 + 99 / 2
    assert row["calcium_mg"] == pytest.approx(with_figure + 23 / 2)
    assert row["with_published_fraction_mg"] == pytest.approx(with_figure)
    assert row["estimated_absorbable_mg"] == pytest.approx(120 * 0.321 + 99 / 2 * 0.051)
    assert row["share_covered"] == pytest.approx(with_figure / (with_figure + 23 / 2))
    assert not row["whole"]
    assert row["kinds"] == "measured"


def test_the_estimate_never_takes_the_place_of_the_total(computed):
    """The total stays as computed."""
    amounts = computed(BOWL)
    table = absorbable_calcium(amounts)
    assert table["calcium_mg"].tolist() == amounts.grid.listed(amounts.per("serving").sel(component="CA")).tolist()
    assert (table["estimated_absorbable_mg"].fillna(0) < table["calcium_mg"]).all()


def test_nothing_published_is_missing_not_zero(computed):
    """Onion alone: its calcium is known, what is absorbed of it is not."""
    row = absorbable_calcium(computed(BOWL)).loc["nothing green + without"]
    assert row["calcium_mg"] == pytest.approx(23 / 2)
    assert np.isnan(row["with_published_fraction_mg"])
    assert np.isnan(row["estimated_absorbable_mg"])
    assert row["share_covered"] == 0
    assert row["kinds"] == ""


def test_kinds_of_figures_are_told(computed):
    """Milk was measured, mustard greens are estimated from oxalate and load."""
    table = absorbable_calcium(computed(BOWL))
    assert table.loc["mustard greens", "kinds"] == f"{KINDS[0]}, {KINDS[1]}"
    assert table.loc["mustard greens + without", "kinds"] == KINDS[1]


def test_covered_whole(computed):
    """Milk alone is covered: all of its calcium has a published fraction."""
    row = absorbable_calcium(computed(PLAIN % "01079")).iloc[0]
    assert row["whole"]
    assert row["share_covered"] == pytest.approx(1.0)


def test_calcium_without_a_value_is_never_whole(computed):
    """Milk, and 50 g of a food that has no value for calcium: covered as far as anyone knows, but not whole."""
    text = (
        'title: Two\nservings: 1\ningredients:\n  milk: {amount: 100 g, food: "sr28:01079"}\n'
        '  chilies: {amount: 50 g, food: "sr28:31015"}\n'
    )
    row = absorbable_calcium(computed(text)).iloc[0]
    assert row["estimated_absorbable_mg"] == pytest.approx(120 * 0.321)
    assert not row["whole"]
    by_ingredient = calcium_by_ingredient(computed(text)).set_index("ingredient")
    assert np.isnan(by_ingredient.loc["chilies", "calcium_mg"])


def test_only_some_variants(computed):
    """Variants are listed in their order on the grid, whatever the order asked for."""
    amounts = computed(BOWL)
    asked = ["without", "mustard greens"]
    expected = [label for label in amounts.grid.labels if label in asked]
    for of in (absorbable_calcium, iron_forms, vitamin_a_forms, folate_forms):
        assert of(amounts, labels=asked).index.tolist() == expected
    assert set(calcium_by_ingredient(amounts, labels=["without"])["variant"]) == {"without"}


def test_no_variant_asked_for(computed):
    """Empty tables keep their columns."""
    amounts = computed(BOWL)
    assert "percent" in calcium_by_ingredient(amounts, labels=[]).columns
    assert len(calcium_by_ingredient(amounts, labels=[])) == len(absorbable_calcium(amounts, labels=[])) == 0


def test_unknown_variant_is_named(computed):
    """One error, with what there is."""
    message = "found variant 'musterd greens'; expected one of as written, .*; did you mean 'mustard greens'"
    with pytest.raises(SwaptableError, match=message):
        absorbable_calcium(computed(BOWL), labels=["musterd greens"])


def test_each_ingredient_with_its_figure_and_source(computed):
    """Rows add up to the estimate; an ingredient taken out has no row."""
    amounts = computed(BOWL)
    table = calcium_by_ingredient(amounts)
    estimate = absorbable_calcium(amounts)["estimated_absorbable_mg"]
    summed = table.groupby("variant")["estimated_absorbable_mg"].sum(min_count=1)
    assert summed.reindex(estimate.index).tolist() == pytest.approx(estimate.tolist(), nan_ok=True)
    written = table[table["variant"] == "as written"].set_index("ingredient")
    assert written.loc["milk", ["item", "kind", "percent", "load_mg"]].tolist() == ["milk", "measured", 32.1, 290]
    assert "PMC5442193" in written.loc["milk", "source"]
    assert written.loc["greens", "oxalate_class"] == "very high"
    assert written.loc["onion", "source"] == ""
    assert np.isnan(written.loc["onion", "percent"])
    assert set(table.loc[table["variant"] == "nothing green + without", "ingredient"]) == {"onion"}


def test_cooking_losses_count(computed):
    """What is boiled out and poured off is not absorbed: the estimate starts from what is kept."""
    text = PLAIN.replace('%s"', '%s", cook: boiled, liquid: discarded') % "11233"
    row = absorbable_calcium(computed(text)).iloc[0]
    assert row["calcium_mg"] < 150
    assert row["estimated_absorbable_mg"] == pytest.approx(row["calcium_mg"] * 0.493)


@pytest.mark.parametrize(
    ("code", "item"),
    [
        ("01079", "milk"),
        ("01102", "dairy foods: other milk of cows"),  # chocolate milk
        ("01009", "cheddar cheese"),
        ("01032", "dairy foods: other cheese"),
        ("01117", "yogurt, plain"),
        ("11233", "kale"),
        ("11507", "sweet potatoes"),
        ("11109", "green cabbage"),
        ("16126", "tofu, calcium-set"),
        ("15088", "small fish eaten with their bones"),
        ("01107", None),  # human milk
        ("01106", None),  # goat's
        ("01059", None),  # filled milk
        ("42290", None),  # calcium added, form not named
        ("01093", None),  # calcium taken out
        ("12117", None),  # coconut milk
        ("19120", None),  # milk chocolate
        ("11209", None),  # eggplant
        ("01145", None),  # butter
        ("01164", None),  # cheese sauce
        ("01161", None),  # cheese substitute
        ("11274", None),  # mustard spinach
        ("11276", None),  # New Zealand spinach
        ("11658", None),  # spinach souffle
        ("11505", None),  # sweet potato leaves
        ("11112", None),  # red cabbage
        ("11161", None),  # collards
        ("16139", None),  # fortified soy drink: which salt is not said
        ("09210", None),  # fortified orange juice: the same
        ("15121", None),  # tuna, no bones
        ("14411", None),  # tap water
    ],
)
def test_which_foods_have_a_figure(sr28, code, item):
    """A figure holds for the food it was published for, not for one that sounds like it."""
    row = calcium_absorption_of(sr28.food(code))
    assert (None if row is None else row["item"]) == item


def every_first_fit(sr28: FoodRelease, name: str) -> dict[str, list[str]]:
    """Group all descriptions of SR28 by the row that fits first."""
    of = calcium_absorption_of if name == "absorption" else haem_share_of
    found: dict[str, list[str]] = {}
    for code in sr28.foods.index:
        food = sr28.food(code)
        row = of(food)
        if row is not None:
            found.setdefault(row["item"], []).append(food.description.lower())
    return found


def test_no_food_of_sr28_gets_a_figure_by_accident(sr28):
    """Over all descriptions: nothing imitated, mixed or fortified by an unnamed salt gets a fraction."""
    found = every_first_fit(sr28, "absorption")
    names = [text for texts in found.values() for text in texts]
    strange = re.compile(
        r"coconut|chocolate(?!, (fluid|lowfat|fat free|nonfat))|butter(?!milk)|imitation|substitute|babyfood|soup|pie"
        r"|sauce(?!, drained)|dinner|souffle|calcium (fortified|reduced)|added calcium|infant|candies|human|goat"
    )
    assert [text for text in names if strange.search(text)] == []
    assert len(names) == 319


def test_no_meat_hides_among_the_plants(sr28):
    """Over all descriptions: no food that is said to have no haem iron names a flesh, unless as a word of a plant."""
    found = every_first_fit(sr28, "haem_iron")
    flesh = re.compile(r"\b(beef|pork|ham|bacon|chicken|sausage|franks|anchovy|clam|salmon|tuna)\b")
    plain = [text for item in ("dairy foods, eggs, plants", "beverages", "legumes") for text in found[item]]
    assert [text for text in plain if flesh.search(text)] == []
    meats = [text for item in ("beef", "pork", "poultry", "fish", "veal", "lamb") for text in found[item]]
    assert [text for text in meats if re.search(r"bread(ed|ing)|batter|gravy|liver|giblets|caviar|surimi", text)] == []


@pytest.mark.parametrize("name", ["absorption", "haem_iron"])
def test_rules_are_whole(name):
    """Rows are numbered in their order, patterns compile and every row has a source and how far it was seen."""
    table = rules(name)
    assert table["order"].tolist() == [str(number) for number in range(1, len(table) + 1)]
    for column in ("pattern", "except_pattern"):
        assert all(re.compile(text) for text in table[column])
    assert (table["source"] != "").all()
    assert set(table["checked"]) <= {"seen", "from memory"}
    percent = pd.to_numeric(table["percent"].replace("", None)).dropna()
    assert percent.between(0, 100).all()
    if name == "absorption":
        assert set(table["kind"]) == set(KINDS)


def test_iron_of_meat_and_plants_by_hand(computed):
    """100 g chicken (0.37 mg, 40 % haem; 26 to 37 % by later analyses) and 200 g potato (0.81 mg in 100 g)."""
    text = """
title: Plate
servings: 2
ingredients:
  chicken: {amount: 200 g, food: "sr28:05062"}
  potato: {amount: 400 g, food: "sr28:11352"}
  lemon: {amount: 10 g, food: "sr28:09152"}
"""
    row = iron_forms(computed(text)).iloc[0]
    lemon = 0.08 * 0.05
    assert row["iron_mg"] == pytest.approx(0.37 + 1.62 + lemon)
    assert row["estimated_haem_iron_mg"] == pytest.approx(0.4 * 0.37)
    assert (row["haem_low_mg"], row["haem_high_mg"]) == pytest.approx((0.26 * 0.37, 0.37 * 0.37))
    assert row["estimated_non_haem_iron_mg"] == pytest.approx(0.6 * 0.37 + 1.62 + lemon)
    assert row["share_covered"] == pytest.approx(1.0)
    assert row["whole"]
    assert row["meat_fish_poultry_g"] == pytest.approx(100)
    assert row["vitamin_c_mg"] == pytest.approx(2 * 19.7 + 0.05 * 38.7)
    assert row["vitamin_c_whole"]


def test_meat_counts_as_cooked(computed):
    """Meat, fish and poultry in grams as eaten: raw weight times its yield."""
    amounts = computed(PLAIN.replace('%s"', '%s", cook: roasted') % "05062")
    line = next(iter(amounts.grid.lines["food"].values()))
    assert line.cooking.yield_factor < 1
    assert iron_forms(amounts).iloc[0]["meat_fish_poultry_g"] == pytest.approx(100 * line.cooking.yield_factor)


@pytest.mark.parametrize("code", ["15152", "13325", "16008"])
def test_iron_of_an_unknown_share_is_missing_not_zero(computed, code):
    """Shrimp, beef liver, beans canned with franks: no one share is published, so neither form is known."""
    row = iron_forms(computed(PLAIN % code)).iloc[0]
    assert row["iron_mg"] > 0
    assert np.isnan(row["estimated_haem_iron_mg"])
    assert np.isnan(row["estimated_non_haem_iron_mg"])
    assert row["share_covered"] == 0
    assert not row["whole"]


def test_no_flesh_no_haem(computed):
    """Lentils and the like: haem iron is 0, and known to be."""
    row = iron_forms(computed(PLAIN % "16069")).iloc[0]
    assert row["estimated_haem_iron_mg"] == 0
    assert row["whole"]
    assert row["meat_fish_poultry_g"] == 0


def test_vitamin_a_by_hand(computed):
    """100 g carrots: β-carotene 8285 µg / 12 and α-carotene 3477 µg / 24; no retinol, no cryptoxanthin."""
    row = vitamin_a_forms(computed(PLAIN % "11124")).iloc[0]
    assert row["retinol_ug_rae"] == 0
    assert row["beta_carotene_ug_rae"] == pytest.approx(8285 / 12)
    assert row["alpha_carotene_ug_rae"] == pytest.approx(3477 / 24)
    assert row["beta_cryptoxanthin_ug_rae"] == 0
    assert row["total_ug_rae"] == pytest.approx(8285 / 12 + 3477 / 24)
    assert row["not_told_apart_ug_rae"] == 0
    assert row["whole"]
    assert row["forms_whole"]


def test_vitamin_a_of_a_food_that_prints_a_total_alone(computed):
    """Acerola: 38 µg RAE, retinol 0, no carotenoid has a value. The 38 are of no known form."""
    row = vitamin_a_forms(computed(PLAIN % "09001")).iloc[0]
    assert np.isnan(row["beta_carotene_ug_rae"])
    assert row["total_ug_rae"] == row["not_told_apart_ug_rae"] == pytest.approx(38)
    assert row["whole"]
    assert not row["forms_whole"]


def test_preformed_vitamin_a(computed):
    """Parmesan: retinol 255 µg of 262 µg RAE."""
    row = vitamin_a_forms(computed(PLAIN % "01032")).iloc[0]
    assert row["retinol_ug_rae"] == pytest.approx(255)


def test_folate_by_hand(computed):
    """Enriched flour: food folate 38 µg, folic acid 158 µg, each µg of it counts 1.7."""
    row = folate_forms(computed(PLAIN % "20082")).iloc[0]
    assert row["folic_acid_ug"] == pytest.approx(158)
    assert row["food_folate_ug_dfe"] == pytest.approx(38)
    assert row["folic_acid_ug_dfe"] == pytest.approx(1.7 * 158)
    assert row["total_ug_dfe"] == pytest.approx(38 + 1.7 * 158)
    assert row["not_told_apart_ug_dfe"] == 0
    assert row["forms_whole"]


def test_many_variants(computed):
    """4,096 variants in seconds, each sum as the ingredients give it."""
    codes = ["11233", "16051", "01079", "01032", "11352", "05062", "15088", "20005", "11124", "11529", "11090", "01117"]
    text = "title: Big\nservings: 4\ningredients:\n"
    text += "".join(f'  i{n}: {{amount: 100 g, food: "sr28:{code}"}}\n' for n, code in enumerate(codes))
    text += "choices:\n"
    text += "".join(
        f"  c{n}:\n    full{n}: as written\n    half{n}: {{i{n}: {{amount: 50 g}}}}\n" for n in range(len(codes))
    )
    amounts = computed(text)
    table = absorbable_calcium(amounts)
    assert len(table) == 4096
    some = table.index[[0, 1, 100, 4095]].tolist()
    summed = calcium_by_ingredient(amounts, labels=some).groupby("variant")["estimated_absorbable_mg"].sum()
    assert table.loc[some, "estimated_absorbable_mg"].tolist() == pytest.approx(summed[some].tolist())
