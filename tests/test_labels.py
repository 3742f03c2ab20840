"""Rounding of both regimes at every edge of its bands, and the nutrition facts of whole recipes, by hand."""

import math

import numpy as np
import pandas as pd
import pytest

from swaptable.amounts.nutrients import compute
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import SwaptableError
from swaptable.foods.reference import label_lines, label_rounding
from swaptable.foods.release_writer import write_release
from swaptable.judging.daily_values import daily_value_for
from swaptable.judging.labels import ESTIMATE, nutrition_facts, nutrition_facts_text, round_amount, round_percent

# component of each group of one rule → amounts beside each edge and each tie, and what is printed
US = {
    "ENERC_KCAL": "0→0 4.99→0 5→5 7.49→5 7.5→10 47.4→45 47.5→50 50→50 50.01→50 54.9→50 55→60 355→360",
    "FAT FASAT FATRN FAPU FAMS": "0→0 0.49→0 0.5→0.5 0.74→0.5 0.75→1 4.74→4.5 4.75→5 4.99→5 5→5 5.49→5 5.5→6 12.4→12",
    "CHOLE": "0→0 1.99→0 2→<5 5→<5 5.01→5 7.49→5 7.5→10 12→10",
    "NA": "0→0 4.99→0 5→5 7.4→5 7.5→10 138→140 140→140 140.1→140 144.9→140 145→150 1234→1230",
    "CHOCDF FIBTG SUGAR SUGAD PROCNT": "0→0 0.49→0 0.5→<1 0.99→<1 1→1 1.49→1 1.5→2 23.5→24",
    "FE VITD TOCPHA THIA RIBF NIAEQ VITB6A VITB12 PANTAC ZN CU MN": "0→0 0.049→0 0.05→0.1 0.149→0.1 0.15→0.2 2.24→2.2",
    "VITC VITK1 SE": "0→0 0.49→0 0.5→1 1.5→2 17.4→17",
    "CA K VITA_RAE FOLDFE P MG CHOLN": "0→0 4.9→0 5→10 14.9→10 15→20 628→630",
    "serving": "0→0 1.94→1.9 1.95→2 1.99→2 2→2 2.24→2 2.25→2.5 4.74→4.5 4.75→5 5→5 5.4→5 5.5→6 383.3→383",
}
CANADA = {
    "ENERC_KCAL": "0→0 0.4→0 0.5→1 4.4→4 4.99→5 5→5 7.4→5 7.5→10 50→50 50.1→50 54.9→50 55→60",
    "FAT FASAT FATRN": "0→0 0.04→0 0.05→0.1 0.44→0.4 0.49→0.5 0.5→0.5 0.74→0.5 0.75→1 4.74→4.5 5→5 5.01→5 5.5→6",
    "FAPU FAMS": "0→0 0.05→0.1 0.94→0.9 0.96→1 1→1 1.24→1 1.25→1.5 5→5 5.01→5 5.5→6",
    "CHOLE": "0→0 2.4→0 2.5→5 7.4→5 7.5→10",
    "NA": "0→0 0.4→0 0.5→1 4.4→4 4.99→5 5→5 7.4→5 7.5→10 140→140 140.1→140 145→150",
    "CHOCDF FIBTG SUGAR STARCH": "0→0 0.49→0 0.5→1 1.49→1 1.5→2",
    "PROCNT": "0→0 0.04→0 0.05→0.1 0.44→0.4 0.49→0.5 0.5→1 1.49→1 1.5→2",
    "K CA P": "0→0 4.9→0 5→10 14.9→10 15→20 49.9→50 50→50 62.4→50 62.5→75 249→250 250→250 274→250 275→300",
    "FE TOCPHA VITK1 NIAEQ ZN": (
        "0→0 0.049→0 0.05→0.1 0.14→0.1 0.15→0.2 0.49→0.5 0.5→0.5 0.62→0.5 0.625→0.75 2.49→2.5 2.5→2.5 2.74→2.5 2.75→3"
    ),
    "VITA_RAE": "0→0 4.9→0 5→10 49→50 50→50 74→50 75→100 249→250 250→300 349→300 350→400",
    "VITC VITD SE": "0→0 0.09→0 0.1→0.2 0.29→0.2 0.3→0.4 0.99→1 1→1 1.24→1 1.25→1.5 4.9→5 5→5 5.4→5 5.5→6",
    "THIA RIBF VITB6A VITB12 MN": (
        "0→0 0.0049→0 0.005→0.01 0.049→0.05 0.05→0.05 0.062→0.05 0.0625→0.075 0.249→0.25 0.25→0.25 0.274→0.25 0.275→0.3"
    ),
    "PANTAC": "0→0 0.009→0 0.01→0.02 0.099→0.1 0.1→0.1 0.124→0.1 0.125→0.15 0.49→0.5 0.5→0.5 0.54→0.5 0.55→0.6",
    "FOLDFE CHOLN MG": "0→0 0.9→0 1→2 9.9→10 10→10 12.4→10 12.5→15 49→50 50→50 54→50 55→60",
    "CU": "0→0 0.0014→0 0.0015→0.002 0.0249→0.024 0.025→0.025 0.0274→0.025 0.0275→0.03 0.05→0.05 0.054→0.05 0.055→0.06",
    "serving": "0→0 0.04→0 0.05→0.1 9.94→9.9 9.99→10 10→10 10.4→10 10.5→11",
}
PERCENT = {
    ("US", "K"): "0→0 1.99→0 2→2 2.9→2 3→4 9.9→10 10→10 10.1→10 12.4→10 12.5→15 50→50 50.1→50 54.9→50 55→60 171→170",
    ("US", "NA"): "0→0 0.4→0 0.5→1 19.4→19 19.5→20 100.5→101",
    ("CA", "K"): "0→0 0.4→0 0.5→1 2.4→2 12.5→13",
    ("CA", "FASAT+FATRN"): "0→0 0.4→0 0.5→1 2.4→2 12.5→13",
}


def pairs(cases):
    """Read cases such as ``4.99→0 5→<5``."""
    return [tuple(case.split("→")) for case in cases.split()]


@pytest.mark.parametrize(
    ("regime", "component", "cases"),
    [
        (regime, component, cases)
        for regime, table in (("US", US), ("CA", CANADA))
        for components, cases in table.items()
        for component in components.split()
    ],
)
def test_edges_of_every_band(regime, component, cases):
    """Each amount beside an edge or a tie is printed as the regulation says, ties up."""
    rules = label_rounding()
    unit = rules[(rules["regime"] == regime) & (rules["component"] == component)]["unit"].iloc[0]
    for value, expected in pairs(cases):
        printed = round_amount(float(value), component, regime)
        assert printed.text == f"{expected.replace('<', 'less than ')} {unit}", value
        assert printed.number == float(expected.strip("<"))


@pytest.mark.parametrize(("key", "cases"), PERCENT.items())
def test_edges_of_percent(key, cases):
    """Vitamins and minerals go in steps of 2, 5 and 10 in the United States, all else in steps of 1."""
    regime, component = key
    for value, expected in pairs(cases):
        assert round_percent(float(value), component, regime).text == f"{expected} %", value


def test_every_rule_with_a_line_of_ours_is_tried():
    """No rule for a component of the release is left out of the cases above."""
    for regime, table in (("US", US), ("CA", CANADA)):
        tried = {component for components in table for component in components.split()}
        rules = label_rounding()
        ruled = set(rules[(rules["regime"] == regime) & (rules["field"] == "amount")]["component"])
        assert ruled - tried <= {"BIOT", "ID", "CR", "MO", "CLD"}  # not in SR28
        assert tried <= ruled


def test_bands_join_without_gap_or_overlap():
    """Each band starts where the one before it ends, and exactly one of the two includes the edge."""
    keys = ["regime", "component", "field"]
    for _, bands in label_rounding().groupby(keys):
        before, after = bands.iloc[:-1], bands.iloc[1:]
        assert bands["from"].iloc[0] == 0
        assert bands["from_included"].iloc[0] == "yes"
        assert np.isnan(bands["below"].iloc[-1])
        assert (before["below"].to_numpy() == after["from"].to_numpy()).all()
        assert (before["below_included"].to_numpy() != after["from_included"].to_numpy()).all()
        assert bands.loc[bands["rule"] == "zero", "step"].isna().all()
        assert (bands.loc[bands["rule"] != "zero", "step"] > 0).all()


@pytest.mark.parametrize(
    ("value", "component", "text"),
    [
        (0.1 + 0.2 + 0.2, "FAT", "0.5 g"),  # 0.5000000000000001 less noise
        (5 - 1e-12, "NA", "5 mg"),
        (140 + 1e-11, "NA", "140 mg"),
        (0.15 - 1e-14, "FE", "0.2 mg"),
        (3 * 0.05, "FE", "0.2 mg"),
        (2.675 / 0.5 * 0.5 + 0.075, "FAT", "3 g"),  # 2.75
        (1.1 * 1.1 * 100 + 24, "NA", "150 mg"),  # 145.00000000000003
    ],
)
def test_floating_point_moves_no_amount_over_an_edge(value, component, text):
    """Noise of the arithmetic decides neither a band nor a tie."""
    assert round_amount(value, component, "US").text == text


def test_canada_prints_zero_only_of_a_food_that_is_free():
    """Below 5 mg sodium is 0 where the food is free of it, else the nearest milligram; above, free changes nothing."""
    assert round_amount(3.2, "NA", "CA").text == "3 mg"
    assert round_amount(3.2, "NA", "CA", free=True).text == "0 mg"
    assert round_amount(7.6, "NA", "CA", free=True).text == "10 mg"
    assert round_amount(0.3, "FAT", "CA").text == "0.3 g"
    assert round_amount(0.3, "FAT", "CA", free=True).text == "0 g"
    assert round_amount(0.3, "PROCNT", "CA", free=True).text == "0.3 g"  # there is no such condition


@pytest.mark.parametrize(
    ("value", "component", "regime", "text"),
    [
        (149.0, "NA", "US", "at least 140 mg"),  # rounded it would be 150, which nobody knows to be there
        (150.0, "NA", "US", "at least 150 mg"),
        (3.0, "NA", "US", "not known"),
        (4.0, "CHOLE", "US", "not known"),  # less than 5 cannot be said of a lower bound
        (9.0, "CHOLE", "US", "at least 5 mg"),
        (0.7, "FIBTG", "US", "not known"),
        (7.0, "K", "CA", "not known"),
        (0.0, "FAT", "CA", "not known"),
        (math.nan, "NA", "US", "not known"),
    ],
)
def test_a_lower_bound_is_rounded_down_and_never_zero(value, component, regime, text):
    """At least says no more than is known, and no gap is printed as 0."""
    printed = round_amount(value, component, regime, free=True, at_least=True)
    assert printed.text == text
    assert math.isnan(printed.number) == (text == "not known")


def test_a_percent_that_is_a_lower_bound():
    """19.9 % of the daily value of potassium is at least 15 %; 1.9 % is not known."""
    assert round_percent(19.9, "K", "US", at_least=True).text == "at least 15 %"
    assert round_percent(1.9, "K", "US", at_least=True).text == "not known"
    assert round_percent(math.nan, "K", "US").text == "not known"


def test_what_is_wrong_is_named():
    """Unknown regime, component, variant and population, and an amount below 0."""
    with pytest.raises(SwaptableError, match=r"found regime 'EU'; expected one of US, CA"):
        round_amount(1.0, "NA", "EU")
    with pytest.raises(SwaptableError, match=r"found component 'LYCPN' without a rule in Canada"):
        round_amount(1.0, "LYCPN", "CA")
    with pytest.raises(SwaptableError, match=r"found component 'FATRN' without a percent in United States"):
        round_percent(1.0, "FATRN", "US")
    with pytest.raises(SwaptableError, match=r"found -1 for NA; expected an amount of 0 or more"):
        round_amount(-1.0, "NA", "US")
    with pytest.raises(SwaptableError, match=r"found population 'age 4'; expected one of age 4 and over"):
        daily_value_for("US", "age 4")


HELD = {
    "ENERC_KCAL": 221.0, "FAT": 2.3, "FASAT": 0.19, "FATRN": 0.18, "CHOLE": 3.0, "NA": 149.0, "CHOCDF": 30.4,
    "FIBTG": 0.4, "SUGAR": 0.6, "PROCNT": 0.3, "VITD": 1.6, "CA": 112.0, "FE": 1.74, "K": 262.0, "CU": 0.026,
}  # fmt: skip


@pytest.fixture
def served(tmp_path, sr28):
    """Compute a serving that holds just the given amounts, beside one food without any value."""

    def serve(held, *, gap=False, head="", rest=""):
        components = sr28.components.reset_index()
        numbers = components.set_index("component")["nutrient_number"]
        values = [("a", numbers[tag], value) for tag, value in held.items()]
        tables = {
            "foods": pd.DataFrame(
                {
                    "code": ["a", "b"], "description": ["a", "b"], "food_group": "0000", "food_group_name": "",
                    "refuse_percent": 0.0, "refuse_description": "",
                }
            ),
            "values": pd.DataFrame(values, columns=["code", "nutrient_number", "value"]).astype({"code": "category"}),
            "portions": pd.DataFrame({"code": [""], "measure": [""], "grams": [1.0], "amount": [1.0]}),
            "components": components,
        }  # fmt: skip
        folder = tmp_path / f"constructed {len(list(tmp_path.iterdir()))}"
        release = write_release(folder, {"name": "constructed"}, tables)
        second = "  b: {amount: 100 g, food: b}\n" if gap else ""
        text = f"title: Dish\nservings: 1\n{head}ingredients:\n  a: {{amount: 100 g, food: a}}\n{second}{rest}"
        path = tmp_path / "dish.yaml"
        path.write_text(text, encoding="utf-8")
        return compute(build_grid(read_recipe(path), release))

    return serve


def texts(table):
    """Give what is printed, by line."""
    return {row.line: (row.amount_text, row.percent_text) for row in table.itertuples()}


def test_united_states(served):
    """Every mandatory line in order, with percent of 78, 20, 300, 2300, 275, 28 g or mg, 20 µg, 1300, 18, 4700 mg."""
    assert texts(nutrition_facts(served(HELD), "US")) == {
        "Serving size": ("100 g", ""),
        "Calories": ("220 kcal", ""),
        "Total fat": ("2.5 g", "3 %"),  # 2.3 / 78 = 2.9 %
        "Saturated fat": ("0 g", "0 %"),
        "Trans fat": ("0 g", ""),
        "Cholesterol": ("less than 5 mg", "1 %"),
        "Sodium": ("150 mg", "6 %"),  # 149 / 2300 = 6.48 %
        "Total carbohydrate": ("30 g", "11 %"),
        "Dietary fiber": ("0 g", "0 %"),  # 1.4 % before rounding, but printed as 0
        "Total sugars": ("less than 1 g", ""),
        "Added sugars": ("not known", "not known"),
        "Protein": ("0 g", ""),
        "Vitamin D": ("1.6 µg", "8 %"),
        "Calcium": ("110 mg", "8 %"),  # 112 / 1300 = 8.6 %
        "Iron": ("1.7 mg", "10 %"),  # 9.67 %
        "Potassium": ("260 mg", "6 %"),  # 5.57 %
    }


def test_canada(served):
    """Vitamins and minerals from the amount as printed: 250 of 3400 mg, 100 of 1300 mg, 1.75 of 18 mg."""
    assert texts(nutrition_facts(served(HELD), "CA")) == {
        "Per serving": ("100 g", ""),
        "Calories": ("220 kcal", ""),
        "Fat": ("2.5 g", "3 %"),  # 2.3 / 75 = 3.07 %
        "Saturated": ("0 g", ""),
        "+ Trans": ("0 g", "0 %"),  # 0.37 / 20 = 1.85 %, but both are printed as 0
        "Carbohydrate": ("30 g", ""),
        "Fibre": ("0 g", "0 %"),
        "Sugars": ("1 g", "1 %"),
        "Protein": ("0.3 g", ""),
        "Cholesterol": ("5 mg", ""),
        "Sodium": ("150 mg", "6 %"),
        "Potassium": ("250 mg", "7 %"),  # 7.35 %; before rounding 7.7 %, which is 8
        "Calcium": ("100 mg", "8 %"),  # 7.69 %; before rounding 8.6 %, which is 9
        "Iron": ("1.75 mg", "10 %"),  # 9.72 %
    }


def test_numbers_stay_unrounded_beside_the_text(served):
    """Amount and percent are kept as computed, each with its unit and the source of its rule."""
    table = nutrition_facts(served(HELD), "CA").set_index("component")
    assert table.loc["K", "amount"] == pytest.approx(262.0)
    assert table.loc["K", "percent"] == pytest.approx(100 * 262 / 3400)
    assert table.loc["FATRN", "percent"] == pytest.approx(100 * 0.37 / 20)
    assert (table["status"] == "known").all()
    assert table.loc["K", "source"].startswith("Food and Drug Regulations (C.R.C., c. 870), table to B.01.401; daily ")
    assert "weight as eaten: estimated" in table.loc["serving", "source"]
    copper = nutrition_facts(served(HELD), "CA", voluntary=True).set_index("component").loc["CU", "source"]
    assert copper.endswith("(from memory)")


def test_saturated_and_trans_fat_are_free_together_only(served):
    """0.19 g saturated fat is 0 beside 0.18 g trans fat; beside 0.2 g it is 0.2 g (limits below 0.2 g)."""
    lines = texts(nutrition_facts(served(HELD | {"FATRN": 0.2}), "CA"))
    assert lines["Saturated"] == ("0.2 g", "")
    assert lines["+ Trans"] == ("0.2 g", "2 %")  # 0.39 / 20 = 1.95 %


def test_trans_fat_free_needs_little_of_the_energy(served):
    """0.18 g of each are 0.37 × 9 = 3.33 kcal: 15 % of 22.2 kcal and no more, but 15.1 % of 22 kcal."""
    assert texts(nutrition_facts(served(HELD | {"ENERC_KCAL": 22.2}), "CA"))["+ Trans"][0] == "0 g"
    assert texts(nutrition_facts(served(HELD | {"ENERC_KCAL": 22.0}), "CA"))["+ Trans"][0] == "0.2 g"


def test_free_by_the_reference_amount_as_well(served):
    """3 mg sodium in a serving of 100 g are 0, but not where the rules refer to 200 g, which hold 6 mg."""
    held = HELD | {"NA": 3.0}
    assert texts(nutrition_facts(served(held), "CA"))["Sodium"] == ("0 mg", "0 %")
    doubled = served(held, head="reference amount: 200 g\n")
    assert texts(nutrition_facts(doubled, "CA"))["Sodium"] == ("3 mg", "0 %")
    assert texts(nutrition_facts(doubled, "US"))["Sodium"] == ("0 mg", "0 %")


def test_gaps_are_never_zero(served):
    """Beside a food without values all is a lower bound; what no food has is missing; neither prints as 0."""
    table = nutrition_facts(served({"NA": 149.0, "FAT": 0.3, "K": 262.0}, gap=True), "US").set_index("line")
    assert tuple(table.loc["Sodium", ["amount_text", "percent_text", "status"]]) == (
        "at least 140 mg", "at least 6 %", "lower bound",
    )  # fmt: skip
    assert tuple(table.loc["Total fat", ["amount_text", "percent_text"]]) == ("not known", "not known")
    assert tuple(table.loc["Potassium", ["amount_text", "percent_text"]]) == ("at least 260 mg", "at least 4 %")
    assert tuple(table.loc["Iron", ["amount_text", "percent_text", "status"]]) == ("not known", "not known", "missing")
    assert np.isnan(table.loc["Iron", "amount"])
    assert not table["amount_text"].str.match(r"0 ").any()
    canada = nutrition_facts(served({"NA": 3.0, "K": 262.0}, gap=True), "CA").set_index("line")
    assert canada.loc["Sodium", "amount_text"] == "at least 3 mg"  # and not free of it: nobody knows
    assert canada.loc["Potassium", "percent_text"] == "at least 7 %"


def test_variants_and_populations(served):
    """A variant is told by its options; a daily value by whom it is for."""
    rest = "choices:\n  size:\n    small: as written\n    large: {a: {amount: 200 g}}\n"
    amounts = served(HELD, rest=rest)
    assert texts(nutrition_facts(amounts, "US", {"size": "large"}))["Sodium"] == ("300 mg", "13 %")
    assert texts(nutrition_facts(amounts, "US"))["Sodium"] == ("150 mg", "6 %")
    small = texts(nutrition_facts(amounts, "US", population="age 1 to 3"))
    assert small["Sodium"] == ("150 mg", "10 %")  # of 1500 mg
    assert texts(nutrition_facts(amounts, "CA", population="age 1 to 3"))["Sodium"] == ("150 mg", "12 %")  # of 1200 mg
    assert texts(nutrition_facts(amounts, "CA", population="age 1 to 3"))["Fat"] == ("2.5 g", "")  # no value known
    pregnant = texts(nutrition_facts(amounts, "US", population="pregnant or lactating"))
    assert pregnant["Iron"] == ("1.7 mg", "6 %")  # of 27 mg: 6.4 %
    assert daily_value_for("CA", "pregnant or lactating").equals(daily_value_for("CA"))
    with pytest.raises(SwaptableError, match=r"found variant \{'size': 'huge'\}; .* size: small, large"):
        nutrition_facts(amounts, "US", {"size": "huge"})


def test_voluntary_lines_come_on_request(served):
    """Copper is printed only if asked for: 0.026 mg of 0.9 mg."""
    amounts = served(HELD)
    assert "Copper" not in texts(nutrition_facts(amounts, "CA"))
    assert texts(nutrition_facts(amounts, "CA", voluntary=True))["Copper"] == ("0.025 mg", "3 %")  # 2.78 %
    assert texts(nutrition_facts(amounts, "US", voluntary=True))["Copper"] == ("0 mg", "0 %")  # 0.03 is 0 of tenths


def test_text_is_marked_and_explains_gaps(served):
    """The text ends with the mark, indents parts of a whole, and explains at least where it says so."""
    whole = nutrition_facts_text(nutrition_facts(served(HELD), "US"))
    assert whole.splitlines()[-1] == ESTIMATE == "Estimate. Not for packaged sale."
    assert whole.splitlines()[1:4] == [
        "Serving size        100 g",
        "Calories            220 kcal",
        "Total fat           2.5 g           3 %",
    ]
    assert "\n    Added sugars    not known       not known\n" in whole
    assert "At least:" not in whole
    assert "\nAt least: " in nutrition_facts_text(nutrition_facts(served(HELD, gap=True), "US"))


def test_a_recipe_of_the_release_has_all_lines(computed):
    """A serving of 244 g milk (SR28 01079): 122 kcal, 4.83 g fat, 115 mg sodium, 293 mg calcium."""
    milk = computed('title: Milk\nservings: 2\ningredients: {milk: {amount: 488 g, food: "sr28:01079"}}\n')
    lines = texts(nutrition_facts(milk, "US"))
    assert lines["Serving size"] == ("244 g", "")
    assert lines["Calories"] == ("120 kcal", "")
    assert lines["Total fat"] == ("5 g", "6 %")
    assert lines["Sodium"] == ("115 mg", "5 %")  # 114.68 mg: nearest 5 up to 140 mg
    assert lines["Calcium"] == ("290 mg", "25 %")  # 22.5 % is halfway between 20 and 25


def test_lines_have_rules_and_one_order():
    """Every line's component has a rule; orders count from 1; a percent has its rule."""
    rules = label_rounding()
    for regime, lines in label_lines().groupby("regime"):
        ruled = set(rules[(rules["regime"] == regime) & (rules["field"] == "amount")]["component"])
        assert set(lines["component"]) <= ruled
        assert list(lines["order"]) == list(range(1, len(lines) + 1))
        assert ((lines["percent_shown"] == "yes") == (lines["percent_of"] != "")).all()
        assert ((lines["percent_of"] != "") == lines["percent_rule"].isin(["vitamins and minerals", "others"])).all()
        assert (lines["amount_shown"] == "yes").all()
        assert set(lines["percent_of"]) - {""} <= set(daily_value_for(str(regime)).index)
