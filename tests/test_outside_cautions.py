"""Allergen lists, safe temperatures and limits as printed, each with its source."""

import re

import pytest

from swaptable.foods.reference import allergen_lists, caution_rows, safe_temperatures

pytestmark = pytest.mark.outside


def listed(regime):
    """Give the allergens of a country's list."""
    table = allergen_lists()
    return set(table.loc[(table["regime"] == regime) & (table["listed"] == "yes"), "allergen"])


def figure(item, authority):
    """Give a temperature in both scales, and its time."""
    table = safe_temperatures()
    row = table[(table["item"] == item) & (table["authority"] == authority)].iloc[0]
    return row["celsius"], row["fahrenheit"], row["hold"]


def test_the_nine_of_the_united_states():
    """21 USC 321(qq): eight of FALCPA 2004, and sesame by the FASTER Act (Public Law 117-11, section 2)."""
    assert listed("US") == {
        "milk", "eggs", "fish", "crustaceans", "tree nuts", "wheat", "peanuts", "soya", "sesame",
    }  # fmt: skip


def test_the_canadian_list():
    """Food and Drug Regulations B.01.010.1(1), food allergen (a) to (k), gluten and added sulphites."""
    assert listed("CA") == {
        "tree nuts", "peanuts", "sesame", "wheat", "eggs", "milk", "soya", "crustaceans", "molluscs", "fish",
        "mustard", "gluten", "sulphites",
    }  # fmt: skip


def test_gluten_of_the_canadian_regulation():
    """B.01.010.1(1), gluten: barley, oats, rye, triticale, wheat or a hybrid of them."""
    row = allergen_lists().set_index(["regime", "allergen"]).loc[("CA", "gluten")]
    assert all(grain in row["foods"] for grain in ("barley", "oats", "rye", "triticale", "wheat", "hybrids"))


@pytest.mark.parametrize("regime", ["US", "CA"])
def test_tree_nuts(regime):
    """B.01.010.1(1)(a); US FDA guidance of January 2025, table 1, lists the same nuts and no coconut or chestnut."""
    foods = allergen_lists().set_index(["regime", "allergen"]).loc[(regime, "tree nuts"), "foods"]
    assert foods == "almond, Brazil nut, cashew, hazelnut, macadamia, pecan, pine nut, pistachio, walnut"


@pytest.mark.parametrize(
    ("item", "celsius", "fahrenheit", "hold"),
    [
        ("poultry pieces", 74, 165, ""), ("whole bird", 74, 165, ""), ("ground poultry", 74, 165, ""),
        ("ground meat", 71, 160, ""), ("beef, veal and lamb", 63, 145, "rest 3 min"), ("pork", 63, 145, "rest 3 min"),
        ("ham, cured", 74, 165, ""), ("organ meats", 71, 160, ""), ("egg dishes", 71, 160, ""),
        ("fish", 63, 145, ""), ("reheating", 74, 165, ""),
    ],
)  # fmt: skip
def test_us_chart_for_households(item, celsius, fahrenheit, hold):
    """FoodSafety.gov, safe minimum cooking temperatures (2019), as reprinted by a WIC programme; organs: USDA FSIS."""
    assert figure(item, "US consumer") == (celsius, fahrenheit, hold)


@pytest.mark.parametrize(
    ("item", "celsius", "fahrenheit"),
    [
        ("poultry pieces", 74, 165), ("whole bird", 82, 180), ("ground poultry", 74, 165), ("ground meat", 71, 160),
        ("beef, veal and lamb", 63, 145), ("pork", 71, 160), ("ham, cured", 74, 165), ("game", 74, 165),
        ("egg dishes", 74, 165), ("fish", 70, 158), ("shellfish", 74, 165), ("reheating", 74, 165),
    ],
)  # fmt: skip
def test_canadian_chart(item, celsius, fahrenheit):
    """Health Canada chart of 2012 as reprinted; whole poultry 82 °C in New Brunswick Regulation 2009-138."""
    assert figure(item, "Canada")[:2] == (celsius, fahrenheit)


@pytest.mark.parametrize(
    ("item", "celsius", "fahrenheit", "hold"),
    [
        ("poultry pieces", 74, 165, "less than 1 s"), ("ground meat", 68, 155, "17 s"), ("fish", 63, 145, "15 s"),
        ("beef, veal and lamb", 63, 145, "15 s"), ("plant foods held hot", 57, 135, ""),
        ("reheating", 74, 165, "15 s, within 2 h"), ("hot holding", 57, 135, ""), ("cold holding", 5, 41, ""),
        ("leftovers", 5, 41, "7 days"),
    ],
)  # fmt: skip
def test_us_food_code(item, celsius, fahrenheit, hold):
    """FDA Food Code (model code) 3-401.11 to 3-501.17, as state and county texts give it."""
    assert figure(item, "US food service") == (celsius, fahrenheit, hold)


def test_cooling_in_two_steps():
    """FDA Food Code 3-501.14: 57, 21, 5 °C within 2 and 6 h; Canadian food-safety course: 60, 20, 4 °C in 2 and 4 h."""
    celsius, fahrenheit, hold = figure("cooling", "US food service")
    assert (celsius, fahrenheit) == (21, 70)
    assert hold == "from 57 °C (135 °F) within 2 h, then to 5 °C (41 °F) within 6 h in all"
    celsius, fahrenheit, hold = figure("cooling", "Canada food service")
    assert (celsius, fahrenheit) == (20, 68)
    assert hold == "from 60 °C (140 °F) within 2 h, then to 4 °C (40 °F) within 4 h more"


@pytest.mark.parametrize(("food", "spoon"), [("18371", 5.0), ("18373", 3.0)])
def test_a_teaspoon_of_a_potassium_salt(food, spoon, sr28):
    """SR28: a teaspoon of low-sodium baking powder (5 g) or cream of tartar (3 g) holds about 500 mg of potassium."""
    assert spoon / 100 * sr28.values(food)["K"] == pytest.approx(500, rel=0.02)


@pytest.mark.parametrize(
    ("caution", "at_least", "unit"),
    [
        ("vitamin_k_swap", 100, "µg"),  # Khan et al. 2004: the INR falls by 0.2 for each 100 µg a day
        ("vitamin_k_serving", 150, "µg"),  # Schurgers et al. 2004: the lowest daily amount that lowered the INR
        ("potassium_kidney", 201, "mg"),  # National Kidney Foundation handout: 201 to 300 mg in a serving is high
        ("vitamin_a_pregnancy", 3000, "µg"),  # Institute of Medicine 2001: upper intake of preformed vitamin A
        ("calcium_levothyroxine", 0.20 * 1300, "mg"),  # 21 CFR 101.9: 20 % of the daily value of 1300 mg
        ("iron_levothyroxine", 0.20 * 18, "mg"),  # 21 CFR 101.9: 20 % of 18 mg
        ("phosphorus_kidney", 0.20 * 1250, "mg"),  # 21 CFR 101.9: 20 % of 1250 mg
        ("sodium_kidney", round(2300 / 3), "mg"),  # KDOQI 2020: less than 2.3 g a day
        ("sodium_heart_failure", round(2000 / 3), "mg"),  # Curr Heart Fail Rep 2013 10:219, table 1: less than 2 g
        ("caffeine_pregnancy", 200 / 4, "mg"),  # American College of Obstetricians and Gynecologists: 200 mg a day
    ],
)
def test_limits_rest_on_what_was_printed(caution, at_least, unit):
    """The trigger of each caution is the printed figure, or the stated part of it."""
    row = caution_rows().set_index("caution").loc[caution]
    assert row["at_least"] == pytest.approx(at_least)
    assert row["unit"] == unit


def test_fish_high_in_mercury(sr28):
    """US FDA and EPA, choices to avoid; Health Canada 2007, six fish; SR28 lists these of them."""
    rows = caution_rows().set_index("caution")["pattern"]
    texts = sr28.foods.loc[sr28.foods["food_group"] == "1500", "description"].str.lower()
    found = {
        name: {text.split(", ")[1] for text in texts if re.search(rows[name], text)}
        for name in ("mercury_us", "mercury_canada")
    }
    assert found["mercury_us"] == {"mackerel", "roughy", "shark", "swordfish", "tilefish"}
    assert found["mercury_canada"] == {"tuna", "roughy", "shark", "swordfish"}
