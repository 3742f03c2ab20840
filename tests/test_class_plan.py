"""A class plan scales in proportion, says what does not, rounds up what is bought and reads the method's times."""

import json

import numpy as np
import pandas as pd
import pytest

from swaptable.amounts.chosen import (
    amount_in_kitchen,
    chosen_variant,
    grams_text,
    kitchen_number,
    parse_options,
    rebased,
    stated_grams,
)
from swaptable.basics.errors import SwaptableError
from swaptable.basics.units import parse_amount
from swaptable.cli import main
from swaptable.foods.reference import aisles, purchase_units, scaling_notes
from swaptable.judging.study import compute_recipe
from swaptable.reporting.class_report import plot_timeline
from swaptable.reporting.class_words import allergen_lines, caution_lines, class_text
from swaptable.teaching.class_plan import ClassPlan, plan_class
from swaptable.teaching.method_times import applies, read_times

CHOICES = {"beans": ("canned, drained", "cooked from dry")}


@pytest.fixture(scope="module")
def pot() -> ClassPlan:
    """The barley pot for 20 people in two pans, with prices."""
    return plan_class("barley_pot", "blood_pressure", people=20, pans=2, prices="prices", serve_at="18:30")


def row(table: pd.DataFrame, column: str, value: str) -> pd.Series:
    """Give the one row with a value."""
    found = table[table[column] == value]
    assert len(found) == 1, value
    return found.iloc[0]


def test_amounts_go_on_in_proportion(pot):
    """20 people of a recipe for 6 in 2 pans: 20/6 recipes, 10/6 in a pan."""
    assert pot.pan_factor == pytest.approx(10 / 6)
    barley = row(pot.ingredients, "ingredient", "barley")
    assert barley["edible_g"] == pytest.approx(180 * 20 / 6)
    assert (barley["as_written"], barley["in_one_pan"], barley["for_the_class"]) == ("180 g", "300 g", "600 g")
    # 3 medium potatoes of 213 g as purchased, 25 % refuse: 639 g bought, 479.25 g eaten, both times 20/6
    tuber = row(pot.ingredients, "ingredient", "tuber")
    assert tuber["as_purchased_g"] == pytest.approx(639 * 20 / 6)
    assert tuber["edible_g"] == pytest.approx(639 * 0.75 * 20 / 6)


def test_what_is_not_proportional_is_told_never_done(pot):
    """Salt keeps its amount in proportion; beside it stands three quarters to begin with, and the note."""
    salt = row(pot.ingredients, "ingredient", "salt")
    assert salt["edible_g"] == pytest.approx(3 * 20 / 6)
    assert salt["begin_with"].endswith("(3.8 g)")  # 3 g · 10/6 · 0.75 = 3.75 g
    assert "salt" in salt["notes"].split(", ")
    notes = pot.scaling.set_index("note")
    assert {"salt", "seasoning", "liquid", "frying fat", "evaporation", "time"} <= set(notes.index)
    assert notes.loc["evaporation", "ingredients"] == "carrot; celery; tuber; barley"
    assert (pot.scaling["source"] == "common practice, no source").all()


def test_the_recipes_own_size_needs_no_note():
    """12 people of a recipe for 6 make 2 pans, each the recipe as it is; nothing is said of proportion."""
    plan = plan_class("barley_pot", people=12)
    assert (plan.pans, plan.pan_factor) == (2, 1.0)
    assert plan.scaling.empty
    assert (plan.ingredients["begin_with"] == "").all()


def test_a_small_pan_wants_water_at_hand():
    """One person's pot holds a sixth of the recipe: its water boils off sooner."""
    notes = plan_class("barley_pot", people=1).scaling["note"].tolist()
    assert "liquid in a small pan" in notes
    assert "liquid" not in notes


def test_shopping_counts_refuse_and_rounds_up(pot):
    """Bought as purchased, in whole pieces and packages; tap water is not bought."""
    # 3 1/3 onions of 150 g edible = 500 g; a medium one is 110 g edible, so 5; refuse 10 %
    onion = row(pot.shopping, "for", "onion")
    assert onion["needed_g"] == pytest.approx(500 / 0.9)
    assert onion["to_buy"] == "5 medium"
    assert onion["bought_g"] == pytest.approx(5 * 110 / 0.9)
    assert row(pot.shopping, "for", "tuber")["to_buy"] == "10 medium"  # 2,130 g of 213 g each: not 11
    assert row(pot.shopping, "for", "barley")["to_buy"] == "2 bags of 1 lb"  # 600 g of 454 g
    water = plan_class("barley_pot", people=6, options={"liquid": "water"})
    assert "liquid" not in set(water.shopping["for"])


def test_shopping_follows_the_country_and_the_way_of_cooking():
    """480 g of drained beans are two US cans of 256 g drained, or two Canadian ones of 337 g."""
    for regime, expected in (("US", "2 cans of 15 oz"), ("CA", "2 cans of 540 ml")):
        plan = plan_class("white_bean_bowl", people=4, regime=regime)
        assert row(plan.shopping, "for", "beans")["to_buy"] == expected


def test_cost_is_of_what_is_used_and_of_what_is_bought(pot):
    """Barley at 3.60 a kilogram: 600 g used, 908 g bought; without a price nothing is claimed."""
    barley = row(pot.shopping, "for", "barley")
    assert barley["cost_of_what_is_used"] == pytest.approx(2.16)
    assert barley["cost_of_what_is_bought"] == pytest.approx(3.60 * 0.908)
    unpriced = plan_class("barley_pot", people=20).shopping
    assert unpriced["cost_of_what_is_used"].isna().all()
    assert "Cost" not in class_text(plan_class("barley_pot", people=20))


def test_the_list_is_grouped_by_aisle(pot):
    """Each aisle stands once, in the order of its table."""
    order = pot.shopping["aisle"].tolist()
    assert list(dict.fromkeys(order)) == [a for a in dict.fromkeys(aisles()["aisle"]) if a in order]
    assert order == sorted(order, key=list(dict.fromkeys(aisles()["aisle"])).index)


def test_prep_quotes_the_method_and_the_refuse(pot):
    """The potatoes are washed and peeled at the vegetable station, as the method cuts them."""
    tuber = row(pot.prep, "ingredient", "tuber")
    assert tuber["station"] == "vegetables and fruit"
    assert tuber["tasks"] == "wash under running water; take off about 25 % (parings and trimmings)"
    assert tuber["in_the_method"] == "Add the tuber in large pieces."
    beans = row(plan_class("white_bean_bowl", people=4).prep, "ingredient", "beans")
    assert beans["tasks"] == "wipe the lid, open; drain"


def test_raw_egg_has_a_station_of_its_own():
    """Raw eggs are kept apart, and the step that heats them has their safe temperature."""
    plan = plan_class("oat_pancakes", people=4, regime="CA")
    assert row(plan.prep, "ingredient", "eggs")["station"] == "raw meat, fish and eggs"
    heated = plan.timeline[plan.timeline["safe_temperature"].str.contains("eggs: cook to")]
    assert heated["text"].tolist() == [plan.recipe.method[1]]  # fried in step 2, whisked in step 1
    assert "74 °C (165 °F)" in heated["safe_temperature"].iloc[0]


@pytest.mark.parametrize(
    ("step", "least", "most", "before"),
    [
        ("Simmer for 25 minutes.", 25, 25, 0),
        ("Bake 20-25 min, then rest for 5 minutes.", 25, 30, 0),
        ("Bake for 1½ hours, turning every 20 minutes.", 90, 90, 0),
        ("Cook for 1 hour and a half.", 90, 90, 0),
        ("Boil hard for 30 minutes (at the very least 10 minutes).", 30, 30, 0),
        ("Soak overnight.", np.nan, np.nan, 8),
        ("Soak for 10 to 12 hours, then boil for 1 h.", 60, 60, 10),
        ("Eat within 2 hours.", np.nan, np.nan, 0),
        ("Heat the oven to 200 °C; use 2 onions.", np.nan, np.nan, 0),
        ("Fry until golden.", np.nan, np.nan, 0),
    ],
)
def test_times_are_read_from_the_words(step, least, most, before):
    """Times add up; waits of hours happen before; what bounds or recurs is no time of its own; none is missing."""
    found = read_times(step)
    assert [found.least, found.most, found.before_least] == pytest.approx([least, most, before], nan_ok=True)


@pytest.mark.parametrize(
    ("step", "option", "expected"),
    [
        ("If the beans are dry, soak them.", "canned, drained", "no"),
        ("If the beans are dry, soak them.", "cooked from dry", "yes"),
        ("If you like it hot, add chilli.", "canned, drained", "cannot tell"),
        ("Soak the dry beans.", "canned, drained", "yes"),
    ],
)
def test_conditions_are_read_from_the_options(step, option, expected):
    """A condition applies by the words of the chosen option, and is never guessed."""
    assert applies(step, {"beans": option}, CHOICES) == expected


def test_timeline_counts_from_the_start_and_back_from_serving(pot):
    """8, 25 and 20 minutes told: serving at 18:30 means beginning at 17:37 at the latest; salting has no time."""
    steps = pot.timeline[pot.timeline["kind"] == "step"]
    assert steps["starts_after_at_least_min"].tolist() == [0, 8, 33, 53]
    assert steps["latest_start"].tolist() == ["17:37", "17:45", "18:10", "18:30"]
    assert np.isnan(steps["least_min"].iloc[3])
    rules = " ".join(pot.timeline.loc[pot.timeline["kind"] == "afterwards", "text"])
    assert "hold hot" in rules
    assert "cool" in rules
    assert "1 of 4 steps has no time" in plot_timeline(pot).title


def test_a_step_for_another_variant_takes_no_time():
    """Canned beans are not soaked; dry ones are, the night before, and boiled for half an hour."""
    canned, dry = (plan_class("white_bean_bowl", people=4, options={"beans": o}) for o in CHOICES["beans"])
    assert canned.timeline["applies"].iloc[0] == "no"
    assert canned.timeline["starts_after_at_least_min"].iloc[1] == 0
    assert dry.timeline["before_class_least_h"].iloc[0] == 8
    assert dry.timeline["starts_after_at_least_min"].iloc[1] == 30


def test_allergens_come_first_and_are_the_variants_own():
    """The text begins with allergens; soya comes with the soya drink, and milk stays by the yogurt."""
    plan = plan_class("oat_pancakes", people=4, options={"milk": "fortified soya drink"})
    assert next(iter(plan.tables())) == "allergens"
    assert "yogurt" in row(plan.allergens, "allergen", "milk")["ingredients"]
    assert "soy" in row(plan.allergens, "allergen", "soya")["ingredients"].lower()
    text = class_text(plan)
    assert text.index("ALLERGENS") < text.index("AMOUNTS") < text.index("SHOPPING") < text.index("CAUTIONS")
    assert "Soya: milk" in text
    assert "not for packaged sale" in text


def test_every_caution_has_its_subject():
    """A caution says whom it is for and what brings it up; a potassium salt is told whomever the class names."""
    plan = plan_class("oat_pancakes", "bone_health", people=4, options={"raising": "low-sodium baking powder"})
    told = caution_lines(plan)
    assert any(line.startswith("Bisphosphonate: Tablets of this group") for line in told)
    assert any(line.startswith("Potassium salts (baking powder: Leavening agents") for line in told)
    assert sum("may contain" in line for line in told) == 0  # it stands with the allergens
    pot = plan_class("barley_pot", "blood_pressure", people=4)
    assert any(line.startswith("High blood pressure (Sodium: 925 mg per serving") for line in caution_lines(pot))


def test_an_allergen_off_the_list_says_what_that_means():
    """US labels need not name barley; Canadian ones name gluten."""
    lines = {regime: allergen_lines(plan_class("barley_pot", people=4, regime=regime)) for regime in ("US", "CA")}
    unlisted = "Not among the allergens that US labels must name, but not for coeliac disease."
    assert lines["US"][0] == f"Gluten: barley (Barley, pearled, raw). {unlisted}"
    assert "labels must name" not in " ".join(lines["CA"])


def test_what_comes_in_the_tin_is_not_bought():
    """The oil of the tins comes with the fish, whose weight is without it; two cans are cans."""
    plan = plan_class("sardine_traybake", people=4, options={"tin": "oil kept"})
    fish = row(plan.shopping, "for", "fish")
    assert (fish["to_buy"], fish["needed_is"]) == ("2 cans", "drained")
    assert "oil from the tins" not in set(plan.shopping["for"])
    assert row(plan.ingredients, "ingredient", "fish")["as_written"] == "2 cans (3.75\u00a0oz) (184 g)"


def test_one_variant_alone_is_what_it_was_among_all():
    """Putting a variant first, or leaving the others out, changes no amount."""
    amounts = compute_recipe("barley_pot")
    variant = chosen_variant(amounts.grid, {"liquid": "water"})
    expected = amounts.per("serving").sel({**variant, "component": "NA"}).item()
    for alone in (True, False):
        found = rebased(amounts, variant, alone=alone)
        assert found.grid.as_written == variant
        assert found.per("serving").sel({**variant, "component": "NA"}).item() == expected
    assert len(found.grid.labels) == len(amounts.grid.labels)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"people": 0}, "found 0 people"),
        ({"people": 4, "pans": 999}, "found 999 pans"),
        ({"people": 4, "servings_each": 0.0}, "found 0 servings each"),
        ({"people": 4, "serve_at": "25:00"}, "found serving time '25:00'"),
        ({"people": 4, "options": {"liquid": "wine"}}, "found option 'wine' of liquid"),
        ({"people": 4, "options": {"tuber": "sweet potato", "skin": "skin on"}}, "do not go together"),
        ({"people": 4, "options": {"tuba": "potato"}}, "did you mean 'tuber'"),
        ({"people": 4, "regime": "EU"}, "EU"),
    ],
    ids=lambda value: str(value)[:40],
)
def test_wrong_input_is_refused(options, message):
    """Each mistake gets one sentence with what was found."""
    with pytest.raises(SwaptableError, match=message):
        plan_class("barley_pot", **options)


@pytest.mark.parametrize("words", [["liquid"], ["=water"], ["liquid="], ["liquid=water", "liquid=stock"]])
def test_wrong_options_are_refused(words):
    """An option is choice=option, once for each choice."""
    with pytest.raises(SwaptableError, match="found"):
        parse_options(words)


def test_numbers_are_printed_as_a_cook_measures():
    """Fractions of spoons where they are near, decimals else."""
    assert [kitchen_number(n) for n in (0.5, 1.25, 2 / 3, 3.3333, 0.8, 12.0, 150.4)] == [
        "½", "1¼", "⅔", "3⅓", "0.8", "12", "150",
    ]  # fmt: skip


def test_weights_are_printed_as_a_scale_shows_them():
    """Tenths of a gram below 10 g, whole grams from there, kilograms from 1 kg."""
    assert [grams_text(g) for g in (0.25, 9.94, 10.0, 999.4, 1000.0, 12345.6)] == [
        "0.2 g", "9.9 g", "10 g", "999 g", "1.00 kg", "12.35 kg",
    ]  # fmt: skip


def test_a_weight_is_given_in_the_sense_of_the_recipe():
    """Potatoes are weighed as purchased, 3 of 213 g with their 25 % refuse; barley is eaten whole."""
    grid = compute_recipe("barley_pot").grid
    assert [stated_grams(grid.line(name, grid.as_written)) for name in ("tuber", "barley")] == pytest.approx([639, 180])


@pytest.mark.parametrize(
    ("amount", "grams", "printed"),
    [
        ("1/2 cup", 60.0, "1½ cup (180 g)"),
        ("2 medium", 122.0, "6 medium (366 g)"),
        ("3", 50.0, "9 (150 g)"),
        ("8 oz", 226.796, "680 g"),
    ],
)
def test_amounts_are_printed_in_kitchen_measures_and_by_weight(amount, grams, printed):
    """Three times the recipe: a weight stands alone, any other measure keeps its words beside the weight."""
    assert amount_in_kitchen(parse_amount(amount), grams, 3.0) == printed
    assert amount_in_kitchen(None, grams, 3.0) == grams_text(3 * grams)


def test_a_recipe_without_method_or_choices_is_planned(tmp_path):
    """No method: nothing is timed, and that is said."""
    path = tmp_path / "plain.yaml"
    path.write_text('title: Plain\nservings: 2\ningredients:\n  oats: {amount: 100 g, food: "sr28:08120"}\n', "utf-8")
    plan = plan_class(path, people=5)
    assert plan.pans == 3
    assert "no method" in class_text(plan)
    assert plot_timeline(plan).title.startswith("The recipe has no method")


def test_reference_rows_can_be_used():
    """Every pattern is used in order: a package has a weight or a portion, the last aisle takes what is left."""
    units = purchase_units()
    assert (units["grams"].notna() ^ (units["portion"] != "")).all()
    assert set(units["weighed"]) == {"edible", "as purchased"}
    assert aisles().iloc[-1][["food_group", "pattern"]].tolist() == ["", r"\w"]
    assert set(scaling_notes()["when"]) <= {"more", "less", "changed", "pans"}
    assert scaling_notes()["begin_with_percent"].dropna().between(50, 100).all()


def test_command_prints_text_or_tables(capsys):
    """The command takes options with --with, prints text, or every table as JSON; wrong input is exit code 2."""
    assert main(["class", "barley_pot", "--people", "12", "--with", "liquid=water", "--with", "salt=no salt"]) == 0
    assert "water + no salt" in capsys.readouterr().out
    assert main(["class", "barley_pot", "--people", "12", "--format", "json"]) == 0
    assert "shopping" in json.loads(capsys.readouterr().out)
    assert main(["class", "barley_pot", "--people", "0"]) == 2
