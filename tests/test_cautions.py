"""Cautions, allergens and safe temperatures: what shows them, and what their words may not say."""

import csv
import re
from pathlib import Path

import pandas as pd
import pytest

from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import DATA
from swaptable.foods.reference import allergen_foods, allergen_lists, caution_rows, safe_temperatures
from swaptable.judging.allergens import READ_LABEL, _allergens_named, _label_reason, allergen_changes, allergens_of
from swaptable.judging.audiences import read_audience
from swaptable.judging.cautions import cautions_for, known_concerns, swap_concerns
from swaptable.judging.food_safety import safety_for
from swaptable.judging.study import compute_recipe

DEMO = ("barley_pot", "oat_pancakes", "sardine_traybake", "white_bean_bowl")
SAMPLE = Path(__file__).parent / "data" / "allergen_sample.csv"
# A food of SR28 that holds much of a component, to make a serving with exactly so much of it.
RICH_IN = {
    "VITK1": "11233", "K": "11352", "NA": "02047", "P": "01032", "CA": "01032", "FE": "11457", "PROCNT": "01123",
    "ALC": "14084", "RETOL": "13325", "CAFFN": "14209", "CHOCDF": "20036",
}  # fmt: skip


def with_trigger(trigger):
    """List the names of the cautions that have a trigger."""
    rows = caution_rows()
    return list(rows.loc[rows["trigger"] == trigger, "caution"])


def row_of(caution):
    """Look a caution up."""
    return caution_rows().set_index("caution").loc[caution]


def names(amounts, *concerns):
    """Name the cautions that a recipe shows."""
    return set(cautions_for(amounts, concerns)["caution"])


def one(food, amount="100 g", more=""):
    """Write a recipe of one serving and one ingredient."""
    return f'title: T\nservings: 1\ningredients: {{it: {{amount: {amount}, food: "sr28:{food}"{more}}}}}\n'


@pytest.fixture(scope="module")
def demo():
    """The demo recipes, computed."""
    return {name: compute_recipe(name) for name in DEMO}


# ---------------------------------------------------------------------------------- the tables keep their promises


def test_table_of_cautions_is_whole(sr28):
    """Every row has a trigger with what it needs, a message, whom to ask, a source and how far it was seen."""
    rows = caution_rows()
    assert rows["caution"].is_unique
    assert set(rows["kind"]) == {"medicine", "condition", "food safety"}
    assert set(rows["checked"]) <= {"seen", "from memory"}
    for column in ("concern", "message", "defer_to", "source"):
        assert (rows[column] != "").all()
    numeric = rows["trigger"].isin(["amount", "change"])
    assert rows.loc[numeric, "at_least"].notna().all()
    assert (rows.loc[numeric, "limit_source"] != "").all()
    assert (rows.loc[rows["trigger"] == "change", "basis"] == "between variants").all()
    assert (rows.loc[rows["trigger"] == "amount", "basis"] == "serving").all()
    for row in rows[numeric].itertuples():
        assert sr28.components.at[row.component, "unit"] == row.unit
    assert (rows.loc[rows["trigger"].isin(["food", "uncooked food", "allergen"]), "pattern"] != "").all()
    assert set(with_trigger("change")) == set(
        rows.loc[rows["message"].str.contains("{change}", regex=False), "caution"]
    )


@pytest.mark.parametrize("text", list(caution_rows()["message"]))
def test_messages_defer_and_order_nothing(text):
    """A message sends the reader to somebody who may decide, and never says that a dish is free of something."""
    assert re.search(r"prescriber|pharmacist|clinic|care team|team|dietitian|pathologist|food-safety code", text), text
    assert not re.search(r"\bfree of\b|\bsafe for\b|\bmust\b|\btake \d|\bdose of\b|guarante", text), text
    assert text.endswith(".")


@pytest.mark.parametrize("caution", with_trigger("amount"))
def test_an_amount_is_not_asserted(caution):
    """A message is also shown where values are missing or only some options reach the limit, so it says "may"."""
    assert re.match(r"A serving may ", row_of(caution)["message"])


def test_classes_with_warfarin_do_not_aim_for_vitamin_k():
    """What has to stay steady is shown, never raised; nor is protein raised where kidneys may be weak."""
    for path in sorted((DATA / "audiences").glob("*.yaml")):
        audience = read_audience(path)
        raised = set(audience.raise_components)
        assert "warfarin" not in audience.concerns or "vitamin K" not in raised, path.name
        assert "kidney disease" not in audience.concerns or "protein" not in raised, path.name


def test_every_pattern_means_some_food(sr28):
    """A pattern that fits no food of SR28 would be dead, but for liquorice, which other releases have."""
    texts = sr28.foods["description"].str.lower()
    for table in (caution_rows(), allergen_foods(), safe_temperatures()):
        for row in table.itertuples():
            if row.pattern and getattr(row, "trigger", "") != "allergen" and "liquorice" not in row:
                left = texts.str.replace(row.except_pattern, " ", regex=True) if row.except_pattern else texts
                groups = row.food_group.split("|") if row.food_group else sorted(set(sr28.foods["food_group"]))
                kept = left[sr28.foods["food_group"].isin(groups)]
                assert kept.map(re.compile(row.pattern).search).notna().any(), row


def test_one_pattern_for_each_item():
    """The authorities of one item speak of the same foods."""
    shared = safe_temperatures().groupby("item")[["rule", "food_group", "pattern", "except_pattern", "food"]].nunique()
    assert (shared == 1).all(axis=None)


def test_fahrenheit_is_the_celsius_figure():
    """Both scales agree within the rounding of printed charts (21 °C is 69.8 °F; 82 °C is 179.6 °F)."""
    table = safe_temperatures().dropna(subset=["celsius"])
    assert ((table["celsius"] * 9 / 5 + 32 - table["fahrenheit"]).abs() <= 1.01).all()


def test_allergen_words_are_those_of_the_lists():
    """What a food can be found to hold is on one of the two lists."""
    found = {name for cell in allergen_foods()["allergen"] for name in cell.split("|")} - {READ_LABEL}
    for _, rows in allergen_lists().groupby("regime"):
        assert set(rows["allergen"]) == found


# ------------------------------------------------------------------------------------------------- cautions


@pytest.mark.parametrize("caution", with_trigger("amount"))
@pytest.mark.parametrize(("share", "shown"), [(1.0, True), (1 - 1e-6, False)])
def test_amounts_trigger_from_their_limit(caution, share, shown, computed, sr28):
    """A serving with exactly the limit shows the caution, one with a millionth less does not."""
    row = row_of(caution)
    code = RICH_IN[row["component"]]
    grams = 100 * row["at_least"] * share / sr28.values(code)[row["component"]]
    assert (caution in names(computed(one(code, f"{grams:.15f} g")))) is shown


@pytest.mark.parametrize("caution", with_trigger("change"))
@pytest.mark.parametrize(("share", "shown"), [(1.0, True), (1 - 1e-6, False)])
def test_changes_trigger_from_their_limit(caution, share, shown, computed, sr28):
    """The largest difference between options counts; water, which all variants hold, does not."""
    row = row_of(caution)
    code = RICH_IN[row["component"]]
    grams = 100 * row["at_least"] * share / sr28.values(code)[row["component"]]
    text = (
        "title: T\nservings: 1\ningredients:\n"
        f'  water: {{amount: 100 g, food: "sr28:14555"}}\n  it: {{amount: {grams:.15f} g, food: "sr28:{code}"}}\n'
        "choices:\n  it:\n    with: as written\n    without it: {it: {amount: 0}}\n"
    )
    found = cautions_for(computed(text)).set_index("caution")
    assert (caution in found.index) is shown
    if shown:
        message = found.loc[caution, "message"]
        assert "'without it'" in message
        assert "'as written'" in message
        assert "{" not in message


def test_a_missing_amount_is_not_a_small_one(computed):
    """Arrowhead (11005) has no vitamin K in SR28: whoever names warfarin is told that nobody knows."""
    amounts = computed(one("11005"))
    assert "vitamin_k_serving" not in names(amounts)
    found = cautions_for(amounts, ["warfarin"]).set_index("caution")
    assert "cannot be told" in found.loc["vitamin_k_serving", "why"]


def test_a_missing_change_is_not_a_small_one(computed):
    """The same between options."""
    text = one("11005") + 'choices: {c: {a: as written, b: {it: {food: "sr28:11006"}}}}\n'
    found = cautions_for(computed(text), ["warfarin"]).set_index("caution")
    assert "cannot be told" in found.loc["vitamin_k_swap", "message"]


def test_a_concern_is_shown_only_when_named(demo):
    """The word to keep vitamin K steady is for an audience that names warfarin, in whatever case."""
    assert "vitamin_k_steady" not in names(demo["barley_pot"])
    assert "vitamin_k_steady" in names(demo["barley_pot"], "Warfarin")
    assert "carbohydrate_diabetes_counting" in names(demo["barley_pot"], "Diabetes")


def test_plural_and_other_words_mean_the_same(demo):
    """ACE inhibitors are one of the words for medicines that raise potassium."""
    found = cautions_for(demo["oat_pancakes"], ["ace inhibitors"]).set_index("caution")
    assert found.loc["potassium_medicines_swap", "named"]
    assert found.loc["potassium_medicines_swap", "concern"] == "ACE inhibitor"


def test_named_concerns_come_first(demo):
    """What the audience names, and what is for everyone, stands before the rest."""
    named = list(cautions_for(demo["white_bean_bowl"], ["warfarin"])["named"])
    assert named == sorted(named, reverse=True)
    assert not all(named)


def test_an_unknown_concern_names_the_nearest(demo):
    """A slip of the pen is answered with the word that was meant."""
    with pytest.raises(SwaptableError, match=r"found concern 'warfarine'.*did you mean 'warfarin'"):
        cautions_for(demo["barley_pot"], ["warfarine"])
    assert {"warfarin", "kidney disease", "pregnancy", "levothyroxine"} <= set(known_concerns())
    assert "everyone" not in known_concerns()


def test_dry_beans_but_not_canned_ones(demo, computed):
    """The option cooked from dry asks for soaking and boiling; beans from a can do not."""
    found = cautions_for(demo["white_bean_bowl"]).set_index("caution")
    assert found.loc["dry_beans", "why"] == "beans (cooked from dry): Beans, white, mature seeds, raw"
    assert found.loc["dry_beans", "named"]
    assert "dry_beans" not in names(computed(one("16051")))
    assert "dry_beans" not in names(computed(one("16069")))  # lentils


@pytest.mark.parametrize(
    ("caution", "food", "cooked", "never"),
    [
        ("raw_eggs", "01123", "cook: fried", "01171"),  # pasteurized egg
        ("raw_meat", "13325", "cook: fried", "11352"),
        ("raw_fish", "15015", "cook: baked, liquid: kept", "15088"),
        ("raw_shellfish", "15167", "cook: steamed, liquid: kept", "15170"),
        ("raw_sprouts", "11001", "cook: boiled, liquid: kept", "11098"),  # Brussels sprouts
        ("raw_flour", "20081", "cook: baked", "20121"),
        ("soft_cheese", "01006", "cook: baked", "01009"),
        ("ready_meats", "07072", "cook: reheated", "07063"),
        ("smoked_fish", "15179", "cook: reheated", "15088"),
        ("choking_raw_vegetables", "11124", "cook: boiled, liquid: kept", "11352"),
    ],
)
def test_raw_foods_are_a_hazard_until_they_are_cooked(caution, food, cooked, never, computed):
    """Uncooked the caution is shown; cooked, or for another food, it is not."""
    assert caution in names(computed(one(food)))
    assert caution not in names(computed(one(food, more=f", {cooked}")))
    assert caution not in names(computed(one(never)))


def test_rinsed_is_not_cooked(computed):
    """Rinsing heats nothing: what the row of the can is rinsed for stays what it was."""
    amounts = computed(one("16051", more=", cook: rinsed"))
    assert "cool" not in set(safety_for(amounts, "US")["rule"])


@pytest.mark.parametrize(
    ("caution", "food"),
    [
        ("grapefruit", "09112"), ("tyramine", "01032"), ("tyramine", "16123"), ("mercury_us", "15110"),
        ("mercury_canada", "15127"), ("albacore_tuna", "15126"), ("liver_pregnancy", "13325"),
        ("potassium_salts", "18371"), ("phosphate_additives", "18369"), ("oxalate_stones", "11457"),
        ("purines_gout", "15001"), ("gluten_coeliac", "20005"), ("honey_infants", "19296"),
        ("choking_children", "12061"), ("rice_cooling", "20036"), ("rice_arsenic", "20036"), ("favism", "16052"),
        ("soya_coffee_levothyroxine", "16126"), ("alcohol_reaction", "14084"), ("grapefruit", "19303"),
        ("potassium_salts", "18373"), ("alcohol_reaction", "14252"), ("honey_infants", "04703"), ("tyramine", "06175"),
        ("tyramine", "06112"), ("tyramine", "15002"), ("tyramine", "13350"), ("liver_pregnancy", "05020"),
        ("liver_pregnancy", "05171"), ("raw_sprouts", "11043"), ("raw_sprouts", "11248"), ("soft_bones", "15088"),
        ("soft_bones", "15181"), ("soft_bones", "15084"),
    ],
)  # fmt: skip
def test_foods_that_trigger(caution, food, computed):
    """Each food calls for its caution."""
    assert caution in names(computed(one(food)))


@pytest.mark.parametrize(
    ("caution", "food"),
    [
        ("mercury_canada", "15121"), ("albacore_tuna", "15121"), ("purines_gout", "16033"), ("purines_gout", "11476"),
        ("tyramine", "01012"), ("potassium_salts", "18369"), ("potassium_salts", "02047"), ("honey_infants", "09184"),
        ("oxalate_stones", "11233"), ("favism", "16028"), ("gluten_coeliac", "20008"), ("grapefruit", "09200"),
        ("rice_cooling", "20133"), ("choking_children", "12195"), ("alcohol_reaction", "02048"), ("tyramine", "11297"),
        ("raw_sprouts", "11044"), ("raw_sprouts", "11249"), ("raw_sprouts", "11626"), ("raw_sprouts", "16275"),
        ("alcohol_reaction", "07003"), ("purines_gout", "04594"), ("tyramine", "14136"), ("tyramine", "04589"),
        ("soya_coffee_levothyroxine", "04669"), ("soya_coffee_levothyroxine", "04528"),
        ("soya_coffee_levothyroxine", "14236"), ("soya_coffee_levothyroxine", "43543"), ("liver_pregnancy", "05001"),
        ("soft_bones", "15121"), ("soft_bones", "15264"), ("soft_bones", "16051"),
    ],
)  # fmt: skip
def test_foods_that_do_not_trigger(caution, food, computed):
    """Names that only look alike do not."""
    assert caution not in names(computed(one(food)))


def test_demo_recipes_show_what_they_should(demo):
    """The four recipes of the invented programme, without and with their audiences' concerns."""
    assert "potassium_salts" in names(demo["oat_pancakes"])
    assert {"potassium_kidney", "sodium_blood_pressure"} <= names(demo["barley_pot"])
    assert {"raw_eggs", "raw_fish", "dry_beans"}.isdisjoint(names(demo["oat_pancakes"]) | names(demo["barley_pot"]))
    assert {"mercury_us", "albacore_tuna"}.isdisjoint(names(demo["sardine_traybake"], "pregnancy"))
    kale = cautions_for(demo["white_bean_bowl"], ["warfarin"]).set_index("caution")
    assert kale.loc["vitamin_k_serving", "why"].startswith("Vitamin K: 518 to 519 µg per serving")
    assert "vitamin_k_swap" not in kale.index  # the greens differ by a microgram only


# ------------------------------------------------------------------------------------------------ allergens


def sample():
    """Read the reviewed sample of foods."""
    with SAMPLE.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_sample_is_large_enough():
    """At least 150 foods, with hits and non-hits of every allergen."""
    rows = sample()
    assert len(rows) >= 150
    held = {name for row in rows for name in row["allergens"].split("|")}
    assert set(allergen_lists()["allergen"]) <= held
    assert sum(row["allergens"] == "" for row in rows) >= 60


@pytest.mark.parametrize("row", sample(), ids=lambda row: f"{row['code']} {row['description'][:30]}")
def test_allergens_of_a_food(row, sr28):
    """Each food of the sample was reviewed by hand; 'oat' is not goat, 'egg' not eggplant, 'nut' not nutmeg."""
    food = sr28.food(row["code"])
    assert food.description == row["description"]
    assert "|".join(sorted(_allergens_named(food) - {READ_LABEL})) == row["allergens"]
    assert bool(_label_reason(food)) == (row["read_the_label"] == "yes")


def test_allergens_by_option_and_country(demo):
    """Soya comes with the soya drink only; gluten from oats is on the Canadian list and not on the US one."""
    table = allergens_of(demo["oat_pancakes"], "CA").set_index(["ingredient", "options"])
    assert table.loc[("milk", "milk"), "allergens"] == "milk"
    assert table.loc[("milk", "fortified soya drink"), "allergens"] == "soya"
    assert table.loc[("milk", "water"), "allergens"] == ""
    assert table.loc[("oats", ""), "allergens"] == "gluten"
    american = allergens_of(demo["oat_pancakes"], "US").set_index("ingredient")
    assert american.loc["oats", "allergens"] == "gluten (not on the list)"


def test_stock_has_to_be_read(demo):
    """Nobody knows what is in a stock: its label is to be read, that of water is not."""
    table = allergens_of(demo["barley_pot"], "US").set_index(["ingredient", "options"])["read_the_label"]
    assert table["liquid", "stock or half stock, half water"] == "soup, sauce or stock"
    assert table["liquid", "water"] == ""
    changes = allergen_changes(demo["barley_pot"], "US").set_index("option")
    assert changes.loc["skin on", "read_the_label"] == "liquid"
    assert changes.loc["water", "read_the_label"] == ""


def test_an_allergen_stays_while_something_else_brings_it(demo):
    """Water for milk does not take milk out of pancakes with yogurt; no cheese takes it out of the bowl."""
    pancakes = allergen_changes(demo["oat_pancakes"], "US").set_index("option")
    assert pancakes.loc["water", "removes"] == ""
    assert pancakes.loc["fortified soya drink", "adds"] == "soya"
    bowl = allergen_changes(demo["white_bean_bowl"], "US").set_index("option")
    assert bowl.loc["without cheese", "removes"] == "milk"


def test_another_choice_may_bring_it_back(computed):
    """Milk is removed only if no allowed combination with the option still names it."""
    text = one("01079") + (
        'choices:\n  it: {milk: as written, water: {it: {food: "sr28:14555"}}}\n'
        '  top: {plain: as written, yogurt: {top: {amount: 10 g, food: "sr28:01117"}}}\n'
    )
    assert allergen_changes(computed(text), "US").set_index("option").loc["water", "removes"] == ""
    apart = text + "not together:\n  - {it: water, top: yogurt}\n"
    assert allergen_changes(computed(apart), "US").set_index("option").loc["water", "removes"] == "milk"


def test_a_recipe_without_choices_changes_nothing(computed):
    """There is nothing to add or remove; the ingredients are named all the same."""
    amounts = computed(one("01079"))
    assert allergen_changes(amounts, "US").empty
    assert list(allergens_of(amounts, "US")["allergens"]) == ["milk"]


@pytest.mark.parametrize("give", [allergens_of, allergen_changes, safety_for])
def test_an_unknown_regime_is_refused(give, demo):
    """Two countries have lists here."""
    with pytest.raises(SwaptableError, match=r"found regime 'UK'; expected one of US, CA"):
        give(demo["barley_pot"], "UK")


# ---------------------------------------------------------------------------------------- safe temperatures


def test_countries_stand_side_by_side(computed):
    """Raw fish: 63 °C in the US, 70 °C in Canada; where both agree only one is shown."""
    fish = (
        safety_for(computed(one("15015", more=", cook: baked, liquid: kept")), "US")
        .set_index("food")
        .loc["fish with fins"]
    )
    assert fish["here"].startswith("US consumer: 63 °C (145 °F)")
    assert fish["elsewhere"] == "Canada: 70 °C (158 °F)"
    assert fish["differ"]
    fowl = safety_for(computed(one("05062", more=", cook: roasted")), "CA").set_index("food")
    assert fowl.loc["poultry in pieces, giblets", "here"] == "Canada: 74 °C (165 °F)"
    assert fowl.loc["poultry in pieces, giblets", "elsewhere"] == ""


@pytest.mark.parametrize("regime", ["US", "CA"])
def test_every_dish_is_told_how_to_keep(regime, demo):
    """Cooling, holding, reheating and leftovers are there for each demo recipe, canned fish without a temperature."""
    for amounts in demo.values():
        rules = set(safety_for(amounts, regime)["rule"])
        assert {"cool", "hold hot at or above", "hold cold at or below", "reheat to", "keep cold"} <= rules
    assert "fish with fins" not in set(safety_for(demo["sardine_traybake"], regime)["food"])
    assert "dishes made with egg" in set(safety_for(demo["oat_pancakes"], regime)["food"])


@pytest.mark.parametrize("food", ["13325", "10110", "17199", "17369", "13339"])
def test_organ_meats_are_hotter_than_roasts(food, computed):
    """Liver, kidney, heart and tongue: 71 °C in both countries, never the 63 °C of a roast."""
    shown = safety_for(computed(one(food, more=", cook: fried")), "US").set_index("rule").loc["cook to"]
    assert shown["food"].startswith("liver, kidney, heart, tongue")
    assert shown["here"] == "US consumer: 71 °C (160 °F)"


@pytest.mark.parametrize("food", ["43015", "04705", "21347"])
def test_caesar_dressing_tells_of_fish(food, sr28):
    """It is made with anchovy."""
    assert "fish" in _allergens_named(sr28.food(food))


def test_what_was_not_heated_needs_no_cooling(computed):
    """A salad is kept cold; it has nothing to cool down from."""
    rules = set(safety_for(computed(one("11233")), "US")["rule"])
    assert "cool" not in rules
    assert "hold cold at or below" in rules


def test_tables_have_the_promised_columns(demo):
    """Other modules read them by name."""
    amounts = demo["oat_pancakes"]
    assert list(cautions_for(amounts).columns) == [
        "caution", "concern", "kind", "named", "component", "why", "message", "defer_to", "limit_source", "source",
        "checked",
    ]  # fmt: skip
    assert isinstance(allergens_of(amounts, "US"), pd.DataFrame)
    assert list(safety_for(amounts, "US").columns) == [
        "food", "ingredients", "rule", "here", "elsewhere", "differ", "source", "checked",
    ]  # fmt: skip


def test_a_swap_that_brings_up_a_concern_says_so(demo):
    """Low-sodium baking powder is made with potassium: told for kidney disease, and not for warfarin."""
    pancakes = demo["oat_pancakes"]
    brought = swap_concerns(pancakes, ["kidney disease"])
    assert brought["low-sodium baking powder"] == "kidney disease"
    assert brought["as written"] == brought["water"] == ""
    assert not swap_concerns(pancakes, ["warfarin"]).any()
